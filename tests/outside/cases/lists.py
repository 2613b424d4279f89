"""Requests (RFC 2986) and revocation lists (RFC 5280 5)."""

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization

from . import der
from .case import case
from .three import A, D, ED_SPKI, F, I, P384_KEY, RSA_SPKI, hybrid, off_curve
from .make import *

KEY = Key("request")
SUBJECT = name("Tern & Hollow PAI", "FFF1")


def asked(case_name, rejected=(), subject=SUBJECT, key=KEY, file="request.der", form=lambda d: d, **more):
    told = {k: more.pop(k) for k in ("exit", "may", "quiet", "kinds", "notes", "warn") if k in more}
    told.setdefault("kinds", {file: "request"})
    case(f"request: {case_name}", {file: form(request(subject, key, **more))}, rejected=rejected, **told)


asked("plain", quiet=True)
asked("in PEM", form=lambda d: der.pem("CERTIFICATE REQUEST", d), file="request.pem", quiet=True)
asked("in PEM with the older label", form=lambda d: der.pem("NEW CERTIFICATE REQUEST", d), file="request.pem", quiet=True)
asked("for a PAA without VID", subject=name("Quarry Lane PAA"), quiet=True)
asked("for a DAC", subject=name("Vent", "FFF1", "8001"), quiet=True)
asked("fallback names", subject=name("Vent Mvid:FFF1 Mpid:8001"), quiet=True)
asked("extensions asked for", attributes=context(0, seq(oid("1.2.840.113549.1.9.14"), set_(seq(usage(5, 6))))), quiet=True)
asked("signature broken", ["request.signature"], tamper=flip)
asked("signed by another key", ["request.signature"], signer=Key("stranger"))
asked("SHA-384", ["request.signature"], algorithm=ECDSA_SHA384, digest=hashes.SHA384(), may=["request.encoding"])
asked("P-384 key", ["request.public-key"], key=P384_KEY, may=["request.signature"])
asked("RSA key", ["request.public-key"], spki=RSA_SPKI, may=["request.signature"])
asked("Ed25519 key", ["request.public-key"], spki=ED_SPKI, may=["request.signature"])
asked("compressed point", ["request.public-key"], spki=KEY.spki(KEY.point(True)), may=["request.signature"])
asked("hybrid point", ["request.public-key"], spki=hybrid(KEY), may=["request.signature"])
asked("point off the curve", ["request.public-key"], spki=off_curve(KEY), may=["request.signature"])
for bad in ("fff1", "FF1", "0000", "FFF5", "FFF10"):
    asked(f"VID {bad}", ["request.subject"], subject=name("PAI", bad))
asked("PID lower case", ["request.subject"], subject=name("Vent", "FFF1", "80ab"))
asked("PID without VID", ["request.subject"], subject=name("Vent", None, "8001"), exit=[0, 1], may=[])
asked("VID twice", ["request.subject"], subject=name("PAI", "FFF1", more=[rdn(VID, "FFF2")]))
asked("version 1", ["request.encoding"], version=1)
asked("length not shortest", ["request.encoding"], wrap=lambda *c: der.long_form(0x30, *c), kinds=None)
asked("octets after", [], form=lambda d: d + b"\0", exit=[1, 2], may=["request.encoding"], kinds=None)
LIBRARY = (x509.CertificateSigningRequestBuilder().subject_name(x509.Name([
    x509.NameAttribute(x509.NameOID.COMMON_NAME, "Library PAI"), x509.NameAttribute(x509.ObjectIdentifier(VID), "FFF1")]))
    .add_extension(x509.BasicConstraints(True, 0), True).sign(KEY.private, hashes.SHA256()))
case("request: built by Python cryptography", {"r.pem": LIBRARY.public_bytes(serialization.Encoding.PEM)}, quiet=True, kinds={"r.pem": "request"})

# ── revocation lists ─────────────────────────────────────────────────────────────────────────
NOW = ["--at", "2026-03-01T12:00:00Z"]
PAI_NAME, PAA_NAME = I.subject, A.subject
DAY = "20260201"


def by_pai(*entries, **more):
    return revocation_list(PAI_NAME, I.key, entries, authority=I.ski_value, **more)


def by_paa(*entries, **more):
    return revocation_list(PAA_NAME, A.key, entries, authority=A.ski_value, **more)


