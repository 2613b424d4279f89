"""PAA, PAI and DAC: each rule broken in each certificate, and all that is allowed."""

import datetime

import hashlib

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec, ed25519, rsa

from . import der
from .case import case
from .make import *

KINDS = {"dac.der": "dac", "pai.der": "pai", "paa.der": "paa"}
CONSEQUENCES = ["chain.signature", "chain.complete", "chain.anchor", "chain.key-id"]


def files(triple):
    return {f"{c.role}.der": c.der for c in reversed(triple)}


def three(case_name, rejected=(), dac=None, pai=None, paa=None, **more):
    """A whole chain under its trusted PAA."""
    triple = chain(dac, pai, paa)
    more.setdefault("kinds", KINDS)
    more.setdefault("anchored", True if not rejected else None)
    case(case_name, files(triple), list(files(triple)), trust=["paa.der"], rejected=rejected, **more)
    return triple


# ── each rule, in each of the three ──────────────────────────────────────────────────────────
P384_KEY = Key("a P-384 key", ec.SECP384R1())
RSA_SPKI = rsa.generate_private_key(public_exponent=65537, key_size=2048).public_key().public_bytes(
    serialization.Encoding.DER, serialization.PublicFormat.SubjectPublicKeyInfo)
ED_SPKI = ed25519.Ed25519PrivateKey.from_private_bytes(bytes(32)).public_key().public_bytes(
    serialization.Encoding.DER, serialization.PublicFormat.SubjectPublicKeyInfo)


def long_tbs(*fields):
    return der.long_form(0x30, *fields)


def off_curve(key):
    point = bytearray(key.point())
    point[-1] ^= 1
    return key.spki(bytes(point))


def hybrid(key):
    point = bytearray(key.point())
    point[0] = 6 | point[-1] & 1
    return key.spki(bytes(point))


