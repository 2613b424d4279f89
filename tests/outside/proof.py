#!/usr/bin/env python3
"""Checks stored proofs without the program that made them: python proof.py EVIDENCE CHIPS PAAS

EVIDENCE holds a folder a unit, as `touchmark unit write` wrote it; CHIPS a folder a chip with
`dac.der`, `pai.der` and `declaration.der` as read from the chip; PAAS the trusted roots in PEM, by
a way of their own. Only Python's `cryptography` and the `openssl` command judge. What each octet
is stands in docs/proof.md.
"""

import json
import pathlib
import subprocess
import sys
import tempfile

from cryptography import x509
from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives.asymmetric.utils import encode_dss_signature

SHA256 = ec.ECDSA(hashes.SHA256())


def structure(octets):
    """The members of one anonymous TLV structure (Core Spec, appendix A): {tag: value}.

    Takes what attestation elements are made of: unsigned integers and octet strings under context
    tags. Anything else is an error.
    """
    if octets[0] != 0x15:
        raise ValueError("no anonymous structure")
    at, members = 1, {}
    while octets[at] != 0x18:
        control, tag = octets[at], octets[at + 1]
        if control >> 5 != 1 or tag in members:
            raise ValueError(f"octet {at}: no context tag, or a tag twice")
        kind, size = control & 0x1F, 1 << (control & 0x03)
        number = int.from_bytes(octets[at + 2 : at + 2 + size], "little")
        at += 2 + size
        if 0x04 <= kind <= 0x07:  # an unsigned integer of 1, 2, 4 or 8 octets
            members[tag] = number
        elif 0x10 <= kind <= 0x13:  # an octet string whose length has 1, 2, 4 or 8 octets
            if at + number > len(octets):
                raise ValueError(f"octet {at}: {number} octets are not there")
            members[tag] = octets[at : at + number]
            at += number
        else:
            raise ValueError(f"octet {at}: element of kind {kind:#x}")
    if at + 1 != len(octets):
        raise ValueError("octets after the end")
    return members


def check_proof(folder):
    """Whether the exchange in `proof.json` was signed by the key that `dac.der` certifies."""
    proof = json.loads((folder / "proof.json").read_text())
    nonce, challenge, elements, signature = (
        bytes.fromhex(proof[name]) for name in ("nonce", "challenge", "elements", "signature")
    )
    assert proof["unit"] == folder.name, "the proof is another unit's"
    assert (len(nonce), len(challenge), len(signature)) == (32, 16, 64), "sizes"
    members = structure(elements)
    assert members[1] == (folder / "declaration.der").read_bytes(), "the declaration in the elements is another"
    assert members[2] == nonce, "the nonce in the elements is another"
    assert isinstance(members[3], int), "no timestamp"
    r, s = (int.from_bytes(half, "big") for half in (signature[:32], signature[32:]))
    key = x509.load_der_x509_certificate((folder / "dac.der").read_bytes()).public_key()
    assert key.curve.name == "secp256r1"
    key.verify(encode_dss_signature(r, s), elements + challenge, SHA256)
    # A check that can't fail checks nothing: one bit of each part, and the same key refuses.
    for altered, message in (
        (encode_dss_signature(r, s ^ 1), elements + challenge),
        (encode_dss_signature(r, s), elements[:-2] + bytes([elements[-2] ^ 1]) + elements[-1:] + challenge),
        (encode_dss_signature(r, s), elements + challenge[:-1] + bytes([challenge[-1] ^ 1])),
    ):
        try:
            key.verify(altered, message, SHA256)
        except InvalidSignature:
            continue
        raise AssertionError("an altered proof verifies")
    return proof


def check_chain(dac, pai, paa):
    """RFC 5280 6.1.3 (a)(1) and (4): signatures and names from the DAC to the root."""
    for below, above in ((dac, pai), (pai, paa), (paa, paa)):
        assert below.issuer.public_bytes() == above.subject.public_bytes(), "issuer's name"
        above.public_key().verify(below.signature, below.tbs_certificate_bytes, ec.ECDSA(below.signature_hash_algorithm))


def openssl(dac, pai, paa, work):
    """RFC 5280 6 as OpenSSL has it, at the DAC's notBefore, which is the standard's moment."""
    paths = {}
    for role, certificate in (("dac", dac), ("pai", pai), ("paa", paa)):
        paths[role] = work / f"{role}.pem"
        paths[role].write_bytes(certificate.public_bytes(serialization.Encoding.PEM))
    at = str(int(dac.not_valid_before_utc.timestamp()))
    command = ["openssl", "verify", "-x509_strict", "-attime", at, "-CAfile", paths["paa"], "-untrusted", paths["pai"]]
    done = subprocess.run([str(c) for c in [*command, paths["dac"]]], capture_output=True, text=True)
    assert done.returncode == 0, done.stdout + done.stderr


def main():
    evidence, chips, roots = (pathlib.Path(a) for a in sys.argv[1:4])
    trusted = [x509.load_pem_x509_certificate(p.read_bytes()) for p in sorted(roots.glob("*.pem"))]
    by_name = {root.subject.public_bytes(): root for root in trusted}
    load = lambda path: x509.load_der_x509_certificate(path.read_bytes())
    units = sorted(p for p in evidence.iterdir() if p.is_dir())
    assert units, "no unit to check"
    for folder in units:
        try:
            proof = check_proof(folder)
            dac, pai, paa = (load(folder / f"{role}.der") for role in ("dac", "pai", "paa"))
            assert paa == by_name[paa.subject.public_bytes()], "the root is not the one that was adopted"
            check_chain(dac, pai, paa)
            chip = chips / proof["chip_id"]
            for name in ("dac.der", "pai.der", "declaration.der"):
                assert (chip / name).read_bytes() == (folder / name).read_bytes(), f"the chip holds another {name}"
            with tempfile.TemporaryDirectory() as work:
                dac, pai = load(chip / "dac.der"), load(chip / "pai.der")
                openssl(dac, pai, by_name[pai.issuer.public_bytes()], pathlib.Path(work))
        except Exception as error:
            sys.exit(f"{folder.name}: {type(error).__name__}: {error}")
    print(f"{len(units)} proofs hold")


main()
