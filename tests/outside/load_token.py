#!/usr/bin/env python3
"""Puts the private keys of simulated chips into SoftHSM2 tokens: python load_token.py KEYS TOKENS

KEYS is NDJSON of `chip_id` and `private_key`, as tests/data has it. TOKENS is a file of lines
`module pin count label`: that many keys, in the order of KEYS, go into the token of that label.
Each key pair gets its chip's id as CKA_ID, both halves. Needs `cryptography` and
Debian's softhsm2 and opensc; SOFTHSM2_CONF says where the tokens are.

One process of `pkcs11-tool` an object would take minutes for hundreds of chips, so this speaks to
the module itself, by ctypes and the names and numbers of PKCS #11 2.40.
"""

import ctypes
import json
import pathlib
import sys

from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat

ULONG = ctypes.c_ulong
# PKCS #11 2.40, pkcs11t.h.
CKF_RW_SESSION, CKF_SERIAL_SESSION, CKU_USER = 2, 4, 1
CKO_PUBLIC_KEY, CKO_PRIVATE_KEY, CKK_EC = 2, 3, 3
CKA_CLASS, CKA_TOKEN, CKA_PRIVATE, CKA_LABEL, CKA_VALUE = 0x0, 0x1, 0x2, 0x3, 0x11
CKA_KEY_TYPE, CKA_ID, CKA_SENSITIVE, CKA_SIGN, CKA_VERIFY = 0x100, 0x102, 0x103, 0x108, 0x10A
CKA_EXTRACTABLE, CKA_EC_PARAMS, CKA_EC_POINT = 0x162, 0x180, 0x181
P256 = bytes.fromhex("06082a8648ce3d030107")  # OBJECT IDENTIFIER prime256v1, RFC 5480 2.1.1.1


class Attribute(ctypes.Structure):
    _fields_ = [("kind", ULONG), ("value", ctypes.c_char_p), ("length", ULONG)]


class TokenInfo(ctypes.Structure):
    """CK_TOKEN_INFO; only the label is looked at, so the rest is room enough."""

    _fields_ = [("label", ctypes.c_char * 32), ("rest", ctypes.c_ubyte * 400)]


def number(value):
    return int(value).to_bytes(ctypes.sizeof(ULONG), sys.byteorder)


class Module:
    def __init__(self, path):
        self.library = ctypes.CDLL(path)
        self.call("C_Initialize", None)

    def call(self, name, *arguments):
        result = getattr(self.library, name)(*arguments)
        if result != 0:
            sys.exit(f"{name} fails: CKR {result:#x}")

    def session(self, label, pin):
        count = ULONG(0)
        self.call("C_GetSlotList", ctypes.c_ubyte(1), None, ctypes.byref(count))
        slots = (ULONG * count.value)()
        self.call("C_GetSlotList", ctypes.c_ubyte(1), slots, ctypes.byref(count))
        for slot in slots:
            info = TokenInfo()
            self.call("C_GetTokenInfo", ULONG(slot), ctypes.byref(info))
            if bytes(info)[:32].decode().rstrip() == label:
                break
        else:
            sys.exit(f"there is no token {label}")
        session = ULONG(0)
        flags = ULONG(CKF_RW_SESSION | CKF_SERIAL_SESSION)
        self.call("C_OpenSession", ULONG(slot), flags, None, None, ctypes.byref(session))
        self.call("C_Login", session, ULONG(CKU_USER), pin.encode(), ULONG(len(pin)))
        return session

    def create(self, session, attributes):
        rows = [Attribute(kind, value, len(value)) for kind, value in attributes]
        handle = ULONG(0)
        template = (Attribute * len(rows))(*rows)
        self.call("C_CreateObject", session, template, ULONG(len(rows)), ctypes.byref(handle))


def load(module, session, chip):
    key = ec.derive_private_key(int(chip["private_key"], 16), ec.SECP256R1())
    point = key.public_key().public_bytes(Encoding.X962, PublicFormat.UncompressedPoint)
    common = [
        (CKA_KEY_TYPE, number(CKK_EC)),
        (CKA_TOKEN, b"\x01"),
        (CKA_ID, bytes.fromhex(chip["chip_id"])),
        (CKA_LABEL, b"attestation"),
        (CKA_EC_PARAMS, P256),
    ]
    module.create(session, common + [
        (CKA_CLASS, number(CKO_PRIVATE_KEY)),
        (CKA_PRIVATE, b"\x01"),
        (CKA_SENSITIVE, b"\x01"),
        (CKA_EXTRACTABLE, b"\x00"),
        (CKA_SIGN, b"\x01"),
        (CKA_VALUE, bytes.fromhex(chip["private_key"])),
    ])
    module.create(session, common + [
        (CKA_CLASS, number(CKO_PUBLIC_KEY)),
        (CKA_PRIVATE, b"\x00"),
        (CKA_VERIFY, b"\x01"),
        (CKA_EC_POINT, bytes([0x04, len(point)]) + point),
    ])


def main(keys, tokens):
    chips = iter([json.loads(line) for line in pathlib.Path(keys).read_text().splitlines() if line.strip()])
    module, loaded = None, 0
    for line in pathlib.Path(tokens).read_text().splitlines():
        path, pin, count, label = line.split(" ", 3)
        module = module or Module(path)
        session = module.session(label, pin)
        for _, chip in zip(range(int(count)), chips):
            load(module, session, chip)
            loaded += 1
        module.call("C_CloseSession", session)
    print(f"{loaded} key pairs")


if __name__ == "__main__":
    main(*sys.argv[1:])