def every(role):
    """(case, rule, overrides, may)"""
    key = Key(f"{role} key")
    subject = ROLES[role]["subject"]
    before = der.time(ROLES[role]["before"])
    ext = extension
    true_as_one = seq(oid(BC), b"\x01\x01\x01", octets(seq(*([b"\x01\x01\xff"] if role != "dac" else []))))
    return [
        # encoding: X.690 clauses 10 and 11
        ("tbs length not shortest", "encoding", dict(tbs_wrap=long_tbs), []),
        ("certificate of indefinite length", "encoding",
         dict(wrap=lambda *c: der.indefinite(0x30, *c)), []),
        ("TRUE not FF", "encoding", dict(basic=true_as_one), [f"{role}.basic-constraints"]),
        ("critical FALSE spelled out", "encoding",
         dict(ski=seq(oid(SKI), b"\x01\x01\x00", octets(octets(key.ski())))), []),
        ("serial with a needless zero", f"{role}.encoding|{role}.serial",
         dict(serial=b"\x02\x03\x00\x01\x02"), []),
        ("octets after the signature", "encoding",
         dict(wrap=lambda *c: seq(*c, NULL)), []),
        ("set of a name not sorted", "encoding",
         dict(subject=seq(*[set_(attribute(O, "aa"), attribute(OU, "b"))],
                          *_parts(subject))), []),
        ("key usage with trailing zero bits", f"{role}.encoding|{role}.key-usage",
         dict(usage=ext(KU, bits(b"\x80" if role == "dac" else b"\x06", 0), True)), []),
        # size
        ("601 octets", "size", dict(more=[]), []),
        # version
        ("v1", "version", dict(version=b"", extensions=[]), ["*"]),
        ("v2", "version", dict(version=context(0, integer(1))), []),
        ("v1 spelled out", f"{role}.version", dict(version=context(0, integer(0))), [f"{role}.encoding"]),
        ("v4", "version", dict(version=context(0, integer(3))), []),
        # serial
        ("serial zero", "serial", dict(serial=integer(0)), []),
        ("serial negative", "serial", dict(serial=integer(-5)), []),
        ("serial of 21 octets", "serial", dict(serial=integer(0x7F << 160)), []),
        ("serial of 20 octets and a sign octet", "serial", dict(serial=integer(0x80 << 152)), []),
        # signature algorithm
        ("SHA-384", "signature-algorithm", dict(inner=ECDSA_SHA384, digest=hashes.SHA384()), CONSEQUENCES),
        ("parameters NULL", "signature-algorithm",
         dict(inner=seq(oid("1.2.840.10045.4.3.2"), NULL)), CONSEQUENCES),
        ("outer differs", "signature-algorithm", dict(outer=ECDSA_SHA384), CONSEQUENCES),
        ("inner differs", "signature-algorithm", dict(inner=ECDSA_SHA384, outer=ECDSA_SHA256), CONSEQUENCES),
        ("outer alone with NULL", "signature-algorithm",
         dict(outer=seq(oid("1.2.840.10045.4.3.2"), NULL)), CONSEQUENCES),
        # public key
        ("P-384", "public-key", dict(key=P384_KEY, digest=hashes.SHA256()), CONSEQUENCES),
        ("compressed point", "public-key", dict(spki=key.spki(key.point(True))), CONSEQUENCES),
        ("hybrid point", "public-key", dict(spki=hybrid(key)), CONSEQUENCES),
        ("point off the curve", "public-key", dict(spki=off_curve(key)), CONSEQUENCES),
        ("RSA", "public-key", dict(spki=RSA_SPKI), CONSEQUENCES + [f"{role}.size"]),
        ("Ed25519", "public-key", dict(spki=ED_SPKI), CONSEQUENCES),
        ("point of zeros", "public-key", dict(spki=key.spki(b"\x04" + bytes(64))), CONSEQUENCES),
        ("point at infinity", "public-key", dict(spki=key.spki(b"\0")), CONSEQUENCES),
        ("curve without a name", "public-key",
         dict(spki=key.spki(algorithm=seq(EC_KEY, NULL))), CONSEQUENCES),
        ("id-ecDH key", "public-key", dict(spki=key.spki(algorithm=seq(oid("1.3.132.1.12"), P256))), CONSEQUENCES),
        # validity: RFC 5280 4.1.2.5
        ("end before start", "validity", dict(validity=seq(before, der.time("20200101"))), ["chain.validity"]),
        ("UTCTime without seconds", "validity",
         dict(validity=seq(der.utc(ROLES[role]["before"][2:] + "0000Z"), der.time(FOREVER))), [f"{role}.encoding", "chain.validity"]),
        ("UTCTime with offset", "validity",
         dict(validity=seq(der.utc(ROLES[role]["before"][2:] + "000000+0000"), der.time(FOREVER))), [f"{role}.encoding", "chain.validity"]),
        ("GeneralizedTime before 2050", "validity",
         dict(validity=seq(before, der.generalized("20450101000000Z"))), []),
        ("GeneralizedTime with fraction", "validity",
         dict(validity=seq(before, der.generalized("20550101000000.5Z"))), [f"{role}.encoding", "chain.validity"]),
        ("GeneralizedTime without Z", "validity",
         dict(validity=seq(before, der.generalized("20550101000000"))), [f"{role}.encoding", "chain.validity"]),
        ("31 February", "validity",
         dict(validity=seq(before, der.time("20550231"))), [f"{role}.encoding", "chain.validity"]),
        ("29 February 2100", "validity",
         dict(validity=seq(before, der.time("21000229"))), [f"{role}.encoding", "chain.validity"]),
        ("hour 24", "validity",
         dict(validity=seq(before, der.time("20550101240000Z"))), [f"{role}.encoding", "chain.validity"]),
        ("a date as text", "validity",
         dict(validity=seq(before, der.utf8("20550101000000Z"))), [f"{role}.encoding", "chain.validity"]),
        # extensions
        ("no basicConstraints", "basic-constraints", dict(drop=["basic"]), []),
        ("basicConstraints not critical", "basic-constraints",
         dict(basic=basic(role != "dac", {"dac": None, "pai": 0, "paa": 1}[role], False)), []),
        ("basicConstraints not a SEQUENCE", "basic-constraints",
         dict(basic=ext(BC, NULL, True)), [f"{role}.encoding"]),
        ("no keyUsage", "key-usage", dict(drop=["usage"]), []),
        ("keyUsage not critical", "key-usage",
         dict(usage=usage(*((0,) if role == "dac" else (5, 6)), critical=False)), []),
        ("nonRepudiation too", "key-usage", dict(usage=usage(*((0, 1) if role == "dac" else (1, 5, 6)))), []),
        ("decipherOnly too", "key-usage", dict(usage=usage(*((0, 8) if role == "dac" else (5, 6, 8)))), []),
        ("keyUsage without bits", "key-usage", dict(usage=usage()), []),
        ("keyUsage not a BIT STRING", "key-usage", dict(usage=ext(KU, octets(b"\x80"), True)), [f"{role}.encoding"]),
        ("no subjectKeyIdentifier", "subject-key-id", dict(drop=["ski"]), CONSEQUENCES),
        ("subjectKeyIdentifier critical", "subject-key-id", dict(ski=ski(key.ski(), True)), []),
        ("subjectKeyIdentifier not an OCTET STRING", "subject-key-id",
         dict(ski=ext(SKI, key.ski())), CONSEQUENCES + [f"{role}.encoding"]),
        ("authorityKeyIdentifier critical", "authority-key-id",
         dict(aki=aki(_above(role).ski(), True)), []),
        ("authorityKeyIdentifier without the identifier", "authority-key-id",
         dict(aki=ext(AKI, seq())), CONSEQUENCES),
        ("extension twice", "extensions",
         dict(more=[ext(EKU, seq(oid("1.3.6.1.5.5.7.3.2")))] * 2), []),
        ("unknown critical extension", "extensions", dict(more=[ext("1.3.6.1.4.1.99999.7", NULL, True)]), []),
        ("extendedKeyUsage critical", "extensions",
         dict(more=[ext(EKU, seq(oid("1.3.6.1.5.5.7.3.2")), True)]), []),
        ("certificatePolicies critical", "extensions",
         dict(more=[ext(POLICIES, seq(seq(oid("2.5.29.32.0"))), True)]), []),
        ("subjectAltName critical", "extensions",
         dict(more=[ext(SAN, seq(der.tlv(0x82, b"a.example")), True)]), []),
        ("authorityInfoAccess critical", "extensions",
         dict(more=[ext(AIA, seq(seq(oid("1.3.6.1.5.5.7.48.1"), der.tlv(0x86, b"http://a.example"))), True)]), []),
        ("cRLDistributionPoints critical", "extensions",
         dict(more=[ext(CRLDP, seq(seq(context(0, context(0, der.tlv(0x86, b"http://a.example"))))), True)]), []),
        ("nameConstraints critical", "extensions",
         dict(more=[ext(NAME_CONSTRAINTS, seq(), True)]), []),
        # names
        ("empty subject", f"{role}.subject|{role}.vendor-id" if role != "paa" else f"{role}.subject",
         dict(subject=seq()), [f"{role}.vendor-id", f"{role}.product-id", f"{role}.issuer", "dac.issuer", "pai.issuer", "chain.vendor-id", "chain.product-id", "dac.subject", "pai.subject"]),
        ("VID twice", "vendor-id",
         dict(subject=seq(*_parts(subject), *([] if role == "none" else [rdn(VID, "FFF1")]))),
         ["dac.issuer", "pai.issuer", f"{role}.subject"]),
        *[(f"VID {bad!r}", "vendor-id", dict(subject=_with(role, VID, bad)),
           ["dac.issuer", "pai.issuer", "chain.vendor-id"])
          for bad in ("fff1", "FF1", "FFF10", "0000", "FFF5", "FFFF", "FFG1", "", "0xFFF1", " FFF1")],
        ("VID as BMPString", "vendor-id", dict(subject=_with(role, VID, "FFF1", bmp)),
         ["dac.issuer", "pai.issuer", "chain.vendor-id"]),
        ("VID as IA5String", "vendor-id", dict(subject=_with(role, VID, "FFF1", der.ia5)),
         ["dac.issuer", "pai.issuer", "chain.vendor-id"]),
    ]


def _parts(subject):
    """The RDNs of a name made by `name`."""
    body, out = subject[2:], []
    while body:
        size = 2 + body[1]
        out.append(body[:size])
        body = body[size:]
    return out


def _above(role):
    return Key({"dac": "pai", "pai": "paa", "paa": "paa"}[role] + " key")


