"""Manifests as chip makers, spreadsheets and archivers write them, made by other hands than ours: Python's csv, json,
codecs, lzma, tarfile and zipfile, `cryptography`, and the commands zstd and 7z.

Usage: manifests.py OUT MANIFEST. Writes the files and OUT/cases.json: file, map, exit code, how many chips must be
received, and words that must be said. Each case takes eight chips of its own.
"""

import csv
import datetime
import io
import json
import lzma
import pathlib
import shutil
import subprocess
import sys
import tarfile
import zipfile

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec

out, manifest = pathlib.Path(sys.argv[1]), pathlib.Path(sys.argv[2])
with manifest.open(newline="") as source:
    rows = [(r["chip_id"], r["public_key"]) for r in csv.DictReader(source)]
chips = [rows[at:at + 8] for at in range(0, len(rows), 8)]
cases = []


def case(name, content, exit_code, says=(), columns=None, received=8):
    path = out / name
    path.parent.mkdir(parents=True, exist_ok=True)
    if content is not None:
        path.write_bytes(content)
    cases.append({"file": name, "exit": exit_code, "says": list(says), "map": columns,
                  "chips": received if exit_code == 0 else 0})


def table(header, body, **dialect):
    text = io.StringIO()
    writer = csv.writer(text, **dialect)
    writer.writerow(header)
    writer.writerows(body)
    return text.getvalue()


def pem(point):
    key = ec.EllipticCurvePublicKey.from_encoded_point(ec.SECP256R1(), bytes.fromhex(point))
    return key.public_bytes(serialization.Encoding.PEM, serialization.PublicFormat.SubjectPublicKeyInfo)


def certificate(chip, point):
    key = ec.EllipticCurvePublicKey.from_encoded_point(ec.SECP256R1(), bytes.fromhex(point))
    issuer = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(x509.NameOID.COMMON_NAME, "A chip of the maker's")])
    begin = datetime.datetime(2026, 1, 1)
    builder = (x509.CertificateBuilder().subject_name(name).issuer_name(name).public_key(key)
               .serial_number(int(chip, 16)).not_valid_before(begin)
               .not_valid_after(begin + datetime.timedelta(days=3650)))
    return builder.sign(issuer, hashes.SHA256()).public_bytes(serialization.Encoding.DER)


def tar(files):
    octets = io.BytesIO()
    with tarfile.open(fileobj=octets, mode="w") as archive:
        for name, content in files:
            entry = tarfile.TarInfo(name)
            entry.size = len(content)
            archive.addfile(entry, io.BytesIO(content))
    return octets.getvalue()


