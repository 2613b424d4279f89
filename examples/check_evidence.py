#!/usr/bin/env python3
"""Checks an evidence pack without the program that made it: check_evidence.py PACK.zip KEY.pem

Needs Python 3.8 or later and the library `cryptography`. Exit 0: whole; 1: altered, with what; 2: wrong call.
What is checked is told in docs/evidence.md. Whether to trust the roots whose key identifiers it prints is yours to say."""

import base64
import hashlib
import json
import sys
import zipfile

from cryptography import x509
from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives.asymmetric.utils import encode_dss_signature

SEAL = 128  # hex digits at the very end: r and s
FAULTS, ROOTS = [], {}
fault = FAULTS.append

def sha256(octets):
    return hashlib.sha256(octets).digest()

def signed(key, signature, message, raw=False):
    if raw:  # r and s, 32 octets each, big-endian
        signature = encode_dss_signature(int.from_bytes(signature[:32], "big"), int.from_bytes(signature[32:], "big"))
    try:
        return key.verify(signature, message, ec.ECDSA(hashes.SHA256())) is None
    except (InvalidSignature, ValueError):
        return False

def climb(fn, sn, start, path):
    """RFC 9162 2.1.3.2 and 2.1.4.2: the hashes that a path leads to, from one start or from two; None where it has no end."""
    at = list(start)
    for c in path:
        if sn == 0:
            return None
        if fn & 1 or fn == sn:
            at = [sha256(b"\1" + c + h) for h in at]
            while not fn & 1 and fn:
                fn, sn = fn >> 1, sn >> 1
        else:
            at[-1] = sha256(b"\1" + at[-1] + c)
        fn, sn = fn >> 1, sn >> 1
    return at if sn == 0 else None

def consistent(old, old_root, size, root, path):
    if old == size:
        return old_root == root and not path
    fn, sn, path = old - 1, size - 1, ([old_root] if old & (old - 1) == 0 else []) + path
    while fn & 1:
        fn, sn = fn >> 1, sn >> 1
    return bool(path) and climb(fn, sn, path[:1] * 2, path[1:]) == [old_root, root]

def row_digest(table, row):
    """docs/book.md: kind, length, octets of each value, the table's name first."""
    def value(kind, v=None):
        octets = (b"" if kind == 0 else v.to_bytes(8, "big", signed=True) if kind == 1
                  else v.encode() if kind == 2 else bytes.fromhex(v))
        return bytes([kind]) + len(octets).to_bytes(8, "big") + octets
    return sha256(value(2, table) + b"".join(value(*cell) for cell in row))

def head(told, site, key, name):
    statement = json.loads(told["statement"])
    if not signed(key, base64.b64decode(told["signature_base64"]), told["statement"].encode()):
        fault(f"{name}: a head's signature is not the key's")
    if (statement["size"], statement["root"], statement["site"]) != (told["entries"], told["root"], site):
        fault(f"{name}: a head says something else than was signed")
    return statement["size"], bytes.fromhex(statement["root"])

def log(name, told, size, root):
    vouched = {}
    for e in told["entries"]:
        path, leaf = [bytes.fromhex(p) for p in e["path"]], sha256(b"\0" + e["leaf"].encode())
        if e["sequence"] < size and climb(e["sequence"], size - 1, [leaf], path) == [root]:
            vouched.update({(t, k): d for t, k, d in json.loads(e["leaf"])["rows"]})
        else:
            fault(f"{name}: entry {e['sequence']} is not in the signed log")
    for r in told["rows"]:
        digests = [row_digest(r["table"], row) for row in r["rows"]]
        digest = sha256(b"".join(digests)) if r["several"] else digests[0]
        if vouched.get((r["table"], r["key"])) != digest.hex():
            fault(f"{name}: {r['table']} {r['key']} is not as the log vouches for it")

def proof(unit, files):
    name = f"units/{unit}/proof.json"
    p = json.loads(files[name])
    octets = {k: bytes.fromhex(p[k]) for k in ("nonce", "challenge", "elements", "signature")}
    dac_der = files[f"units/{unit}/dac.der"]
    dac, pai, paa = (x509.load_der_x509_certificate(der) for der in (dac_der, files[p["pai"]], files[p["paa"]]))
    rows = [r["rows"][0] for r in json.loads(files[f"units/{unit}/log.json"])["rows"]
            if (r["table"], r["key"]) == ("proof", unit) or r["table"] == "later_proof" and r["key"].startswith(unit + "/")]
    wanted = [p["nonce"], p["challenge"], p["elements"], p["signature"], sha256(dac_der).hex(), sha256(files[p["pai"]]).hex()]
    holds = {
        "the chip's signature": signed(dac.public_key(), octets["signature"], octets["elements"] + octets["challenge"], True),
        "the nonce": b"\x30\x02\x20" + octets["nonce"] in octets["elements"],
        "the declaration": not p["declaration"] or files[p["declaration"]] in octets["elements"],
        "the PAI over the DAC": signed(pai.public_key(), dac.signature, dac.tbs_certificate_bytes) and dac.issuer == pai.subject,
        "the PAA over the PAI": signed(paa.public_key(), pai.signature, pai.tbs_certificate_bytes) and pai.issuer == paa.subject,
        "the log": wanted in [[cell[-1] for cell in row[3:9]] for row in rows] and p["unit"] == unit,
    }
    FAULTS.extend(f"{name}: {what} does not bear it out" for what, so in holds.items() if not so)
    root = x509.SubjectKeyIdentifier.from_public_key(paa.public_key()).digest.hex()
    ROOTS[root] = ROOTS.get(root, 0) + 1