def _with(role, kind, value, string=utf8):
    cn, vid, pid = {"paa": ("Quarry Lane Test PAA", "FFF1", None),
                    "pai": ("Tern & Hollow Test PAI", "FFF1", None),
                    "dac": ("Tern Vent 0001", "FFF1", "8001")}[role]
    rows = [(CN, cn, utf8), (VID, vid, utf8), (PID, pid, utf8)]
    rows = [(k, v, utf8) for k, v, _ in rows if v is not None and k != kind]
    return seq(*[rdn(*r) for r in rows], rdn(kind, value, string))


def padded(role, target):
    """Overrides that make this certificate exactly `target` octets."""
    for size in range(1, target):
        over = dict(more=[extension("1.3.6.1.4.1.99999.8", octets(bytes(size)))])
        got = len({c.role: c for c in chain(**{role: over})}[role].der)
        if got == target:
            return over
        if got > target:
            break
    for size in range(1, target):  # a signature's length shifts by one; try another serial
        for serial in range(1, 9):
            over = dict(more=[extension("1.3.6.1.4.1.99999.8", octets(bytes(size)))],
                        serial=integer(serial))
            if len({c.role: c for c in chain(**{role: over})}[role].der) == target:
                return over
    raise AssertionError("no such size")


for role in ("dac", "pai", "paa"):
    for text, rule, over, may in every(role):
        if text == "601 octets":
            three(f"{role}: 600 octets", **{role: padded(role, 600)}, notes=[f"{role}.extensions"],
                  clause="STANDARD 2: at most 600 octets")
            over = padded(role, 601)
        kinds = KINDS if "encoding" not in rule else None
        three(f"{role}: {text}", [rule if "." in rule else f"{role}.{rule}"], **{role: over},
              may=may + (["chain.complete", "chain.anchor", "chain.key-id", "chain.signature"]
                         # A name that is no DER stands as the issuer's in the certificate below, too.
                         + [f"{r}.encoding" for r in ROLES] if "encoding" in rule else []),
              # A trusted PAA that can't be read is no PAA to trust.
              exit=[1, 2] if (role, text) == ("paa", "octets after the signature") else None,
              kinds=None if rule == "version" or kinds is None else kinds)

DAC = [
    ("cA TRUE", "basic-constraints", dict(basic=basic(True)), []),
    ("cA FALSE with pathLen", "basic-constraints",
     dict(basic=basic(False, 0)), []),
    ("cA FALSE spelled out", "dac.encoding|dac.basic-constraints",
     dict(basic=extension(BC, seq(boolean(False)), True)), []),
    ("keyCertSign too", "key-usage", dict(usage=usage(0, 5)), []),
    ("keyAgreement alone", "key-usage", dict(usage=usage(4)), []),
    ("CA key usage", "key-usage", dict(usage=usage(5, 6)), []),
    ("no VID", "vendor-id", dict(subject=name("Tern Vent", None, "8001")), ["chain.vendor-id"]),
    ("no PID", "product-id", dict(subject=name("Tern Vent", "FFF1")), ["chain.product-id"]),
    ("PID twice", "product-id", dict(subject=name("T", "FFF1", "8001", more=[rdn(PID, "8001")])), ["dac.subject"]),
    ("two different PIDs", "product-id", dict(subject=name("T", "FFF1", "8001", more=[rdn(PID, "8002")])), ["dac.subject"]),
    ("PID 0000", "product-id", dict(subject=name("T", "FFF1", "0000")), []),
    ("PID lower case", "product-id", dict(subject=name("T", "FFF1", "80ab")), []),
    ("PID of five", "product-id", dict(subject=name("T", "FFF1", "80010")), []),
    ("PID as IA5String", "product-id", dict(subject=_with("dac", PID, "8001", der.ia5)), []),
    ("VID only by attribute, PID only by text", "product-id",
     dict(subject=name("Tern Vent Mpid:8001", "FFF1")), []),
    ("PID only by attribute, VID only by text", "vendor-id",
     dict(subject=name("Tern Vent Mvid:FFF1", None, "8001")), ["chain.vendor-id"]),
    ("no authorityKeyIdentifier", "authority-key-id", dict(drop=["aki"]), CONSEQUENCES),
    ("authorityKeyIdentifier by issuer and serial", "authority-key-id",
     dict(aki=extension(AKI, seq(context(1, context(4, name("Quarry Lane Test PAA", "FFF1"))),
                                 context(2, b"\5", constructed=False)))), CONSEQUENCES),
]
for text, rule, over, may in DAC:
    three(f"dac: {text}", [rule if "." in rule else f"dac.{rule}"], dac=over, may=may)

FALLBACK = "Tern Vent 5CDA9899 "
for text, rule in [
    ("Mvid:FF1 Mpid:00B1", "vendor-id"), ("Mvid:fff1 Mpid:00B1", "vendor-id"),
    ("Mvid:FFF1 Mpid: 00B1", "product-id"), ("Mvid:FFF1 Mpid:B1", "product-id"),
    ("mvid:FFF1 Mpid:00B1", "vendor-id"), ("Mvid FFF1 Mpid:00B1", "vendor-id"),
    ("MVID:FFF1 Mpid:00B1", "vendor-id"), ("Mvid:FFF1 Mpid:00b1", "product-id"),
    ("Mpid:00B1", "vendor-id"), ("Mvid:FFF1", "product-id"), ("Mvid:0000 Mpid:00B1", "vendor-id"),
    ("Mvid:FFF1 Mpid:0000", "product-id"), ("Mvid:FFF1 Mvid:FFF2 Mpid:00B1", "vendor-id"),
    ("Mvid:FFF1 Mpid:00B1 Mpid:00B2", "product-id"), ("Mvid:FFF5 Mpid:00B1", "vendor-id"),
]:
    three(f"dac fallback refused: {text}", [f"dac.{rule}"], dac=dict(subject=name(FALLBACK + text)),
          may=["chain.vendor-id", "chain.product-id"], clause="STANDARD 1")

for text in ["Tern Vent 5CDA9899 Mvid:FFF1 Mpid:00B1", "Mpid:00B1,Tern Vent,Mvid:FFF1",
             "Tern Vent Mvid:FFF1Mpid:00B1", "Mvid:FFF1ABCMpid:00B1DEF", "Mpid:00B1Mvid:FFF1",
             "xMvid:FFF1xMpid:00B1x", "Mvid:FF Mvid:FFF1 Mpid:00B1"]:
    if text.startswith("Mvid:FF "):
        continue  # one well-formed beside one that is not: the standard is silent
    for string in (utf8, printable):
        if string is printable and "&" in text:
            continue
        three(f"dac fallback: {text} as {string.__name__}", dac=dict(subject=name(text, string=string)),
              values={"dac.der": {"vendor_id": "FFF1", "product_id": "00B1"}}, quiet=True,
              clause="STANDARD 1")
