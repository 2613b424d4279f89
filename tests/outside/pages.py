"""Reads a report's PDF with another hand's reader: page sizes, numbers, foot, words, embedded letters.

Usage: pages.py FILE a4|letter WORD...
"""

import sys

from pypdf import PdfReader

path, size, *words = sys.argv[1:]
width, height = {"a4": (595.28, 841.89), "letter": (612, 792)}[size]
reader = PdfReader(path)
text = ""
for number, page in enumerate(reader.pages, 1):
    box = page.mediabox
    assert abs(float(box.width) - width) < 0.5 and abs(float(box.height) - height) < 0.5, f"page {number}: {box}"
    shown = page.extract_text()
    assert f"page {number} of {len(reader.pages)}" in shown, f"page {number} has no number"
    fonts = page["/Resources"]["/Font"]
    for name in fonts:
        descendant = fonts[name]["/DescendantFonts"][0].get_object()
        assert "/FontFile2" in descendant["/FontDescriptor"], f"{name} is not embedded"
    text += shown + "\n"
missing = [word for word in words if word not in text]
assert not missing, f"{missing} not in\n{text}"
print(f"{len(reader.pages)} pages read")
