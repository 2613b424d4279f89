"""A device and a home by another hand, against `meet` and `stand-in`.

    meeting.py TOUCHMARK SETS

SETS is a directory of `specimen write`. Everything here is written from the
facts of the standard (Core Spec 4.3, 4.4, 4.12, 4.14.1, 8, 11, from memory) and
RFC 9383: TLV, headers, SPAKE2+ with P-256 in Python's integers. AES-128-CCM,
HKDF and ECDSA come from `cryptography`. Nothing is taken from the program.
"""

import hashlib
import hmac
import json
import os
import secrets
import socket
import struct
import subprocess
import sys
import threading
from pathlib import Path

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives.asymmetric.utils import decode_dss_signature, encode_dss_signature
from cryptography.hazmat.primitives.ciphers.aead import AESCCM
from cryptography.hazmat.primitives.kdf.hkdf import HKDF

# P-256 (SP 800-186 3.2.1.3).
P = 0xFFFFFFFF00000001000000000000000000000000FFFFFFFFFFFFFFFFFFFFFFFF
B = 0x5AC635D8AA3A93E7B3EBBD55769886BC651D06B0CC53B0F63BCE3C3E27D2604B
ORDER = 0xFFFFFFFF00000000FFFFFFFFFFFFFFFFBCE6FAADA7179E84F3B9CAC2FC632551
G = (
    0x6B17D1F2E12C4247F8BCE6E563A440F277037D812DEB33A0F4A13945D898C296,
    0x4FE342E2FE1A7F9B8EE7EB4A7C0F9E162BCE33576B315ECECBB6406837BF51F5,
)


def add(a, b):
    if a is None or b is None:
        return a or b
    if a[0] == b[0] and (a[1] + b[1]) % P == 0:
        return None
    if a == b:
        slope = (3 * a[0] * a[0] - 3) * pow(2 * a[1], -1, P)
    else:
        slope = (b[1] - a[1]) * pow(b[0] - a[0], -1, P)
    x = (slope * slope - a[0] - b[0]) % P
    return x, (slope * (a[0] - x) - a[1]) % P


def times(k, point):
    out = None
    while k:
        if k & 1:
            out = add(out, point)
        point = add(point, point)
        k >>= 1
    return out


def minus(point):
    return point[0], -point[1] % P


def pack(point):
    return b"\x04" + point[0].to_bytes(32, "big") + point[1].to_bytes(32, "big")


def unpack(octets):
    assert len(octets) == 65 and octets[0] == 4, octets.hex()
    x, y = int.from_bytes(octets[1:33], "big"), int.from_bytes(octets[33:], "big")
    assert (y * y - x * x * x + 3 * x - B) % P == 0, "off the curve"
    return x, y


