"""A small witness of transparency logs: witness.py LOG_KEY. Prints its port and its key, then serves.

It keeps the last checkpoint of the one log whose key it is given, and countersigns each that goes on from it, as
C2SP tlog-witness, tlog-cosignature and signed-note say (from memory). Consistency proofs are checked as
RFC 9162 section 2.1.4.2 says; Ed25519 is RFC 8032, by the library `cryptography`.
"""

import base64
import hashlib
import struct
import sys
import time
from http.server import BaseHTTPRequestHandler, HTTPServer

from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey
from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat

NAME = "witness.example"
key = Ed25519PrivateKey.generate()
public = key.public_key().public_bytes(Encoding.Raw, PublicFormat.Raw)
octets = b"\x04" + public
key_id = hashlib.sha256(NAME.encode() + b"\n" + octets).digest()[:4]
log_name, log_id, log_key = open(sys.argv[1], encoding="ascii").read().strip().split("+", 2)
log_key = Ed25519PublicKey.from_public_bytes(base64.b64decode(log_key)[1:])
known = {"size": 0, "root": hashlib.sha256(b"").digest()}


def node(left, right):
    return hashlib.sha256(b"\1" + left + right).digest()


def goes_on(old, old_root, size, root, path):
    """RFC 9162 section 2.1.4.2."""
    if old == 0:
        return not path
    if old == size:
        return not path and old_root == root
    if not path:
        return False
    if old & (old - 1) == 0:
        path = [old_root, *path]
    fn, sn = old - 1, size - 1
    while fn & 1:
        fn, sn = fn >> 1, sn >> 1
    fr = sr = path[0]
    for c in path[1:]:
        if sn == 0:
            return False
        if fn & 1 or fn == sn:
            fr, sr = node(c, fr), node(c, sr)
            while not fn & 1 and fn:
                fn, sn = fn >> 1, sn >> 1
        else:
            sr = node(sr, c)
        fn, sn = fn >> 1, sn >> 1
    return fr == old_root and sr == root and sn == 0


class Witness(BaseHTTPRequestHandler):
    def log_message(self, *_):
        pass

    def answer(self, status, text=""):
        self.send_response(status)
        self.send_header("Content-Type", "text/x.tlog.size" if status == 409 else "text/plain")
        self.send_header("Content-Length", str(len(text.encode())))
        self.end_headers()
        self.wfile.write(text.encode())

    def do_POST(self):
        body = self.rfile.read(int(self.headers["Content-Length"])).decode()
        if self.path != "/line/add-checkpoint":
            return self.answer(404)
        head, text, signatures = body.split("\n\n", 2)
        text += "\n"
        first, *path = head.split("\n")
        old = int(first.removeprefix("old "))
        path = [base64.b64decode(line) for line in path]
        origin, size, root = text.splitlines()[:3]
        size, root = int(size), base64.b64decode(root)
        if origin != log_name:
            return self.answer(404)
        lines = [line.split(" ") for line in signatures.strip().split("\n")]
        good = False
        for _, name, signature in lines:
            signature = base64.b64decode(signature)
            if name == log_name and signature[:4].hex() == log_id:
                try:
                    log_key.verify(signature[4:], text.encode())
                    good = True
                except InvalidSignature:
                    pass
        if not good:
            return self.answer(403)
        if old > size:
            return self.answer(400)
        if old != known["size"]:
            return self.answer(409, f"{known['size']}\n")
        if not goes_on(old, known["root"], size, root, path):
            return self.answer(422)
        known.update(size=size, root=root)
        now = int(time.time())
        signature = key.sign(f"cosignature/v1\ntime {now}\n{text}".encode())
        line = base64.b64encode(key_id + struct.pack(">Q", now) + signature).decode()
        return self.answer(200, f"\u2014 {NAME} {line}\n")


server = HTTPServer(("127.0.0.1", 0), Witness)
print(server.server_port, f"{NAME}+{key_id.hex()}+{base64.b64encode(octets).decode()}", flush=True)
server.serve_forever()
