"""Whole chains, and public keys that are none of P-256."""

from cryptography.hazmat.primitives import serialization
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


P384_KEY = Key("a P-384 key", ec.SECP384R1())
# A modulus that nobody can factor is not needed where nothing is signed by it.
RSA_SPKI = rsa.RSAPublicNumbers(65537, int("C3" * 255 + "01", 16)).public_key().public_bytes(
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


A, I, D = chain()
F = files((A, I, D))

__all__ = [n for n in dir() if not n.startswith("_")]