three("fallback in every name", dac=dict(subject=name("Tern Vent Mvid:FFF1 Mpid:8001")),
      pai=dict(subject=name("Tern & Hollow PAI Mvid:FFF1 Mpid:8001")),
      paa=dict(subject=name("Quarry Lane PAA Mvid:FFF1")), quiet=True,
      values={"pai.der": {"vendor_id": "FFF1", "product_id": "8001"}, "paa.der": {"vendor_id": "FFF1"}})
three("fallback text beside the attributes is plain text",
      dac=dict(subject=name("Tern Vent Mvid:FFF2 Mpid:00B1", "FFF1", "8001")),
      notes=["dac.subject|dac.vendor-id"],
      values={"dac.der": {"vendor_id": "FFF1", "product_id": "8001"}})
three("malformed fallback text beside the attributes",
      dac=dict(subject=name("Tern Vent Mvid:ff", "FFF1", "8001")))
three("fallback PAI, attributes in DAC", pai=dict(subject=name("PAI Mvid:FFF1")))
three("fallback PAI with another VID", ["chain.vendor-id"], pai=dict(subject=name("PAI Mvid:FFF2")), may=["chain.vendor-id"])
three("fallback PAI with another PID", ["chain.product-id"], pai=dict(subject=name("PAI Mvid:FFF1 Mpid:8002")))
three("fallback in an organisation name is none", ["dac.vendor-id"],
      dac=dict(subject=seq(rdn(CN, "Tern Vent Mpid:8001"), rdn(O, "Mvid:FFF1"))), may=["chain.vendor-id"])
three("fallback split over two commonNames",
      dac=dict(subject=seq(rdn(CN, "Tern Mvid:FFF1"), rdn(CN, "Vent Mpid:8001"))))

PAI = [
    ("cA absent", "basic-constraints", dict(basic=basic(False)), ["*"]),
    ("no pathLen", "basic-constraints", dict(basic=basic(True)), []),
    ("pathLen 1", "basic-constraints", dict(basic=basic(True, 1)), []),
    ("pathLen negative", "basic-constraints", dict(basic=basic(True, -1)), ["pai.encoding"]),
    ("keyCertSign alone", "key-usage", dict(usage=usage(5)), []),
    ("cRLSign alone", "key-usage", dict(usage=usage(6)), []),
    ("digitalSignature alone", "key-usage", dict(usage=usage(0)), []),
    ("no VID", "vendor-id", dict(subject=name("PAI")), ["dac.issuer", "chain.vendor-id"]),
    ("PID twice", "product-id", dict(subject=name("PAI", "FFF1", "8001", more=[rdn(PID, "8001")])), ["dac.issuer", "pai.subject"]),
    ("PID 0000", "product-id", dict(subject=name("PAI", "FFF1", "0000")), ["dac.issuer", "chain.product-id"]),
    ("no authorityKeyIdentifier", "authority-key-id", dict(drop=["aki"]), CONSEQUENCES),
]
for text, rule, over, may in PAI:
    three(f"pai: {text}", [f"pai.{rule}"], pai=over, may=may)

PAA = [
    ("cA absent", "basic-constraints", dict(basic=basic(False)), ["*"]),
    ("pathLen 0", "basic-constraints", dict(basic=basic(True, 0)), ["chain.length"]),
    ("pathLen 2", "basic-constraints", dict(basic=basic(True, 2)), []),
    ("keyCertSign alone", "key-usage", dict(usage=usage(5)), []),
    ("PID", "product-id", dict(subject=name("PAA", "FFF1", "8001")), []),
    ("PID by text", "product-id", dict(subject=name("PAA Mvid:FFF1 Mpid:8001")), []),
    ("subjectKeyIdentifier of 19", "subject-key-id", dict(ski_value=bytes(19)), []),
    ("subjectKeyIdentifier of 32", "subject-key-id", dict(ski_value=bytes(32)), []),
    ("authorityKeyIdentifier not its own", "authority-key-id", dict(aki=aki(bytes(20))), ["chain.key-id"]),
    ("signature broken", "chain.signature", dict(tamper=flip), []),
    ("signed by another key", "chain.signature", dict(signer=Key("stranger")), []),
]
for text, rule, over, may in PAA:
    three(f"paa: {text}", [rule if "." in rule else f"paa.{rule}"], paa=over, may=may)
three("paa: issuer another name", ["paa.issuer"], paa=dict(issuer=name("Somebody", "FFF1")), may=["*"], kinds=None)

# ── everything allowed ───────────────────────────────────────────────────────────────────────
three("plain", quiet=True, notes=["chain.test-identity"])
three("all attributes as PrintableString",
      dac=dict(subject=name("Tern Vent 0001", "FFF1", "8001", string=printable)),
      pai=dict(subject=name("Tern Hollow PAI", "FFF1", "8001", string=printable)),
      paa=dict(subject=name("Quarry Lane PAA", "FFF1", string=printable)), quiet=True)
