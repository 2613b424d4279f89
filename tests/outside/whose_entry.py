"""Whose certificates a list's entries are about: python whose_entry.py DIR

Writes lists built with `cryptography`, the chains that they are held against, and `index.json`: what OpenSSL says of
each certificate under each list (`openssl verify -crl_check -extended_crl`), for the program to be held against.

RFC 5280 5.3.3: an entry is about the issuer that its certificateIssuer names, else, behind one that names somebody,
about the same, else about the list's issuer.
"""

import datetime
import json
import pathlib
import subprocess
import sys

from cryptography import x509
from cryptography.hazmat.primitives import hashes

import ours
from cases.der import bmp
from cases.make import *

AT = datetime.datetime(2026, 3, 1, 12, tzinfo=datetime.timezone.utc)
DAY = datetime.timedelta(days=1)
# Private enterprise number of RFC 5612, for examples.
UNKNOWN = x509.UnrecognizedExtension(x509.ObjectIdentifier("1.3.6.1.4.1.32473.1"), b"\x05\x00")

PAA = Cert("paa")
PAI = Cert("pai", PAA)
SIBLING = Cert("pai", PAA, key=Key("sibling"), subject=name("Tern & Hollow Second PAI", "FFF1"))
SIGNER = Cert("pai", PAI, key=Key("list signer"), subject=name("Tern & Hollow list signer", "FFF1"), basic=basic(False),
              usage=usage(6), before="20250101")
STRANGER = name("Somebody else", "FFF2")


def point(of):
    """cRLDistributionPoints with a cRLIssuer alone (RFC 5280 4.2.1.13): whose lists count for the certificate."""
    return extension(CRLDP, seq(seq(context(2, context(4, of.subject)))))


def dac(number, below=PAI, lists_by=None):
    return Cert("dac", below, key=Key(f"dac {number}"), serial=integer(number),
                subject=name(f"Tern Vent {number}", "FFF1", "8001"), more=[point(lists_by)] if lists_by else ())


def read(cert):
    return x509.load_der_x509_certificate(cert.der).subject


def as_name(octets):
    """`cryptography` reads names only where they stand in something."""
    return read(Cert("paa", subject=octets))


def idp(**given):
    asked = dict(full_name=None, relative_name=None, only_contains_user_certs=False, only_contains_ca_certs=False,
                 only_some_reasons=None, indirect_crl=False, only_contains_attribute_certs=False)
    return x509.IssuingDistributionPoint(**{**asked, **given})


def a_list(by, entries, scope=None, unknown=False, delta=None):
    """`entries`: (serial number, whom certificateIssuer names or None, extensions beside it)."""
    build = (x509.CertificateRevocationListBuilder().issuer_name(read(by)).last_update(AT - DAY)
             .next_update(AT + 30 * DAY)
             .add_extension(x509.AuthorityKeyIdentifier(by.ski_value, None, None), False)
             .add_extension(x509.CRLNumber(7), False))
    if scope:
        build = build.add_extension(scope, True)
    if unknown:
        build = build.add_extension(UNKNOWN, True)
    if delta is not None:
        build = build.add_extension(x509.DeltaCRLIndicator(delta), True)
    for number, whose, *beside in entries:
        row = x509.RevokedCertificateBuilder().serial_number(number).revocation_date(AT - DAY)
        if whose is not None:
            names = whose if isinstance(whose, list) else [whose]
            general = [n if isinstance(n, x509.GeneralName) else x509.DirectoryName(as_name(n)) for n in names]
            row = row.add_extension(x509.CertificateIssuer(general), True)
        for value, critical in beside:
            row = row.add_extension(value, critical)
        build = build.add_revoked_certificate(row.build())
    return build.sign(by.key.private, hashes.SHA256()).public_bytes(ours.serialization.Encoding.DER)


ROWS = []


def row(what, by, entries, against, signer=None, exception=False, **more):
    ROWS.append(dict(what=what, by=by, entries=entries, against=against, signer=signer, exception=exception, **more))


