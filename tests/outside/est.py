"""An EST server (RFC 7030) on Python's ssl and http.server, with an authority of its own made by `cryptography`.

    est.py make DIR              keys and certificates: root.pem (PAA), tls-ca.pem, client.pem, client.key, other-ca.pem
    est.py serve DIR [OPTION]... prints its port, and serves until it is killed

Each simpleenroll is a line of DIR/asked: chip, digest of the request, what was answered.
"""

import argparse
import base64
import datetime
import hashlib
import http.server
import pathlib
import ssl
import sys
import threading

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives.serialization import pkcs7
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

VENDOR = x509.ObjectIdentifier("1.3.6.1.4.1.37244.2.1")
BEGIN = datetime.datetime(2024, 1, 1, tzinfo=datetime.timezone.utc)
END = datetime.datetime(2044, 1, 1, tzinfo=datetime.timezone.utc)
PEM = serialization.Encoding.PEM


def name(common, vendor=None):
    attributes = [x509.NameAttribute(NameOID.COMMON_NAME, common)]
    if vendor:
        attributes.append(x509.NameAttribute(VENDOR, vendor))
    return x509.Name(attributes)


def usage(**named):
    every = dict.fromkeys(
        "digital_signature content_commitment key_encipherment data_encipherment key_agreement key_cert_sign crl_sign "
        "encipher_only decipher_only".split(),
        False,
    )
    return x509.KeyUsage(**{**every, **named})


def certify(subject, key, issuer, signer, ca=None, more=()):
    """A certificate; `ca` is its path length, `signer` the issuer's private key."""
    built = (
        x509.CertificateBuilder()
        .subject_name(subject)
        .issuer_name(issuer)
        .public_key(key)
        .serial_number(x509.random_serial_number())
        .not_valid_before(BEGIN)
        .not_valid_after(END)
        .add_extension(x509.BasicConstraints(ca is not None, ca), critical=True)
        .add_extension(
            usage(digital_signature=True) if ca is None else usage(key_cert_sign=True, crl_sign=True), critical=True
        )
        .add_extension(x509.SubjectKeyIdentifier.from_public_key(key), critical=False)
        .add_extension(x509.AuthorityKeyIdentifier.from_issuer_public_key(signer.public_key()), critical=False)
    )
    for extension in more:
        built = built.add_extension(extension, critical=False)
    return built.sign(signer, hashes.SHA256())


def new_key():
    return ec.generate_private_key(ec.SECP256R1())


def private(key):
    return key.private_bytes(PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption())


def make(folder):
    root, middle, tls_ca, tls, client, other = (new_key() for _ in range(6))
    root_name, middle_name = name("Quarry Lane Test Online PAA", "FFF2"), name("Quarry Lane Test Online PAI", "FFF2")
    tls_name = name("Quarry Lane TLS")
    put = lambda file, *parts: (folder / file).write_bytes(b"".join(parts))
    pem = lambda certificate: certificate.public_bytes(PEM)
    put("root.pem", pem(certify(root_name, root.public_key(), root_name, root, ca=1)))
    put("issuer.pem", pem(certify(middle_name, middle.public_key(), root_name, root, ca=0)))
    put("issuer.key", private(middle))
    put("tls-ca.pem", pem(certify(tls_name, tls_ca.public_key(), tls_name, tls_ca, ca=0)))
    put("other-ca.pem", pem(certify(name("Another"), other.public_key(), name("Another"), other, ca=0)))
    host = [x509.SubjectAlternativeName([x509.DNSName("localhost")])]
    serving = [x509.ExtendedKeyUsage([ExtendedKeyUsageOID.SERVER_AUTH])]
    put("tls.pem", pem(certify(name("server"), tls.public_key(), tls_name, tls_ca, more=host + serving)), private(tls))
    asking = [x509.ExtendedKeyUsage([ExtendedKeyUsageOID.CLIENT_AUTH])]
    put("client.pem", pem(certify(name("Tern & Hollow"), client.public_key(), tls_name, tls_ca, more=asking)))
    put("client.key", private(client))