three("PAA without VID", paa=dict(subject=name("Quarry Lane Test PAA")), quiet=True)
three("PAI with PID", pai=dict(subject=name("PAI", "FFF1", "8001")), quiet=True)
three("no pathLen on PAA", paa=dict(basic=basic(True)), quiet=True)
three("PAA without AKI", paa=dict(drop=["aki"]), warn=["paa.authority-key-id"], clause="RFC 5280 4.2.1.1")
three("digitalSignature on both CAs", pai=dict(usage=usage(0, 5, 6)), paa=dict(usage=usage(0, 5, 6)), quiet=True)
for role in ROLES:
    three(f"{role}: serial of 20 octets with sign octet", quiet=True,
          **{role: dict(serial=integer(0xFF << 144))},
          values={f"{role}.der": {"serial": "00ff" + "00" * 18}})
    three(f"{role}: serial 7F and 19 more", quiet=True, **{role: dict(serial=integer(0x7F << 152))})
    three(f"{role}: serial 1", quiet=True, **{role: dict(serial=integer(1))}, values={f"{role}.der": {"serial": "01"}})
    three(f"{role}: subjectKeyIdentifier not SHA-1", notes=[f"{role}.subject-key-id"],
          **{role: dict(ski_value=bytes(range(20)))}, clause="STANDARD 2: a note")
    three(f"{role}: unknown extension, not critical", notes=[f"{role}.extensions"],
          **{role: dict(more=[extension("1.3.6.1.4.1.99999.7", utf8("batch 7"))])})
    for text, ext in [
        ("extendedKeyUsage", extension(EKU, seq(oid("1.3.6.1.5.5.7.3.2"), oid("1.3.6.1.5.5.7.3.1")))),
        ("subjectAltName", extension(SAN, seq(der.tlv(0x82, b"vent.example")))),
        ("authorityInfoAccess", extension(AIA, seq(seq(oid("1.3.6.1.5.5.7.48.1"), der.tlv(0x86, b"http://a.example"))))),
        ("certificatePolicies", extension(POLICIES, seq(seq(oid("1.3.6.1.4.1.99999.1"))))),
        ("cRLDistributionPoints", extension(CRLDP, seq(seq(context(0, context(0, der.tlv(0x86, b"http://a.example"))))))),
    ]:
        three(f"{role}: {text}", quiet=True, **{role: dict(more=[ext])})
    three(f"{role}: no end date", quiet=True, **{role: dict(after=FOREVER)}, values={f"{role}.der": {"not_after": None}})
    three(f"{role}: GeneralizedTime in 2050", quiet=True, **{role: dict(after="20500101000000Z")},
          values={f"{role}.der": {"not_after": "2050-01-01T00:00:00Z"}})
    three(f"{role}: last second of UTCTime", quiet=True, **{role: dict(after="20491231235959Z")},
          values={f"{role}.der": {"not_after": "2049-12-31T23:59:59Z"}})
    three(f"{role}: GeneralizedTime in 2149", quiet=True, **{role: dict(after="21491231235959Z")})
three("29 February 2028", dac=dict(after="20280229"), quiet=True)
three("UTCTime of the last century", pai=dict(before="19990101"), paa=dict(before="19500101"), quiet=True,
      values={"paa.der": {"not_before": "1950-01-01T00:00:00Z"}})
three("AKI with issuer and serial too",
      dac=dict(aki=aki(Key("pai key").ski(), more=context(1, context(4, ROLES["paa"]["subject"])) +
                       context(2, b"\x05", constructed=False))))
three("names with more attributes",
      dac=dict(subject=seq(rdn(C, "SE", printable), rdn(O, "Tern & Hollow"), rdn(OU, "Line 3"),
                           rdn(CN, "Vent"), rdn(VID, "FFF1"), rdn(PID, "8001"))), quiet=True)
three("VID and PID before commonName",
      dac=dict(subject=seq(rdn(VID, "FFF1"), rdn(PID, "8001"), rdn(CN, "Vent"))), quiet=True)
three("VID and PID in one RDN", dac=dict(subject=seq(set_(*sorted([attribute(VID, "FFF1"), attribute(PID, "8001")])))), quiet=True)
three("no commonName", dac=dict(subject=name(None, "FFF1", "8001")), quiet=True)
three("UTF-8 beyond ASCII in a name", dac=dict(subject=name("Térn Vent ☀", "FFF1", "8001")), quiet=True)
three("extensions in another order", dac=dict(extensions=[
    aki(Key("pai key").ski()), ski(Key("dac key").ski()), usage(0), basic(False)]), quiet=True)
for vid in ("FFF1", "FFF2", "FFF3", "FFF4"):
    three(f"test VID {vid}", dac=dict(subject=name("V", vid, "8001")), pai=dict(subject=name("I", vid)),
          paa=dict(subject=name("A")), notes=["chain.test-identity"])
for vid in ("0001", "FFF0", "5A5A"):
    three(f"production VID {vid}", dac=dict(subject=name("V", vid, "0001")), pai=dict(subject=name("I", vid)),
          paa=dict(subject=name("A")), quiet="chain.test-identity",
          values={"dac.der": {"vendor_id": vid, "product_id": "0001"}})
three("PID FFFF", dac=dict(subject=name("V", "FFF1", "FFFF")), quiet=True)

# ── dates across the chain ───────────────────────────────────────────────────────────────────
three("PAI expired by now", pai=dict(before="20240101", after="20260101"), dac=dict(before="20250601"), quiet=True,
      clause="STANDARD 2: judged at the DAC's notBefore")
three("PAA expired by now", paa=dict(after="20250701"), quiet=True)
three("DAC expired by now", dac=dict(before="20250601", after="20250701"), quiet=True)
three("DAC begins with the PAI", pai=dict(before="20250601"), quiet=True)
three("DAC begins in the PAI's last second", pai=dict(after="20250601"), quiet=True)
three("DAC begins one second before the PAI", ["chain.validity"], pai=dict(before="20250601000001Z"))
three("DAC begins one second after the PAI", ["chain.validity"], pai=dict(after="20250531235959Z"))
three("DAC before the PAA", ["chain.validity"], paa=dict(before="20250602"))
three("DAC after the PAA", ["chain.validity"], paa=dict(after="20250531"))
three("DAC in the future", dac=dict(before="20400101"), quiet=True)
three("DAC of 2060", dac=dict(before="20600101"), quiet=True)
three("--at when the PAI has expired", ["chain.validity"], pai=dict(after="20260101"),
      options=["--at", "2026-03-01T12:00:00Z"])
three("--at when the DAC has expired", ["chain.validity"], dac=dict(after="20260101"),
      options=["--at", "2026-03-01T12:00:00Z"])
three("--at before the DAC", ["chain.validity"], options=["--at", "2024-03-01T12:00:00Z"])
three("--at when all is well", options=["--at", "2026-03-01T12:00:00Z"], quiet=True)
three("--at heals a DAC issued before its PAI", pai=dict(before="20250701"),
      options=["--at", "2026-03-01T12:00:00Z"], clause="INTERFACE: replaces the judging time")

# ── links ────────────────────────────────────────────────────────────────────────────────────
three("DAC VID is not the PAI's", ["chain.vendor-id"], dac=dict(subject=name("V", "FFF2", "8001")),
      may=["dac.issuer"])
three("PAA VID is not the PAI's", ["chain.vendor-id"], paa=dict(subject=name("A", "FFF2")))
three("PAI PID is not the DAC's", ["chain.product-id"], pai=dict(subject=name("I", "FFF1", "8002")),
      may=["dac.issuer"])
