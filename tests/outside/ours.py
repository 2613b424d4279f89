#!/usr/bin/env python3
"""Whether others accept what this program builds: python ours.py DIR

DIR holds what `touchmark specimen write` wrote, and in `made/` requests and lists that the test
built through the library. Judges are OpenSSL 3, GnuTLS, Python's `cryptography` and `asn1crypto`,
and the certificate linter `pkilint`; each check names what it holds ours against.
"""

import base64
import datetime
import hashlib
import json
import pathlib
import subprocess
import sys
import tempfile

from asn1crypto import cms, core, crl, csr
from asn1crypto import x509 as asn1_x509
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives.asymmetric.utils import encode_dss_signature

FAULTS = []
BY_GNUTLS = []
DONE = 0
SHA256 = ec.ECDSA(hashes.SHA256())


def check(what, holds, detail=""):
    global DONE
    DONE += 1
    if not holds:
        FAULTS.append(f"{what}: {detail}")


def call(what, *command, stdin=None, wanted=""):
    done = subprocess.run([str(c) for c in command], input=stdin, capture_output=True)
    said = (done.stdout + done.stderr).decode(errors="replace")
    check(what, done.returncode == 0 and wanted in said, said.strip()[-600:])
    return done.stdout


def pem(label, octets):
    """RFC 7468."""
    text = base64.encodebytes(octets).decode()
    return f"-----BEGIN {label}-----\n{text}-----END {label}-----\n".encode()


def chain(home, work):
    """RFC 5280 6 as OpenSSL, GnuTLS and `cryptography` have it, at the DAC's notBefore."""
    ders = {role: (home / f"{role}.der").read_bytes() for role in ("dac", "pai", "paa")}
    certs = {role: x509.load_der_x509_certificate(der) for role, der in ders.items()}
    for role, der in ders.items():
        (work / f"{role}.pem").write_bytes(pem("CERTIFICATE", der))
        # RFC 5280 4.1: its own model re-encodes ours to the same octets (DER is unique).
        check(f"{home.name} {role}: asn1crypto's DER", asn1_x509.Certificate.load(der).dump(force=True) == der)
    for role, above in (("dac", "pai"), ("pai", "paa"), ("paa", "paa")):
        try:
            certs[role].verify_directly_issued_by(certs[above])
            fault = ""
        except Exception as error:  # noqa: BLE001: whatever it has against it
            fault = repr(error)
        check(f"{home.name} {role}: cryptography, issued by {above}", not fault, fault)
    start = certs["dac"].not_valid_before_utc
    # openssl-verify(1): -x509_strict disables its work-arounds for broken certificates.
    call(f"{home.name}: openssl verify", "openssl", "verify", "-x509_strict", "-attime", int(start.timestamp()),
         "-trusted", work / "paa.pem", "-untrusted", work / "pai.pem", work / "dac.pem", wanted=": OK")
    # GnuTLS's tool only judges the present, so a set whose PAI has expired on purpose is left to OpenSSL.
    now = datetime.datetime.now(datetime.timezone.utc)
    if all(c.not_valid_before_utc <= now <= c.not_valid_after_utc for c in certs.values()):
        whole = b"".join((work / f"{role}.pem").read_bytes() for role in ("dac", "pai"))
        call(f"{home.name}: certtool --verify", "certtool", "--verify", "--load-ca-certificate", work / "paa.pem",
             stdin=whole, wanted="The certificate is trusted")
        BY_GNUTLS.append(home.name)
    # Extensions as `cryptography` reads them (RFC 5280 4.2.1.2 method 1, 4.2.1.3, 4.2.1.9).
    for role, cert in certs.items():
        usage = cert.extensions.get_extension_for_class(x509.KeyUsage)
        constraints = cert.extensions.get_extension_for_class(x509.BasicConstraints)
        own = cert.extensions.get_extension_for_class(x509.SubjectKeyIdentifier).value
        digest = hashlib.sha1(cert.public_key().public_bytes(
            serialization.Encoding.X962, serialization.PublicFormat.UncompressedPoint)).digest()
        check(f"{home.name} {role}: extensions",
              usage.critical and constraints.critical and constraints.value.ca == (role != "dac")
              and usage.value.digital_signature >= (role == "dac") and usage.value.key_cert_sign == (role != "dac")
              and own.digest == digest)
        check(f"{home.name} {role}: 600 octets", len(ders[role]) <= 600)
    return certs


def lint(work, path, label, program="lint_pkix_cert", **more):
    """pkilint: RFC 5280 form; nothing of the severities ERROR and FATAL."""
    python = pathlib.Path(sys.executable)
    command = [python, "-m", f"pkilint.bin.{program}", "lint", "-s", "ERROR", *more.get("options", []), path]
    call(f"{label}: pkilint", *command)


