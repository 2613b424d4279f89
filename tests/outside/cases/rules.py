"""Each rule of `dac. pai. paa.`, broken in each of the three, several ways."""

from cryptography.hazmat.primitives import hashes

from . import der
from .case import case
from .make import *
from .three import *


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