three("DAC signed by another key", ["chain.signature"], dac=dict(signer=Key("stranger")), may=CONSEQUENCES)
three("PAI signed by another key", ["chain.signature"], pai=dict(signer=Key("stranger")), may=CONSEQUENCES)
three("DAC signed by the PAA's key", ["chain.signature"], dac=dict(signer=Key("paa key")), may=CONSEQUENCES)
for role in ("dac", "pai"):
    three(f"{role}: signature broken", ["chain.signature"], **{role: dict(tamper=flip)}, may=CONSEQUENCES)
    three(f"{role}: signature not a SEQUENCE", ["chain.signature"], **{role: dict(signature=bytes(64))},
          may=CONSEQUENCES + [f"{role}.encoding"])
    three(f"{role}: signature as r and s raw", ["chain.signature"],
          **{role: dict(tamper=lambda s: Key(f"x").sign_raw(s))}, may=CONSEQUENCES + [f"{role}.encoding"])
    three(f"{role}: r and s zero", ["chain.signature"], **{role: dict(signature=seq(integer(0), integer(0)))},
          may=CONSEQUENCES + [f"{role}.encoding"])
    three(f"{role}: empty signature", ["chain.signature"], **{role: dict(tamper=lambda s: b"")},
          may=CONSEQUENCES + [f"{role}.encoding"])
    three(f"{role}: authorityKeyIdentifier of nobody", ["chain.key-id"], **{role: dict(aki=aki(bytes(20)))},
          may=CONSEQUENCES)
three("DAC issuer is another name", ["chain.issuer-name"], dac=dict(issuer=name("Another PAI", "FFF1")), may=CONSEQUENCES)
three("PAI issuer is another name", ["chain.issuer-name"], pai=dict(issuer=name("Another PAA", "FFF1")), may=CONSEQUENCES + ["pai.issuer"])
three("DAC issuer without VID", ["dac.issuer", "chain.issuer-name"], dac=dict(issuer=name("Tern & Hollow Test PAI")), may=CONSEQUENCES)
three("DAC issuer with another VID", ["chain.issuer-name"], dac=dict(issuer=name("Tern & Hollow Test PAI", "FFF2")),
      may=CONSEQUENCES + ["dac.issuer", "chain.vendor-id"])
three("DAC issuer leaves out the PAI's PID", ["chain.issuer-name"],
      dac=dict(issuer=name("I", "FFF1")), pai=dict(subject=name("I", "FFF1", "8001")), may=CONSEQUENCES + ["dac.issuer"])
three("DAC issuer in another order", ["chain.issuer-name"],
      dac=dict(issuer=seq(rdn(VID, "FFF1"), rdn(CN, "Tern & Hollow Test PAI"))), may=CONSEQUENCES)
three("DAC issuer with RDNs joined", ["chain.issuer-name"],
      dac=dict(issuer=seq(set_(*sorted([attribute(CN, "Tern & Hollow Test PAI"), attribute(VID, "FFF1")])))),
      may=CONSEQUENCES, clause="RFC 5280 7.1: the number of RDNs counts")
for text, issuer in [
    ("string type", seq(rdn(CN, "Tern Hollow PAI", printable), rdn(VID, "FFF1"))),
    ("letter case", name("TERN hollow pai", "FFF1")),
    ("inner white space", name("Tern  Hollow   PAI", "FFF1")),
    ("outer white space", name(" Tern Hollow PAI ", "FFF1")),
    ("string type of the VID", seq(rdn(CN, "Tern Hollow PAI"), rdn(VID, "FFF1", printable))),
]:
    three(f"DAC issuer differs in {text} only", dac=dict(issuer=issuer), pai=dict(subject=name("Tern Hollow PAI", "FFF1")),
          warn=["chain.issuer-name"], clause="RFC 5280 7.1; STANDARD 2")
    three(f"PAI issuer differs in {text} only", pai=dict(issuer=issuer), paa=dict(subject=name("Tern Hollow PAI", "FFF1")),
          warn=["chain.issuer-name"], clause="RFC 5280 7.1; STANDARD 2")

# ── what is given and what is trusted ────────────────────────────────────────────────────────
A, I, D = chain()
F = files((A, I, D))
OTHER = Cert("paa", subject=name("Another PAA"), key=Key("another paa"))
case("no trust: form alone", F, anchored=False, warn=["chain.anchor"], kinds=KINDS)
case("PAA only trusted, not given", F, ["dac.der", "pai.der"], trust=["paa.der"], anchored=True, quiet=True)
case("trusted directory", {"dac.der": D.der, "pai.der": I.der, "roots/one.der": A.der, "roots/two.pem": der.pem("CERTIFICATE", OTHER.der)},
     ["dac.der", "pai.der"], trust=["roots"], anchored=True)
case("trusted directory with notes beside", {"dac.der": D.der, "pai.der": I.der, "roots/one.der": A.der, "roots/README.md": b"# Our roots\n"},
     ["dac.der", "pai.der"], trust=["roots"], anchored=True)
case("trusted bundle", {"dac.der": D.der, "pai.der": I.der, "roots.pem": der.pem("CERTIFICATE", OTHER.der) + der.pem("CERTIFICATE", A.der)},
     ["dac.der", "pai.der"], trust=["roots.pem"], anchored=True)
case("trusted twice over", {**F, "other.der": OTHER.der}, ["dac.der", "pai.der"], trust=["other.der", "paa.der"], anchored=True)
case("another PAA trusted", {**F, "other.der": OTHER.der}, list(F), trust=["other.der"], rejected=["chain.anchor"], anchored=False)
case("another PAA trusted, own not given", {**F, "other.der": OTHER.der}, ["dac.der", "pai.der"], trust=["other.der"],
     rejected=["chain.complete|chain.anchor"], may=["chain.anchor", "chain.complete"], anchored=False)
case("same name, another key trusted", {**F, "other.der": Cert("paa", key=Key("impostor")).der}, list(F), trust=["other.der"],
     rejected=["chain.anchor"], may=["chain.signature", "chain.key-id", "chain.complete"], anchored=False)
case("same name and identifier, another key trusted",
     {**F, "other.der": Cert("paa", key=Key("impostor"), ski_value=A.ski_value).der}, list(F), trust=["other.der"],
     rejected=["chain.anchor"], may=["chain.signature", "chain.key-id", "chain.complete"], anchored=False)
