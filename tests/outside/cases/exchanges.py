"""The attestation exchange (Core Spec 6.2.3, 11.18), as `proof.json`."""

import json

from . import der, tag
from .case import case
from .three import A, D, F, I
from .declarations import PEM_SIGNER, SIGNER, content, signed
from .make import *

NONCE, CHALLENGE = bytes(range(32)), bytes(range(100, 116))
DECLARATION = signed(content())


def elements(declaration=DECLARATION, nonce=NONCE, time=0, firmware=None, vendor=(), order=None):
    rows = [tag.octets(1, declaration), tag.octets(2, nonce), tag.uint(3, time, 4) if isinstance(time, int) else time]
    if firmware is not None:
        rows.append(tag.octets(4, firmware))
    if order:
        rows = [rows[n] for n in order]
    return tag.structure(None, *rows, *vendor)


def proof(body=None, *, nonce=NONCE, challenge=CHALLENGE, key=D.key, signature=None, drop=(), replace=None, **over):
    body = elements() if body is None else body
    record = {"unit": "unit-17", "chip_id": "0123456789ABCDEF01", "nonce": nonce.hex(), "challenge": challenge.hex(),
              "elements": body.hex(), "signature": (signature or key.sign_raw(body + challenge)).hex(), "at": "2026-03-01T12:00:00Z"}
    record.update(over)
    record.update(replace or {})
    return json.dumps({k: v for k, v in record.items() if k not in drop}).encode()


def one(case_name, rejected=(), record=None, with_chain=True, declaration=None, **more):
    files = {"proof.json": record or proof(), "signer.pem": PEM_SIGNER}
    args = ["proof.json"]
    kinds = {"proof.json": "exchange"}
    if with_chain:
        files.update(F)
        args += ["dac.der", "pai.der"]
        kinds.update({"dac.der": "dac", "pai.der": "pai"})
        more.setdefault("trust", ["paa.der"])
    if declaration:
        files["declaration.der"] = declaration
        args.append("declaration.der")
        kinds["declaration.der"] = "declaration"
    case(f"exchange: {case_name}", files, args, rejected=rejected, options=["--signer", "signer.pem", *more.pop("options", [])],
         kinds=more.pop("kinds", kinds), **more)


VENDOR = [tag.octets((0xFFF1, 0, 1), b"hello"), tag.uint((0xFFF1, 0, 2), 7)]
one("plain")
one("with the same declaration beside", declaration=DECLARATION)
one("with another declaration beside", ["exchange.declaration"], declaration=signed(content(version=9)))
one("without a DAC", with_chain=False)
one("timestamp told", record=proof(elements(time=820454400)))
one("firmware information", record=proof(elements(firmware=b"\x15\x18")))
one("empty firmware information", record=proof(elements(firmware=b"")))
one("vendor-specific tags", record=proof(elements(vendor=VENDOR)))
one("firmware and vendor-specific tags", record=proof(elements(firmware=b"x", vendor=VENDOR)))
one("long lengths", record=proof(tag.structure(None, tag.octets(1, DECLARATION, 8), tag.octets(2, NONCE, 4), tag.uint(3, 5, 8))))
one("timestamp in one octet", record=proof(elements(time=tag.uint(3, 5, 1))))
ROOM = 900 - len(elements(vendor=[tag.octets((0xFFF1, 0, 1), b"", 2)]))
one("exactly 900 octets", record=proof(elements(vendor=[tag.octets((0xFFF1, 0, 1), bytes(ROOM), 2)])))
one("901 octets", ["exchange.size"], proof(elements(vendor=[tag.octets((0xFFF1, 0, 1), bytes(ROOM + 1), 2)])))
one("hex in upper case", record=proof(nonce=NONCE) .replace(NONCE.hex().encode(), NONCE.hex().upper().encode(), 1))
one("without unit, chip and time", record=proof(drop=["unit", "chip_id", "at"]))
one("keys of a later release", record=proof(station="line 3"))
one("indented, with BOM-less UTF-8 text", record=json.dumps(json.loads(proof(unit="Térn")), indent=2).encode())
one("as JSON with white space before", record=b"\n\n  " + proof())

