"""What nobody should send: never accepted, never a panic, one clear error each."""

import functools
import hashlib

from . import der, tag
from .case import case
from .three import A, D, F, I, three
from .declarations import PEM_SIGNER, content, signed
from .exchanges import one as exchange, proof
from .lists import KEY, SUBJECT, by_pai
from .make import *


def refused(case_name, content, exit=(2,), file="x.bin", **more):
    case(f"hostile: {case_name}", {file: content}, exit=list(exit), may=["*"], **more)


def noise(n, seed="noise"):
    out = b""
    while len(out) < n:
        out += hashlib.sha256(f"{seed}{len(out)}".encode()).digest()
    return out[:n]


refused("empty", b"")
refused("one octet", b"\x30")
refused("text", b"This is no certificate.\n")
refused("white space", b" \n\t\n")
refused("zeros", bytes(4096))
for n in (1, 2, 3, 10, 100, 1000, 100000):
    refused(f"random, {n} octets", noise(n))
refused("random after 30 82", b"\x30\x82\x02\x00" + noise(512))
KINDS = {"certificate": (D.der, "dac"), "request": (request(SUBJECT, KEY), "request"), "list": (by_pai(), "revocation-list"),
         "declaration": (signed(content()), "declaration"), "exchange": (proof(), "exchange")}
