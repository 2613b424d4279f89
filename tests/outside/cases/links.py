"""What links the three, and several things wrong at once."""

from cryptography.hazmat.primitives import hashes

from . import der
from .case import case
from .make import *
from .three import *

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

# ── several things wrong at once: every broken rule is told ──────────────────────────────────
for role in ROLES:
    three(f"{role}: no extensions at all", [f"{role}.{r}" for r in ("basic-constraints", "key-usage", "subject-key-id")]
          + ([f"{role}.authority-key-id"] if role != "paa" else []), **{role: dict(extensions=[])}, may=["*"])
    three(f"{role}: serial, validity, usage and algorithm wrong", [f"{role}.{r}" for r in ("serial", "validity", "key-usage", "signature-algorithm")],
          **{role: dict(serial=integer(0), validity=seq(der.time(ROLES[role]["before"]), der.generalized("20450101000000Z")), usage=usage(2),
                        inner=ECDSA_SHA384, digest=hashes.SHA384())}, may=CONSEQUENCES)
    three(f"{role}: something behind the subjectKeyIdentifier", [f"{role}.subject-key-id|{role}.encoding"],
          **{role: dict(ski=extension(SKI, octets(Key(f"{role} key").ski()) + NULL))}, may=CONSEQUENCES + [f"{role}.encoding"])
    three(f"{role}: keyUsage of 9 unused bits", [f"{role}.key-usage"], **{role: dict(usage=extension(KU, bits(b"\x80", 9), True))}, may=[f"{role}.encoding"])
    three(f"{role}: key with unused bits", [f"{role}.public-key"], may=CONSEQUENCES + [f"{role}.encoding"],
          **{role: dict(spki=seq(seq(EC_KEY, P256), bits(Key(f"{role} key").point(), 1)))})
    three(f"{role}: key's point one octet short", [f"{role}.public-key"], may=CONSEQUENCES,
          **{role: dict(spki=Key(f"{role} key").spki(Key(f"{role} key").point()[:-1]))})
    three(f"{role}: key's point one octet long", [f"{role}.public-key"], may=CONSEQUENCES,
          **{role: dict(spki=Key(f"{role} key").spki(Key(f"{role} key").point() + b"\0"))})
    three(f"{role}: start and end are one moment", quiet=True if role == "dac" else False, warn=["dac.not-current"] if role == "dac" else [],
          **{role: dict(before="20250601", after="20250601")}, may=["chain.validity"])
case("DER with a line end behind it", {**{"dac.der": chain()[2].der + b"\n"}, "pai.der": chain()[1].der, "paa.der": chain()[0].der}, ["dac.der", "pai.der"], trust=["paa.der"],
     rejected=["dac.encoding"])
case("DER with octets behind it", {**{"dac.der": chain()[2].der + bytes(16)}, "pai.der": chain()[1].der, "paa.der": chain()[0].der}, ["dac.der", "pai.der"], trust=["paa.der"],
     rejected=["dac.encoding"])

# Judged at its notBefore a DAC is accepted whenever it ended; today that is said, at a time that was asked for it is not.
three("DAC that has ended", dac=dict(before="20250601", after="20250701"), warn=["dac.not-current"])
three("DAC that has not begun", dac=dict(before="20960601"), warn=["dac.not-current"])
three("DAC that has ended, judged within its time", dac=dict(before="20250601", after="20250701"), options=["--at", "2025-06-15T00:00:00Z"], quiet=True)
three("DAC with its PAI's key", dac=dict(key=Key("pai key")), warn=["chain.same-key@dac.der"])
three("DAC with its PAA's key", dac=dict(key=Key("paa key")), warn=["chain.same-key@dac.der"])
three("PAI with its PAA's key", pai=dict(key=Key("paa key")), warn=["chain.same-key@pai.der"])