def zipped(files):
    octets = io.BytesIO()
    with zipfile.ZipFile(octets, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in files:
            archive.writestr(name, content)
    return octets.getvalue()


def zstd(content, *options):
    return subprocess.run(["zstd", "-q", "-c", *options], input=content, capture_output=True, check=True).stdout


plain = ["chip_id", "public_key"]
take = iter(chips)

# Encodings.
text = table(plain, next(take), delimiter="\t")
case("utf16le.txt", b"\xff\xfe" + text.encode("utf-16-le"), 0, ["utf-16"])
case("utf16be.csv", b"\xfe\xff" + table(plain, next(take)).encode("utf-16-be"), 0, ["utf-16"])
case("utf16-bare.csv", table(plain, next(take)).encode("utf-16-le"), 0, ["utf-16"])
broken = table(plain, next(take))
case("utf16-odd.csv", b"\xff\xfe" + broken.encode("utf-16-le") + b"x", 1, ["utf-16", "cut off"])
case("utf16-half.csv", b"\xff\xfe" + broken.encode("utf-16-le") + b"\x00\xd8a\x00", 1, ["utf-16", "surrogate"])
german = table(["chip_id", "Prüfer", "public_key"], [(c, "Möller", k) for c, k in next(take)], delimiter=";")
case("cp1252.csv", german.encode("cp1252"), 0, ["windows-1252"])
case("picture.csv", b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR" + bytes(100), 1, ["not text"])

# What spreadsheets do.
case("quoted.csv", table(plain, [(f'="{c}"', f'="{k}"') for c, k in next(take)]).encode(), 0)
rounded = next(take)
case("rounded.csv", table(plain, [(f"5.14{n}17E+17", k) for n, (_, k) in enumerate(rounded)]).encode(), 1,
     ["a spreadsheet has destroyed these ids"])
case("rounded-comma.csv", table(plain, [(f"5,14{n}17E+17", k) for n, (_, k) in enumerate(rounded)],
                                delimiter=";").encode(), 1, ["a spreadsheet has destroyed these ids"])
case("rounded.json", json.dumps([{"chip_id": 5.14e17 + n * 1e13, "public_key": k}
                                 for n, (_, k) in enumerate(rounded)]).encode(), 1, ["spreadsheet"])
titled = "Tern & Hollow;;;\n\nReel 7;400 parts;;\n"
wide = [(n, c, k, "") for n, (c, k) in enumerate(next(take))]
case("titled.csv", (titled + table(["No.", "Chip ID", "Public-Key (hex)", ""], wide, delimiter=";")
                    + ";;;\n;;;\n").encode(), 0)
case("tabs.tsv", table(["LOT", "PublicKey", "CHIP-ID"], [("7", k, c) for c, k in next(take)],
                       delimiter="\t").encode(), 0)
case("cut.csv", (titled + table(["Chip ID", "Public Key"], next(take)[:7], delimiter=";")
                 + "514C04170D0D3578AC;04abcd\n").encode(), 1, ["line 12"])
case("book.xlsx", zipped([("[Content_Types].xml", "<Types/>"), ("xl/workbook.xml", "<workbook/>")]), 2, ["spreadsheet"])

# Names of columns.
other = table(["Chip UID", "pub.key"], next(take))
case("mapped.csv", other.encode(), 0, columns="chip_id=chip_uid,public_key=Pub Key")
case("mapped-wrong.csv", other.encode(), 2, ["no column \\\"serial\\\"", "chip uid", "pub.key"],
     columns="chip_id=serial,public_key=pub.key")
case("unmapped.csv", table(["uid", "spki"], rounded).encode(), 2, ["\\\"uid\\\"", "chip_id=uid,public_key=spki"])
case("unmapped.ndjson", "".join(json.dumps({"uid": c, "spki": k}) + "\n" for c, k in rounded).encode(), 2,
     ["\\\"uid\\\"", "chip_id=uid,public_key=spki"])
case("twice.csv", table(["Chip ID", "chip-id", "public_key"], [(c, c, k) for c, k in rounded]).encode(), 2,
     ["more than one column"])
case("headless.csv", "".join(f"{c},{k}\n" for c, k in rounded).encode(), 2, ["no line that names its columns"])
case("words.txt", b"Dear all,\nthe manifest follows tomorrow.\n", 2, ["no column"])

# JSON.
case("array.json", json.dumps([{"Chip ID": c, "publicKey": k, "test": {"bins": [1, 2]}} for c, k in next(take)],
                              indent=2).encode(), 0)
case("named.ndjson", "".join(json.dumps({"Chip-Id": c, "Public Key": k}) + "\n" for c, k in next(take)).encode(), 0)
case("deep.json", b"[" * 200_000, 1, ["json"])
case("deeper.json", b'[{"chip_id":"514C","x":' + b"[" * 200_000 + b"]" * 200_000 + b"}]", 2, ["no column"])
case("fields.json", json.dumps([{f"f{n}": 1 for n in range(5_000)}]).encode(), 1, ["256 fields"])
case("empty-arrays.json", b"[" + b"[]," * 3_000_000 + b"[]]", 1, ["not an object"])
case("spread.json", json.dumps({"chip_id": "514C", "public_key": "04"}, indent=1).encode(), 1, ["one object a line"])

# One file for each chip.
folder = next(take)
for chip, point in folder:
    (out / "folder" / chip).mkdir(parents=True)
    (out / "folder" / chip / "pubkey.pem").write_bytes(pem(point))
(out / "folder" / "README.txt").write_text("Public keys, one for each chip.\n")
case("folder", None, 0)
case("keys.zip", zipped([(f"keys/{c}.pem", pem(k)) for c, k in next(take)]), 0)
case("certificates.tar.xz", lzma.compress(tar([(f"{c}.der", certificate(c, k)) for c, k in next(take)])), 0)
case("keys.tar.zst", zstd(tar([(f"ec/{c}/ec.pem", pem(k)) for c, k in next(take)])), 0)
case("nameless.zip", zipped([(f"key-{n}.pem", pem(k)) for n, (_, k) in enumerate(rounded)]), 1, ["no chip id goes with"])
secret = ec.generate_private_key(ec.SECP256R1()).private_bytes(
    serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption())
case("secret.zip", zipped([("514C04170D0D3578AC.pem", secret)]), 1, ["a private key"])
mac = [("manifest.csv", table(plain, next(take)).encode()), ("README.txt", b"Eight chips, as ordered.\n"),
       ("__MACOSX/._manifest.csv", b"\0\5\26\7"), (".DS_Store", b"\0\0\0\1Bud1")]
case("mac.zip", zipped(mac), 0)
case("two.zip", zipped([("a.csv", table(plain, rounded)), ("b.csv", table(plain, rounded))]), 2, ["several manifests"])

# How it is packed, under any name.
case("manifest.csv.xz", lzma.compress(table(plain, next(take)).encode()), 0)
case("zstandard.bin", zstd(table(plain, next(take)).encode(), "--ultra", "-22"), 0)
case("rar.zip", b"Rar!\x1a\x07\x01\x00" + bytes(64), 2, ["a rar archive", "unpack it"])
(out / "inner.csv").write_text(table(plain, rounded))
# Debian releases give it one of these names.
seven = shutil.which("7z") or shutil.which("7zz")
subprocess.run([seven, "a", "-bd", "-y", str(out / "manifest.7z"), str(out / "inner.csv")], check=True,
               stdout=subprocess.DEVNULL)
case("manifest.7z", None, 2, ["a 7z archive", "unpack it"])
case("inside.zip", zipped([("manifest.7z", (out / "manifest.7z").read_bytes())]), 2, ["a 7z archive"])
case("cut.tar.xz", lzma.compress(tar([("manifest.csv", table(plain, rounded).encode())]))[:-40], 2, ["xz"])

# What asks for too much.
zeros = bytes(200 << 20)
case("bomb.xz", lzma.compress(zeros, preset=0), 1, ["expands far beyond"])
case("bomb.zst", zstd(zeros), 1, ["expands far beyond"])
del zeros
large = [{"id": lzma.FILTER_LZMA2, "preset": 0, "dict_size": 1 << 30}]
case("dictionary.xz", lzma.compress(table(plain, rounded).encode(), filters=large), 1, ["memory"])

# Ids that lost a digit, and lines that are no chips.
many = next(take) + next(take)
lost = [(c[:-1] if n == 11 else c, k) for n, (c, k) in enumerate(many)]
case("lost-digit.csv", table(plain, lost).encode(), 0,
     ["reel.id-length", "warning", "line 13", lost[11][0].lower(), "has 17 digits", "15 of 16"], received=16)
many = next(take) + next(take)
case("decimal.csv", table(plain, [(str(3 ** (2 * n + 7)), k) for n, (_, k) in enumerate(many)]).encode(), 0,
     ["reel.id-length", "decimal chip ids of 4 to 18 digits", "line 2"], received=16)
case("long-id.csv", table(plain, [("AB" * 33, rounded[0][1])]).encode(), 1, ["has 66 digits", "at most 64"])
case("total.csv", table(plain, rounded + [("Total", "")]).encode(), 1, ["delete such lines", "line 10"])
case("total-cut.csv", (table(plain, rounded) + "8 pieces\r\n").encode(), 1, ["delete such lines", "line 10"])
case("joined.csv", (table(plain, rounded[:4]) + table(plain, rounded[4:])).encode(), 1,
     ["names of the columns once more", "delete this line", "line 6"])
case("wrapped.json", json.dumps({"lot": "7", "made": {"by": "desk"}, "tags": [], "chips": [
    {"chip_id": c, "public_key": k} for c, k in next(take)]}, indent=1).encode(), 0)
case("wrapped-line.json", json.dumps({"chips": [{"Chip ID": c, "publicKey": k} for c, k in next(take)]}).encode(), 0)
case("wrapped-twice.json", json.dumps({"chips": [{"chip_id": "AB", "public_key": "04"}], "boxes": [{"n": 1}]}).encode(), 1,
     ["several arrays of objects", "boxes"])

(out / "cases.json").write_text(json.dumps(cases))
print(len(cases))