for kind, (whole, told) in KINDS.items():
    for part in (1, 4, len(whole) // 7, len(whole) // 3, len(whole) // 2, len(whole) - 70, len(whole) - 10, len(whole) - 1):
        refused(f"{kind} cut at {part}", whole[:part], exit=(1, 2))
        refused(f"{kind} cut at {part}, told what it is", whole[:part], exit=(1, 2), as_=told)
    refused(f"text as {kind}", b"hello\n", exit=(1, 2), as_=told)
    refused(f"random as {kind}", noise(300), exit=(1, 2), as_=told)
    refused(f"empty as {kind}", b"", exit=(1, 2), as_=told)
refused("SEQUENCE 10,000 deep", functools.reduce(lambda c, _: der.seq(c), range(10000), b""))
refused("indefinite 100,000 deep", b"\x30\x80" * 100000)
refused("SEQUENCE of 4 GiB told", b"\x30\x84\xff\xff\xff\xff" + noise(100))
refused("SEQUENCE of 2^64 told", b"\x30\x88" + b"\xff" * 8 + noise(100))
refused("length of 127 octets", b"\x30\xff" + b"\xff" * 200)
refused("length octets reserved", b"\x30\xff")
refused("TLV 10,000 deep in a declaration", signed(b"\x15" * 10000), exit=(1, 2))
refused("TLV 100,000 deep in a declaration", signed(tag.structure(None, tag.control(0x16, 2) + b"\x16" * 50000 + b"\x18" * 50001)), exit=(1, 2))
refused("a million products", signed(content(products=tag.array(2, *[b"\x05\x01\x80"] * 200000))), exit=(1, 2))
refused("string of 2^64 in a declaration", signed(content(certificate_id=tag.control(0x0F, 4) + b"\xff" * 8)), exit=(1, 2))
exchange("TLV 5,000 deep", ["exchange.elements"], proof(b"\x15" * 5000), may=["*"], kinds=None)
refused("name of 10,000 RDNs", Cert("dac", subject=seq(*[rdn(CN, "a")] * 10000)).der, exit=(1, 2))
refused("10,000 extensions", Cert("dac", more=[extension(f"1.3.6.1.4.1.99999.{n}", NULL) for n in range(10000)]).der, exit=(1, 2))
refused("object identifier without an end", Cert("dac", more=[seq(der.tlv(6, b"\x80" * 40), octets(NULL))]).der, exit=(1, 2))
refused("object identifier with a huge arc", Cert("dac", more=[seq(der.tlv(6, b"\x2b" + b"\xff" * 30 + b"\x7f"), octets(NULL))]).der, exit=(0, 1, 2))
refused("key in place of a certificate", Key("leaked").private_pem(), file="key.pem")
for text, pem in [
    ("no end line", der.pem("CERTIFICATE", D.der).rsplit(b"-----END", 1)[0]),
    ("another end label", der.pem("CERTIFICATE", D.der).replace(b"END CERTIFICATE", b"END X509 CRL")),
    ("letters that are no base64", der.pem("CERTIFICATE", D.der).replace(b"\nMII", b"\n!!!", 1).replace(b"M", b"*")),
    ("base64 cut short", der.pem("CERTIFICATE", D.der[:-7])),
    ("empty body", b"-----BEGIN CERTIFICATE-----\n-----END CERTIFICATE-----\n"),
    ("unknown label", der.pem("TERN VENT", D.der)),
    ("begin lines only", b"-----BEGIN CERTIFICATE-----\n" * 1000),
    ("a list under a certificate's label", der.pem("CERTIFICATE", by_pai())),
    ("a certificate under a list's label", der.pem("X509 CRL", D.der)),
]:
    refused(f"PEM with {text}", pem, exit=(0, 1, 2) if "label" in text and "end" not in text else (1, 2), file="x.pem")
case("hostile: one unreadable file among good ones", {**F, "noise.bin": noise(400)}, [*F, "noise.bin"], trust=["paa.der"], exit=[1, 2], may=["*"])
case("hostile: a text file among good ones", {**F, "notes.txt": b"hello\n"}, [*F, "notes.txt"], trust=["paa.der"], exit=[1, 2], may=["*"])

ESCAPE = "Tern\x1b]0;owned\x07\x1b[2J\r\nverdict: accepted\u202e\u2066\x9b31m"
three("hostile: terminal escapes in a name", dac=dict(subject=name(ESCAPE, "FFF1", "8001"), usage=usage(0, 1)), rejected=["dac.key-usage"], may=["dac.subject"])
three("hostile: terminal escapes in an issuer that differs", ["chain.issuer-name"], dac=dict(issuer=name(ESCAPE, "FFF1")), may=["*"])
three("hostile: terminal escapes in a VID", ["dac.vendor-id"], dac=dict(subject=name("V", "\x1b[2J", "8001")), may=["chain.vendor-id"])
three("hostile: NUL in a name", dac=dict(subject=name("Tern\0Vent", "FFF1", "8001")), exit=[0, 1], may=["dac.subject", "dac.encoding"])
three("hostile: name not UTF-8", dac=dict(subject=seq(set_(seq(oid(CN), der.tlv(0x0C, b"\xff\xfe"))), rdn(VID, "FFF1"), rdn(PID, "8001"))),
      rejected=["dac.subject|dac.encoding"], may=["dac.encoding", "dac.subject", "chain.complete", "chain.anchor"], kinds=None)
case("hostile: terminal escapes in a proof's unit", {"proof.json": proof(unit=ESCAPE, nonce=bytes(32)), "signer.pem": PEM_SIGNER, **F}, ["proof.json", "dac.der", "pai.der"], trust=["paa.der"], options=["--signer", "signer.pem"], rejected=["exchange.nonce"])
case("hostile: terminal escapes in a certificate id", {"d.der": signed(content(certificate_id="ZIG\x1b[31m1ZB330001-\x07" + "4" * 2)), "signer.pem": PEM_SIGNER}, ["d.der"], options=["--signer", "signer.pem"], exit=[0, 1], may=["declaration.certificate-id"])

refused("base 64 without lines around", der.pem("CERTIFICATE", D.der).split(b"\n", 1)[1].rsplit(b"-----END", 1)[0])
refused("PEM in UTF-16", der.pem("CERTIFICATE", D.der).decode().encode("utf-16"))
refused("a certificate behind a line end", b"\n" + D.der)
refused("PKCS #12", seq(integer(3), seq(oid("1.2.840.113549.1.7.1"), context(0, octets(noise(200))))))
refused("CMS of another type", seq(oid("1.2.840.113549.1.7.3"), context(0, seq(integer(0)))))
refused("96 MiB of zeros", bytes(97 << 20))
refused("64 MiB of SEQUENCE", b"\x30\x84\x04\x00\x00\x00" + b"\x30\x80" * (32 << 20))
refused("a million lines that begin", b"-----BEGIN CERTIFICATE-----\n" * 300000, file="x.pem")
refused("a million empty blocks", b"-----BEGIN CERTIFICATE-----\n-----END CERTIFICATE-----\n" * 100000, file="x.pem")
refused("indefinite lengths in one another, closed", functools.reduce(lambda c, _: der.indefinite(0x30, c), range(5000), b""))
