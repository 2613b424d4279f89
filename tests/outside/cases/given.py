"""What is given, what is trusted, what is told."""

import datetime
import hashlib

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization

from . import der
from .case import case
from .make import *
from .three import *

# ── what is given and what is trusted ────────────────────────────────────────────────────────
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