def decompress(text):
    octets = bytes.fromhex(text)
    x = int.from_bytes(octets[1:], "big")
    y = pow(x**3 - 3 * x + B, (P + 1) // 4, P)
    return x, y if y & 1 == octets[0] & 1 else P - y


# RFC 9383 section 4.
M = decompress("02886e2f97ace46e55ba9dd7242579f2993b64e16ef3dcab95afd497333d8fa12f")
N = decompress("03d8bbd6c639c62937b04d997f38c3770719c629d7014d49a24b4f98baa1292b49")


def derive(passcode, salt, iterations):
    out = hashlib.pbkdf2_hmac("sha256", passcode.to_bytes(4, "little"), salt, iterations, 80)
    return int.from_bytes(out[:40], "big") % ORDER, int.from_bytes(out[40:], "big") % ORDER


def expand(secret, info, length):
    return HKDF(hashes.SHA256(), length, None, info).derive(secret)


class Schedule:
    """Core Spec 4.14.1.1: the draft's key schedule."""

    def __init__(self, context, pa, pb, z, v, w0):
        parts = [context, b"", b"", pack(M), pack(N), pa, pb, pack(z), pack(v), w0.to_bytes(32, "big")]
        digest = hashlib.sha256(b"".join(struct.pack("<Q", len(part)) + part for part in parts)).digest()
        keys = expand(digest[:16], b"ConfirmationKeys", 32)
        self.ca = hmac.digest(keys[:16], pb, "sha256")
        self.cb = hmac.digest(keys[16:], pa, "sha256")
        session = expand(digest[16:], b"SessionKeys", 48)
        self.i2r, self.r2i, self.challenge = session[:16], session[16:32], session[32:]


def bind(request, response):
    return hashlib.sha256(b"CHIP PAKE V1 Commissioning" + request + response).digest()


# TLV (Appendix A): values in Python, a structure as a dict of context tags, a list as the same in `List`.
class List(dict):
    pass


def tlv(value, tag=None):
    head = lambda kind: bytes([kind]) if tag is None else bytes([0x20 | kind, tag])
    if isinstance(value, bool):
        return head(0x09 if value else 0x08)
    if isinstance(value, int):
        size = next(i for i in range(4) if value < 1 << (8 << i))
        return head(0x04 + size) + value.to_bytes(1 << size, "little")
    if isinstance(value, (bytes, str)):
        octets = value.encode() if isinstance(value, str) else value
        size = next(i for i in range(4) if len(octets) < 1 << (8 << i))
        kind = (0x0C if isinstance(value, str) else 0x10) + size
        return head(kind) + len(octets).to_bytes(1 << size, "little") + octets
    if isinstance(value, dict):
        kind = 0x17 if isinstance(value, List) else 0x15
        return head(kind) + b"".join(tlv(v, k) for k, v in value.items()) + b"\x18"
    assert isinstance(value, list), value
    return head(0x16) + b"".join(tlv(v) for v in value) + b"\x18"


def untlv(data):
    value, rest = element(data)[1:]
    assert rest == b"", "octets after it"
    return value


def element(data):
    control, data = data[0], data[1:]
    tag = None
    if control >> 5 == 1:
        tag, data = data[0], data[1:]
    elif control >> 5:
        sizes = {2: 2, 3: 4, 4: 2, 5: 4, 6: 6, 7: 8}
        tag, data = data[: sizes[control >> 5]], data[sizes[control >> 5] :]
    kind = control & 0x1F
    if kind < 8:
        size = 1 << (kind & 3)
        return tag, int.from_bytes(data[:size], "little", signed=kind < 4), data[size:]
    if kind in (8, 9):
        return tag, kind == 9, data
    if 0x0C <= kind <= 0x13:
        size = 1 << (kind & 3)
        length = int.from_bytes(data[:size], "little")
        octets, data = data[size : size + length], data[size + length :]
        return tag, octets.decode() if kind < 0x10 else octets, data
    if kind == 0x18:
        return tag, None, data
    out = [] if kind == 0x16 else List() if kind == 0x17 else {}
    while True:
        if data[0] == 0x18:
            return tag, out, data[1:]
        inner, value, data = element(data)
        if kind == 0x16:
            out.append(value)
        else:
            assert inner not in out, "a tag twice"
            out[inner] = value


# Messages (4.4).
def read_header(data):
    flags, session, security, counter = struct.unpack("<BHBI", data[:8])
    assert flags >> 4 == 0 and security == 0, (flags, security)
    at, source, destination = 8, None, None
    if flags & 4:
        source, at = struct.unpack("<Q", data[at : at + 8])[0], at + 8
    if flags & 3 == 1:
        destination, at = struct.unpack("<Q", data[at : at + 8])[0], at + 8
    return session, counter, source, destination, data[:at], data[at:]


def write_header(session, counter, source=None, destination=None):
    flags = (4 if source is not None else 0) | (1 if destination is not None else 0)
    out = struct.pack("<BHBI", flags, session, 0, counter)
    for node in (source, destination):
        if node is not None:
            out += struct.pack("<Q", node)
    return out


class Message:
    def __init__(self, flags, opcode, exchange, protocol, acked, payload):
        self.initiator, self.reliable = bool(flags & 1), bool(flags & 4)
        self.opcode, self.exchange, self.protocol = opcode, exchange, protocol
        self.acked, self.payload = acked, payload

    @classmethod
    def read(cls, data):
        flags, opcode, exchange, protocol = struct.unpack("<BBHH", data[:6])
        at, acked = 6, None
        if flags & 0x10:
            at += 2
        if flags & 2:
            acked, at = struct.unpack("<I", data[at : at + 4])[0], at + 4
        return cls(flags, opcode, exchange, protocol, acked, data[at:])


def write_message(initiator, reliable, opcode, exchange, protocol, payload, acked=None):
    flags = (1 if initiator else 0) | (2 if acked is not None else 0) | (4 if reliable else 0)
    out = struct.pack("<BBHH", flags, opcode, exchange, protocol)
    return out + (struct.pack("<I", acked) if acked is not None else b"") + payload


def seal(key, head, counter, plain):
    nonce = b"\0" + struct.pack("<I", counter) + bytes(8)
    return AESCCM(key, tag_length=16).encrypt(nonce, plain, head)


def unseal(key, head, counter, sealed):
    nonce = b"\0" + struct.pack("<I", counter) + bytes(8)
    return AESCCM(key, tag_length=16).decrypt(nonce, sealed, head)


def status(general, code, data=b""):
    return struct.pack("<HIH", general, 0, code) + data


class Unit:
    """What the specimens' valid set has."""

    def __init__(self, sets):
        valid = Path(sets) / "valid"
        read = lambda name: (valid / name).read_bytes()
        self.dac, self.pai, self.declaration = read("dac.der"), read("pai.der"), read("declaration.der")
        self.key = serialization.load_pem_private_key(read("dac-key.pem"), None)
        self.trust = ["--trust", valid / "paa.der", "--signer", valid / "declaration-signer.der"]
        self.passcode, self.discriminator = 20202021, 3840

    def sign(self, message):
        r, s = decode_dss_signature(self.key.sign(message, ec.ECDSA(hashes.SHA256())))
        return r.to_bytes(32, "big") + s.to_bytes(32, "big")


class Device(threading.Thread):
    """A device on the network, one home at a time. `odd` names what it does otherwise."""

    def __init__(self, unit, odd):
        super().__init__(daemon=True)
        self.unit, self.odd = unit, odd
        self.socket = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self.socket.bind(("127.0.0.1", 0))
        self.socket.settimeout(0.1)
        self.port = self.socket.getsockname()[1]
        self.counter = secrets.randbelow(1 << 28) + 1
        self.sealed_counter = secrets.randbelow(1 << 28) + 1
        self.salt, self.iterations = os.urandom(32), 2000
        self.w0, w1 = derive(unit.passcode + (odd == "passcode"), self.salt, self.iterations)
        self.l = times(w1, G)
        self.session, self.schedule, self.stop, self.trouble = None, None, False, []
        self.armed, self.was_disarmed, self.closed, self.seen, self.waiting = False, False, False, set(), []
        self.acked = set()

    def run(self):
        while True:
            try:
                data, home = self.socket.recvfrom(2000)
            except TimeoutError:
                if self.stop:
                    return
                # Reliability, as simple as it can be: what was not acknowledged goes again.
                for counter, datagram, home in self.waiting:
                    if counter not in self.acked:
                        self.socket.sendto(datagram, home)
                continue
            try:
                self.take(data, home)
            except Exception as error:  # whatever the home did, the test wants to know
                self.trouble.append(f"{type(error).__name__}: {error}")

    def rest(self):
        """Reads what is still in the socket, and stops."""
        self.stop = True
        self.join()

    def take(self, data, home):
        session, counter, source, _, head, body = read_header(data)
        sealed = session != 0
        if sealed:
            assert session == self.own, f"session {session}"
            body = unseal(self.schedule.i2r, head, counter, body)
        else:
            assert source is not None, "no source node ID"
            self.node = source
        message = Message.read(body)
        again = (sealed, counter) in self.seen
        self.seen.add((sealed, counter))
        if message.acked is not None:
            self.acked.add(message.acked)
        if again:
            if message.reliable:
                self.send(home, sealed, message, counter, 0x10, 0, b"", False)
            return
        if message.protocol == 0 and message.opcode == 0x10:
            return
        closes = sealed and message.protocol == 0 and message.opcode == 0x40
        assert message.reliable or closes, "a message without R"
        getattr(self, "sealed" if sealed else "opening")(home, message, counter)

    def send(self, home, sealed, to, counter, opcode, protocol, payload, reliable=True):
        plain = write_message(False, reliable, opcode, to.exchange, protocol, payload, counter)
        if sealed:
            if self.odd != "counter":
                self.sealed_counter += 1
            own, head = self.sealed_counter, write_header(self.theirs, self.sealed_counter)
            datagram = head + seal(self.schedule.r2i, head, own, plain)
        else:
            self.counter += 1
            own, datagram = self.counter, write_header(0, self.counter, destination=self.node) + plain
        if self.odd == "doubled":
            self.socket.sendto(datagram, home)
        if self.odd == "strangers":
            self.socket.sendto(os.urandom(60), home)
        self.socket.sendto(datagram, home)
        if reliable:
            self.waiting.append((own, datagram, home))

    def opening(self, home, message, counter):
        reply = lambda opcode, payload: self.send(home, False, message, counter, opcode, 0, payload)
        if message.opcode == 0x20:
            if self.odd == "closed":
                return reply(0x40, status(1, 2))
            if self.odd == "closed silently":
                return self.send(home, False, message, counter, 0x10, 0, b"", False)
            if self.odd == "busy":
                return reply(0x40, status(8, 4, struct.pack("<H", 1500)))
            request = untlv(message.payload)
            assert len(request[1]) == 32 and request[2] != 0 and request[3] == 0 and request[4] is False, request
            self.theirs, self.own = request[2], secrets.randbelow(65535) + 1
            iterations = 100_001 if self.odd == "iterations" else self.iterations
            salt = self.salt[:15] if self.odd == "salt" else self.salt
            response = {1: request[1], 2: os.urandom(32), 3: self.own, 4: {1: iterations, 2: salt}}
            response[5] = {1: 500, 2: 300, 3: 4000, 4: 17, 5: 12, 6: 0x01040000, 7: 9, 33: "later"}
            if self.odd == "later tags":
                response[99] = {1: "of a later release"}
            octets = tlv(response)
            self.context = bind(message.payload, octets)
            return reply(0x21, octets)
        if message.opcode == 0x22:
            pa = untlv(message.payload)[1]
            y = secrets.randbelow(ORDER - 1) + 1
            pb = pack(add(times(y, G), times(self.w0, N)))
            x = add(unpack(pa), minus(times(self.w0, M)))
            self.schedule = Schedule(self.context, pa, pb, times(y, x), times(y, self.l), self.w0)
            if self.odd == "off the curve":
                pb = pb[:-1] + bytes([pb[-1] ^ 1])
            if self.odd == "base point as share":
                pb = b"\x04" + bytes(64)
            return reply(0x23, tlv({1: pb, 2: self.schedule.cb}))
        if message.opcode == 0x24:
            assert untlv(message.payload)[1] == self.schedule.ca, "a wrong cA"
            self.armed = True
            return reply(0x40, status(0, 0))
        if message.opcode == 0x40:
            general, protocol, code = struct.unpack("<HIH", message.payload[:8])
            assert (general, protocol, code) == (1, 0, 2), (general, protocol, code)
            self.stopped = True
            return self.send(home, False, message, counter, 0x10, 0, b"", False)
        raise AssertionError(f"opcode {message.opcode:02x} while opening")

    def sealed(self, home, message, counter):
        reply = lambda opcode, payload: self.send(home, True, message, counter, opcode, 1, payload)
        if message.protocol == 0:
            assert message.opcode == 0x40 and message.payload[:8] == status(0, 3), message.payload.hex()
            assert not message.reliable, "a close with R"
            self.closed = True
            return None
        request = untlv(message.payload)
        assert request[255] in (11, 12, 13), "no revision"
        if message.opcode == 0x02:
            self.parts = self.reports([path for path in request[0]])
            return reply(0x05, self.parts.pop(0))
        if message.opcode == 0x01:
            assert request[0] == 0
            if self.parts:
                return reply(0x05, self.parts.pop(0))
            return self.send(home, True, message, counter, 0x10, 0, b"", False)
        assert message.opcode == 0x08 and request[1] is False, request
        (command,) = request[2]
        path, fields = command[0], command.get(1, {})
        assert isinstance(path, List) and path[0] == 0
        answer = self.command(path[1], path[2], fields)
        if isinstance(answer, int):
            response = {0: False, 1: [{1: {0: path, 1: {0: answer}}}]}
        else:
            response = {0: False, 1: [{0: {0: List({0: 0, 1: path[1], 2: answer[0]}), 1: answer[1]}}]}
        if self.odd == "later tags":
            response[2] = False
            response[77] = "later"
        response[255] = 12
        return reply(0x09, tlv(response))

    def command(self, cluster, command, fields):
        unit, odd = self.unit, self.odd
        if (cluster, command) == (0x30, 0):
            assert fields.keys() == {0, 1}, fields
            if fields[0] == 0 and odd == "stays armed":
                return 1, {0: 4, 1: "busy"}
            self.armed, self.was_disarmed = fields[0] > 0, fields[0] == 0
            return 1, {0: 0, 1: ""}
        if (cluster, command) == (0x3E, 2):
            return 3, {0: {1: unit.dac, 2: unit.pai}[fields[0]]}
        if (cluster, command) == (0x3E, 0):
            nonce = os.urandom(32) if odd == "nonce" else fields[0]
            elements = tlv({1: unit.declaration, 2: nonce, 3: 0})
            signed = elements + (bytes(16) if odd == "challenge" else self.schedule.challenge)
            return 1, {0: elements, 1: unit.sign(signed)}
        if (cluster, command) == (0x3E, 4):
            key = unit.key if odd == "stale key" else ec.generate_private_key(ec.SECP256R1())
            name = x509.Name([x509.NameAttribute(x509.NameOID.ORGANIZATION_NAME, "CSR")])
            csr = x509.CertificateSigningRequestBuilder().subject_name(name).sign(key, hashes.SHA256())
            elements = {1: csr.public_bytes(serialization.Encoding.DER), 2: fields[0]}
            if odd == "later tags":
                elements[3] = b"vendor"
            elements = tlv(elements)
            return 5, {0: elements, 1: unit.sign(elements + self.schedule.challenge)}
        return 0x81

    def reports(self, paths):
        values = {1: "Tern & Hollow", 2: 0xFFF1, 3: "Tern Vent", 4: 0x8001, 7: 1, 9: 7, 10: "1.0.7", 15: "TV-1"}
        if self.odd == "other product":
            values[4] = 0x8009
        if self.odd == "no serial number":
            del values[15]
        out = []
        for path in paths:
            assert isinstance(path, List) and path[2] == 0 and path[3] == 0x28, path
            if path[4] in values:
                out.append({1: {0: 99, 1: path, 2: values[path[4]]}})
            else:
                out.append({0: {0: path, 1: {0: 0x86}}})
        size = 2 if self.odd == "chunks" else len(out)
        chunks = [out[i : i + size] for i in range(0, len(out), size)]
        reports = []
        for number, chunk in enumerate(chunks):
            last = number == len(chunks) - 1
            report = {1: chunk}
            if not last:
                report[3] = True
            elif self.odd != "wants an answer":
                report[4] = True
            report[255] = 11
            reports.append(tlv(report))
        return reports


# What the device does otherwise; the word; the rule, of which severity; whether the session was opened.
CASES = [
    (None, "accepted", None),
    ("chunks", "accepted", None),
    ("wants an answer", "accepted", None),
    ("later tags", "accepted", None),
    ("no serial number", "accepted", None),
    ("doubled", "accepted", None),
    ("strangers", "accepted", None),
    ("passcode", "rejected", "meet.passcode"),
    ("iterations", "rejected", "meet.verifier-parameters"),
    ("salt", "rejected", "meet.verifier-parameters"),
    ("off the curve", "rejected", "meet.point"),
    ("base point as share", "rejected", "meet.point"),
    ("closed", "unreachable", "meet.window-closed"),
    ("closed silently", "unreachable", "meet.window-closed"),
    ("busy", "unreachable", "meet.busy"),
    ("other product", "rejected", "meet.identity"),
    ("nonce", "rejected", "exchange.nonce"),
    ("challenge", "rejected", "exchange.signature"),
    ("stale key", "rejected", "meet.request"),
    ("counter", "rejected", "meet.counter"),
    ("stays armed", "rejected", "meet.left-armed"),
]
BEFORE = {"passcode", "iterations", "salt", "off the curve", "base point as share", "closed", "closed silently", "busy"}


def as_device(program, unit):
    for odd, verdict, rule in CASES:
        device = Device(unit, odd)
        device.start()
        code = ["--code", "MT:Y.K9042C00KA0648G00" if odd != "other product" else "34970112332"]
        where = ["--at", f"127.0.0.1:{device.port}", "--timeout", "8"]
        typed = [program, "--json", "meet", *code, *where, *unit.trust]
        done = subprocess.run(typed, capture_output=True, text=True, cwd="/", timeout=120)
        device.rest()
        answer = json.loads(done.stdout)
        name = odd or "a sound device"
        assert "error" not in answer, f"{name}: {answer}"
        errors = {f["rule"] for f in answer["findings"] if f["severity"] == "error"}
        assert answer["verdict"] == verdict, f"{name}: {answer['verdict']} by {errors}; {device.trouble}"
        assert rule is None and not errors or rule in errors, f"{name}: {errors}"
        assert done.returncode == {"accepted": 0, "rejected": 1, "unreachable": 3}[verdict], f"{name}: {done.returncode}"
        assert device.trouble == [], f"{name}: {device.trouble}"
        if odd not in BEFORE:
            assert device.closed, f"{name}: never closed"
            assert device.was_disarmed or odd == "stays armed", f"{name}: left armed"
            assert answer["left"] == ("uncertain" if odd == "stays armed" else "as-found"), name
        if verdict == "accepted":
            assert answer["certificates"]["dac"] == hashlib.sha256(unit.dac).hexdigest(), name
            assert answer["device"]["serial_number"] == (None if odd == "no serial number" else "TV-1"), name
            assert answer["session"]["iterations"] == 2000 and answer["session"]["salt_bytes"] == 32, name
            exchange = {key: bytes.fromhex(value) for key, value in answer["exchange"].items()}
            assert exchange["challenge"] == device.schedule.challenge, f"{name}: another challenge"
    print(f"{len(CASES)} meetings with a device by another hand")


class Home:
    """A home: asks everything once, waits for each answer, sends again what has none."""

    def __init__(self, at):
        host, port = at.rsplit(":", 1)
        self.at = ("127.0.0.1", int(port))
        self.socket = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self.socket.settimeout(0.5)
        self.node = secrets.randbits(64)
        self.counter = secrets.randbelow(1 << 28) + 1
        self.exchange = secrets.randbelow(1 << 16)
        self.schedule, self.seen = None, set()

    def ask(self, opcode, protocol, payload, exchange, acked=None):
        self.counter += 1
        plain = write_message(True, True, opcode, exchange, protocol, payload, acked)
        own = self.counter
        if self.schedule:
            head = write_header(self.theirs, own)
            datagram = head + seal(self.schedule.i2r, head, own, plain)
        else:
            datagram = write_header(0, own, source=self.node) + plain
        for _ in range(5):
            self.socket.sendto(datagram, self.at)
            try:
                while True:
                    answer, counter = self.hear()
                    if answer is None or answer.exchange != exchange:
                        continue
                    assert answer.acked == own, "an answer that does not acknowledge"
                    if answer.opcode == 0x10 and answer.protocol == 0:
                        continue
                    assert answer.reliable and not answer.initiator
                    return answer, counter
            except TimeoutError:
                continue
        raise AssertionError(f"no answer to opcode {opcode:02x}")

    def hear(self):
        data = self.socket.recv(2000)
        session, counter, source, destination, head, body = read_header(data)
        if session:
            assert self.schedule and session == self.own
            body = unseal(self.schedule.r2i, head, counter, body)
        else:
            assert source is None and destination == self.node, "not for this home"
        if (session, counter) in self.seen:
            return None, counter
        self.seen.add((session, counter))
        return Message.read(body), counter

    def acknowledge(self, exchange, counter):
        self.counter += 1
        plain = write_message(True, False, 0x10, exchange, 0, b"", counter)
        if self.schedule:
            head = write_header(self.theirs, self.counter)
            self.socket.sendto(head + seal(self.schedule.i2r, head, self.counter, plain), self.at)
        else:
            self.socket.sendto(write_header(0, self.counter, source=self.node) + plain, self.at)

    def open(self, passcode):
        self.own = secrets.randbelow(65535) + 1
        request = tlv({1: os.urandom(32), 2: self.own, 3: 0, 4: False, 5: {1: 500, 2: 300, 99: "later"}})
        answer, counter = self.ask(0x20, 0, request, self.exchange)
        assert (answer.opcode, answer.protocol) == (0x21, 0), f"{answer.opcode:02x}"
        first = answer.payload
        response = untlv(first)
        assert response[1] == untlv(request)[1] and len(response[2]) == 32
        self.theirs, parameters = response[3], response[4]
        assert 1000 <= parameters[1] <= 100_000 and 16 <= len(parameters[2]) <= 32
        w0, w1 = derive(passcode, parameters[2], parameters[1])
        x = secrets.randbelow(ORDER - 1) + 1
        pa = pack(add(times(x, G), times(w0, M)))
        answer, counter = self.ask(0x22, 0, tlv({1: pa}), self.exchange, counter)
        assert answer.opcode == 0x23
        share = untlv(answer.payload)
        y = add(unpack(share[1]), minus(times(w0, N)))
        schedule = Schedule(bind(request, first), pa, share[1], times(x, y), times(w1, y), w0)
        assert schedule.cb == share[2], "a wrong cB"
        answer, counter = self.ask(0x24, 0, tlv({1: schedule.ca}), self.exchange, counter)
        assert answer.opcode == 0x40 and answer.payload[:8] == status(0, 0), answer.payload.hex()
        self.acknowledge(self.exchange, counter)
        self.schedule, self.counter = schedule, secrets.randbelow(1 << 28) + 1

    def one(self, opcode, payload):
        self.exchange = (self.exchange + 1) & 0xFFFF
        answer, counter = self.ask(opcode, 1, payload, self.exchange)
        self.acknowledge(self.exchange, counter)
        return answer

    def invoke(self, cluster, command, fields):
        path = List({0: 0, 1: cluster, 2: command})
        answer = self.one(0x08, tlv({0: False, 1: False, 2: [{0: path, 1: fields}], 255: 12}))
        assert answer.opcode == 0x09, f"{answer.opcode:02x}"
        (response,) = untlv(answer.payload)[1]
        return response

    def close(self):
        self.exchange = (self.exchange + 1) & 0xFFFF
        self.counter += 1
        plain = write_message(True, False, 0x40, self.exchange, 0, status(0, 3))
        head = write_header(self.theirs, self.counter)
        self.socket.sendto(head + seal(self.schedule.i2r, head, self.counter, plain), self.at)


def payload(qr):
    """Core Spec 5.1.3: Base-38, then fields from the least significant bit."""
    alphabet = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ-."
    text, octets = qr.removeprefix("MT:"), b""
    while text:
        size = {5: 3, 4: 2, 2: 1}[min(len(text), 5)]
        number = sum(alphabet.index(c) * 38**i for i, c in enumerate(text[:5]))
        octets, text = octets + number.to_bytes(size, "little"), text[5:]
    bits = int.from_bytes(octets[:11], "little")
    return bits >> 57 & (1 << 27) - 1, bits >> 45 & 0xFFF


def start(program, typed):
    stand_in = subprocess.Popen(
        [program, "--json", "stand-in", *typed], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, cwd="/"
    )
    return stand_in, json.loads(stand_in.stdout.readline())


def as_home(program, unit, sets):
    stand_in, said = start(program, ["--specimen", Path(sets).resolve() / "valid"])
    try:
        passcode, discriminator = payload(said["qr"])
        assert discriminator == said["discriminator"]
        home = Home(said["at"])
        home.open(passcode)
        arm = home.invoke(0x30, 0, {0: 60, 1: 0})
        assert arm[0][1][0] == 0, arm
        attributes = [1, 2, 3, 4, 7, 9, 10, 15]
        paths = [List({2: 0, 3: 0x28, 4: a}) for a in attributes]
        report = untlv(home.one(0x02, tlv({0: paths, 3: False, 255: 12})).payload)
        values = {r[1][1][4]: r[1][2] for r in report[1] if 1 in r}
        missing = {r[0][0][4]: r[0][1][0] for r in report[1] if 0 in r}
        assert values[2] == 0xFFF1 and values[4] == 0x8001 and missing == {15: 0x86}, report
        assert report[4] is True
        assert home.invoke(0x3E, 2, {0: 1})[0][1][0] == unit.dac
        assert home.invoke(0x3E, 2, {0: 2})[0][1][0] == unit.pai
        nonce = os.urandom(32)
        elements, signature = home.invoke(0x3E, 0, {0: nonce})[0][1].values()
        verify(unit, elements + home.schedule.challenge, signature)
        inner = untlv(elements)
        assert inner[1] == unit.declaration and inner[2] == nonce
        elements, signature = home.invoke(0x3E, 4, {0: nonce})[0][1].values()
        verify(unit, elements + home.schedule.challenge, signature)
        inner = untlv(elements)
        assert inner[2] == nonce and x509.load_der_x509_csr(inner[1]).is_signature_valid
        assert home.invoke(0x30, 9, {})[1][1][0] == 0x81
        assert home.invoke(0x99, 0, {})[1][1][0] == 0xC3
        assert home.invoke(0x30, 0, {0: 0, 1: 0})[0][1][0] == 0
        home.close()
    finally:
        stand_in.terminate()
        _, complaints = stand_in.communicate(timeout=20)
    assert stand_in.returncode == 0, stand_in.returncode
    lines = [json.loads(line) for line in complaints.splitlines() if line.startswith("{")]
    assert lines == [], lines
    print("a home by another hand met the stand-in")


def verify(unit, message, signature):
    assert len(signature) == 64
    der = encode_dss_signature(int.from_bytes(signature[:32], "big"), int.from_bytes(signature[32:], "big"))
    x509.load_der_x509_certificate(unit.dac).public_key().verify(der, message, ec.ECDSA(hashes.SHA256()))


def rude(program, sets):
    """A home that breaks rules is let in or not, and what it did is reported."""
    stand_in, said = start(program, ["--specimen", Path(sets).resolve() / "valid"])
    try:
        passcode, _ = payload(said["qr"])
        home = Home(said["at"])
        home.open(passcode)
        nonce = os.urandom(32)
        home.invoke(0x3E, 0, {0: nonce})
        home.close()
    finally:
        stand_in.terminate()
        _, complaints = stand_in.communicate(timeout=20)
    found = [json.loads(line)["clause"] for line in complaints.splitlines() if line.startswith("{")]
    assert "Core Spec 5.5" in found and "Core Spec 11.10.7.2" in found, complaints
    print("what a home did wrong was reported")


def main():
    program, sets = os.path.abspath(sys.argv[1]), sys.argv[2]
    unit = Unit(sets)
    as_device(program, unit)
    as_home(program, unit, sets)
    rude(program, sets)


if __name__ == "__main__":
    main()
