"""Certification declarations (Core Spec 6.3; RFC 5652)."""

import hashlib

from . import der, tag
from .case import case
from .three import A, D, F, I
from .make import *

SIGNER = Key("declaration signer")
ID_DATA, SHA256 = oid("1.2.840.113549.1.7.1"), oid("2.16.840.1.101.3.4.2.1")
SIGNED_DATA = oid("1.2.840.113549.1.7.2")
PEM_SIGNER = der.pem("PUBLIC KEY", SIGNER.spki())


def fields(**over):
    """The elements by number; a value of None leaves one out, octets stand as they are."""
    f = dict(format_version=1, vendor_id=0xFFF1, products=[0x8001], device_type=0x1234,
             certificate_id="ZIG20141ZB330001-24", security_level=0, security_information=0,
             version=0x2694, certification_type=0, origin_vendor=None, origin_product=None, authorities=None)
    f.update(over)
    uint, text = tag.uint, tag.text
    raw = lambda v: isinstance(v, bytes)
    rows = {}
    for n, key in enumerate(f):
        v = f[key]
        if v is None:
            continue
        if raw(v):
            rows[n] = v
        elif key == "products":
            rows[n] = tag.array(n, *(uint(None, p, 2) for p in v))
        elif key == "authorities":
            rows[n] = tag.array(n, *(tag.octets(None, a) for a in v))
        elif key == "certificate_id":
            rows[n] = text(n, v)
        else:
            rows[n] = uint(n, v, {"vendor_id": 2, "origin_vendor": 2, "origin_product": 2}.get(key))
    return rows


def content(order=None, extra=(), **over):
    rows = fields(**over)
    order = order or sorted(rows)
    return tag.structure(None, *(rows[n] for n in order), *extra)


def signed(body, key=SIGNER, *, version=3, digests=None, kind=ID_DATA, certificates=b"", sid=None, info_version=3,
           digest=seq(SHA256), algorithm=ECDSA_SHA256, attributes=b"", unsigned=b"", tamper=None, infos=None, wrap=seq,
           encapsulated=None, signature=None, lists=b""):
    signature = signature or key.sign(body)
    info = seq(integer(info_version), sid or context(0, key.ski(), constructed=False), digest, attributes, algorithm,
               octets(tamper(signature) if tamper else signature), unsigned)
    inner = encapsulated or context(0, octets(body))
    data = wrap(integer(version), digests if digests is not None else set_(digest), seq(kind, inner), certificates, lists,
                set_(*(infos if infos is not None else [info])))
    return seq(SIGNED_DATA, context(0, data))


def one(case_name, rejected=(), body=None, chain=False, signer=True, cms=None, **more):
    """A declaration, its signer trusted; with `chain`, beside the chain it is for."""
    f = {"declaration.der": cms or signed(body or content()), "signer.pem": PEM_SIGNER}
    args = ["declaration.der"]
    if chain:
        f.update(F)
        args += ["dac.der", "pai.der"]
        more.setdefault("trust", ["paa.der"])
    more.setdefault("kinds", {"declaration.der": "declaration", **({"dac.der": "dac", "pai.der": "pai"} if chain else {})})
    case(f"declaration: {case_name}", f, args, rejected=rejected,
         options=[*(["--signer", "signer.pem"] if signer else []), *more.pop("options", [])], **more)


WORKED = bytes.fromhex("152400012501f1ff360205008018250334122c04135a494732303134315a423333303030312d3234"
                       "24050024060025079426240800" "18")
assert content(products=[0x8000]) == WORKED, content(products=[0x8000]).hex()
PIDS = list(range(0x8001, 0x8001 + 100))

# ── allowed ──────────────────────────────────────────────────────────────────────────────────
one("plain", quiet=True, values={"declaration.der": {"vendor_id": "FFF1"}})
one("the worked content of the appendix", body=WORKED, quiet=True, clause="STANDARD 5, worked content")
one("with its chain", chain=True, quiet=True)
one("no signer given", signer=False, warn=["declaration.signer"])
one("100 products", body=content(products=PIDS), chain=True, quiet=True)
one("ten authorities", body=content(authorities=[bytes([n]) * 20 for n in range(9)] + [A.ski_value]), chain=True, quiet=True)
one("one authority", body=content(authorities=[A.ski_value]), chain=True, quiet=True)
one("origin", body=content(vendor_id=0xFFF2, products=[0x9001], origin_vendor=0xFFF1, origin_product=0x8001), chain=True,
    options=["--vendor", "FFF2", "--product", "9001"], quiet=True)
