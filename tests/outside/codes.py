"""Makes and reads onboarding codes without the program under test, and compares.

    codes.py TOUCHMARK DIRECTORY

Packing, Base-38, the optional data's TLV and the manual code are written out here
once more from the standard's description (tags and bounds of the optional data from
memory of it); the check digit comes from `stdnum.verhoeff` of
python-stdnum, and pictures are read by zxing-cpp.
"""

import json
import random
import re
import subprocess
import sys
from pathlib import Path

import zxingcpp
from PIL import Image, ImageDraw
from stdnum import verhoeff

ALPHABET = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ-."
FLOWS = ["standard", "user-intent", "custom"]
REACH = ["soft-ap", "ble", "ip", "wifi-paf", "nfc"]
FORBIDDEN = {d * 11111111 for d in range(9)} | {12345678, 87654321}


def base38(octets):
    text = ""
    for at in range(0, len(octets), 3):
        group = octets[at : at + 3]
        number = int.from_bytes(group, "little")
        for _ in range({1: 2, 2: 4, 3: 5}[len(group)]):
            number, digit = divmod(number, 38)
            text += ALPHABET[digit]
    return text


def unbase38(text):
    octets = b""
    for at in range(0, len(text), 5):
        group = text[at : at + 5]
        number = sum(ALPHABET.index(c) * 38**place for place, c in enumerate(group))
        octets += number.to_bytes({2: 1, 4: 2, 5: 3}[len(group)], "little")
    return octets


def tlv(optional):
    """One anonymous structure of context-tagged members, tags ascending, in the shortest forms."""
    if not optional:
        return b""

    def head(kind, tag):
        return bytes([0x20 | kind, tag])

    def integer(tag, value):
        signed = value < 0
        for width in range(4):
            try:
                return head((0x00 if signed else 0x04) + width, tag) + value.to_bytes(1 << width, "little", signed=signed)
            except OverflowError:
                continue
        raise AssertionError(value)

    out = b"\x15"
    for tag, value in sorted(optional.items()):
        if isinstance(value, int):
            out += integer(tag, value)
            continue
        kind, octets = (0x0C, value.encode()) if isinstance(value, str) else (0x10, value)
        out += head(kind, tag) + bytes([len(octets)]) + octets
    return out + b"\x18"


def untlv(octets):
    """Reads what `tlv` writes, by another way: a cursor over the octets."""
    assert octets[0] == 0x15 and octets[-1] == 0x18, octets.hex()
    at, members = 1, {}
    while at < len(octets) - 1:
        control, tag = octets[at], octets[at + 1]
        assert control >> 5 == 1 and tag not in members, octets.hex()
        kind, at = control & 0x1F, at + 2
        if kind < 0x08:
            width = 1 << (kind & 3)
            members[tag] = int.from_bytes(octets[at : at + width], "little", signed=kind < 0x04)
            at += width
        else:
            assert kind in (0x0C, 0x10), kind
            length, at = octets[at], at + 1
            raw = octets[at : at + length]
            members[tag] = raw.decode() if kind == 0x0C else raw
            at += length
    return members


def drawn(chance):
    """Optional data within its bounds, edges among it."""
    all_of_it = {
        0x00: chance.choice(["TV-000017", "x" * 32, "ä" * 16, 17, 2**64 - 1]),
        0x01: chance.choice([1000, 100000, chance.randint(1000, 100000)]),
        0x02: chance.randbytes(chance.choice([16, 32, 20])),
        0x03: chance.choice([1, 255, 12]),
        0x04: chance.choice([1, 65535, 900]),
        0x80: "batch 7",
        0xFF: chance.choice([-(2**63), -1, 0, 2**64 - 1]),
    }
    return {tag: value for tag, value in all_of_it.items() if chance.random() < 0.5}


def typed(optional):
    """The options that give the same to the program, and what it answers."""
    names = {0x00: "serial-number", 0x01: "iterations", 0x02: "salt", 0x03: "devices", 0x04: "timeout"}
    options, told = [], {}
    for tag, value in optional.items():
        shown = value.hex() if isinstance(value, bytes) else value
        if tag < 0x80:
            name = "serial-integer" if tag == 0 and isinstance(value, int) else names[tag]
            options.append(f"--{name}={shown}")
            told[names[tag].replace("-", "_")] = shown
        else:
            options.append(f"--maker-tag=0x{tag:02X}={shown}")
            told.setdefault("maker_tags", {})[f"0x{tag:02X}"] = shown
    return options, told


def qr_text(code):
    packed, at = 0, 0
    for value, bits in [
        (0, 3),
        (code["vendor"], 16),
        (code["product"], 16),
        (code["flow"], 2),
        (code["reach"], 8),
        (code["discriminator"], 12),
        (code["passcode"], 27),
        (0, 4),
    ]:
        packed |= value << at
        at += bits
    return "MT:" + base38(packed.to_bytes(11, "little") + tlv(code.get("optional")))


def manual(code, long):
    short = code["discriminator"] >> 8
    digits = f"{(4 if long else 0) + (short >> 2)}"
    digits += f"{((short & 3) << 14) + (code['passcode'] & 0x3FFF):05}{code['passcode'] >> 14:04}"
    if long:
        digits += f"{code['vendor']:05}{code['product']:05}"
    return digits + verhoeff.calc_check_digit(digits)