OWN, OTHER, UPPER = PAI.subject, STRANGER, PAA.subject
INDIRECT = idp(indirect_crl=True)
URI = x509.UniformResourceIdentifier("http://authority.example/pai")
FOLDED = name("TERN  &  hollow test pai", "fff1", string=bmp)
FOUR = [dac(n) for n in (11, 12, 13, 14)]


def reason(flag):
    return (x509.CRLReason(flag), False)


# By the PAI itself: each list once direct and once indirect.
for kind, scope in (("direct", None), ("indirect", INDIRECT)):
    for what, entries in (
        ("nobody named", [(11, None), (12, None)]),
        ("own named", [(11, OWN), (12, OWN)]),
        ("own named, then inherited", [(11, OWN), (12, None), (13, None)]),
        ("other named", [(11, OTHER), (12, OTHER)]),
        ("other named, then inherited", [(11, OTHER), (12, None), (13, None)]),
        ("nobody, other, inherited, own, inherited", [(11, None), (21, OTHER), (12, None), (22, OWN), (13, None)]),
        ("own, other, own", [(11, OWN), (12, OTHER), (13, OWN)]),
        ("one serial number of two issuers", [(11, OTHER), (12, OWN), (11, OWN)]),
        ("several names, one of them own", [(11, [URI, OTHER, OWN]), (12, None)]),
        ("no directoryName among the names", [(11, [URI]), (12, None)]),
        ("own name in other letters and string types", [(11, FOLDED), (12, None)]),
        ("with reasons beside", [(11, OWN, reason(x509.ReasonFlags.key_compromise)), (12, OTHER, reason(x509.ReasonFlags.superseded))]),
        ("taken off again", [(11, OWN, reason(x509.ReasonFlags.remove_from_crl)), (12, None)]),
        ("entry extension unknown, not critical", [(11, None, (UNKNOWN, False)), (12, OTHER)]),
    ):
        row(f"{kind}: {what}", PAI, entries, FOUR, scope=scope)
    # RFC 5280 5.3: such a list shows nothing to be good. What it revokes stays revoked here, so that is not asked.
    row(f"{kind}: entry extension unknown, critical", PAI, [(21, None), (22, OTHER, (UNKNOWN, True)), (23, None)], FOUR,
        scope=scope, unusable="revocation.critical-entry")

# By another authority: indirect, held against DACs that name it as the issuer of their lists.
BY_PAA = [dac(n, lists_by=PAA) for n in (11, 12, 13, 14)]
for what, entries in (
    ("nobody named", [(11, None), (12, None)]),
    ("the PAI named", [(11, OWN), (12, OWN)]),
    ("the PAI named, then inherited", [(11, OWN), (12, None)]),
    ("nobody, the PAI, inherited, own", [(11, None), (12, OWN), (13, None), (14, UPPER)]),
    ("another PAI named, then inherited", [(11, SIBLING.subject), (12, None), (13, OWN)]),
):
    row(f"indirect, by the PAA: {what}", PAA, entries, BY_PAA, scope=INDIRECT)
row("direct, by the PAA: the PAI named", PAA, [(11, OWN), (12, None)], BY_PAA)
BY_SIBLING = [dac(n, lists_by=SIBLING) for n in (11, 12)]
row("indirect, by another PAI that the DAC names", SIBLING, [(11, OWN), (13, None)], BY_SIBLING, signer=SIBLING, scope=INDIRECT)
row("indirect, by another PAI that no DAC names", SIBLING, [(11, OWN), (12, None)], FOUR, signer=SIBLING, scope=INDIRECT)

