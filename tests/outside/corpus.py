#!/usr/bin/env python3
"""Writes the corpus of `touchmark examine`: python corpus.py DIR

DIR/index.json lists the cases; each has a directory of its own, in which the program is run.
Built with `cryptography` and octets written by hand, from the clauses of the Core Specification
and of RFC 5280, 5652 and 2986; nothing here passes through the code under test.
"""

import importlib
import json
import pathlib
import sys

from cases.case import CASES

MODULES = ("rules", "allowed", "links", "given", "declarations", "exchanges", "lists", "bundles", "hostile")


def main(out):
    for module in MODULES:
        importlib.import_module(f"cases.{module}")
    root = pathlib.Path(out)
    index = []
    for number, row in enumerate(CASES):
        row = dict(row)
        home = root / f"{number:04}"
        home.mkdir(parents=True)
        for path, content in row.pop("files").items():
            target = home / path
            if path.endswith("/"):
                target.mkdir(parents=True, exist_ok=True)
                continue
            target.parent.mkdir(parents=True, exist_ok=True)
            if content.strip(b"\0") or len(content) < 1 << 20:
                target.write_bytes(content)
            else:  # large and empty: without taking up the disk
                with target.open("wb") as file:
                    file.truncate(len(content))
        index.append({"dir": home.name, **row})
    (root / "index.json").write_text(json.dumps(index, indent=1))
    print(len(index), "cases")


if __name__ == "__main__":
    main(*sys.argv[1:])
