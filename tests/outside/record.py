"""Reads factory records without the program that wrote them.

    record.py SCHEMA EXPECTED CBOR IMAGE REGION HEX ADDRESS

SCHEMA is the page that holds the CDDL, EXPECTED a JSON object of the map's
values by key, octets in hex after `h'`. CBOR is read by cbor2, held against
the schema by pycddl, and Intel HEX is read by intelhex.
"""

import json
import sys
from pathlib import Path

import cbor2
import pycddl
from intelhex import IntelHex


def main():
    schema, expected, cbor, image, region, text, address = sys.argv[1:]
    octets = Path(cbor).read_bytes()

    record = cbor2.loads(octets)
    wanted = {
        int(key): bytes.fromhex(value[2:]) if isinstance(value, str) and value.startswith("h'") else value
        for key, value in json.loads(expected).items()
    }
    assert {key: record[key] for key in wanted} == wanted, record
    assert set(record) - set(wanted) <= {10, 12, 13}, record
    # RFC 8949 4.2: there is one encoding, and cbor2 gives the same.
    assert cbor2.dumps(record, canonical=True) == octets

    page = Path(schema).read_text()
    cddl = pycddl.Schema(page.split("```cddl\n")[1].split("```")[0])
    cddl.validate_cbor(octets)
    for key, wrong in [(11, 999), (12, b"\0" * 96), (2, 0xFFF5), (99, 1), (10, b"short")]:
        try:
            cddl.validate_cbor(cbor2.dumps({**record, key: wrong}, canonical=True))
        except pycddl.ValidationError:
            continue
        raise AssertionError(f"the schema allows {wrong!r} for {key}")

    flash = Path(image).read_bytes()
    assert len(flash) == int(region)
    assert flash == octets + b"\xff" * (int(region) - len(octets))

    read = IntelHex(text)
    assert read.minaddr() == int(address, 0)
    assert bytes(read.tobinarray()) == octets
    assert read.segments() == [(int(address, 0), int(address, 0) + len(octets))]
    print(f"{len(octets)} octets")


main()
