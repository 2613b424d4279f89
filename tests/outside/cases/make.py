"""Keys, names, certificates, requests and lists, octet by octet.

Keys come from `cryptography` (OpenSSL); everything around them is written here, so no
structure passes through a library that would refuse to write it wrongly. Keys and signatures
are deterministic (RFC 6979), so a corpus is the same on every run.
"""

import hashlib

from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives.asymmetric.utils import decode_dss_signature

from .der import (NULL, bits, bmp, boolean, context, integer, octets, oid, printable, seq, set_,
                  time, tlv, utf8)

EC_KEY, P256, P384 = oid("1.2.840.10045.2.1"), oid("1.2.840.10045.3.1.7"), oid("1.3.132.0.34")
ECDSA_SHA256 = seq(oid("1.2.840.10045.4.3.2"))
ECDSA_SHA384 = seq(oid("1.2.840.10045.4.3.3"))
VID, PID = "1.3.6.1.4.1.37244.2.1", "1.3.6.1.4.1.37244.2.2"
CN, O, OU, C = "2.5.4.3", "2.5.4.10", "2.5.4.11", "2.5.4.6"
SKI, AKI, BC, KU = "2.5.29.14", "2.5.29.35", "2.5.29.19", "2.5.29.15"
EKU, SAN, POLICIES, CRLDP = "2.5.29.37", "2.5.29.17", "2.5.29.32", "2.5.29.31"
AIA, NAME_CONSTRAINTS, CRL_NUMBER = "1.3.6.1.5.5.7.1.1", "2.5.29.30", "2.5.29.20"
REASON = "2.5.29.21"
FOREVER = "99991231235959Z"


class Key:
    """A P-256 key (or another curve) that its name determines."""

    def __init__(self, name, curve=None):
        self.curve = curve or ec.SECP256R1()
        scalar = int.from_bytes(hashlib.sha256(name.encode()).digest(), "big")
        self.private = ec.derive_private_key(scalar >> 1, self.curve)

    def point(self, compressed=False):
        form = serialization.PublicFormat
        return self.private.public_key().public_bytes(
            serialization.Encoding.X962,
            form.CompressedPoint if compressed else form.UncompressedPoint)

    def spki(self, point=None, algorithm=None):
        curve = P256 if isinstance(self.curve, ec.SECP256R1) else P384
        return seq(algorithm or seq(EC_KEY, curve), bits(point or self.point()))

    def ski(self):
        """RFC 5280 4.2.1.2 method 1."""
        return hashlib.sha1(self.point()).digest()

    def sign(self, data, digest=None):
        return self.private.sign(
            data, ec.ECDSA(digest or hashes.SHA256(), deterministic_signing=True))

    def sign_raw(self, data):
        r, s = decode_dss_signature(self.sign(data))
        return r.to_bytes(32, "big") + s.to_bytes(32, "big")

    def private_pem(self):
        return self.private.private_bytes(
            serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8,
            serialization.NoEncryption())


def attribute(kind, value, string=utf8):
    return seq(oid(kind), string(value))


def rdn(kind, value, string=utf8):
    return set_(attribute(kind, value, string))


def name(cn=None, vid=None, pid=None, string=utf8, more=()):
    parts = [rdn(k, v, string) for k, v in ((CN, cn), (VID, vid), (PID, pid)) if v is not None]
    return seq(*parts, *more)


def extension(kind, value, critical=False):
    return seq(oid(kind), *([boolean(True)] if critical else []), octets(value))


def basic(ca, path=None, critical=True):
    return extension(BC, seq(*([boolean(True)] if ca else []),
                             *([integer(path)] if path is not None else [])), critical)


