"""Lists that `touchmark revoke` wrote, as OpenSSL, cryptography, asn1crypto and pkilint read them.

Usage: revocation.py FOLDER. The folder holds `dac-list.crl` with `dac-list.point.json`, `pai-list.crl`, the chain
as `paa.der`, `pai.der`, `revoked.der` and `good.der`, and `wanted.json`: what the list of the PAI must say.
"""

import datetime
import json
import pathlib
import subprocess
import sys
import tempfile

from cryptography import x509

import ours


def main(folder):
    folder = pathlib.Path(folder)
    wanted = json.loads((folder / "wanted.json").read_text())
    with tempfile.TemporaryDirectory() as held:
        work = pathlib.Path(held)
        revoked = x509.load_der_x509_certificate((folder / "revoked.der").read_bytes())
        ours.revocation_list(folder / "dac-list.crl", folder / "pai.der", work, revoked)
        ours.revocation_list(folder / "pai-list.crl", folder / "paa.der", work)

        # RFC 5280 5.2.3, 5.1.2.4 to 5.1.2.6, 5.3.1: number, dates, entries, reasons; unspecified is left out.
        read = x509.load_der_x509_crl((folder / "dac-list.crl").read_bytes())
        number = read.extensions.get_extension_for_class(x509.CRLNumber).value.crl_number
        ours.check("cRLNumber", number == wanted["number"], str(number))
        ours.check("days", read.next_update_utc - read.last_update_utc == datetime.timedelta(days=wanted["days"]))
        reasons = {}
        for entry in read:
            extensions = [e.value for e in entry.extensions]
            ours.check("one extension at most", len(extensions) <= 1)
            reasons[format(entry.serial_number, "x")] = extensions[0].reason.value if extensions else "unspecified"
        ours.check("serials and reasons", reasons == wanted["reasons"], f"{reasons} {wanted['reasons']}")

        # RFC 5280 6.3, by OpenSSL: every certificate of the chain is held against its issuer's list.
        lists = work / "lists.pem"
        lists.write_bytes(b"".join(ours.pem("X509 CRL", (folder / f"{n}-list.crl").read_bytes()) for n in ("dac", "pai")))
        for name in ("paa", "pai", "revoked", "good"):
            ours.to_pem(folder / f"{name}.der", work / f"{name}.pem")
        verify = ["openssl", "verify", "-x509_strict", "-crl_check_all", "-CRLfile", lists, "-CAfile", work / "paa.pem",
                  "-untrusted", work / "pai.pem"]
        ours.call("openssl verify -crl_check_all, a unit that is not listed", *verify, work / "good.pem", wanted="OK")
        said = subprocess.run([*verify, work / "revoked.pem"], capture_output=True, text=True)
        ours.check("openssl verify -crl_check_all, the revoked one",
                   said.returncode != 0 and "certificate revoked" in said.stderr, said.stderr)

        # STANDARD 3: the record by which verifiers learn of the list. It names its signer; for a list (type 1) it gives
        # no size and no digest, since the list changes under one address. What is served is DER (RFC 5280 4.2.1.13).
        point = json.loads((folder / "dac-list.point.json").read_text())
        pai = x509.load_der_x509_certificate((folder / "pai.der").read_bytes())
        own = pai.extensions.get_extension_for_class(x509.SubjectKeyIdentifier).value.digest
        ours.check("distribution point",
                   point["issuer_subject_key_id"] == own.hex().upper() and point["revocation_type"] == 1
                   and not {"data_size", "data_digest", "data_digest_type"} & set(point)
                   and x509.load_pem_x509_certificate(point["signer_certificate"].encode()) == pai
                   and point["delegator_certificate"] is None
                   and point["is_paa"] is False and point["vendor_id"] == "FFF2" and point["data_url"] == wanted["url"],
                   json.dumps(point))
        # A list asked for in PEM lies beside its record in DER too: the same list.
        if "in_pem" in wanted:
            pem = folder / wanted["in_pem"]
            served = x509.load_der_x509_crl(pem.with_suffix(".crl").read_bytes())
            ours.check("DER beside PEM", served == x509.load_pem_x509_crl(pem.read_bytes())
                       and pem.with_suffix(".point.json").exists())
    print(ours.DONE, "checks")
    if ours.FAULTS:
        sys.exit("\n".join(ours.FAULTS))


if __name__ == "__main__":
    main(sys.argv[1])