def honoured(case_name, crl, rejected=(), extra=None, args=(), **more):
    """The whole chain, with the list as --revocations."""
    crl = crl if isinstance(crl, dict) else {"list.crl": crl}
    told = [x for path in crl if "/" not in path for x in ("--revocations", path)] or ["--revocations", "lists"]
    case(f"list: {case_name}", {**F, **crl, **(extra or {})}, ["dac.der", "pai.der", *args], trust=["paa.der"], rejected=rejected, options=NOW + told, **more)


def alone(case_name, crl, rejected=(), **more):
    """The list as the file examined, its issuer beside."""
    more.setdefault("kinds", {"list.crl": "revocation-list", "pai.der": "pai"})
    case(f"list alone: {case_name}", {"list.crl": crl, "pai.der": I.der, "paa.der": A.der}, ["list.crl", "pai.der"], trust=["paa.der"], rejected=rejected, options=NOW, **more)


OTHERS = [(integer(n), DAY, 4) for n in range(5)]
honoured("nobody revoked", by_pai(next_="20270101"), anchored=True, quiet=True)
honoured("others revoked", by_pai(*OTHERS), anchored=True, quiet=True)
honoured("DAC revoked", by_pai((D.serial, DAY, 1)), ["chain.revoked"])
honoured("DAC revoked among others", by_pai(*OTHERS, (D.serial, DAY, None)), ["chain.revoked"])
honoured("DAC revoked, in PEM", der.pem("X509 CRL", by_pai((D.serial, DAY, 1))), ["chain.revoked"])
honoured("DAC revoked, in a directory", {"lists/a.crl": by_pai((D.serial, DAY, 1)), "lists/README": b"lists of the day\n"}, ["chain.revoked"])
honoured("PAI revoked", by_paa((I.serial, DAY, 2)), ["chain.revoked"])
honoured("PAI's serial on the PAI's own list", by_pai((I.serial, DAY, 2)), anchored=True)
honoured("DAC's serial on the PAA's list", by_paa((D.serial, DAY, 2)), anchored=True)
honoured("two lists, the second revokes", {"a.crl": by_paa(), "b.crl": by_pai((D.serial, DAY, 1))}, ["chain.revoked"])
honoured("stale, and revokes", by_pai((D.serial, DAY, 1), next_="20260215"), ["chain.revoked"], warn=["revocation.dates"])
honoured("stale, and does not revoke", by_pai(*OTHERS, next_="20260215"), anchored=True, warn=["revocation.dates"])
honoured("from the future", by_pai(*OTHERS, this="20270101", next_="20280101"), exit=[0, 1], rejected=[], may=["revocation.dates"])
honoured("revoked in the future", by_pai((D.serial, "20300101", 1)), [], exit=[0, 1], may=["chain.revoked"])
honoured("list of a stranger of that name", revocation_list(PAI_NAME, Key("stranger"), [(D.serial, DAY, 1)], authority=I.ski_value), ["revocation.signature"], may=["chain.revoked", "revocation.issuer"])
honoured("list of a stranger of that name under its own identifier", revocation_list(PAI_NAME, Key("stranger"), [(D.serial, DAY, 1)]), ["revocation.issuer|revocation.signature"], may=["revocation.signature", "revocation.issuer", "chain.revoked"])
honoured("list of somebody else with that serial", revocation_list(name("Somebody", "FFF2"), Key("somebody"), [(D.serial, DAY, 1)]), [], exit=[0, 1], may=["revocation.issuer", "revocation.signature"])
honoured("reason unspecified spelled out", by_pai((D.serial, DAY, 0)), ["chain.revoked"], may=["revocation.encoding"])
honoured("list given as a file", by_pai((D.serial, DAY, 1)), ["chain.revoked"], args=["list.crl"])
TWIN = Cert("pai", A, serial=integer(99), before="20250501")
for order in (["twin.der", "pai.der"], ["pai.der", "twin.der"]):
    case(f"list: DAC revoked, {order[0]} first of two certificates of one PAI", {**F, "twin.der": TWIN.der, "list.crl": by_pai((D.serial, DAY, 1))},
         ["dac.der", *order], trust=["paa.der"], options=NOW + ["--revocations", "list.crl"], rejected=["chain.revoked"])
    case(f"list: DAC revoked, {order[0]} first, one of them expired by now", {**F, "twin.der": Cert("pai", A, serial=integer(98), after="20260101").der,
         "list.crl": by_pai((D.serial, DAY, 1))}, ["dac.der", *order], trust=["paa.der"], options=["--revocations", "list.crl"], rejected=["chain.revoked"])
