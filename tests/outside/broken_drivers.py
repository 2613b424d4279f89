"""Chip drivers that are wrong in one way each, for trying `chip check`.

    broken_drivers.py FAULT FOLDER

Each is the example driver with one thing changed.
"""

import json
import os
import sys
import time
from pathlib import Path

sys.dont_write_bytecode = True
sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "examples"))

from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives import hashes

import chip_driver
from chip_driver import Chip, Driver


class Sound(Driver):
    """Nothing is wrong with it."""


class LateSignature(Driver):
    def sign(self, params):
        time.sleep(60)
        return super().sign(params)


class SilentAtStart(Driver):
    def serve(self):
        time.sleep(60)


class EndsAtStart(Driver):
    def serve(self):
        sys.exit("the tool is not installed")


class OtherProtocol(Driver):
    def hello(self, params):
        return super().hello(params) | {"protocol": 2}


class WrongOrder(Driver):
    def answer(self, request):
        response = super().answer(request)
        if request["method"] == "state":
            response["id"] -= 1
        return response


class OversizeLine(Driver):
    def read(self, params):
        return {"octets": "00" * 200_000}


class EndlessLine(Driver):
    def public_key(self, params):
        while True:
            sys.stdout.write("00" * 10_000)


class Garbage(Driver):
    def public_key(self, params):
        print("asking the chip for its key ...")
        return super().public_key(params)


class Unasked(Driver):
    def identity(self, params):
        result = super().identity(params)
        self.say({"jsonrpc": "2.0", "id": None, "result": {}})
        return result


class ResultAndError(Driver):
    def answer(self, request):
        return super().answer(request) | {"error": {"code": 2, "message": "both"}}


