#!/usr/bin/env python3
"""Makes chips of the example driver from simulated chips' keys: python load_driver.py KEYS FOLDER

KEYS is NDJSON of `chip_id` and `private_key`, as tests/data has it.
"""

import json
import pathlib
import sys

sys.dont_write_bytecode = True
sys.path.insert(0, str(pathlib.Path(__file__).resolve().parents[2] / "examples"))

from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives.serialization import Encoding, NoEncryption, PrivateFormat

from chip_driver import Chip

folder = pathlib.Path(sys.argv[2])
folder.mkdir(parents=True)
for line in pathlib.Path(sys.argv[1]).read_text().splitlines():
    chip = json.loads(line)
    key = ec.derive_private_key(int(chip["private_key"], 16), ec.SECP256R1())
    pem = key.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption()).decode()
    Chip.save(folder / f"{chip['chip_id']}.json", {"key": pem, "locked": False, "objects": {}})
