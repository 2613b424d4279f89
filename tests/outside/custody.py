"""Opens key files and sealed secrets without the program that made them.

    custody.py sign KEYFILE PASSPHRASE MESSAGE      -> DER signature in hex
    custody.py unseal SITEKEY PASSPHRASE BELONGS_TO SEALED_HEX -> identifier, secret
    custody.py derive SITEKEY PASSPHRASE BELONGS_TO -> 32 derived bytes in hex

Follows RFC 5958, 8018, 7914 (key files), RFC 5869, RFC 8452 and RFC 2104 (secrets).
"""

import base64
import hmac
import re
import sys
from pathlib import Path

from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives.ciphers.aead import AESGCM, AESGCMSIV
from cryptography.hazmat.primitives.kdf.hkdf import HKDF
from cryptography.hazmat.primitives.kdf.scrypt import Scrypt


def der(data):
    """The elements of one level of DER: (tag, content) pairs."""
    found = []
    while data:
        tag, length, at = data[0], data[1], 2
        if length & 0x80:
            octets = length & 0x7F
            length, at = int.from_bytes(data[2 : 2 + octets], "big"), 2 + octets
        found.append((tag, data[at : at + length]))
        data = data[at + length :]
    return found


def site_key(path, passphrase):
    """The 32 octets of a site key file, wrapped or not."""
    text = Path(path).read_text()
    label, body = re.search(r"-----BEGIN (.*?)-----(.*?)-----END", text, re.S).groups()
    block = base64.b64decode(body)
    if label == "SITE KEY":
        return block
    assert label == "WRAPPED SITE KEY", label
    ((_, outer),) = der(block)
    (_, algorithm), (_, sealed) = der(outer)
    _, (_, pbes2) = der(algorithm)
    (_, kdf), (_, cipher) = der(pbes2)
    (_, kdf_name), (_, kdf_parameters) = der(kdf)
    assert kdf_name.hex() == "2b06010401da47040b", "id-scrypt, RFC 7914 section 7"
    (_, salt), (_, n), (_, r), (_, p), *_ = der(kdf_parameters)
    (_, cipher_name), (_, nonce) = der(cipher)
    assert cipher_name.hex() == "60864801650304012e", "id-aes256-GCM, RFC 5084"
    n, r, p = (int.from_bytes(x, "big") for x in (n, r, p))
    key = Scrypt(salt=salt, length=32, n=n, r=r, p=p).derive(passphrase)
    return AESGCM(key).decrypt(nonce, sealed, None)


def draw(key, length, info):
    return HKDF(hashes.SHA256(), length, None, info).derive(key)


def main(act, path, passphrase, *rest):
    passphrase = passphrase.encode()
    if act == "sign":
        (message,) = rest
        key = serialization.load_pem_private_key(Path(path).read_bytes(), passphrase)
        print(key.sign(message.encode(), ec.ECDSA(hashes.SHA256())).hex())
    elif act == "unseal":
        belongs_to, sealed = rest
        sealed = bytes.fromhex(sealed)
        key = site_key(path, passphrase)
        identifier = draw(key, 4, b"touchmark site key id 1")
        assert sealed[0] == 1 and sealed[1:5] == identifier
        secret = AESGCMSIV(draw(key, 32, b"touchmark seal 1")).decrypt(sealed[5:17], sealed[17:], belongs_to.encode())
        print(identifier.hex(), secret.decode())
    elif act == "derive":
        (belongs_to,) = rest
        key = draw(site_key(path, passphrase), 32, b"touchmark derive 1")
        print(hmac.digest(key, belongs_to.encode(), "sha256").hex())
    else:
        sys.exit(__doc__)


main(*sys.argv[1:])