# By a list signer that the PAI appointed.
BY_SIGNER = [dac(n, lists_by=SIGNER) for n in (11, 12, 13)]
row("delegated, indirect: the PAI named, then inherited", SIGNER, [(11, OWN), (12, None)], BY_SIGNER, signer=SIGNER, scope=INDIRECT)
row("delegated, indirect: other named, then inherited", SIGNER, [(11, OTHER), (12, None), (13, OWN)], BY_SIGNER, signer=SIGNER, scope=INDIRECT)
# The one deliberate difference: what an appointed signer lists without a name counts for whoever appointed it.
# From memory of the Core Specification (6.2.4); by RFC 5280 5.3.3 alone it would be the signer's own.
row("delegated, indirect: nobody named", SIGNER, [(11, None), (12, None)], BY_SIGNER, signer=SIGNER, scope=INDIRECT, exception=True)

# What keeps a list from telling that a certificate is good (RFC 5280 5.2, 5.2.4, 5.2.5).
row("only certificates of authorities", PAI, [(21, None)], FOUR, scope=idp(only_contains_ca_certs=True), unusable="revocation.scope")
row("only certificates of users", PAI, [(11, None)], FOUR, scope=idp(only_contains_user_certs=True))
row("only attribute certificates", PAI, [(21, None)], FOUR, scope=idp(only_contains_attribute_certs=True), unusable="revocation.scope")
row("only some reasons", PAI, [(21, None)], FOUR,
    scope=idp(only_some_reasons=frozenset([x509.ReasonFlags.key_compromise])), unusable="revocation.scope")
row("only some reasons, listed", PAI, [(11, None)], FOUR[:1],
    scope=idp(only_some_reasons=frozenset([x509.ReasonFlags.key_compromise])), unusable="revocation.scope")
row("a delta alone", PAI, [(21, None)], FOUR, delta=6, unusable="revocation.delta")
row("list extension unknown, critical", PAI, [(21, None)], FOUR, unknown=True, unusable="revocation.encoding")


def says(work, cert, crl, signer):
    verify = ["openssl", "verify", "-crl_check", "-extended_crl", "-attime", str(int(AT.timestamp())), "-CRLfile", crl,
              "-CAfile", work / "paa.pem", "-untrusted", work / "pai.pem"]
    if signer:
        verify += ["-untrusted", work / f"{signer}.pem"]
    done = subprocess.run([str(c) for c in (*verify, cert)], capture_output=True, text=True)
    said = done.stdout + done.stderr
    if "certificate revoked" in said:
        return "revoked", said
    return ("good" if done.returncode == 0 else "unusable"), said


def main(out):
    out = pathlib.Path(out)
    out.mkdir(exist_ok=True)
    held = {"paa": PAA, "pai": PAI, "sibling": SIBLING, "signer": SIGNER}
    for text, cert in held.items():
        (out / f"{text}.der").write_bytes(cert.der)
        (out / f"{text}.pem").write_bytes(ours.pem("CERTIFICATE", cert.der))
    index = []
    for number, one in enumerate(ROWS):
        crl = a_list(one["by"], one["entries"], one.get("scope"), one.get("unknown", False), one.get("delta"))
        (out / f"{number:02}.crl").write_bytes(crl)
        (out / f"{number:02}.pem").write_bytes(ours.pem("X509 CRL", crl))
        signer = next((text for text, cert in held.items() if cert is one["signer"]), None)
        certificates = []
        for cert in one["against"]:
            stem = f"{number:02}-{int.from_bytes(cert.serial[2:], 'big')}"
            (out / f"{stem}.der").write_bytes(cert.der)
            (out / f"{stem}.pem").write_bytes(ours.pem("CERTIFICATE", cert.der))
            word, said = says(out, out / f"{stem}.pem", out / f"{number:02}.pem", signer)
            certificates.append({"file": f"{stem}.der", "openssl": word, "said": said.strip()})
        index.append({"what": one["what"], "list": f"{number:02}.crl", "signer": signer, "exception": one["exception"],
                      "unusable": one.get("unusable"), "certificates": certificates})
    (out / "index.json").write_text(json.dumps(index, indent=1))
    print(len(index), "lists")


if __name__ == "__main__":
    main(*sys.argv[1:])