def rastered(svg):
    """The picture of an SVG whose dark path is made of runs one unit high."""
    text = svg.read_text()
    side = int(re.search(r'viewBox="0 0 (\d+) \1"', text).group(1))
    dark = re.search(r'fill="#000" d="([^"]*)"', text).group(1)
    picture = Image.new("L", (side * 8, side * 8), 255)
    draw = ImageDraw.Draw(picture)
    runs = re.findall(r"M(\d+) (\d+)h(\d+)v1h-\3z", dark)
    assert "".join(f"M{x} {y}h{run}v1h-{run}z" for x, y, run in runs) == dark
    for x, y, run in ((int(x), int(y), int(run)) for x, y, run in runs):
        draw.rectangle((8 * x, 8 * y, 8 * (x + run) - 1, 8 * y + 7), fill=0)
    return picture


def run(program, *arguments):
    done = subprocess.run([program, "--json", "code", *arguments], capture_output=True, text=True)
    return done.returncode, json.loads(done.stdout)


def main():
    program, directory = sys.argv[1], Path(sys.argv[2])
    chance = random.Random(20260917)
    pictures = 0

    worked = {"vendor": 0xFFF1, "product": 0x8000, "flow": 0, "reach": 2, "discriminator": 3840, "passcode": 20202021}
    assert (qr_text(worked), manual(worked, False)) == ("MT:Y.K9042C00KA0648G00", "34970112332")

    for index in range(120):
        passcode = chance.choice([chance.randint(1, 99999998), 1, 99999998, 16384, 16383])
        if passcode in FORBIDDEN:
            continue
        code = {
            "vendor": chance.choice([chance.randint(1, 0xFFF4), 1, 0xFFF4]),
            "product": chance.randint(1, 0xFFFF),
            "flow": chance.randrange(3),
            "reach": chance.randint(1, 31),
            "discriminator": chance.choice([chance.randrange(4096), 0, 4095]),
            "passcode": passcode,
            "optional": drawn(chance) if index % 3 == 0 else {},
        }
        options, told = typed(code["optional"])
        long = chance.random() < 0.3
        picture, drawing = directory / f"{index}.png", directory / f"{index}.svg"
        ways = [word for bit, word in enumerate(REACH) if code["reach"] >> bit & 1]
        exit_code, made = run(
            program,
            "make",
            f"--vendor={code['vendor']:04X}",
            f"--product={code['product']:04x}",
            f"--discriminator={code['discriminator']}",
            f"--passcode={passcode}",
            f"--flow={FLOWS[code['flow']]}",
            f"--reach={','.join(ways)}",
            *options,
            *(["--long"] if long else []),
            *(["--png", str(picture), "--svg", str(drawing)] if index % 10 == 0 else []),
        )
        is_long = long or code["flow"] != 0
        expected_qr, expected_manual = qr_text(code), manual(code, is_long)
        assert exit_code == 0, made
        assert made["qr"] == expected_qr, (code, made)
        assert made["manual"] == expected_manual, (code, made)
        assert verhoeff.is_valid(made["manual"]), made

        exit_code, read = run(program, "read", expected_qr)
        # A soft access point is reserved in the released versions (from memory): a warning.
        soft = ["code.reach"] if code["reach"] & 1 else []
        assert (exit_code, read["verdict"]) == (0, "accepted"), read
        assert [finding["rule"] for finding in read["findings"]] == soft, read
        assert made.get("optional", {}) == read.get("optional", {}) == told, (told, made, read)
        assert untlv(unbase38(made["qr"][3:])[11:]) == code["optional"] if told else len(made["qr"]) == 22
        for key, value in {
            "vendor_id": f"{code['vendor']:04X}",
            "product_id": f"{code['product']:04X}",
            "flow": FLOWS[code["flow"]],
            "reach": ways,
            "discriminator": code["discriminator"],
            "passcode": passcode,
        }.items():
            assert made[key] == read[key] == value, (key, made, read)

        exit_code, read = run(program, "read", expected_manual)
        assert (exit_code, read["verdict"], read["findings"]) == (0, "accepted", []), read
        assert read["short_discriminator"] == code["discriminator"] >> 8, read
        assert read["passcode"] == passcode, read
        assert ("vendor_id" in read) == is_long, read

        # The last but one digit changed: the check digit no longer fits.
        digit = int(expected_manual[-2])
        slipped = expected_manual[:-2] + str((digit + 1) % 10) + expected_manual[-1]
        assert not verhoeff.is_valid(slipped)
        exit_code, read = run(program, "read", slipped)
        errors = [finding["rule"] for finding in read["findings"] if finding["severity"] == "error"]
        assert (exit_code, errors) == (1, ["code.check-digit"]), read
        assert expected_manual in [slip["manual"] for slip in read["could_be"]], read

        if picture.exists():
            for image in [Image.open(picture), rastered(drawing)]:
                decoded = zxingcpp.read_barcodes(image)
                assert [symbol.text for symbol in decoded] == [expected_qr], (picture, decoded)
                assert "M" in decoded[0].ec_level, decoded[0].ec_level
                pictures += 1
    assert pictures >= 20, pictures

    # Several payloads in one symbol, as on the carton of a multipack.
    for count in (2, 12, 169):
        codes = [dict(worked, passcode=30000000 + n, discriminator=n) for n in range(count)]
        pack = directory / f"pack-{count}.png"
        exit_code, joined = run(program, "join", "--png", str(pack), *[qr_text(code) for code in codes])
        expected = "MT:" + "*".join(qr_text(code)[3:] for code in codes)
        assert (exit_code, joined["qr"], joined["payloads"]) == (0, expected, count), joined
        assert [symbol.text for symbol in zxingcpp.read_barcodes(Image.open(pack))] == [expected], count
        exit_code, read = run(program, "read", expected)
        assert [payload["passcode"] for payload in read["payloads"]] == [code["passcode"] for code in codes]
        pictures += 1
    print(f"{index + 1} codes, {pictures} pictures")


main()
