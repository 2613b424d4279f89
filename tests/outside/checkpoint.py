"""Checks a checkpoint without this project's code: checkpoint.py NOTE KEY BOOK.

The note's form and signature are those of C2SP signed-note and tlog-checkpoint (from memory); Ed25519 is RFC 8032,
by the library `cryptography`; the tree is RFC 9162 section 2.1.1, over the leaves as they lie in the book.
"""

import base64
import hashlib
import sqlite3
import sys

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

with open(sys.argv[1], encoding="utf-8") as file:
    text, signatures = file.read().split("\n\n")
text += "\n"
name, key_id, key = open(sys.argv[2], encoding="ascii").read().strip().split("+", 2)
octets = base64.b64decode(key)
assert octets[0] == 1 and len(octets) == 33, "an Ed25519 key"
assert hashlib.sha256(name.encode() + b"\n" + octets).digest()[:4].hex() == key_id, "the key's id"

origin, size, root = text.splitlines()[:3]
assert origin == name, "signed by the log itself"
dash, signer, signature = signatures.strip().split(" ")
signature = base64.b64decode(signature)
assert (dash, signer, signature[:4].hex()) == ("\u2014", name, key_id)
Ed25519PublicKey.from_public_bytes(octets[1:]).verify(signature[4:], text.encode())


def tree(leaves):
    if not leaves:
        return hashlib.sha256(b"").digest()
    if len(leaves) == 1:
        return hashlib.sha256(b"\0" + leaves[0]).digest()
    half = 1
    while half * 2 < len(leaves):
        half *= 2
    return hashlib.sha256(b"\1" + tree(leaves[:half]) + tree(leaves[half:])).digest()


rows = sqlite3.connect(sys.argv[3]).execute("SELECT leaf FROM entry ORDER BY sequence LIMIT ?", (int(size),))
leaves = [row[0].encode() if isinstance(row[0], str) else bytes(row[0]) for row in rows]
assert len(leaves) == int(size) and base64.b64encode(tree(leaves)).decode() == root, "the root over the entries"