def usage(*numbers, critical=True):
    """keyUsage by bit number, as a DER named bit list (X.690 11.2.2)."""
    value = bytearray(2 if numbers and max(numbers) > 7 else 1)
    for n in numbers:
        value[n // 8] |= 0x80 >> n % 8
    return extension(KU, bits(bytes(value), 7 - max(numbers) % 8 if numbers else 0), critical)


def ski(value, critical=False):
    return extension(SKI, octets(value), critical)


def aki(value, critical=False, more=b""):
    return extension(AKI, seq(context(0, value, constructed=False), more), critical)


class Cert:
    """One certificate, from what stands in it; any part replaced by octets of the caller's."""

    DEFAULTS = dict(
        version=context(0, integer(2)), serial=None, inner=ECDSA_SHA256, outer=None, issuer=None,
        before="20220101", after=FOREVER, validity=None, subject=None, key=None, spki=None,
        basic=None, usage=None, ski=None, aki=None, more=(), extensions=None, unique=b"",
        signer=None, digest=None, tamper=None, wrap=None, tbs_wrap=None, ski_value=None,
        drop=(), signature=None)

    def __init__(self, role, parent=None, **over):
        unknown = set(over) - set(self.DEFAULTS)
        assert not unknown, unknown
        f = {**self.DEFAULTS, **ROLES[role], **over}
        self.role, self.parent = role, parent
        self.key = f["key"] or Key(f"{role} key")
        self.ski_value = f["ski_value"] or self.key.ski()
        self.subject = f["subject"]
        above = parent or self
        self.issuer = f["issuer"] or above.subject
        self.serial = f["serial"] or integer(int.from_bytes(
            hashlib.sha256(f"{role}{self.subject}{self.ski_value}".encode()).digest()[:8], "big") >> 1)
        signer = f["signer"] or above.key
        extensions = f["extensions"]
        if extensions is None:
            parts = dict(basic=f["basic"], usage=f["usage"],
                         ski=f["ski"] or ski(self.ski_value), aki=f["aki"] or aki(above.ski_value))
            extensions = [v for k, v in parts.items() if k not in f["drop"]] + list(f["more"])
        validity = f["validity"] or seq(time(f["before"]), time(f["after"]))
        tbs = [f["version"], self.serial, f["inner"], self.issuer, validity, self.subject,
               f["spki"] or self.key.spki(), f["unique"],
               context(3, seq(*extensions)) if extensions else b""]
        self.tbs = (f["tbs_wrap"] or (lambda *c: seq(*c)))(*tbs)
        signature = f["signature"] or signer.sign(self.tbs, f["digest"])
        if f["tamper"]:
            signature = f["tamper"](signature)
        outer = f["outer"] or f["inner"]
        self.der = (f["wrap"] or seq)(self.tbs, outer, bits(signature))

    def serial_hex(self):
        return self.serial[2:].hex()


ROLES = {
    "paa": dict(subject=name("Quarry Lane Test PAA", "FFF1"), before="20210101",
                basic=basic(True, 1), usage=usage(5, 6)),
    "pai": dict(subject=name("Tern & Hollow Test PAI", "FFF1"), before="20220101",
                basic=basic(True, 0), usage=usage(5, 6)),
    "dac": dict(subject=name("Tern Vent 0001", "FFF1", "8001"), before="20250601",
                basic=basic(False), usage=usage(0)),
}


def chain(dac=None, pai=None, paa=None):
    """PAA, PAI and DAC, each with its overrides; what is below follows what is above."""
    a = Cert("paa", **(paa or {}))
    i = Cert("pai", a, **(pai or {}))
    d = Cert("dac", i, **(dac or {}))
    return a, i, d


def request(subject, key, spki=None, attributes=context(0), algorithm=ECDSA_SHA256, tamper=None,
            version=0, wrap=seq, signer=None, digest=None):
    """RFC 2986."""
    info = seq(integer(version), subject, spki or key.spki(), attributes)
    signature = (signer or key).sign(info, digest)
    return wrap(info, algorithm, bits(tamper(signature) if tamper else signature))


def revocation_list(issuer, key, entries=(), number=1, authority=None, this="20260101",
                    next_="99991231235959Z", version=integer(1), algorithm=ECDSA_SHA256, more=(),
                    tamper=None, drop=(), wrap=seq):
    """RFC 5280 5. `entries`: (serial INTEGER, date, reason or None)."""
    rows = [seq(serial, time(date), *([seq(extension(REASON, tlv(0x0A, bytes([reason]))))]
                                      if reason is not None else []))
            for serial, date, reason in entries]
    parts = dict(aki=aki(authority or key.ski()), number=extension(CRL_NUMBER, integer(number)))
    extensions = [v for k, v in parts.items() if k not in drop] + list(more)
    tbs = seq(version, algorithm, issuer, time(this), time(next_) if next_ else b"",
              seq(*rows) if rows else b"",
              context(0, seq(*extensions)) if extensions and version else b"")
    signature = key.sign(tbs)
    return wrap(tbs, algorithm, bits(tamper(signature) if tamper else signature))


def pkcs7(certificates, wrap=seq, lists=()):
    """SignedData that only carries certificates (RFC 5652 5.1, degenerate)."""
    data = wrap(integer(1), set_(), wrap(oid("1.2.840.113549.1.7.1")),
                context(0, *certificates), *([context(1, *lists)] if lists else []), set_())
    return wrap(oid("1.2.840.113549.1.7.2"),
                tlv(0xA0, data) if wrap is seq else b"\xa0\x80" + data + b"\0\0")


def flip(signature):
    """Another valid ECDSA-Sig-Value that is wrong."""
    return signature[:-1] + bytes([signature[-1] ^ 1])


__all__ = [n for n in dir() if not n.startswith("_")]