case("impostor beside the real PAA, both trusted", {**F, "other.der": Cert("paa", key=Key("impostor"), ski_value=A.ski_value).der},
     ["dac.der", "pai.der"], trust=["other.der", "paa.der"], anchored=True)
case("PAI as trust is no anchor", F, ["dac.der"], trust=["pai.der"], rejected=["chain.anchor|chain.complete|chain.length"],
     may=["*"], exit=[1, 2], anchored=None)
case("lone DAC", {"dac.der": D.der}, warn=["chain.complete"], anchored=False, kinds={"dac.der": "dac"},
     values={"dac.der": dict(vendor_id="FFF1", product_id="8001", serial=D.serial_hex(), subject_key_id=D.ski_value.hex(),
                             not_before="2025-06-01T00:00:00Z", not_after=None)})
case("lone PAI", {"pai.der": I.der}, warn=["chain.complete"], anchored=False, kinds={"pai.der": "pai"})
case("lone PAA", {"paa.der": A.der}, anchored=False, kinds={"paa.der": "paa"}, warn=["chain.anchor"])
case("lone PAA, trusted", {"paa.der": A.der}, ["paa.der"], trust=["paa.der"], anchored=True, kinds={"paa.der": "paa"})
case("PAI and PAA", {"pai.der": I.der, "paa.der": A.der}, ["pai.der"], trust=["paa.der"], anchored=True)
case("DAC and PAA without the PAI", F, ["dac.der", "paa.der"], trust=["paa.der"], rejected=["chain.complete"], may=["chain.anchor"], anchored=False)
case("DAC alone with trust", F, ["dac.der"], trust=["paa.der"], rejected=["chain.complete"], may=["chain.anchor"], anchored=False)
case("DAC and PAI of strangers", {"dac.der": D.der, "pai.der": Cert("pai", A, subject=name("Other PAI", "FFF1"), key=Key("other pai")).der},
     rejected=[], warn=["chain.complete"], anchored=False)
case("DAC and PAI of strangers, with trust", {"dac.der": D.der, "paa.der": A.der,
     "pai.der": Cert("pai", A, subject=name("Other PAI", "FFF1"), key=Key("other pai")).der}, ["dac.der", "pai.der"], trust=["paa.der"],
     rejected=["chain.complete"], may=["chain.anchor"])
case("files in any order", F, ["paa.der", "dac.der", "pai.der"], trust=["paa.der"], anchored=True)
case("same PAI twice", {**F, "again.pem": der.pem("CERTIFICATE", I.der)}, list(F) + ["again.pem"], trust=["paa.der"], anchored=True)
case("same DAC twice", {**F, "again.der": D.der}, list(F) + ["again.der"], trust=["paa.der"], anchored=True)
TWIN = Cert("pai", A, key=Key("twin"))
case("two PAIs of one name", {**F, "twin.der": TWIN.der}, ["twin.der", "dac.der", "pai.der"], trust=["paa.der"], anchored=True)
TWIN2 = Cert("pai", A, key=Key("twin"), ski_value=I.ski_value)
case("two PAIs of one name and identifier", {**F, "twin.der": TWIN2.der}, ["twin.der", "dac.der", "pai.der"], trust=["paa.der"], anchored=True)
case("two PAIs of one name and identifier, the right one first", {**F, "twin.der": TWIN2.der}, ["pai.der", "dac.der", "twin.der"], trust=["paa.der"], anchored=True)
RENEWED = Cert("pai", A, serial=integer(99), before="20250701")
case("PAI renewed with the same key, only the old one valid", {**F, "new.der": RENEWED.der}, ["new.der", "dac.der", "pai.der"], trust=["paa.der"], anchored=True,
     clause="STANDARD 2: some path is valid at the DAC's notBefore")
case("PAA issued again for the same key, only the new one valid", {**F, "dac.der": Cert("dac", I, before="20300101").der,
     "paa.der": Cert("paa", after="20280101").der, "new.der": Cert("paa", serial=integer(9), before="20270101").der},
     ["dac.der", "pai.der"], trust=["paa.der", "new.der"], anchored=True)
case("the same file twice", F, ["dac.der", "dac.der", "pai.der"], trust=["paa.der"], anchored=True, kinds=["dac", "pai"])
case("file names that meet", {"a/x.der": D.der, "b/x.der": I.der, "c/x.der": A.der}, ["a/x.der", "b/x.der"], trust=["c/x.der"], anchored=True,
     kinds={"a/x.der": "dac", "b/x.der": "pai"})
BLANK = dict(subject=seq(rdn(CN, "Tern Vent 0001")))
three("dac: neither VID nor PID", ["dac.vendor-id", "dac.product-id"], dac=BLANK, may=["chain.vendor-id", "chain.product-id", "dac.subject"])
case("lone DAC with neither VID nor PID", {"dac.der": Cert("dac", I, **BLANK).der}, rejected=["dac.vendor-id", "dac.product-id"], kinds={"dac.der": "dac"})
three("dac fallback refused: neither well-formed", ["dac.vendor-id", "dac.product-id"], dac=dict(subject=name("Tern Vent Mvid:FF1 Mpid:B1")), may=["dac.subject"])
CROSS = Cert("pai", OTHER, serial=integer(77))
case("PAI certified by two PAAs, one trusted", {**F, "cross.der": CROSS.der, "other.der": OTHER.der}, ["cross.der", "dac.der", "pai.der"], trust=["paa.der"],
     may=["chain.anchor@cross.der", "chain.complete@cross.der"], exit=[0, 1])
MANY = [Cert("dac", I, key=Key(f"dac {n}"), subject=name(f"Tern Vent {n}", "FFF1", "8001")) for n in range(20)]
many = {f"unit-{n}.der": d.der for n, d in enumerate(MANY)}
case("twenty DACs and one PAI", {**many, "pai.der": I.der, "paa.der": A.der}, list(many) + ["pai.der"], trust=["paa.der"], anchored=True,
     kinds={**{n: "dac" for n in many}, "pai.der": "pai"})
case("twenty DACs, one of them wrong", {**many, "pai.der": I.der, "paa.der": A.der, "unit-7.der": Cert("dac", I, usage=usage(0, 1)).der},
     list(many) + ["pai.der"], trust=["paa.der"], rejected=["dac.key-usage@unit-7.der"])