case("list: as FILE only, beside the chain", {**F, "list.crl": by_pai((D.serial, DAY, 1))}, ["dac.der", "pai.der", "list.crl"], trust=["paa.der"], options=NOW, rejected=["chain.revoked"],
     clause="INTERFACE: checks everything that can be checked with what was given")

alone("plain", by_pai(*OTHERS, next_="20270101"), quiet=True)
alone("serial of 20 octets", by_pai((integer(0x7F << 152), DAY, 1)), quiet=True)
alone("number of 20 octets", by_pai(number=(1 << 158) + 1), quiet=True)
alone("dates of 2050 and later", by_pai(*OTHERS, next_="20510101"), quiet=True)
alone("issuing distribution point", by_pai(more=[extension("2.5.29.28", seq(der.tlv(0x81, b"\xff")), True)]), exit=[0, 1], may=["revocation.encoding"])
alone("signature broken", by_pai(tamper=flip), ["revocation.signature"])
alone("SHA-384", by_pai(algorithm=ECDSA_SHA384), ["revocation.signature"])
alone("no number", by_pai(drop=["number"]), ["revocation.number"])
alone("no authorityKeyIdentifier", by_pai(drop=["aki"]), ["revocation.issuer|revocation.number"], may=["revocation.signature"])
alone("neither number nor authorityKeyIdentifier", by_pai(drop=["aki", "number"]), ["revocation.number"], may=["revocation.issuer", "revocation.signature"])
alone("v1", by_pai(version=b"", drop=["aki", "number"]), ["revocation.encoding"], may=["revocation.number", "revocation.issuer", "revocation.signature"])
alone("stale", by_pai(next_="20260215"), [], warn=["revocation.dates"])
alone("no nextUpdate", by_pai(next_=None), [], exit=[0, 1], may=["revocation.dates"], warn=[])
alone("nextUpdate before thisUpdate", by_pai(this="20260201", next_="20260101"), [], exit=[0, 1], may=["revocation.dates"])
alone("length not shortest", by_pai(wrap=lambda *c: der.long_form(0x30, *c)), ["revocation.encoding"], kinds=None)
alone("unknown critical extension", by_pai(more=[extension("1.3.6.1.4.1.99999.7", NULL, True)]), ["revocation.encoding"], exit=[0, 1], may=["revocation.issuer"])
alone("issuer name of another", revocation_list(name("Other PAI", "FFF1"), I.key, authority=I.ski_value), ["revocation.issuer"], may=["revocation.signature"])
alone("identifier of another", revocation_list(PAI_NAME, I.key, authority=bytes(20)), ["revocation.issuer"], may=["revocation.signature"])
case("list alone: nothing else", {"list.crl": by_pai(*OTHERS)}, options=NOW, kinds={"list.crl": "revocation-list"}, exit=[0])

DELEGATE = Cert("pai", I, key=Key("list signer"), subject=name("Tern & Hollow list signer", "FFF1"), basic=basic(False), usage=usage(6), before="20250101")
BY = revocation_list(DELEGATE.subject, DELEGATE.key, [(D.serial, DAY, 1)])
CLEAN = revocation_list(DELEGATE.subject, DELEGATE.key, OTHERS, next_="20270101")
for text, crl, rules in (("revokes", BY, ["chain.revoked"]), ("clean", CLEAN, [])):
    honoured(f"delegated signer as FILE, {text}", crl, rules, extra={"signer.der": DELEGATE.der}, args=["signer.der"])
    honoured(f"delegated signer beside its list, {text}", {"lists/a.crl": crl, "lists/signer.pem": der.pem("CERTIFICATE", DELEGATE.der)}, rules)
    case(f"list: delegated signer beside a list given as FILE, {text}", {**F, "lists/a.crl": crl, "lists/signer.pem": der.pem("CERTIFICATE", DELEGATE.der)},
         ["dac.der", "pai.der", "lists/a.crl"], trust=["paa.der"], options=NOW, rejected=rules)