def meeting(unit, name, files):
    m = json.loads(files[name])
    row = [r["rows"][0] for r in json.loads(files[f"units/{unit}/log.json"])["rows"]
           if (r["table"], r["key"]) == ("meeting", f"{unit}/{m['meeting']}")]
    wanted = [sha256(files[m["pai"]]).hex(), m["nonce"], m["challenge"], m["elements"], m["signature"]]
    if not row or [cell[-1] for cell in row[0][7:12]] != wanted or row[0][2][-1] != m["verdict"]:
        return fault(f"{name}: it is not the meeting that the log vouches for")
    if m["verdict"] == "accepted":
        key, octets = x509.load_der_x509_certificate(files[m["dac"]]).public_key(), [bytes.fromhex(o) for o in wanted[1:]]
        point = key.public_bytes(serialization.Encoding.X962, serialization.PublicFormat.UncompressedPoint).hex()
        if not signed(key, octets[3], octets[2] + octets[1], True) or b"\x30\x02\x20" + octets[0] not in octets[2] or row[0][5][-1] != point:
            fault(f"{name}: the chip's signature, the nonce or its certificate does not bear it out")

def main(pack, key_file):
    key = serialization.load_pem_public_key(open(key_file, "rb").read())
    octets = open(pack, "rb").read()
    statement, seal = b"touchmark evidence 1 " + sha256(octets[:-SEAL]).hex().encode(), octets[-SEAL:]
    sealed = all(c in b"0123456789abcdef" for c in seal) and signed(key, bytes.fromhex(seal.decode()), statement, True)
    files = {}
    for info in zipfile.ZipFile(pack).infolist():
        if info.compress_type or info.filename in files or info.file_size > len(octets):
            raise ValueError(f"{info.filename} is compressed, there twice or too large")
        start = info.header_offset + 30 + len(info.filename.encode())
        files[info.filename] = octets[start:start + info.file_size]
    if not signed(key, files["manifest.sig"], files["manifest.json"]):
        raise ValueError("manifest.json or manifest.sig was altered, or the key is another site's")
    manifest = json.loads(files["manifest.json"])
    told = {f["name"]: f["sha256"] for f in manifest["files"]}
    for name in sorted((set(told) | set(files)) - {"manifest.json", "manifest.sig"}):
        if told.get(name) != sha256(files.get(name, b"")).hex():
            fault(f"{name}: altered, missing or added")
    if not FAULTS and not sealed:
        fault("(archive): a header, the directory of files, the comment or the seal was altered")
    if FAULTS:
        return manifest
    size, root = head(json.loads(files["head.json"]), manifest["site_id"], key, "head.json")
    for old in json.loads(files["heads.json"]):
        path, earlier = [bytes.fromhex(p) for p in old["path"]], head(old["head"], manifest["site_id"], key, "heads.json")
        if not consistent(*earlier, size, root, path):
            fault(f"heads.json: the log does not begin with the head of {old['head']['entries']} entries")
    for name in files:
        if name.endswith("log.json"):
            log(name, json.loads(files[name]), size, root)
        if name.startswith("units/") and name.endswith("/proof.json"):
            proof(name.split("/")[1], files)
        if name.startswith("units/") and name.split("/")[2].startswith("meeting-"):
            meeting(name.split("/")[1], name, files)
    return manifest

if __name__ == "__main__":
    try:
        made = main(*sys.argv[1:]) if len(sys.argv) == 3 else sys.exit(2)
    except Exception as error:  # noqa: BLE001 - whatever can't be read was altered
        sys.exit(f"altered: {error!r}")
    if FAULTS:
        sys.exit("altered: " + "\n  ".join(FAULTS))
    print(f"whole: {made['units']} units, {sum(ROOTS.values())} proven, of {made['site']} ({made['site_id']}), made {made['made']}")
    for root, count in ROOTS.items():
        print(f"  {count} chains end at the PAA with key identifier {root}: compare it with your own copy")
