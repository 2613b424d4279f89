"""Printed labels through readers that are none of ours.

    apt-get install poppler-utils zbar-tools
    pip install -r tests/outside/requirements.txt
    python tests/outside/labels.py [path of the touchmark binary]

Payloads and manual codes are packed here anew, from the published layout (Core Spec 5.1.3 and 5.1.4, Verhoeff 1969), so
nothing of the program under test takes part but the printing. PDF pages go through poppler at 203, 300 and 600 dpi and
then to ZXing (zxing-cpp) and ZBar; the text of the PDF to pypdf.
"""

import csv
import io
import json
import pathlib
import random
import subprocess
import sys
import tempfile

import numpy
import pypdf
import zxingcpp
from PIL import Image, ImageFilter

ALPHABET = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ-."
BINARY = pathlib.Path(sys.argv[1] if len(sys.argv) > 1 else "target/debug/touchmark").resolve()


def pack(vendor, product, flow, reach, discriminator, passcode):
    bits = vendor << 3 | product << 19 | flow << 35 | reach << 37 | discriminator << 45 | passcode << 57
    octets, text = bits.to_bytes(11, "little"), "MT:"
    for at in range(0, 11, 3):
        group = octets[at : at + 3]
        number = int.from_bytes(group, "little")
        for _ in range({3: 5, 2: 4, 1: 2}[len(group)]):
            number, digit = divmod(number, 38)
            text += ALPHABET[digit]
    return text


def check_digit(digits):
    # Verhoeff: the dihedral group D5, and the permutation (1 5 8 9 4 2 7 0)(3 6).
    def product(a, b):
        if a < 5:
            return (a + b) % 5 if b < 5 else 5 + (a + b) % 5
        return 5 + (a - b) % 5 if b < 5 else (a - b) % 5

    step, check = [1, 5, 7, 6, 2, 8, 3, 0, 9, 4], 0
    for place, digit in enumerate(reversed(digits), start=1):
        digit = int(digit)
        for _ in range(place):
            digit = step[digit]
        check = product(check, digit)
    return next(str(d) for d in range(10) if product(check, d) == 0)


def manual(vendor, product, flow, discriminator, passcode):
    short, long = discriminator >> 8, flow != 0
    digits = f"{4 * long + (short >> 2)}{((short & 3) << 14) + (passcode & 0x3FFF):05}{passcode >> 14:04}"
    digits += f"{vendor:05}{product:05}" if long else ""
    return digits + check_digit(digits)


def units(count, seed, vendor=0x1234, flow=0):
    draw = random.Random(seed)
    for n in range(count):
        discriminator, passcode = draw.randrange(4096), draw.randrange(1, 99_999_999)
        yield {
            "unit": f"TV-{n:07}",
            "qr": pack(vendor, 0x8A21, flow, 2, discriminator, passcode),
            "manual": manual(vendor, 0x8A21, flow, discriminator, passcode),
            "serial": f"TH26-0417-{n:05}",
            "product": "Tern Vent",
            "vendor": "Tern & Hollow",
        }