one("origin, device not told", body=content(vendor_id=0xFFF2, products=[0x9001], origin_vendor=0xFFF1, origin_product=0x8001), chain=True)
for kind in (0, 1, 2):
    one(f"certification type {kind}", body=content(certification_type=kind))
# An official declaration for what is for testing is taken, and said to be odd (from memory of the Core Specification).
one("official for a test vendor", body=content(certification_type=2), chain=True, warn=["declaration.certification-type"])
one("official for a test origin", body=content(vendor_id=0x5A10, products=[0x9001], origin_vendor=0xFFF1, origin_product=0x8001, certification_type=2),
    warn=["declaration.certification-type"])
one("certificate id of 18 characters in 19 octets", body=content(certificate_id="ZIG20141ZB3300\u00e9-24"), chain=True, quiet=True)
one("integers longer than needed", body=content(
    format_version=tag.uint(0, 1, 2), vendor_id=tag.uint(1, 0xFFF1, 4), device_type=tag.uint(3, 0x1234, 8),
    products=tag.array(2, tag.uint(None, 0x8001, 8)), security_level=tag.uint(5, 0, 4), version=tag.uint(7, 0x2694, 4)), chain=True)
one("string length in eight octets", body=content(certificate_id=tag.text(4, "ZIG20141ZB330001-24", 8)), chain=True)
one("product in one octet", body=content(products=tag.array(2, tag.uint(None, 0x80))))
one("device type of 32 bits", body=content(device_type=0xFFFFFFFF))
one("version number 0", body=content(version=0))
one("version number FFFF", body=content(version=0xFFFF))
one("in PEM", cms=der.pem("CMS", signed(content())), quiet=True)
one("in PEM labelled PKCS7", cms=der.pem("PKCS7", signed(content())), quiet=True)
one("security level 1", body=content(security_level=1), warn=["declaration.security"])
one("security information 7", body=content(security_information=7), warn=["declaration.security"])
SIGNER_CERT = Cert("paa", key=SIGNER, subject=name("Quarry Lane Test declaration signer"), basic=basic(False), usage=usage(0))
case("declaration: signer as a certificate", {"d.der": signed(content()), "s.der": SIGNER_CERT.der}, ["d.der"], options=["--signer", "s.der"], quiet=True, kinds={"d.der": "declaration"})
case("declaration: signer as a certificate in PEM", {"d.der": signed(content()), "s.pem": der.pem("CERTIFICATE", SIGNER_CERT.der)}, ["d.der"], options=["--signer", "s.pem"], quiet=True)
case("declaration: signer as a public key in DER", {"d.der": signed(content()), "s.der": SIGNER.spki()}, ["d.der"], options=["--signer", "s.der"], quiet=True)
case("declaration: two signers given", {"d.der": signed(content()), "s.der": SIGNER.spki(), "t.der": Key("t").spki()}, ["d.der"], options=["--signer", "t.der", "--signer", "s.der"], quiet=True)
case("declaration: signer whose identifier is not SHA-1", {"d.der": signed(content(), sid=context(0, bytes(range(20)), constructed=False)),
     "s.der": Cert("paa", key=SIGNER, subject=name("Signer"), ski_value=bytes(range(20)), basic=basic(False), usage=usage(0)).der}, ["d.der"], options=["--signer", "s.der"], quiet=True)
case("declaration: signer's certificate as a file", {"s.der": SIGNER_CERT.der}, as_="declaration-signer", kinds={"s.der": "declaration-signer"}, exit=[0])

# ── against the device ───────────────────────────────────────────────────────────────────────
one("DAC vendor another", ["declaration.dac-vendor"], content(vendor_id=0xFFF2), chain=True, may=["declaration.vendor-id"])
one("DAC product not listed", ["declaration.dac-product"], content(products=[0x8002, 0x8003]), chain=True, may=["declaration.product-list"])
one("origin vendor another", ["declaration.dac-vendor"], content(origin_vendor=0xFFF2, origin_product=0x8001), chain=True)
one("origin product another", ["declaration.dac-product"], content(origin_vendor=0xFFF1, origin_product=0x8002), chain=True)
one("origin: DAC carries the declaration's own instead", ["declaration.dac-vendor", "declaration.dac-product"],
    content(origin_vendor=0xFFF2, origin_product=0x9000), chain=True)
