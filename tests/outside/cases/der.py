"""DER by hand (ITU-T X.690), so that a case can hold what no library would write."""

import re


def tlv(tag, *content):
    """Identifier, definite shortest length, contents."""
    body = b"".join(content)
    return bytes([tag]) + length(len(body)) + body


def length(n, octets=None):
    """X.690 8.1.3; `octets` forces the long form with so many length octets."""
    if octets is None and n < 0x80:
        return bytes([n])
    octets = octets or (n.bit_length() + 7) // 8
    return bytes([0x80 | octets]) + n.to_bytes(octets, "big")


def long_form(tag, *content, octets=3):
    """Legal BER, forbidden in DER: more length octets than needed."""
    body = b"".join(content)
    return bytes([tag]) + length(len(body), octets) + body


def indefinite(tag, *content):
    """Legal BER, forbidden in DER: the indefinite form."""
    return bytes([tag, 0x80]) + b"".join(content) + b"\0\0"


def seq(*content):
    return tlv(0x30, *content)


def set_(*content):
    """SET OF as it comes; the caller sorts (or does not, on purpose)."""
    return tlv(0x31, *content)


def integer(n):
    size = 1
    while not -(1 << (8 * size - 1)) <= n < 1 << (8 * size - 1):
        size += 1
    return tlv(2, n.to_bytes(size, "big", signed=True))


def oid(dotted):
    first, second, *rest = (int(part) for part in dotted.split("."))
    out = b""
    for arc in [40 * first + second, *rest]:
        chunk = [arc & 0x7F]
        while arc := arc >> 7:
            chunk.append(0x80 | (arc & 0x7F))
        out += bytes(reversed(chunk))
    return tlv(6, out)


def octets(content):
    return tlv(4, content)


def bits(content, unused=0):
    return tlv(3, bytes([unused]), content)


def boolean(value):
    return tlv(1, b"\xff" if value else b"\0")


NULL = tlv(5)


def utf8(text):
    return tlv(0x0C, text.encode())


def printable(text):
    return tlv(0x13, text.encode("ascii"))


def teletex(text):
    return tlv(0x14, text.encode("latin-1"))


def ia5(text):
    return tlv(0x16, text.encode("ascii"))


def bmp(text):
    return tlv(0x1E, text.encode("utf-16-be"))


def utc(text):
    return tlv(0x17, text.encode("ascii"))


def generalized(text):
    return tlv(0x18, text.encode("ascii"))


def time(text):
    """RFC 5280 4.1.2.5 from `20250601` or `20250601000000Z`."""
    text = text if text.endswith("Z") else f"{text:0<14}Z"
    return utc(text[2:]) if "1950" <= text[:4] < "2050" else generalized(text)


def context(n, *content, constructed=True):
    return tlv(0x80 | (0x20 if constructed else 0) | n, *content)


def pem(label, der, width=64, newline="\n"):
    """RFC 7468."""
    import base64

    text = base64.b64encode(der).decode()
    lines = re.findall(f".{{1,{width}}}", text)
    return newline.join([f"-----BEGIN {label}-----", *lines, f"-----END {label}-----", ""]).encode()