one("another nonce", ["exchange.nonce"], proof(nonce=bytes(32)))
one("nonce of 31 octets", ["exchange.nonce|exchange.elements|exchange.size"], proof(elements(nonce=NONCE[:31]), nonce=NONCE[:31]), may=["exchange.elements", "exchange.nonce", "exchange.size"])
one("nonce of 33 octets in the elements", ["exchange.nonce|exchange.elements|exchange.size"], proof(elements(nonce=NONCE + b"!")), may=["exchange.elements", "exchange.nonce", "exchange.size"])
one("challenge of 15 octets", ["exchange.size|exchange.signature|exchange.elements"], proof(challenge=CHALLENGE[:15]), may=["exchange.size", "exchange.signature"], exit=[1, 2])
one("signed by another key", ["exchange.signature"], proof(key=Key("stranger")))
one("another challenge", ["exchange.signature"], proof(signature=D.key.sign_raw(elements() + bytes(16))))
one("challenge left out of the signature", ["exchange.signature"], proof(signature=D.key.sign_raw(elements())))
one("challenge before the elements", ["exchange.signature"], proof(signature=D.key.sign_raw(CHALLENGE + elements())))
one("signature in DER form", ["exchange.signature"], proof(signature=D.key.sign(elements() + CHALLENGE)), may=["exchange.size"])
one("signature of 63 octets", ["exchange.signature"], proof(signature=D.key.sign_raw(elements() + CHALLENGE)[:63]), may=["exchange.size"])
one("signature of zeros", ["exchange.signature"], proof(signature=bytes(64)))
one("s and r exchanged", ["exchange.signature"], proof(signature=(lambda s: s[32:] + s[:32])(D.key.sign_raw(elements() + CHALLENGE))))
for text, body in [
    ("elements in another order", elements(order=[1, 0, 2])), ("no declaration", elements(order=[1, 2])),
    ("no nonce", elements(order=[0, 2])), ("no timestamp", elements(order=[0, 1])),
    ("nonce twice", elements(order=[0, 1, 1, 2])), ("no end of container", elements()[:-1]),
    ("octets after", elements() + b"\0"), ("array in place of the structure", b"\x16" + elements()[1:]),
    ("timestamp of 33 bits", elements(time=tag.uint(3, 1 << 32))), ("timestamp as text", elements(time=tag.text(3, "now"))),
    ("nonce as text", tag.structure(None, tag.octets(1, DECLARATION), tag.text(2, "n" * 32), tag.uint(3, 0))),
    ("declaration as text", tag.structure(None, tag.text(1, "d"), tag.octets(2, NONCE), tag.uint(3, 0))),
    ("vendor tag before the declaration", tag.structure(None, VENDOR[0], *[elements()[1:-1]])),
    ("no TLV at all", b"hello"), ("empty", b""),
]:
    one(text, ["exchange.elements"], proof(body), may=["exchange.nonce", "exchange.declaration", "exchange.size"])
for number in (0, 5, 9, 255):
    one(f"context tag {number} of a later release", record=proof(elements(vendor=[tag.uint(number, 1)])), notes=["exchange.elements"])
one("declaration inside broken", ["declaration.signature"], proof(elements(signed(content(), tamper=flip))), may=["exchange.declaration"])
one("declaration inside for another product", ["declaration.dac-product"], proof(elements(signed(content(products=[0x8009])))), may=["exchange.declaration", "declaration.product-list"])
one("declaration inside by a stranger", ["declaration.signer"], proof(elements(signed(content(), Key("stranger")))), may=["exchange.declaration", "declaration.signature"])
one("no declaration but text inside", ["exchange.declaration|declaration.encoding"], proof(elements(b"hello")), may=["exchange.declaration", "declaration.encoding", "declaration.structure", "declaration.signature", "declaration.elements"])
for key in ("nonce", "challenge", "elements", "signature"):
    one(f"proof without {key}", [], proof(drop=[key]), exit=[1, 2], may=["*"], kinds={})
    one(f"proof with {key} not hex", [], proof(replace={key: "xyz"}), exit=[1, 2], may=["*"], kinds={})
    one(f"proof with {key} of odd length", [], proof(replace={key: "abc"}), exit=[1, 2], may=["*"], kinds={})
    one(f"proof with {key} a number", [], proof(replace={key: 7}), exit=[1, 2], may=["*"], kinds={})
case("exchange: other JSON", {"x.json": b'{"hello": [1, 2, 3]}'}, exit=[2])
case("exchange: JSON cut short", {"x.json": proof()[:200]}, exit=[2])
case("exchange: JSON nested deep", {"x.json": b"[" * 100000}, exit=[2])
case("exchange: as exchange, and is text", {"x.json": b"hello"}, as_="exchange", exit=[1, 2], rejected=[], may=["*"])
case("exchange: a unit's folder", {f"unit-17/{n}": c for n, c in {**F, "declaration.der": DECLARATION, "proof.json": proof()}.items()} | {"paa.der": A.der, "signer.pem": PEM_SIGNER},
     ["unit-17"], trust=["paa.der"], options=["--signer", "signer.pem"], anchored=True)
TWO = Cert("dac", I, key=Key("second"), subject=name("Tern Vent 2", "FFF1", "8001"))
case("exchange: two DACs, one of them its own", {**F, "two.der": TWO.der, "proof.json": proof(), "signer.pem": PEM_SIGNER},
     ["two.der", "dac.der", "pai.der", "proof.json"], trust=["paa.der"], options=["--signer", "signer.pem"])
case("exchange: two DACs, neither its own", {**F, "two.der": TWO.der, "proof.json": proof(key=Key("third")), "signer.pem": PEM_SIGNER},
     ["two.der", "dac.der", "pai.der", "proof.json"], trust=["paa.der"], options=["--signer", "signer.pem"], rejected=["exchange.signature"])
case("exchange: two units' folders", {f"{u}/{n}": c for u, d, k in (("a", D, D.key), ("b", TWO, TWO.key)) for n, c in
     {"dac.der": d.der, "pai.der": I.der, "declaration.der": DECLARATION, "proof.json": proof(key=k)}.items()} | {"paa.der": A.der, "signer.pem": PEM_SIGNER},
     ["a", "b"], trust=["paa.der"], options=["--signer", "signer.pem"], anchored=True)
case("exchange: nonce equal, DAC wrong in key usage too", {**F, "dac.der": Cert("dac", I, usage=usage(0, 1)).der, "proof.json": proof(nonce=bytes(32)), "signer.pem": PEM_SIGNER},
     ["dac.der", "pai.der", "proof.json"], trust=["paa.der"], options=["--signer", "signer.pem"], rejected=["exchange.nonce", "dac.key-usage"])