one("PAA not on the list", ["declaration.authority"], content(authorities=[bytes(20)]), chain=True)
one("device says another vendor", ["declaration.vendor-id"], content(), options=["--vendor", "FFF2", "--product", "8001"])
one("device says another product", ["declaration.product-list"], content(), options=["--vendor", "FFF1", "--product", "8002"])
one("device says what is declared", [], content(), options=["--vendor", "0xFFF1", "--product", "8001"], quiet=True)
one("origin and the device's own identifiers", ["declaration.vendor-id", "declaration.product-list"],
    content(vendor_id=0xFFF2, products=[0x9001], origin_vendor=0xFFF1, origin_product=0x8001), chain=True,
    options=["--vendor", "FFF1", "--product", "8001"])

# ── content ──────────────────────────────────────────────────────────────────────────────────
ELEMENTS = [
    ("format version 0", "format-version", dict(format_version=0)), ("format version 2", "format-version", dict(format_version=2)),
    ("vendor 0000", "vendor-id", dict(vendor_id=0)), ("vendor FFF5", "vendor-id", dict(vendor_id=0xFFF5)),
    ("vendor FFFF", "vendor-id", dict(vendor_id=0xFFFF)),
    ("no products", "product-list", dict(products=[])), ("101 products", "product-list", dict(products=PIDS + [1])),
    ("product 0000", "product-list", dict(products=[0x8001, 0])),
    ("product of 17 bits", "product-list|declaration.elements", dict(products=tag.array(2, tag.uint(None, 0x18001)))),
    ("certificate id of 18", "certificate-id", dict(certificate_id="ZIG20141ZB33000-24")),
    ("certificate id of 20", "certificate-id", dict(certificate_id="ZIG20141ZB3300011-24")),
    ("certificate id of 19 characters in 20 octets", "certificate-id", dict(certificate_id="ZIG20141ZB33000\u00e9-24")),
    ("certificate id with a control character", "certificate-id", dict(certificate_id="ZIG20141ZB330001\n24")),
    ("certificate id empty", "certificate-id", dict(certificate_id="")),
    ("certificate id not UTF-8", "certificate-id|declaration.elements", dict(certificate_id=tag.text(4, b"\xff" * 19))),
    ("certification type 3", "certification-type", dict(certification_type=3)),
    ("certification type 255", "certification-type", dict(certification_type=255)),
    ("origin vendor alone", "origin", dict(origin_vendor=0xFFF1)), ("origin product alone", "origin", dict(origin_product=0x8001)),
    ("origin vendor 0000", "origin", dict(origin_vendor=0, origin_product=0x8001)),
    ("origin product 0000", "origin", dict(origin_vendor=0xFFF1, origin_product=0)),
    ("empty authority list", "authority-list", dict(authorities=[])),
    ("eleven authorities", "authority-list", dict(authorities=[bytes([n]) * 20 for n in range(11)])),
    ("authority of 19 octets", "authority-list", dict(authorities=[bytes(19)])),
    ("authority of 21 octets", "authority-list", dict(authorities=[bytes(20), bytes(21)])),
    ("vendor of 17 bits", "vendor-id|declaration.elements", dict(vendor_id=tag.uint(1, 0x1FFF1))),
    ("device type of 33 bits", "device-type|declaration.elements", dict(device_type=tag.uint(3, 1 << 32))),
    ("device type as text", "device-type|declaration.elements", dict(device_type=tag.text(3, "vent"))),
    ("vendor as text", "vendor-id|declaration.elements", dict(vendor_id=tag.text(1, "FFF1"))),
    ("vendor signed", "vendor-id|declaration.elements", dict(vendor_id=tag.sint(1, -15, 2))),
    ("certificate id as octets", "certificate-id|declaration.elements", dict(certificate_id=tag.octets(4, b"ZIG20141ZB330001-24"))),
    ("products in a list", "product-list|declaration.elements", dict(products=tag.list_(2, tag.uint(None, 0x8001)))),
    ("products with tags", "product-list|declaration.elements", dict(products=tag.array(2, tag.uint(0, 0x8001)))),
    ("version of 17 bits", "elements", dict(version=tag.uint(7, 0x10000))),
    ("version negative", "elements", dict(version=tag.sint(7, -1))),
    ("security level 256", "security|declaration.elements", dict(security_level=tag.uint(5, 256))),
    ("security information of 17 bits", "security|declaration.elements", dict(security_information=tag.uint(6, 0x10000))),
    ("security level null", "security|declaration.elements", dict(security_level=tag.null(5))),
    *[(f"without {key}", f"elements|declaration.{rule}", {key: None}) for key, rule in [
        ("format_version", "format-version"), ("vendor_id", "vendor-id"), ("products", "product-list"), ("device_type", "device-type"),
        ("certificate_id", "certificate-id"), ("security_level", "security"), ("security_information", "security"),
        ("version", "elements"), ("certification_type", "certification-type")]],
]
for text, rule, over in ELEMENTS:
    # What is no TLV at all is `encoding`; what is TLV of another shape is `elements`.
    one(text, [f"declaration.{rule}" + ("|declaration.encoding" if "elements" in rule else "")], content(**over), may=["declaration.elements"])
