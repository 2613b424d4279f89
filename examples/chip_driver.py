#!/usr/bin/env python3
"""An example of a chip driver: JSON-RPC 2.0 on stdio, as docs/chip-driver.md says.

    chip_driver.py FOLDER            serves the chips in FOLDER
    chip_driver.py FOLDER --make N   makes N blank chips in it first

Instead of wrapping a vendor's tool it keeps each chip in a JSON file; replace
the class Chip by calls to yours. Needs only Python's standard library and the
package `cryptography`.
"""

import argparse
import hashlib
import json
import os
import secrets
import sys
from pathlib import Path

from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives.asymmetric.utils import decode_dss_signature

PROTOCOL = 1
PART = "Example driver's chip"
ROOM = 12_000
OBJECT_LIMIT = 3_000
LONGEST_MESSAGE = 1_024

NO_ROOM, TOO_LARGE, LOCKED, MESSAGE_TOO_LONG, GONE, ABSENT = 4, 3, 6, 10, 12, 13


class Failure(Exception):
    """An error answer: a code of docs/chip-driver.md, words, and what belongs to it."""

    def __init__(self, code, message, **data):
        super().__init__(message)
        self.code, self.message, self.data = code, message, data


class Chip:
    """One chip. What it holds lies in one file, replaced whole."""

    def __init__(self, path):
        self.path = path
        try:
            self.content = json.loads(path.read_text())
        except FileNotFoundError:
            raise Failure(ABSENT, f"there is no chip {path.stem}") from None
        self.key = serialization.load_pem_private_key(self.content["key"].encode(), None)

    @classmethod
    def make(cls, folder):
        key = ec.generate_private_key(ec.SECP256R1())
        pem = key.private_bytes(
            serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
        )
        path = folder / f"E0{secrets.token_hex(8).upper()}.json"
        cls.save(path, {"key": pem.decode(), "locked": False, "objects": {}})

    @staticmethod
    def save(path, content):
        new = path.with_suffix(".new")
        with os.fdopen(os.open(new, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600), "w") as file:
            json.dump(content, file)
        os.replace(new, path)

    def identity(self):
        return {"chip_id": self.path.stem, "part": PART}

    def public_key(self):
        point = self.key.public_key().public_bytes(
            serialization.Encoding.X962, serialization.PublicFormat.UncompressedPoint
        )
        return {"public_key": point.hex()}

    def room_left(self, but=None):
        return ROOM - sum(len(o) // 2 for name, o in self.content["objects"].items() if name != but)

    def abilities(self):
        return {
            "room_left": self.room_left(),
            "object_limit": OBJECT_LIMIT,
            "objects": None,
            "protected_bus": False,
            "can_lock": True,
        }

    def state(self):
        if self.content["locked"]:
            return {"state": "locked"}
        return {"state": "holds-objects" if self.content["objects"] else "blank"}

    def read(self, name):
        return {"octets": self.content["objects"].get(name)}

    def write(self, name, octets):
        if self.content["locked"]:
            raise Failure(LOCKED, "the chip is locked")
        if len(octets) > OBJECT_LIMIT:
            raise Failure(TOO_LARGE, "the object is too large", limit=OBJECT_LIMIT)
        if len(octets) > self.room_left(but=name):
            raise Failure(NO_ROOM, "the chip is full", left=self.room_left(but=name))
        if octets:
            self.content["objects"][name] = octets.hex()
        else:
            self.content["objects"].pop(name, None)
        self.save(self.path, self.content)
        return {}

    def sign(self, message):
        if len(message) > LONGEST_MESSAGE:
            raise Failure(MESSAGE_TOO_LONG, "the message is too long", limit=LONGEST_MESSAGE)
        r, s = decode_dss_signature(self.key.sign(message, ec.ECDSA(hashes.SHA256())))
        return {"signature": (r.to_bytes(32, "big") + s.to_bytes(32, "big")).hex()}

    def lock(self):
        self.content["locked"] = True
        self.save(self.path, self.content)
        return {}


class Driver:
    """The methods of the protocol, by name."""

    chip_type = Chip

    def __init__(self, folder):
        self.folder = folder
        self.open_chips = {}

    def chip(self, params):
        try:
            return self.open_chips[params["chip"]]
        except KeyError:
            raise Failure(GONE, "the chip is not open") from None

    def hello(self, params):
        digest = hashlib.sha256(Path(__file__).read_bytes()).hexdigest()
        return {"protocol": PROTOCOL, "driver": "example", "version": digest[:8]}

    def present(self, params):
        return {"chips": [path.stem for path in self.folder.glob("*.json")]}

    def open(self, params):
        self.open_chips[params["chip"]] = self.chip_type(self.folder / f"{params['chip']}.json")
        return {}

    def close(self, params):
        self.open_chips.pop(params["chip"], None)
        return {}

    def identity(self, params):
        return self.chip(params).identity()

    def public_key(self, params):
        return self.chip(params).public_key()

    def abilities(self, params):
        return self.chip(params).abilities()

    def state(self, params):
        return self.chip(params).state()

    def read(self, params):
        return self.chip(params).read(params["object"])

    def write(self, params):
        return self.chip(params).write(params["object"], bytes.fromhex(params["octets"]))

    def sign(self, params):
        return self.chip(params).sign(bytes.fromhex(params["message"]))

    def lock(self, params):
        return self.chip(params).lock()

    METHODS = (
        "hello present open close identity public_key abilities state read write sign lock".split()
    )

    def answer(self, request):
        """The response to one request, as an object."""
        response = {"jsonrpc": "2.0", "id": request["id"]}
        try:
            if request["method"] not in self.METHODS:
                raise Failure(-32601, "there is no such method")
            response["result"] = getattr(self, request["method"])(request.get("params", {}))
        except Failure as failure:
            response["error"] = {"code": failure.code, "message": failure.message, "data": failure.data}
        return response

    def say(self, response):
        sys.stdout.write(json.dumps(response) + "\n")
        sys.stdout.flush()

    def serve(self):
        for line in sys.stdin:
            self.say(self.answer(json.loads(line)))


def main(driver=Driver):
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--make", type=int, default=0, metavar="N")
    arguments = parser.parse_args()
    arguments.folder.mkdir(parents=True, exist_ok=True)
    for _ in range(arguments.make):
        driver.chip_type.make(arguments.folder)
    driver(arguments.folder).serve()


if __name__ == "__main__":
    main()
