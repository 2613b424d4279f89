"""What the standard allows in a chain, and dates across it."""

from . import der
from .make import *
from .three import *

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
three("DAC expired by now", dac=dict(before="20250601", after="20250701"), quiet=True, warn=["dac.not-current"])
three("DAC begins with the PAI", pai=dict(before="20250601"), quiet=True)
three("DAC begins in the PAI's last second", pai=dict(after="20250601"), quiet=True)
three("DAC begins one second before the PAI", ["chain.validity"], pai=dict(before="20250601000001Z"))
three("DAC begins one second after the PAI", ["chain.validity"], pai=dict(after="20250531235959Z"))
three("DAC before the PAA", ["chain.validity"], paa=dict(before="20250602"))
three("DAC after the PAA", ["chain.validity"], paa=dict(after="20250531"))
three("DAC in the future", dac=dict(before="20400101"), quiet=True, warn=["dac.not-current"])
three("DAC of 2060", dac=dict(before="20600101"), quiet=True, warn=["dac.not-current"])
three("--at when the PAI has expired", ["chain.validity"], pai=dict(after="20260101"),
      options=["--at", "2026-03-01T12:00:00Z"])
three("--at when the DAC has expired", ["chain.validity"], dac=dict(after="20260101"),
      options=["--at", "2026-03-01T12:00:00Z"])
three("--at before the DAC", ["chain.validity"], options=["--at", "2024-03-01T12:00:00Z"])
three("--at when all is well", options=["--at", "2026-03-01T12:00:00Z"], quiet=True)
three("--at heals a DAC issued before its PAI", pai=dict(before="20250701"),
      options=["--at", "2026-03-01T12:00:00Z"], clause="INTERFACE: replaces the judging time")