ROWS = fields()
for text, body in [
    ("elements in another order", content(order=[1, 0, 2, 3, 4, 5, 6, 7, 8])),
    ("last two elements exchanged", content(order=[0, 1, 2, 3, 4, 5, 6, 8, 7])),
    ("an element twice", content(order=[0, 1, 1, 2, 3, 4, 5, 6, 7, 8])),
    ("list in place of the structure", b"\x17" + content()[1:]),
    ("array in place of the structure", b"\x16" + content()[1:]),
    ("outer structure with a tag", b"\x35\x01" + content()[1:]),
    ("no end of container", content()[:-1]),
    ("octets after the structure", content() + b"\0"),
    ("a second structure", content() * 2),
    ("empty structure", tag.structure(None)),
    ("no TLV at all", b"declaration"),
    ("reserved element type", content()[:-1] + b"\x39\x0c\x18"),
    ("anonymous member", content()[:-1] + b"\x04\x00\x18"),
    ("empty content", b""),
    ("length beyond the end", content(certificate_id=tag.control(0x0F, 4) + b"\xff" * 8)),
    ("length one beyond the end", content()[:-1] + b"\x30\x0c\x02\x00\x18"),
]:
    one(text, ["declaration.elements|declaration.encoding"], may=["*"], cms=signed(body))
one("an element of a later release", [], content(extra=[tag.uint(12, 5)]), exit=[0, 1], may=["declaration.elements"])

# ── CMS ──────────────────────────────────────────────────────────────────────────────────────
BODY = content()
ATTRIBUTES = context(0, seq(oid("1.2.840.113549.1.9.3"), set_(ID_DATA)),
                     seq(oid("1.2.840.113549.1.9.4"), set_(octets(hashlib.sha256(BODY).digest()))))
INFO = seq(integer(3), context(0, SIGNER.ski(), constructed=False), seq(SHA256), ECDSA_SHA256, octets(SIGNER.sign(BODY)))
STRUCTURE = [
    ("SignedData version 1", dict(version=1)), ("SignedData version 4", dict(version=4)),
    ("digestAlgorithms SHA-384", dict(digests=set_(seq(oid("2.16.840.1.101.3.4.2.2"))))),
    ("digestAlgorithms empty", dict(digests=set_())),
    ("digestAlgorithms two", dict(digests=set_(seq(SHA256), seq(oid("2.16.840.1.101.3.4.2.2"))))),
    ("eContentType not id-data", dict(kind=oid("1.2.840.113549.1.9.16.1.4"))),
    ("certificates inside", dict(certificates=context(0, SIGNER_CERT.der))),
    ("no SignerInfo", dict(infos=[])), ("two SignerInfos", dict(infos=[INFO, INFO])),
    ("SignerInfo version 1", dict(info_version=1)),
    ("signer by issuer and serial", dict(sid=seq(SIGNER_CERT.subject, integer(1)), info_version=1)),
    ("signer identifier of 19 octets", dict(sid=context(0, bytes(19), constructed=False))),
    ("SHA-384 digest", dict(digest=seq(oid("2.16.840.1.101.3.4.2.2")))),
    ("signature algorithm SHA-384", dict(algorithm=ECDSA_SHA384)),
    ("signed attributes", dict(attributes=ATTRIBUTES)),
    ("unsigned attributes", dict(unsigned=context(1, seq(oid("1.2.840.113549.1.9.6"), set_(NULL))))),
    ("no content", dict(encapsulated=b"\xa0\x00")),
    ("a revocation list inside", dict(lists=context(1, revocation_list(ROLES["paa"]["subject"], Key("paa key"))))),
]
for text, over in STRUCTURE:
    rules = {"signer identifier of 19 octets": "declaration.structure|declaration.signer"}
    one(text, [rules.get(text, "declaration.structure")], may=["declaration.signature", "declaration.signer", "declaration.encoding", "declaration.elements"],
        cms=signed(BODY, **over), kinds=None)
