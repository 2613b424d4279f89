"""Makes the static TTF faces beside this file from the published variable web fonts.

    npm pack @fontsource-variable/atkinson-hyperlegible-next@5.3.0
    npm pack @fontsource-variable/atkinson-hyperlegible-mono@5.3.0
    (unpack each archive)
    pip install fonttools==4.68.0 brotli==1.2.1
    python make.py NEXT/package MONO/package .

Each face joins the packages' `latin` and `latin-ext` files, pinned to one weight. Outlines, widths
and kerning are untouched; hinting, which no renderer here uses, is dropped.
"""

import pathlib
import sys
import tempfile

from fontTools import subset
from fontTools.merge import Merger
from fontTools.ttLib import TTFont
from fontTools.varLib import instancer

WEIGHTS = {"Regular": 400, "Bold": 700}


def face(package: pathlib.Path, stem: str, family: str, style: str, out: pathlib.Path) -> None:
    parts = []
    taken: set[int] = set()
    with tempfile.TemporaryDirectory() as scratch:
        for part_name in ("latin", "latin-ext"):
            font = TTFont(package / "files" / f"{stem}-{part_name}-wght-normal.woff2")
            font = instancer.instantiateVariableFont(font, {"wght": WEIGHTS[style]})
            font.flavor = None
            for table in ("prep", "fpgm", "cvt ", "gasp", "STAT", "avar", "HVAR", "MVAR"):
                if table in font:
                    del font[table]
            # Both files have a few characters; a second one of the same would be reached by a detour
            # (a language feature), and text copied from a PDF would lose it.
            wanted = set(font.getBestCmap()) - taken
            taken |= wanted
            options = subset.Options(layout_features=["ccmp", "mark", "mkmk", "kern"], name_IDs=["*"], notdef_outline=True)
            narrowed = subset.Subsetter(options)
            narrowed.populate(unicodes=wanted)
            narrowed.subset(font)
            part = pathlib.Path(scratch) / f"{part_name}.ttf"
            font.save(part)
            parts.append(str(part))
        font = Merger().merge(parts)
    postscript = f"{family.replace(' ', '')}-{style}"
    names = {1: family, 2: style, 3: f"2.001;NONE;{postscript}", 4: f"{family} {style}", 6: postscript}
    table = font["name"]
    for record in list(table.names):
        if record.nameID in names or record.nameID >= 16:
            table.names.remove(record)
    for number, text in names.items():
        table.setName(text, number, 3, 1, 0x409)
    bold = style == "Bold"
    font["OS/2"].usWeightClass = WEIGHTS[style]
    font["OS/2"].fsSelection = 0x20 if bold else 0x40
    font["head"].macStyle = 1 if bold else 0
    # Fixed stamps, so that the same sources give the same octets.
    font["head"].created = font["head"].modified = 0
    font.recalcTimestamp = False
    font.save(out / f"{postscript}.ttf")


def main() -> None:
    following, mono, out = (pathlib.Path(argument) for argument in sys.argv[1:4])
    for style in WEIGHTS:
        face(following, "atkinson-hyperlegible-next", "Atkinson Hyperlegible Next", style, out)
        face(mono, "atkinson-hyperlegible-mono", "Atkinson Hyperlegible Mono", style, out)


if __name__ == "__main__":
    main()
