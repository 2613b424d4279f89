"""Licences of all that is linked into the program, as its package and its pages carry them.

Writes packaging/licences.txt anew with --write; without it, says whether the file is that of Cargo.lock, and whether
every licence is one that the program may be given on with. Names and licence terms are those of each crate's own manifest
(SPDX expressions, ISO/IEC 5962) and of the licence files in its package.
"""

import json
import pathlib
import re
import subprocess
import sys

ROOT = pathlib.Path(__file__).resolve().parents[2]
LIST = ROOT / "packaging" / "licences.txt"
# Each lets a program be given on in binary form, with its notice.
ALLOWED = {
    "0BSD", "Apache-2.0", "BSD-1-Clause", "BSD-2-Clause", "BSD-3-Clause", "BSL-1.0", "CC0-1.0",
    "BlueOak-1.0.0", "CDLA-Permissive-2.0", "ISC", "MIT", "MIT-0", "MPL-2.0", "OpenSSL", "Unicode-3.0", "Unlicense", "Zlib", "bzip2-1.0.6",
}
TARGET = "x86_64-unknown-linux-gnu"
# What comes along without a crate: name, licence, its text where it lies here. The licence of the first is from memory.
ALONG = [
    ("htmx 2 and its extension for server-sent events", "0BSD", None),
    ("Atkinson Hyperlegible Next", "OFL-1.1", ROOT / "crates/print/fonts/OFL-Next.txt"),
    ("Atkinson Hyperlegible Mono", "OFL-1.1", ROOT / "crates/print/fonts/OFL-Mono.txt"),
]
NAMES = re.compile(r"(?i)^(licen[cs]e|copying|copyright|notice|unlicense)")


def linked():
    """Crates of the program on Linux, without those that only build or test it."""
    words = ["cargo", "metadata", "--format-version", "1", "--locked", "--filter-platform", TARGET]
    metadata = json.loads(subprocess.run(words, cwd=ROOT, check=True, capture_output=True).stdout)
    packages = {package["id"]: package for package in metadata["packages"]}
    nodes = {node["id"]: node for node in metadata["resolve"]["nodes"]}
    start = next(id for id, package in packages.items() if package["name"] == "touchmark")
    seen, open_ = set(), [start]
    while open_:
        id = open_.pop()
        if id in seen or is_macro(packages[id]):
            continue
        seen.add(id)
        for dependency in nodes[id]["deps"]:
            if any(kind["kind"] is None for kind in dependency["dep_kinds"]):
                open_.append(dependency["pkg"])
    found = [packages[id] for id in seen if packages[id]["source"]]
    return sorted(found, key=lambda package: (package["name"], package["version"]))


def is_macro(package):
    """Whether it runs in the compiler alone."""
    return any("proc-macro" in target["kind"] for target in package["targets"])


def may_be_used(expression):
    """Whether an SPDX expression can be kept to: one of each choice, all of each sum."""
    plain = expression.replace("/", " OR ")
    tokens = re.findall(r"\(|\)|AND|OR|WITH|[A-Za-z0-9.+-]+", plain)
    words, at = [], 0
    while at < len(tokens):
        token = tokens[at]
        if token in ("(", ")"):
            words.append(token)
        elif token in ("AND", "OR"):
            words.append(token.lower())
        elif token == "WITH":
            at += 1
        else:
            words.append(str(token in ALLOWED))
        at += 1
    return bool(eval(" ".join(words), {"__builtins__": {}}))


def texts(package):
    folder = pathlib.Path(package["manifest_path"]).parent
    files = sorted(path for path in folder.iterdir() if path.is_file() and NAMES.match(path.name))
    return [path.read_text(errors="replace").replace("\r\n", "\n").strip() for path in files]


def made(packages):
    """The list: who has which licence, then each text once, with the crates that it is of."""
    out = ["Licences of the libraries that are part of this program.", ""]
    # One text is one, however its lines are broken.
    first = {}
    by_text = {}
    for package in packages:
        licence = package["license"] or "see its text below"
        out.append(f"{package['name']} {package['version']}: {licence}")
        for text in texts(package):
            text = first.setdefault(" ".join(text.split()).lower(), text)
            by_text.setdefault(text, []).append(package["name"])
    for name, licence, text in ALONG:
        out.append(f"{name}: {licence}")
        if text:
            by_text.setdefault(text.read_text().strip(), []).append(name)
    for text, names in sorted(by_text.items(), key=lambda item: (item[1], item[0])):
        out += ["", "=" * 78, ", ".join(sorted(set(names))), "=" * 78, "", text]
    return "\n".join(out) + "\n"


def main():
    packages = linked()
    refused = [
        f"{package['name']} {package['version']}: {package['license']}"
        for package in packages
        if not package["license"] or not may_be_used(package["license"])
    ]
    if refused:
        sys.exit("licences that nobody has looked at:\n  " + "\n  ".join(refused))
    now = made(packages)
    if "--write" in sys.argv:
        LIST.write_text(now)
    elif not LIST.exists() or LIST.read_text() != now:
        sys.exit(f"{LIST.relative_to(ROOT)} is not that of Cargo.lock: write it with {sys.argv[0]} --write")
    print(f"{len(packages)} libraries, each with a licence that allows it")


main()