class DiesAmidWrite(Driver):
    def write(self, params):
        if params["octets"]:
            half = {"octets": params["octets"][: len(params["octets"]) // 4 * 2]}
            super().write(params | half)
            print("lost the chip", file=sys.stderr)
            os._exit(1)
        return super().write(params)


class OtherKey(Driver):
    class chip_type(Chip):
        def sign(self, message):
            own, self.key = self.key, ec.generate_private_key(ec.SECP256R1())
            try:
                return super().sign(message)
            finally:
                self.key = own


class DerSignature(Driver):
    class chip_type(Chip):
        def sign(self, message):
            return {"signature": self.key.sign(message, ec.ECDSA(hashes.SHA256())).hex()}


class FlippedBit(Driver):
    class chip_type(Chip):
        def read(self, name):
            octets = super().read(name)["octets"]
            if octets:
                octets = bytes([bytes.fromhex(octets)[0] ^ 1]).hex() + octets[2:]
            return {"octets": octets}


class KeepsOldTail(Driver):
    class chip_type(Chip):
        def write(self, name, octets):
            old = bytes.fromhex(super().read(name)["octets"] or "")
            return super().write(name, octets + old[len(octets) :] if octets else octets)


class OneSlot(Driver):
    class chip_type(Chip):
        def write(self, name, octets):
            self.content["objects"].clear()
            return super().write(name, octets)


class Forgets(Driver):
    class chip_type(Chip):
        def write(self, name, octets):
            kept = self.path.read_text()
            result = super().write(name, octets)
            self.path.write_text(kept)
            return result


class CutsSilently(Driver):
    class chip_type(Chip):
        def write(self, name, octets):
            return super().write(name, octets[: chip_driver.OBJECT_LIMIT])


class ListsTwice(Driver):
    def present(self, params):
        return {"chips": super().present(params)["chips"] * 2}


class OpensAnything(Driver):
    def open(self, params):
        first = sorted(self.folder.glob("*.json"))[0]
        self.open_chips[params["chip"]] = Chip(first)
        return {}


class OtherChip(Driver):
    def identity(self, params):
        return super().identity(params) | {"chip_id": "0BAD"}


class NeverRemoves(Driver):
    class chip_type(Chip):
        def write(self, name, octets):
            return super().write(name, octets) if octets else {}


class LockLies(Driver):
    class chip_type(Chip):
        def lock(self):
            return {}


class NoLockMethod(Driver):
    METHODS = [name for name in Driver.METHODS if name != "lock"]


class WrongType(Driver):
    def abilities(self, params):
        return super().abilities(params) | {"object_limit": "3000"}


class Throws(Driver):
    def state(self, params):
        raise RuntimeError("cable unplugged")


class DriftingKey(Driver):
    class chip_type(Chip):
        def public_key(self):
            self.key = ec.generate_private_key(ec.SECP256R1())
            return super().public_key()


class Grabs(Driver):
    """Whoever starts last has the chips: those that were open elsewhere are gone."""

    def __init__(self, folder):
        super().__init__(folder)
        (folder / "holder").write_text(str(os.getpid()))

    def chip(self, params):
        if (self.folder / "holder").read_text() != str(os.getpid()):
            raise chip_driver.Failure(chip_driver.GONE, "another program has the bus")
        return super().chip(params)


class ErasedMemory(Driver):
    class chip_type(Chip):
        def read(self, name):
            return {"octets": super().read(name)["octets"] or "ff" * 32}


class LiesAboutWrite(Driver):
    class chip_type(Chip):
        def write(self, name, octets):
            return {}


class AlwaysBlank(Driver):
    class chip_type(Chip):
        def state(self):
            return {"state": "locked" if self.content["locked"] else "blank"}


class NeverBlankAgain(Driver):
    class chip_type(Chip):
        def state(self):
            state = super().state()
            written = self.content.get("written") and state == {"state": "blank"}
            return {"state": "holds-objects"} if written else state

        def write(self, name, octets):
            self.content["written"] = True
            return super().write(name, octets)


class TakesOversize(Driver):
    class chip_type(Chip):
        def write(self, name, octets):
            chip_driver.OBJECT_LIMIT = len(octets)
            try:
                return super().write(name, octets)
            finally:
                chip_driver.OBJECT_LIMIT = 3_000


class HalfOnRefusal(Driver):
    """Refuses what is too large after it has written the first part of it."""

    class chip_type(Chip):
        def write(self, name, octets):
            if len(octets) > chip_driver.OBJECT_LIMIT:
                super().write(name, octets[:100])
            return super().write(name, octets)


class MiscountsRoom(Driver):
    class chip_type(Chip):
        def abilities(self):
            return super().abilities() | {"room_left": chip_driver.ROOM}


class TakesAnyName(Driver):
    def abilities(self, params):
        return super().abilities(params) | {"objects": ["dac", "pai", "declaration", "factory-record"]}


class Unlocks(Driver):
    class chip_type(Chip):
        def __init__(self, path):
            super().__init__(path)
            self.content["locked"] = False


class LocksNothing(Driver):
    class chip_type(Chip):
        def lock(self):
            return {}


class Replays(Driver):
    class chip_type(Chip):
        def sign(self, message):
            if not hasattr(self, "signed"):
                self.signed = super().sign(message)
            return self.signed


class LockedTakesRemoval(Driver):
    class chip_type(Chip):
        def write(self, name, octets):
            if octets:
                return super().write(name, octets)
            self.content["objects"].pop(name, None)
            self.save(self.path, self.content)
            return {}


class HangsAmidWrite(Driver):
    """Once, so that trying it does not take long."""

    def write(self, params):
        hung = self.folder / "hung"
        if hung.exists():
            return super().write(params)
        hung.touch()
        super().write(params | {"octets": params["octets"][: len(params["octets"]) // 4 * 2]})
        time.sleep(60)


class Sometimes(Driver):
    """Fails as FOLDER/trouble says, which another program writes, and then removes it.

    `die`, `hang` and `garble` come in the middle of the next write.
    """

    def write(self, params):
        told = self.folder / "trouble"
        trouble = told.read_text() if told.exists() else ""
        if not (trouble and params["octets"]):
            return super().write(params)
        told.unlink()
        super().write(params | {"octets": params["octets"][: len(params["octets"]) // 4 * 2]})
        if trouble == "die":
            print("lost the bus", file=sys.stderr)
            os._exit(1)
        if trouble == "hang":
            time.sleep(30)
        sys.stdout.write("\x00 half a line, then nothing of use\n")
        return {}


if __name__ == "__main__":
    fault = sys.argv.pop(1)
    chip_driver.main(globals()[fault])
