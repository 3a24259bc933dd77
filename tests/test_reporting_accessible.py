"""The PDF's structure, read with a library of PDF files that had no part in writing it.

What PDF/UA-1 (ISO 14289-1:2014) asks of a file and a machine can check without judging the
words; clauses are named beside the checks. How it sounds read aloud is not checked.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from itertools import pairwise
from typing import Any

import pytest
from test_inspecting import full_inspection
from test_reporting import forms_of, report_of, with_photo

from fitcheck.photo import load_photo
from fitcheck.photo_guide import guide_pdf
from fitcheck.reporting.blocks import Figures, Heading, Plot
from fitcheck.reporting.document import document_of
from fitcheck.reporting.written_report import PDF
from fitcheck.samples import samples

pikepdf = pytest.importorskip("pikepdf", reason="pikepdf is not installed")

SHOWING = {"Tj", "TJ", "'", '"', "Do", "S", "s", "f", "F", "f*", "B", "B*", "b", "b*", "sh"}
LANGUAGES = {"en": "en", "de": "de"}


def report():
    return report_of(with_photo(full_inspection(), "seat.jpg"), {0: load_photo(samples()[0].path)})


@pytest.fixture(scope="module", params=[*LANGUAGES, "guide"])
def pdf(request, tmp_path_factory):
    path = tmp_path_factory.mktemp("pdf") / "made.pdf"
    code = request.param
    data = guide_pdf("a4") if code == "guide" else forms_of(report(), language=code)[PDF]
    path.write_bytes(data)
    with pikepdf.open(path) as opened:
        yield opened, code


def elements(node: Any) -> Iterator[Any]:
    """Structure elements in reading order."""
    children = node.get("/K")
    if children is None:
        return
    listed = children if isinstance(children, pikepdf.Array) else [children]
    for child in listed:
        if isinstance(child, pikepdf.Dictionary) and "/S" in child:
            yield child
            yield from elements(child)


def kind(element: Any, opened: Any) -> str:
    roles = opened.Root.StructTreeRoot.get("/RoleMap", {})
    name = str(element.S)
    return str(roles.get(name, name)).lstrip("/")


def marked(element: Any) -> Iterator[tuple[tuple[int, int], int]]:
    """Pages and numbers of the marked content that belongs to an element itself."""
    children = element.get("/K")
    if children is None:
        return
    listed = children if isinstance(children, pikepdf.Array) else [children]
    for child in listed:
        if isinstance(child, int):
            yield element.Pg.objgen, int(child)
        elif isinstance(child, pikepdf.Dictionary) and child.get("/Type") == "/MCR":
            yield child.get("/Pg", element.get("/Pg")).objgen, int(child.MCID)


def test_the_file_says_what_it_is(pdf):
    opened, code = pdf
    root = opened.Root
    assert root.MarkInfo.Marked  # 6.2
    assert str(root.Lang).partition("-")[0] == LANGUAGES.get(code, "en")  # 7.2
    assert root.ViewerPreferences.DisplayDocTitle  # 7.1
    with opened.open_metadata() as metadata:
        assert metadata["pdfuaid:part"] == "1"  # clause 5
        assert metadata["dc:title"]
    assert not root.MarkInfo.get("/Suspects", False)


def test_all_that_is_drawn_is_tagged_or_an_artifact(pdf):
    opened, _ = pdf
    belongs = Counter(
        place for element in elements(opened.Root.StructTreeRoot) for place in marked(element)
    )
    seen = Counter()
    for page in opened.pages:
        depth: list[str] = []
        for instruction in pikepdf.parse_content_stream(page):
            operator = str(instruction.operator)
            if operator in ("BDC", "BMC"):
                tag = str(instruction.operands[0])
                if operator == "BDC" and isinstance(instruction.operands[1], pikepdf.Dictionary):
                    number = instruction.operands[1].get("/MCID")
                    if number is not None:
                        seen[page.obj.objgen, int(number)] += 1
                depth.append(tag)
            elif operator == "EMC":
                depth.pop()
            elif operator in SHOWING:
                assert depth, f"{operator} outside of all marks"  # 7.1
        assert depth == []
    assert seen
    # Every piece belongs to exactly one element, and no element names one that is not there.
    assert set(seen) == set(belongs)
    assert set(belongs.values()) == {1}


def test_headings_figures_and_tables_are_in_order(pdf):
    opened, code = pdf
    kinds = [kind(element, opened) for element in elements(opened.Root.StructTreeRoot)]
    levels = [int(k[1]) for k in kinds if len(k) == 2 and k[0] == "H" and k[1].isdigit()]
    assert levels
    assert levels[0] == 1  # 7.4.2
    assert all(b - a <= 1 for a, b in pairwise(levels))
    figures = [e for e in elements(opened.Root.StructTreeRoot) if kind(e, opened) == "Figure"]
    assert all(str(figure.get("/Alt", "")).strip() for figure in figures)  # 7.3
    for element in elements(opened.Root.StructTreeRoot):
        if kind(element, opened) != "Table":
            continue
        rows = [e for e in elements(element) if kind(e, opened) == "TR"]
        cells = [[kind(c, opened) for c in elements(row)] for row in rows]
        cells = [[k for k in row if k in ("TH", "TD")] for row in cells]
        assert set(cells[0]) == {"TH"}  # 7.5
        assert len({len(row) for row in cells}) == 1
    if code == "guide":
        return
    blocks = document_of(report(), code).blocks
    assert levels == [b.level for b in blocks if isinstance(b, Heading)]
    drawn = sum(len(b.figures) for b in blocks if isinstance(b, Figures))
    drawn += sum(isinstance(b, Plot) for b in blocks)
    # A caption's picture and its figure are two elements where the drawing is a picture.
    assert len(figures) >= drawn >= 2


def test_every_font_travels_and_can_be_copied_from(pdf):
    opened, _ = pdf
    fonts = {}
    for page in opened.pages:
        for font in page.get("/Resources", {}).get("/Font", {}).values():
            fonts[font.objgen] = font
    assert fonts
    for font in fonts.values():
        assert "/ToUnicode" in font  # 7.21.7
        inner = font.DescendantFonts[0] if "/DescendantFonts" in font else font
        descriptor = inner.FontDescriptor
        assert {"/FontFile", "/FontFile2", "/FontFile3"} & set(descriptor.keys())  # 7.21.4