def touchmark(*arguments):
    done = subprocess.run([BINARY, "--json", *map(str, arguments)], capture_output=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    return json.loads(done.stdout)


def print_labels(folder, rows, out, *arguments):
    path = folder / "units.csv"
    with path.open("w", newline="") as file:
        table = csv.DictWriter(file, rows[0].keys())
        table.writeheader()
        table.writerows(rows)
    return touchmark("label", "print", "--units", path, "--out", folder / out, *arguments)


def pages(pdf, dpi):
    with tempfile.TemporaryDirectory() as scratch:
        subprocess.run(["pdftoppm", "-r", str(dpi), "-gray", pdf, f"{scratch}/page"], check=True)
        for page in sorted(pathlib.Path(scratch).iterdir()):
            yield Image.open(io.BytesIO(page.read_bytes()))


def by_zxing(image):
    return [r.text for r in zxingcpp.read_barcodes(image, formats=zxingcpp.BarcodeFormat.QRCode)]


def by_zbar(image):
    with tempfile.NamedTemporaryFile(suffix=".png") as file:
        image.save(file.name)
        # Only QR is asked for; a page without one exits with 4.
        command = ["zbarimg", "-q", "--raw", "--nodbus", "-S*.enable=0", "-Sqrcode.enable=1", file.name]
        return subprocess.run(command, capture_output=True, text=True, check=False).stdout.split()


def test_the_packing_here_gives_the_worked_values():
    assert pack(0xFFF1, 0x8000, 0, 2, 3840, 20202021) == "MT:Y.K9042C00KA0648G00"
    assert manual(0xFFF1, 0x8000, 0, 3840, 20202021) == "34970112332"
    # Verhoeff's own example, as encyclopaedias give it: 236 takes 3.
    assert check_digit("236") == "3"


def test_sheets_of_device_labels_are_read_by_both_readers(folder):
    for dpi in (203, 300, 600):
        # At 600 dpi a page is 35 million pixels, so there are fewer of them.
        rows = list(units(120 if dpi < 600 else 55, dpi))
        answer = print_labels(folder, rows, "sheet.pdf", "--sheet", "a4", "--dpi", dpi)
        assert answer["labels"] == answer["decoded"] == len(rows)
        expected = sorted(r["qr"] for r in rows)
        images = list(pages(folder / "sheet.pdf", dpi))
        assert len(images) == answer["pages"]
        # Readers look for one symbol or a few; a sheet is cut into its rows of labels, as a camera would see them.
        for reader in (by_zxing, by_zbar):
            read = []
            for image in images:
                for top in range(11):
                    mm = dpi / 25.4
                    band = (0, (17.5 + 24 * top - 1) * mm, image.width, (17.5 + 24 * top + 23) * mm)
                    read += reader(image.crop(tuple(round(edge) for edge in band)))
            assert sorted(read) == expected, (reader.__name__, dpi, len(read), len(expected))


def test_rolls_of_cartons_and_long_codes_are_read_by_both_readers(folder):
    for dpi, flow in ((203, 0), (300, 2), (600, 0)):
        rows = list(units(12, dpi + 1, flow=flow))
        print_labels(folder, rows, "roll.pdf", "--template", "carton", "--dpi", dpi)
        for image, row in zip(pages(folder / "roll.pdf", dpi), rows, strict=True):
            assert by_zxing(image) == by_zbar(image) == [row["qr"]], (dpi, row["unit"])


def test_cartons_of_several_units_are_read_by_both_readers(folder):
    for dpi, size in ((203, 2), (300, 12), (600, 40), (300, 169)):
        rows = list(units(size, dpi + size))
        answer = print_labels(folder, rows, "pack.pdf", "--carton", size, "--dpi", dpi)
        assert (answer["labels"], answer["units"], answer["template"]) == (1, size, "multipack"), answer
        (image,) = pages(folder / "pack.pdf", dpi)
        expected = "MT:" + "*".join(row["qr"][3:] for row in rows)
        # ZBar gives up on the largest versions at few dots a module.
        assert by_zxing(image) == [expected], (dpi, size)
        assert size > 40 or by_zbar(image) == [expected], (dpi, size)


def test_letter_sheets_with_a_grid_of_ones_own_are_read(folder):
    rows = list(units(30, 7))
    print_labels(folder, rows, "l.pdf", "--sheet", "letter", "--grid", "9x5", "--margin", "10,15", "--gap", "3,5", "--skip", 20)
    found = [text for image in pages(folder / "l.pdf", 300) for text in by_zxing(image)]
    assert sorted(found) == sorted(r["qr"] for r in rows)


def test_pictures_say_what_the_pdf_says(folder):
    row = next(units(1, 9, vendor=0xFFF1))
    for template in ("device", "carton"):
        arguments = ("--template", template, "--dpi", 300)
        print_labels(folder, [row], "one.pdf", *arguments)
        print_labels(folder, [row], "one.png", *arguments)
        png = Image.open(folder / "one.png")
        assert abs(png.info["dpi"][0] - 300) < 0.1 and by_zxing(png) == [row["qr"]]
        # Two painters of ours, two renderers of others: the same ink, but for smoothing at edges.
        # poppler puts letters on whole dots; at four times the resolution that is a quarter of one.
        pdf = next(pages(folder / "one.pdf", 1200)).reduce(4)
        size = (min(png.width, pdf.width), min(png.height, pdf.height))
        assert abs(png.width - pdf.width) <= 1 and abs(png.height - pdf.height) <= 1
        soft = [i.convert("L").crop((0, 0, *size)).filter(ImageFilter.BoxBlur(1)) for i in (png, pdf)]
        grey = [numpy.asarray(i, dtype=float) for i in soft]
        differs = numpy.abs(grey[0] - grey[1]).sum() / (255 - grey[0]).sum()
        assert differs < 0.04, (template, differs)


def test_the_text_of_a_pdf_is_text(folder):
    rows = list(units(60, 11, vendor=0xFFF2))
    print_labels(folder, rows, "text.pdf", "--sheet", "a4")
    reader = pypdf.PdfReader(folder / "text.pdf", strict=True)
    assert [round(float(v), 2) for v in reader.pages[0].mediabox[2:]] == [595.28, 841.89]
    assert reader.trailer["/Root"]["/ViewerPreferences"]["/PrintScaling"] == "/None"
    text = "\n".join(page.extract_text() for page in reader.pages)
    for row in rows:
        code = row["manual"]
        for words in (row["serial"], f"{code[:4]}-{code[4:7]}-{code[7:]}"):
            assert words in text, words
    assert text.count("TEST – NOT FOR SALE") == 60
    for font in reader.pages[0]["/Resources"]["/Font"].values():
        assert "/FontFile2" in font["/DescendantFonts"][0]["/FontDescriptor"]


def test_the_worked_symbol_of_the_standard_is_read():
    # ISO/IEC 18004, annex I, from memory: "01234567" in version 1-M, mask 010. Our encoder's codewords are compared with
    # the same ones in crates/print; here they are drawn without our encoder and read.
    codewords = bytes.fromhex("10200C566180EC11EC11EC11EC11EC11" "A524D4C1ED36C7872C55")
    grid = numpy.full((21, 21), -1)
    for top, left in ((0, 0), (0, 14), (14, 0)):
        for y in range(-1, 8):
            for x in range(-1, 8):
                if 0 <= top + y < 21 and 0 <= left + x < 21:
                    ring = max(abs(y - 3), abs(x - 3))
                    grid[top + y, left + x] = ring in (0, 1, 3)
    for n in range(8, 13):
        grid[6, n] = grid[n, 6] = n % 2 == 0
    grid[13, 8] = 1
    format_bits = 0b00010 << 10
    rest = format_bits
    for shift in range(14, 9, -1):
        if rest >> shift & 1:
            rest ^= 0b10100110111 << (shift - 10)
    format_bits = (format_bits | rest) ^ 0b101010000010010
    assert f"{format_bits:015b}" == "101111001111100"
    first = [(8, 0), (8, 1), (8, 2), (8, 3), (8, 4), (8, 5), (8, 7), (8, 8), (7, 8)] + [(y, 8) for y in range(5, -1, -1)]
    second = [(y, 8) for y in range(20, 13, -1)] + [(8, x) for x in range(13, 21)]
    for places in (first, second):
        for n, place in enumerate(places):
            grid[place] = format_bits >> (14 - n) & 1
    bits = iter([octet >> n & 1 for octet in codewords for n in range(7, -1, -1)])
    upwards = True
    for right in (20, 18, 16, 14, 12, 10, 8, 5, 3, 1):
        for y in range(20, -1, -1) if upwards else range(21):
            for x in (right, right - 1):
                if grid[y, x] < 0:
                    grid[y, x] = next(bits) ^ (x % 3 == 0)
        upwards = not upwards
    assert next(bits, None) is None
    picture = numpy.pad(numpy.where(grid > 0, 0, 255).astype(numpy.uint8), 4, constant_values=255)
    image = Image.fromarray(picture.repeat(8, 0).repeat(8, 1))
    assert by_zxing(image) == by_zbar(image) == ["01234567"]


def main():
    tests = [(name, test) for name, test in globals().items() if name.startswith("test_")]
    for name, test in tests:
        with tempfile.TemporaryDirectory() as scratch:
            test(pathlib.Path(scratch)) if test.__code__.co_argcount else test()
        print(f"ok {name}")
    print(f"{len(tests)} passed, 0 failed")


if __name__ == "__main__":
    main()
