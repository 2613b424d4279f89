"""Changes an evidence pack as a common tool would: packs.py CASE FROM TO."""

import pathlib
import shutil
import struct
import sys
import zipfile


def main(case, source, target):
    shutil.copyfile(source, target)
    with zipfile.ZipFile(source) as whole:
        files = {info.filename: whole.read(info) for info in whole.infolist()}
        comment = whole.comment
    first, second = "units/TV-000001/dac.der", "units/TV-000002/dac.der"
    if case in ("added", "twice", "bomb"):
        with zipfile.ZipFile(target, "a") as archive:
            if case == "added":
                archive.writestr("units/TV-000009/record.json", b"{}")
            elif case == "twice":
                archive.writestr("units/TV-000001/record.json", b"{}")
            else:
                archive.writestr("more", bytes(64 << 20), zipfile.ZIP_DEFLATED)
        return
    if case == "counts":
        # A ZIP64 directory that claims 2^60 files at the archive's end (APPNOTE 4.3.14 to 4.3.16).
        octets = pathlib.Path(source).read_bytes()
        claims = struct.pack("<IQHHIIQQQQ", 0x06064B50, 44, 45, 45, 0, 0, 1 << 60, 1 << 60, 1 << 60, 0)
        locator = struct.pack("<IIQI", 0x07064B50, 0, len(octets), 1)
        end = struct.pack("<IHHHHIIH", 0x06054B50, 0, 0, 0xFFFF, 0xFFFF, 0xFFFFFFFF, 0xFFFFFFFF, 0)
        pathlib.Path(target).write_bytes(octets + claims + locator + end)
        return
    if case == "comment":
        with zipfile.ZipFile(target, "a") as archive:
            archive.comment = comment[:-1]
        return
    if case == "removed":
        del files["units/TV-000002/proof.json"]
    if case == "swapped":
        files[first], files[second] = files[second], files[first]
    kind = zipfile.ZIP_DEFLATED if case == "compressed" else zipfile.ZIP_STORED
    with zipfile.ZipFile(target, "w", kind) as archive:
        for name, octets in files.items():
            archive.writestr(name, octets)
        archive.comment = comment


if __name__ == "__main__":
    main(*sys.argv[1:])