def declaration(home, work):
    """RFC 5652 5 as OpenSSL and asn1crypto have it."""
    path, signer = home / "declaration.der", home / "declaration-signer.der"
    der = path.read_bytes()
    info = cms.ContentInfo.load(der, strict=True)
    data = info["content"]
    body = data["encap_content_info"]["content"].native
    said = call(f"{home.name}: openssl cms -verify", "openssl", "cms", "-verify", "-binary", "-noverify", "-inform", "DER",
                "-in", path, "-certfile", to_pem(signer, work / "signer.pem"), wanted="")
    check(f"{home.name}: OpenSSL's content is asn1crypto's", said == body)
    check(f"{home.name}: asn1crypto's DER of the declaration", cms.ContentInfo.load(der).dump(force=True) == der)
    only = data["signer_infos"][0]
    cert = x509.load_der_x509_certificate(signer.read_bytes())
    own = cert.extensions.get_extension_for_class(x509.SubjectKeyIdentifier).value.digest
    check(f"{home.name}: profile of STANDARD 5",
          info["content_type"].native == "signed_data" and data["version"].native == "v3" and len(data["signer_infos"]) == 1
          and [d["algorithm"].native for d in data["digest_algorithms"]] == ["sha256"]
          and data["encap_content_info"]["content_type"].native == "data"
          and isinstance(data["certificates"], core.Void) | (data["certificates"].native is None)
          and isinstance(data["crls"], core.Void) | (data["crls"].native is None)
          and only["version"].native == "v3" and only["sid"].name == "subject_key_identifier"
          and only["sid"].chosen.native == own and only["signature_algorithm"]["algorithm"].native == "sha256_ecdsa"
          and not only["signed_attrs"] and not only["unsigned_attrs"])
    cert.public_key().verify(only["signature"].native, body, SHA256)


def to_pem(der_path, pem_path, label="CERTIFICATE"):
    pem_path.write_bytes(pem(label, der_path.read_bytes()))
    return pem_path


def exchange(home, dac):
    """STANDARD 6: r and s raw over elements and challenge, by the DAC's key (FIPS 186-5)."""
    proof = {k: bytes.fromhex(v) for k, v in json.loads((home / "proof.json").read_text()).items()
             if k in ("nonce", "challenge", "elements", "signature")}
    raw = proof["signature"]
    der = encode_dss_signature(int.from_bytes(raw[:32], "big"), int.from_bytes(raw[32:], "big"))
    try:
        dac.public_key().verify(der, proof["elements"] + proof["challenge"], SHA256)
        fault = ""
    except Exception as error:  # noqa: BLE001
        fault = repr(error)
    check(f"{home.name}: cryptography verifies the exchange", not fault and len(raw) == 64, fault)
    check(f"{home.name}: the nonce is in the elements", proof["nonce"] in proof["elements"])


def request(path):
    """RFC 2986 as OpenSSL, GnuTLS, cryptography and asn1crypto have it."""
    der = path.read_bytes()
    call(f"{path.name}: openssl req -verify", "openssl", "req", "-verify", "-noout", "-inform", "DER", "-in", path, wanted="verify OK")
    call(f"{path.name}: certtool --crq-info", "certtool", "--crq-info", "--inder", "--infile", path, wanted="Self signature: verified")
    check(f"{path.name}: cryptography", x509.load_der_x509_csr(der).is_signature_valid)
    check(f"{path.name}: asn1crypto's DER", csr.CertificationRequest.load(der).dump(force=True) == der)


def revocation_list(path, issuer_path, work, revoked=None):
    """RFC 5280 5 as OpenSSL, cryptography, asn1crypto and pkilint have it."""
    der = path.read_bytes()
    issuer = x509.load_der_x509_certificate(issuer_path.read_bytes())
    call(f"{path.name}: openssl crl", "openssl", "crl", "-noout", "-inform", "DER", "-in", path,
         "-CAfile", to_pem(issuer_path, work / "issuer.pem"), wanted="verify OK")
    read = x509.load_der_x509_crl(der)
    check(f"{path.name}: cryptography", read.is_signature_valid(issuer.public_key()) and read.issuer == issuer.subject
          and read.extensions.get_extension_for_class(x509.CRLNumber).value.crl_number > 0
          and read.extensions.get_extension_for_class(x509.AuthorityKeyIdentifier).value.key_identifier
          == issuer.extensions.get_extension_for_class(x509.SubjectKeyIdentifier).value.digest)
    if revoked:
        check(f"{path.name}: names the DAC", read.get_revoked_certificate_by_serial_number(revoked.serial_number) is not None)
    check(f"{path.name}: asn1crypto's DER", crl.CertificateList.load(der).dump(force=True) == der)
    lint(work, path, path.name, "lint_crl", options=["-t", "CRL", "-p", "PKIX"])


def main(root):
    root = pathlib.Path(root)
    index = json.loads((root / "index.json").read_text())["specimens"]
    valid = [row["folder"] for row in index if row["rule"] is None]
    check("several valid sets", len(valid) > 5, str(valid))
    with tempfile.TemporaryDirectory() as held:
        work = pathlib.Path(held)
        for folder in valid:
            home = root / folder
            certs = chain(home, work)
            declaration(home, work)
            exchange(home, certs["dac"])
        check("GnuTLS judged most sets", len(BY_GNUTLS) >= len(valid) - 2, str(BY_GNUTLS))
        for role in ("dac", "pai", "paa"):
            for folder in valid[:4]:
                lint(work, root / folder / f"{role}.der", f"{folder} {role}")
        revoked = root / "chain.revoked"
        revocation_list(revoked / "revoked.crl", revoked / "pai.der", work,
                        x509.load_der_x509_certificate((revoked / "dac.der").read_bytes()))
        made = sorted((root / "made").glob("*.csr"))
        check("requests were made", len(made) >= 2, str(made))
        for path in made:
            request(path)
        for path in sorted((root / "made").glob("*.crl")):
            revocation_list(path, path.with_suffix(".der"), work)
    print(DONE, "checks")
    if FAULTS:
        sys.exit("\n".join(FAULTS))


if __name__ == "__main__":
    main(*sys.argv[1:])