case("two whole chains", {**F, "d2.der": (C2 := chain(dict(key=Key("d2"), subject=name("V2", "FFF2", "8002")), dict(key=Key("i2"), subject=name("I2", "FFF2")),
     dict(key=Key("a2"), subject=name("A2"))))[2].der, "i2.der": C2[1].der, "a2.der": C2[0].der}, ["dac.der", "pai.der", "d2.der", "i2.der"],
     trust=["paa.der", "a2.der"], anchored=True)
case("two whole chains, one trusted", {**F, "d2.der": C2[2].der, "i2.der": C2[1].der, "a2.der": C2[0].der}, ["dac.der", "pai.der", "d2.der", "i2.der", "a2.der"],
     trust=["paa.der"], rejected=["chain.anchor"], may=["chain.complete"], anchored=False)
SUB = Cert("pai", I, key=Key("sub"), subject=name("Sub PAI", "FFF1"))
DEEP = Cert("dac", SUB)
case("four certificates", {"dac.der": DEEP.der, "sub.der": SUB.der, "pai.der": I.der, "paa.der": A.der}, ["dac.der", "sub.der", "pai.der", "paa.der"], trust=["paa.der"],
     rejected=["chain.length"], may=["*"])
DIRECT = Cert("dac", A, issuer=A.subject)
case("DAC issued by the PAA", {"dac.der": DIRECT.der, "paa.der": A.der}, ["dac.der", "paa.der"], trust=["paa.der"], rejected=["chain.length|chain.complete"], may=["*"])
SELF = Cert("dac", subject=name("Tern Vent", "FFF1", "8001"))
case("self-signed DAC", {"dac.der": SELF.der, "paa.der": A.der}, ["dac.der"], trust=["paa.der"], rejected=["chain.length|chain.complete|chain.anchor"], may=["*"])
case("DAC issued by a DAC", {"dac.der": Cert("dac", D, subject=name("V9", "FFF1", "8001"), key=Key("v9")).der, **{f"p{n}": c for n, c in F.items()}},
     ["dac.der", "pdac.der", "ppai.der"], trust=["ppaa.der"], rejected=["chain.length|chain.complete|chain.key-id|chain.signature"], may=["*"])

# ── kinds that are told ──────────────────────────────────────────────────────────────────────
case("as DAC, and is one", {"x.bin": D.der}, as_="dac", kinds={"x.bin": "dac"}, warn=["chain.complete"])
case("as PAI, and is a DAC", {"x.bin": D.der}, as_="pai", rejected=["pai.basic-constraints", "pai.key-usage"], may=["*"], kinds={"x.bin": "pai"})
case("as DAC, and is a PAI", {"x.bin": I.der}, as_="dac", rejected=["dac.basic-constraints", "dac.key-usage", "dac.product-id"], may=["*"], kinds={"x.bin": "dac"})
case("as PAA, and is a PAI", {"x.bin": I.der}, as_="paa", rejected=["paa.issuer", "paa.basic-constraints"], may=["*"], kinds={"x.bin": "paa"})
case("as DAC with two files", F, ["dac.der", "pai.der"], as_="dac", exit=[2])
case("as nonsense", F, ["dac.der"], as_="banana", exit=[2])
for n, text in enumerate(["FFF1", "0xFFF1"]):
    case(f"--vendor {text}", F, list(F), trust=["paa.der"], options=["--vendor", text, "--product", "8001"], anchored=True)
case("--vendor another", F, list(F), trust=["paa.der"], options=["--vendor", "FFF2", "--product", "8001"], rejected=["dac.vendor-id|chain.vendor-id|declaration.dac-vendor"], may=[], exit=[1])
case("--vendor not hex", F, list(F), options=["--vendor", "XYZ", "--product", "8001"], exit=[2])
case("--at nonsense", F, list(F), options=["--at", "yesterday"], exit=[2])
case("no such file", F, ["missing.der"], exit=[2])
case("trust that does not exist", F, list(F), options=["--trust", "missing"], exit=[2])
case("trust without a certificate", {**F, "roots/notes.txt": b"none here"}, ["dac.der", "pai.der"], trust=["roots"], rejected=["chain.anchor|chain.complete"], may=["chain.anchor", "chain.complete"], exit=[1, 2])

# ── by the library alone (cryptography's own certificate builder) ────────────────────────────


def library_chain():
    def text(cn, vid=None, pid=None):
        parts = [(x509.NameOID.COMMON_NAME, cn), (x509.ObjectIdentifier(VID), vid), (x509.ObjectIdentifier(PID), pid)]
        return x509.Name([x509.NameAttribute(k, v) for k, v in parts if v])

    def build(subject, issuer, key, by, ca, path, authority, start):
        public, number = key.private.public_key(), int.from_bytes(hashlib.sha256(key.point()).digest()[:8], "big")
        none = dict.fromkeys(["content_commitment", "key_encipherment", "data_encipherment", "key_agreement",
                              "encipher_only", "decipher_only"], False)
        return (x509.CertificateBuilder().subject_name(subject).issuer_name(issuer).public_key(public)
                .serial_number(number).not_valid_before(datetime.datetime(start, 1, 1))
                .not_valid_after(datetime.datetime(9999, 12, 31, 23, 59, 59))
                .add_extension(x509.BasicConstraints(ca, path), True)
                .add_extension(x509.KeyUsage(digital_signature=not ca, key_cert_sign=ca, crl_sign=ca, **none), True)
                .add_extension(x509.SubjectKeyIdentifier.from_public_key(public), False)
                .add_extension(x509.AuthorityKeyIdentifier.from_issuer_public_key(authority.private.public_key()), False)
                .sign(by.private, hashes.SHA256())).public_bytes(serialization.Encoding.DER)

    a, i, d = (Key(f"library {r}") for r in ("paa", "pai", "dac"))
    na, ni, nd = text("Quarry Lane Library PAA"), text("Library PAI", "FFF1"), text("Library DAC", "FFF1", "8001")
    return {"dac.der": build(nd, ni, d, i, False, None, i, 2025), "pai.der": build(ni, na, i, a, True, 0, a, 2022),
            "paa.der": build(na, na, a, a, True, 1, a, 2021)}


LIBRARY = library_chain()
case("built by Python cryptography", LIBRARY, list(LIBRARY), trust=["paa.der"], anchored=True, kinds=KINDS, quiet=True)