one("ecPublicKey as signature algorithm", ["declaration.structure"], cms=signed(BODY, algorithm=seq(EC_KEY)), may=["declaration.signature"])
one("signature of another content", ["declaration.signature"], cms=signed(BODY, signature=SIGNER.sign(b"x" + BODY)))
one("signature broken", ["declaration.signature"], cms=signed(BODY, tamper=flip))
one("signature as r and s raw", ["declaration.signature"], cms=signed(BODY, signature=SIGNER.sign_raw(BODY)), may=["declaration.structure", "declaration.encoding"])
one("signature empty", ["declaration.signature"], cms=signed(BODY, tamper=lambda s: b""), may=["declaration.structure", "declaration.encoding"])
one("signed by a stranger", ["declaration.signer"], cms=signed(BODY, Key("stranger")), may=["declaration.signature"])
one("stranger under the signer's identifier", ["declaration.signature"],
    cms=signed(BODY, Key("stranger"), sid=context(0, SIGNER.ski(), constructed=False)))
one("length not shortest", ["declaration.encoding"], cms=signed(BODY, wrap=lambda *c: der.long_form(0x30, *c)), kinds=None)
one("indefinite length", ["declaration.encoding"], cms=signed(BODY, wrap=lambda *c: der.indefinite(0x30, *c)), kinds=None)
one("content in pieces", ["declaration.encoding"], may=["declaration.structure", "declaration.signature", "declaration.elements"],
    cms=signed(BODY, encapsulated=context(0, der.tlv(0x24, octets(BODY[:9]), octets(BODY[9:])))), kinds=None)
one("octets after the declaration", ["declaration.encoding"], cms=signed(BODY) + b"\0", exit=[1, 2], kinds=None, may=["*"])
case("declaration: alone among chains of other vendors", {"declaration.der": signed(content(vendor_id=0xFFF3)), **F}, ["declaration.der", *F], trust=["paa.der"],
     rejected=["declaration.dac-vendor"], may=["declaration.vendor-id"], warn=["declaration.signer"])

# ── several declarations and devices ─────────────────────────────────────────────────────────
SECOND = Cert("dac", I, key=Key("second product"), subject=name("Tern Vent Two", "FFF1", "8002"))
FOR_TWO = {**F, "second.der": SECOND.der, "signer.pem": PEM_SIGNER, "one.der": signed(content()), "two.der": signed(content(products=[0x8002]))}
BOTH = ["dac.der", "second.der", "pai.der"]
case("declaration: two devices, one each", FOR_TWO, [*BOTH, "two.der", "one.der"], trust=["paa.der"], options=["--signer", "signer.pem"], anchored=True)
case("declaration: two devices under one", {**FOR_TWO, "one.der": signed(content(products=[0x8001, 0x8002]))}, [*BOTH, "one.der"], trust=["paa.der"], options=["--signer", "signer.pem"], anchored=True)
case("declaration: two devices, one of them undeclared", FOR_TWO, [*BOTH, "one.der"], trust=["paa.der"], options=["--signer", "signer.pem"],
     rejected=["declaration.dac-product"], may=["declaration.product-list"])
case("declaration: authorities listed, PAA not at hand", {"d.der": signed(content(authorities=[bytes(20)])), "dac.der": D.der, "pai.der": I.der, "signer.pem": PEM_SIGNER},
     ["d.der", "dac.der", "pai.der"], options=["--signer", "signer.pem"], exit=[0, 1], may=["declaration.authority"], clause="the PAI's authorityKeyIdentifier tells as much")
case("declaration: a certificate as declaration", {"x": D.der}, as_="declaration", exit=[1, 2], may=["*"])
case("declaration: a declaration as DAC", {"x": signed(content())}, as_="dac", exit=[1, 2], may=["*"])
case("declaration: told what it is", {"x": signed(content())}, as_="declaration", warn=["declaration.signer"], kinds={"x": "declaration"})
