"""Tag-length-value (Core Spec Appendix A), any legal form on demand."""


def control(kind, tag):
    """`tag`: None anonymous, an int context, (vendor, profile, number) fully qualified."""
    if tag is None:
        return bytes([kind])
    if isinstance(tag, int):
        return bytes([0x20 | kind, tag])
    vendor, profile, number = tag
    return bytes([0xC0 | kind]) + b"".join(x.to_bytes(2, "little") for x in (vendor, profile, number))


def uint(tag, value, size=None):
    size = size or next(s for s in (1, 2, 4, 8) if value < 1 << 8 * s)
    return control(0x04 + {1: 0, 2: 1, 4: 2, 8: 3}[size], tag) + value.to_bytes(size, "little")


def sint(tag, value, size=1):
    return control({1: 0, 2: 1, 4: 2, 8: 3}[size], tag) + value.to_bytes(size, "little", signed=True)


def _sized(base, tag, body, size):
    size = size or next(s for s in (1, 2, 4, 8) if len(body) < 1 << 8 * s)
    return control(base + {1: 0, 2: 1, 4: 2, 8: 3}[size], tag) + len(body).to_bytes(size, "little") + body


def text(tag, value, size=None):
    return _sized(0x0C, tag, value if isinstance(value, bytes) else value.encode(), size)


def octets(tag, value, size=None):
    return _sized(0x10, tag, value, size)


def boolean(tag, value):
    return control(0x09 if value else 0x08, tag)


def null(tag):
    return control(0x14, tag)


END = b"\x18"


def structure(tag, *members):
    return control(0x15, tag) + b"".join(members) + END


def array(tag, *members):
    return control(0x16, tag) + b"".join(members) + END


def list_(tag, *members):
    return control(0x17, tag) + b"".join(members) + END