class Authority:
    def __init__(self, folder, options):
        self.folder, self.options, self.lock, self.count, self.seen = folder, options, threading.Lock(), 0, set()
        self.issuer = x509.load_pem_x509_certificate((folder / "issuer.pem").read_bytes())
        self.root = x509.load_pem_x509_certificate((folder / "root.pem").read_bytes())
        self.key = serialization.load_pem_private_key((folder / "issuer.key").read_bytes(), None)

    def note(self, chip, der, what):
        with open(self.folder / "asked", "a", encoding="utf-8") as log:
            log.write(f"{chip} {hashlib.sha256(der).hexdigest()} {what}\n")

    def answer(self, body):
        """Status, type and octets of the answer to a request."""
        der = base64.b64decode(body, validate=False)
        request = x509.load_der_x509_csr(der)
        assert request.is_signature_valid, "the request is not signed by its key"
        chip = request.subject.get_attributes_for_oid(NameOID.COMMON_NAME)[0].value
        with self.lock:
            self.count += 1
            number, again = self.count, chip in self.seen
            self.seen.add(chip)
        options = self.options
        if number in options.refuse:
            self.note(chip, der, "refused")
            return 400, "text/plain", "Der Schlüssel dieses Chips ist gesperrt.".encode()
        if number in options.later and not again:
            self.note(chip, der, "later")
            return 202, "text/plain", b"wait"
        if number in options.die:
            self.note(chip, der, "died")
            return 0, "", b""
        key = new_key().public_key() if number in options.other else request.public_key()
        dac = certify(request.subject, key, self.issuer.subject, self.key)
        self.note(chip, der, "issued")
        folded = base64.encodebytes(pkcs7.serialize_certificates([dac], serialization.Encoding.DER))
        return 200, "application/pkcs7-mime; smime-type=certs-only", folded


class Handler(http.server.BaseHTTPRequestHandler):
    protocol_version = "HTTP/1.1"

    def log_message(self, *_):
        pass

    def give(self, status, kind, octets, **headers):
        self.send_response(status)
        self.send_header("Content-Type", kind)
        self.send_header("Content-Length", str(len(octets)))
        for header, value in headers.items():
            self.send_header(header.replace("_", "-"), value)
        self.end_headers()
        self.wfile.write(octets)

    def known(self):
        options = self.server.authority.options
        if options.client:
            return bool(self.connection.getpeercert())
        wanted = "Basic " + base64.b64encode(b"tern:a long word").decode()
        if self.headers.get("Authorization") == wanted:
            return True
        with open(self.server.authority.folder / "unknown", "a", encoding="utf-8") as log:
            log.write("one\n")
        self.give(401, "text/plain", b"Who are you?", WWW_Authenticate='Basic realm="est"')
        return False

    def do_GET(self):
        authority = self.server.authority
        if not self.known():
            return
        if self.path == "/.well-known/est/tern/cacerts":
            both = pkcs7.serialize_certificates([authority.root, authority.issuer], serialization.Encoding.DER)
            self.give(200, "application/pkcs7-mime", base64.encodebytes(both))
        elif self.path == "/.well-known/est/tern/csrattrs" and authority.options.wants:
            self.give(200, "application/csrattrs", base64.b64encode(bytes.fromhex(authority.options.wants)))
        elif self.path == "/.well-known/est/tern/csrattrs":
            self.send_response(204)
            self.end_headers()
        else:
            self.give(404, "text/plain", b"No such label.")

    def do_POST(self):
        body = self.rfile.read(int(self.headers["Content-Length"]))
        if not self.known():
            return
        assert self.path == "/.well-known/est/tern/simpleenroll", self.path
        assert self.headers["Content-Type"] == "application/pkcs10"
        status, kind, octets = self.server.authority.answer(body)
        if status == 0:
            self.close_connection = True
            self.connection.close()
        elif status == 202:
            self.give(status, kind, octets, Retry_After="1")
        else:
            self.give(status, kind, octets)


def serve(folder, options):
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(folder / "tls.pem")
    if options.tls:
        context.minimum_version = context.maximum_version = getattr(ssl.TLSVersion, "TLSv" + options.tls)
    if options.client:
        context.load_verify_locations(folder / "tls-ca.pem")
        context.verify_mode = ssl.CERT_REQUIRED
    server = http.server.ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    server.daemon_threads = True
    server.authority = Authority(folder, options)
    server.socket = context.wrap_socket(server.socket, server_side=True, do_handshake_on_connect=False)
    print(server.server_address[1], flush=True)
    server.serve_forever()


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("what", choices=["make", "serve"])
    parser.add_argument("folder", type=pathlib.Path)
    for numbers in ("refuse", "later", "die", "other"):
        parser.add_argument(f"--{numbers}", type=int, action="append", default=[], metavar="N")
    parser.add_argument("--tls")
    parser.add_argument("--wants")
    parser.add_argument("--client", action="store_true")
    options = parser.parse_args()
    if options.what == "make":
        make(options.folder)
    else:
        serve(options.folder, options)
    return 0


if __name__ == "__main__":
    sys.exit(main())