BY_PAA = Cert("pai", A, key=Key("list signer 2"), subject=name("Quarry Lane list signer"), basic=basic(False), usage=usage(6))
honoured("delegated signer of the PAA revokes the PAI", revocation_list(BY_PAA.subject, BY_PAA.key, [(I.serial, DAY, 1)]), ["chain.revoked"], extra={"signer.der": BY_PAA.der}, args=["signer.der"])
NOT_ONE = Cert("pai", I, key=Key("list signer 3"), subject=name("No list signer", "FFF1"), basic=basic(False), usage=usage(0))
honoured("delegated signer without cRLSign", revocation_list(NOT_ONE.subject, NOT_ONE.key, OTHERS), ["revocation.issuer|revocation.signature"], extra={"signer.der": NOT_ONE.der}, args=["signer.der"], may=["*"])
STRANGER = Cert("paa", key=Key("list signer 4"), subject=name("Stranger list signer"), basic=basic(False), usage=usage(6))
honoured("delegated signer that nobody certified", revocation_list(STRANGER.subject, STRANGER.key, [(D.serial, DAY, 1)]), ["revocation.issuer|revocation.signature"], extra={"signer.der": STRANGER.der}, args=["signer.der"], may=["*"])

case("list: stale now, no --at", {"list.crl": by_pai(*OTHERS, this="20240101", next_="20240201"), **F}, ["list.crl", "pai.der"], trust=["paa.der"], warn=["revocation.dates"])
case("list: told what it is", {"x": by_pai(next_="20510101")}, as_="revocation-list", kinds={"x": "revocation-list"})
case("request: told what it is", {"x": request(SUBJECT, KEY)}, as_="request", kinds={"x": "request"}, quiet=True)
honoured("entry with a serial of 21 octets", by_pai((der.tlv(2, b"\1" * 21), DAY, 1)), anchored=True)
honoured("cRLNumber zero", by_pai(number=0), anchored=True)
alone("number negative", by_pai(number=-1), ["revocation.number"])
alone("number of 21 octets", by_pai(number=1 << 160), ["revocation.number"])
alone("octets behind", by_pai() + bytes(9), ["revocation.encoding"], exit=[1, 2], kinds=None)

# Whoever names a file for its lists must not be told "accepted" because it holds none.
for case_name, files, told in (("no list but a PAI", {"lists.der": I.der}, "lists.der"), ("a folder without a list", {"lists/pai.der": I.der, "lists/README": b"lists of the day\n"}, "lists")):
    case(f"list: {case_name}", {**F, **files}, ["dac.der", "pai.der"], trust=["paa.der"], options=NOW + ["--revocations", told], exit=[2])

# A signer that an authority appoints may do nothing else; one of the same name may have had another key before.
SIGNER = Cert("pai", A, key=Key("list signer"), subject=name("List signer", "FFF1"), basic=basic(False), usage=usage(6))
FORMER = Cert("pai", A, key=Key("former list signer"), subject=name("List signer", "FFF1"), basic=basic(False), usage=usage(6))
SIGNED = revocation_list(SIGNER.subject, SIGNER.key, [(integer(5), DAY, 1)], authority=SIGNER.ski_value)
for case_name, files, args in (
    ("beside the list", {"lists/list.crl": SIGNED, "lists/signer.der": SIGNER.der}, ["lists/list.crl"]),
    ("named, a former one beside the list", {"signer.der": SIGNER.der, "lists/list.crl": SIGNED, "lists/former.der": FORMER.der}, ["signer.der", "lists/list.crl"]),
    ("behind a former one", {"signer.der": SIGNER.der, "lists/list.crl": SIGNED, "former.der": FORMER.der}, ["former.der", "lists/list.crl", "signer.der"]),
    ("first of a directory, a former one behind the list", {"lists/a.der": SIGNER.der, "lists/list.crl": SIGNED, "lists/z.der": FORMER.der}, ["lists"]),
):
    case(f"list by an appointed signer: {case_name}", {"paa.der": A.der, **files}, args, trust=["paa.der"], options=NOW, quiet=True)
case("list by an appointed signer: a former one alone", {"paa.der": A.der, "lists/list.crl": SIGNED, "lists/former.der": FORMER.der}, ["lists/list.crl"],
     trust=["paa.der"], options=NOW, rejected=["revocation.signature"], may=["revocation.issuer"])
