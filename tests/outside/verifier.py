"""Derives passcode verifiers without the program under test, and compares.

    verifier.py TOUCHMARK

PBKDF2 is that of `hashlib` (OpenSSL's), the remainders are Python's integers,
and L comes from `cryptography`.
"""

import base64
import hashlib
import json
import random
import subprocess
import sys

from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat

# The order of P-256 (SP 800-186 3.2.1.3).
ORDER = 0xFFFFFFFF00000000FFFFFFFFFFFFFFFFBCE6FAADA7179E84F3B9CAC2FC632551


def derive(passcode, salt, iterations):
    out = hashlib.pbkdf2_hmac("sha256", passcode.to_bytes(4, "little"), salt, iterations, 80)
    w0 = int.from_bytes(out[:40], "big") % ORDER
    w1 = int.from_bytes(out[40:], "big") % ORDER
    point = ec.derive_private_key(w1, ec.SECP256R1()).public_key()
    return w0.to_bytes(32, "big"), point.public_bytes(Encoding.X962, PublicFormat.UncompressedPoint)


def run(program, act, **values):
    arguments = [f"--{name}={value}" for name, value in values.items()]
    done = subprocess.run([program, "--json", "verifier", act, *arguments], capture_output=True, text=True)
    return done.returncode, json.loads(done.stdout)


def main():
    program = sys.argv[1]
    chance = random.Random(20260918)
    cases = [(1, 16, 1000), (99999998, 32, 100000), (20202021, 24, 15000)]
    cases += [(chance.randint(1, 9999999), chance.randint(16, 32), chance.randint(1000, 3000)) for _ in range(24)]
    for passcode, size, iterations in cases:
        salt = chance.randbytes(size)
        w0, point = derive(passcode, salt, iterations)
        given = {"passcode": passcode, "salt": salt.hex(), "iterations": iterations}
        exit_code, derived = run(program, "derive", **given)
        assert exit_code == 0, derived
        assert derived["w0"] == w0.hex(), (given, derived)
        assert derived["l"] == point.hex(), (given, derived)
        assert derived["verifier"] == (w0 + point).hex(), (given, derived)
        assert base64.b64decode(derived["verifier_base64"]) == w0 + point, (given, derived)
        exit_code, checked = run(program, "check", verifier=(w0 + point).hex(), **given)
        assert (exit_code, checked) == (0, {"verdict": "accepted", "findings": []}), checked
        other, _ = derive(passcode + 1, salt, iterations)
        exit_code, checked = run(program, "check", verifier=(other + point).hex(), **given)
        rules = [finding["rule"] for finding in checked["findings"]]
        assert (exit_code, rules) == (1, ["verifier.mismatch"]), checked
    print(f"{len(cases)} verifiers")


main()
