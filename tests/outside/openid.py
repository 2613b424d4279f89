"""A company's sign-in provider, as OpenID Connect Core 1.0 and RFC 7636 describe one, that can also be made to lie.

    openid.py --client ID --secret SECRET --back URL [--port PORT]

Prints its issuer identifier, then serves until it is ended. `GET /as?sub=…&groups=a,b&preferred_username=…&fault=…` sets
who signs in next, and how the answer is spoiled. It keeps to its side: the redirect address must be the registered one,
a code counts once, the verifier must fit the challenge, the client must prove itself in the header.
"""

import argparse
import base64
import hashlib
import hmac
import http.server
import json
import secrets
import time
import urllib.parse

from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec, padding, rsa
from cryptography.hazmat.primitives.asymmetric.utils import decode_dss_signature

RSA = rsa.generate_private_key(public_exponent=65537, key_size=2048)
STRANGER = rsa.generate_private_key(public_exponent=65537, key_size=2048)
EC = ec.generate_private_key(ec.SECP256R1())


def b64(octets):
    return base64.urlsafe_b64encode(octets).rstrip(b"=").decode()


def number(value, size=None):
    return b64(value.to_bytes(size or (value.bit_length() + 7) // 8, "big"))


def keys():
    n, e = RSA.public_key().public_numbers().n, RSA.public_key().public_numbers().e
    point = EC.public_key().public_numbers()
    return {"keys": [
        {"kty": "RSA", "use": "sig", "alg": "RS256", "kid": "rsa-1", "n": number(n), "e": number(e)},
        {"kty": "EC", "use": "sig", "alg": "ES256", "kid": "ec-1", "crv": "P-256", "x": number(point.x, 32), "y": number(point.y, 32)},
    ]}


def sign(alg, data, fault, secret):
    """The signature of RFC 7515, or one of the tricks that have passed for one."""
    if alg == "none":
        return b""
    if fault == "hs256-public-key":
        public = RSA.public_key().public_bytes(serialization.Encoding.PEM, serialization.PublicFormat.SubjectPublicKeyInfo)
        return hmac.new(public, data, hashlib.sha256).digest()
    if fault == "hs256-modulus":
        return hmac.new(RSA.public_key().public_numbers().n.to_bytes(256, "big"), data, hashlib.sha256).digest()
    if alg == "HS256":
        return hmac.new(secret.encode(), data, hashlib.sha256).digest()
    if alg == "ES256":
        r, s = decode_dss_signature(EC.sign(data, ec.ECDSA(hashes.SHA256())))
        return r.to_bytes(32, "big") + s.to_bytes(32, "big")
    key = STRANGER if fault == "signature" else RSA
    return key.sign(data, padding.PKCS1v15(), hashes.SHA256())


def token(asked, person, fault, provider):
    now = int(time.time())
    claims = {"iss": provider.issuer, "aud": provider.client, "iat": now, "exp": now + 300, "nonce": asked["nonce"], **person}
    header = {"alg": "RS256", "typ": "JWT", "kid": "rsa-1"}
    spoil = {
        "audience": lambda: claims.update(aud="another-client"),
        "audiences": lambda: claims.update(aud=[provider.client, "another-client"]),
        "issuer": lambda: claims.update(iss="http://127.0.0.1:1"),
        "nonce": lambda: claims.update(nonce="another"),
        "no-nonce": lambda: claims.pop("nonce"),
        "expired": lambda: claims.update(iat=now - 600, exp=now - 120),
        "just-expired": lambda: claims.update(iat=now - 600, exp=now - 20),
        "to-come": lambda: claims.update(iat=now + 300, exp=now + 600),
        "fast-clock": lambda: claims.update(iat=now + 20),
        "alg-none": lambda: header.update(alg="none"),
        "hs256-public-key": lambda: header.update(alg="HS256"),
        "hs256-modulus": lambda: header.update(alg="HS256"),
        "hs256-secret": lambda: header.update(alg="HS256"),
        "unknown-key": lambda: header.update(kid="rsa-2"),
        "another-kind-of-key": lambda: header.update(kid="ec-1"),
        "critical": lambda: header.update(crit=["b64"]),
        "es256": lambda: header.update(alg="ES256", kid="ec-1"),
        "no-subject": lambda: claims.pop("sub"),
        "long-subject": lambda: claims.update(sub="x" * 256),
    }
    spoil.get(fault, lambda: None)()
    data = f"{b64(json.dumps(header).encode())}.{b64(json.dumps(claims).encode())}"
    signature = sign(header["alg"], data.encode(), fault, provider.secret)
    if fault == "altered":
        claims["groups"] = ["engineers"]
        claims["sub"] = "somebody-else"
        data = f"{b64(json.dumps(header).encode())}.{b64(json.dumps(claims).encode())}"
    return f"{data}.{b64(signature)}"


class Answering(http.server.BaseHTTPRequestHandler):
    def log_message(self, *_):
        pass

    def send(self, status, body, **headers):
        octets = json.dumps(body).encode()
        self.send_response(status)
        for name, value in {"Content-Type": "application/json", "Content-Length": str(len(octets)), **headers}.items():
            self.send_header(name.replace("_", "-"), value)
        self.end_headers()
        self.wfile.write(octets)

    def do_GET(self):
        provider = self.server
        address = urllib.parse.urlsplit(self.path)
        query = dict(urllib.parse.parse_qsl(address.query, keep_blank_values=True))
        if address.path == "/.well-known/openid-configuration":
            other = "http://127.0.0.1:1" if provider.fault == "metadata-issuer" else provider.issuer
            plain = "http://provider.example/token" if provider.fault == "plain-endpoint" else f"{provider.issuer}/token"
            self.send(200, {
                "issuer": other, "authorization_endpoint": f"{provider.issuer}/authorize", "token_endpoint": plain,
                "jwks_uri": f"{provider.issuer}/keys", "response_types_supported": ["code"], "subject_types_supported": ["public"],
                "id_token_signing_alg_values_supported": ["RS256", "ES256"], "code_challenge_methods_supported": ["S256"],
                "token_endpoint_auth_methods_supported": ["client_secret_basic"],
                "authorization_response_iss_parameter_supported": True,
            })
        elif address.path == "/keys":
            self.send(200, keys())
        elif address.path == "/as":
            provider.fault = query.pop("fault", "")
            groups = query.pop("groups", None)
            provider.person = query if groups is None else {**query, "groups": [g for g in groups.split(",") if g]}
            self.send(200, {})
        elif address.path == "/authorize":
            self.authorize(provider, query)
        else:
            self.send(404, {})

    def authorize(self, provider, query):
        wrong = [name for name, value in {
            "client_id": provider.client, "redirect_uri": provider.back, "response_type": "code", "code_challenge_method": "S256",
        }.items() if query.get(name) != value]
        wrong += [name for name in ("state", "nonce", "code_challenge") if len(query.get(name, "")) < 22]
        wrong += [] if "openid" in query.get("scope", "").split() else ["scope"]
        if wrong:
            return self.send(400, {"wrong": wrong})
        code = secrets.token_urlsafe(24)
        provider.codes[code] = (query, dict(provider.person), provider.fault)
        answer = {"code": code, "state": query["state"], "iss": provider.issuer}
        if provider.fault == "denied":
            answer = {"error": "access_denied", "state": query["state"]}
        if provider.fault == "answer-issuer":
            answer["iss"] = "http://127.0.0.1:1"
        self.send(302, {}, Location=f"{provider.back}?{urllib.parse.urlencode(answer)}")

    def do_POST(self):
        provider = self.server
        body = self.rfile.read(int(self.headers.get("Content-Length", 0))).decode()
        form = dict(urllib.parse.parse_qsl(body, keep_blank_values=True))
        known = ":".join(urllib.parse.quote_plus(part) for part in (provider.client, provider.secret))
        if self.path != "/token" or self.headers.get("Authorization") != f"Basic {base64.b64encode(known.encode()).decode()}":
            return self.send(401, {"error": "invalid_client"})
        asked, person, fault = provider.codes.pop(form.get("code"), (None, None, None))
        challenge = b64(hashlib.sha256(form.get("code_verifier", "").encode()).digest())
        if asked is None or challenge != asked["code_challenge"] or form.get("redirect_uri") != asked["redirect_uri"]:
            return self.send(400, {"error": "invalid_grant"})
        answer = {"access_token": secrets.token_urlsafe(8), "token_type": "Bearer"}
        if fault != "no-token":
            answer["id_token"] = token(asked, person, fault, provider)
        self.send(200, answer)


def main():
    read = argparse.ArgumentParser()
    read.add_argument("--client", required=True)
    read.add_argument("--secret", required=True)
    read.add_argument("--back", required=True)
    read.add_argument("--port", type=int, default=0)
    read.add_argument("--host", default="127.0.0.1")
    asked = read.parse_args()
    server = http.server.ThreadingHTTPServer(("127.0.0.1", asked.port), Answering)
    server.issuer = f"http://{asked.host}:{server.server_address[1]}"
    server.client, server.secret, server.back = asked.client, asked.secret, asked.back
    server.person, server.fault, server.codes = {"sub": "nobody"}, "", {}
    print(server.issuer, flush=True)
    server.serve_forever()


if __name__ == "__main__":
    main()
