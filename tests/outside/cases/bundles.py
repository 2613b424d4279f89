"""The forms in which files come."""

import base64

from . import der
from .case import case
from .three import A, D, F, I
from .lists import KEY, SUBJECT, by_pai
from .make import *

TRUST = {"paa.der": A.der}
CERTS = [D.der, I.der]
LABEL = "CERTIFICATE"


def bundle(case_name, content, file="bundle.bin", **more):
    more.setdefault("kinds", ["dac", "pai"])
    more.setdefault("anchored", True)
    case(f"bundle: {case_name}", {**TRUST, file: content}, [file], trust=["paa.der"], **more)


PEMS = [der.pem(LABEL, c) for c in CERTS]
bundle("PEM", b"".join(PEMS), "bundle.pem")
bundle("PEM, PAI first", b"".join(reversed(PEMS)))
bundle("PEM with CRLF", b"".join(PEMS).replace(b"\n", b"\r\n"))
bundle("PEM with CR", b"".join(PEMS).replace(b"\n", b"\r"), exit=[0, 2], kinds=None, anchored=None)
bundle("PEM with text around", b"Subject: Tern Vent\n  from the authority\n" + PEMS[0] + b"\n\nand its issuer:\n" + PEMS[1] + b"-- \nRegards\n")
bundle("PEM as `openssl x509 -text` writes it", b"Certificate:\n    Data:\n        Version: 3 (0x2)\n" + PEMS[0] + b"Certificate:\n" + PEMS[1])
bundle("PEM with Bag Attributes", b"Bag Attributes\n    localKeyID: 01 02\nsubject=CN = Tern\n" + PEMS[0] + PEMS[1])
bundle("PEM after a byte order mark", b"\xef\xbb\xbf" + b"".join(PEMS))
bundle("PEM with no newline at the end", b"".join(PEMS).rstrip(b"\n"))
bundle("PEM with lines of 76", b"".join(der.pem(LABEL, c, 76) for c in CERTS))
bundle("PEM on one line", b"".join(der.pem(LABEL, c, 100000) for c in CERTS))
bundle("PEM with trailing blanks", b"".join(PEMS).replace(b"\n", b"  \n"))
bundle("PEM labelled X509 CERTIFICATE", b"".join(der.pem("X509 CERTIFICATE", c) for c in CERTS))
bundle("PEM labelled TRUSTED-like text between", PEMS[0] + b"# comment\n\n\n" + PEMS[1])
bundle("DER one after the other", b"".join(CERTS))
bundle("PKCS #7 in DER", pkcs7(CERTS))
bundle("PKCS #7 in BER", pkcs7(CERTS, lambda *c: der.indefinite(0x30, *c)))
bundle("PKCS #7 with the certificates unsorted", pkcs7(sorted(CERTS, reverse=True)))
bundle("PKCS #7 with the certificates sorted", pkcs7(sorted(CERTS)))
bundle("PKCS #7 in PEM", der.pem("PKCS7", pkcs7(CERTS)), "bundle.p7b")
bundle("PKCS #7 in PEM labelled CMS", der.pem("CMS", pkcs7(CERTS)))
bundle("PKCS #7 in BER, in PEM", der.pem("PKCS7", pkcs7(CERTS, lambda *c: der.indefinite(0x30, *c))))
bundle("PKCS #7 with a list", pkcs7(CERTS, lists=[by_pai()]), kinds=["dac", "pai", "revocation-list"])
bundle("PKCS #7 empty", pkcs7([]), exit=[2], kinds=None, anchored=None)
bundle("everything in one PEM", b"".join(PEMS) + der.pem("X509 CRL", by_pai()) + der.pem("CERTIFICATE REQUEST", request(SUBJECT, KEY)),
       kinds=["dac", "pai", "request", "revocation-list"])
bundle("PEM with a private key beside", b"".join(PEMS) + Key("leaked").private_pem(), kinds=["dac", "pai"], exit=[0, 2], anchored=None)
for name_, ext in (("certificate named as JSON", "x.json"), ("certificate named as PEM", "x.pem"), ("certificate named as list", "x.crl"), ("certificate without extension", "x")):
    case(f"bundle: {name_}", {**TRUST, ext: D.der, "pai.txt": PEMS[1]}, [ext, "pai.txt"], trust=["paa.der"], kinds={ext: "dac", "pai.txt": "pai"}, anchored=True)
case("bundle: PEM named as DER", {**TRUST, "dac.der": PEMS[0], "pai.cer": PEMS[1]}, ["dac.der", "pai.cer"], trust=["paa.der"], kinds={"dac.der": "dac", "pai.cer": "pai"}, anchored=True)
case("bundle: a directory", {**TRUST, "in/a/dac.der": D.der, "in/b/pai.pem": PEMS[1], "in/NOTES.txt": b"read me\n", "in/.hidden": b"\0"}, ["in"], trust=["paa.der"], anchored=True)
case("bundle: a directory with only notes", {"in/NOTES.txt": b"read me\n"}, ["in"], exit=[2])
case("bundle: an empty directory", {"in/": b""}, ["in"], exit=[2])
case("bundle: two directories, same file names", {**TRUST, "a/dac.der": D.der, "b/dac.der": Cert("dac", I, key=Key("b"), usage=usage(0, 1)).der, "pai.der": I.der}, ["a", "b", "pai.der"], trust=["paa.der"],
     rejected=["dac.key-usage"])
case("bundle: file name with spaces and umlauts", {**TRUST, "Tür 7 – dac.der": D.der, "pai.der": I.der}, ["Tür 7 – dac.der", "pai.der"], trust=["paa.der"], anchored=True, kinds={"Tür 7 – dac.der": "dac", "pai.der": "pai"})
case("bundle: file name with an escape", {**TRUST, "a\x1b[31mred.der": Cert("dac", I, usage=usage(0, 1)).der, "pai.der": I.der}, ["a\x1b[31mred.der", "pai.der"], trust=["paa.der"], rejected=["dac.key-usage"])
case("bundle: file name that looks like an option", {**TRUST, "--json.der": D.der, "pai.der": I.der}, ["--trust", "paa.der", "--", "--json.der", "pai.der"], anchored=True)
