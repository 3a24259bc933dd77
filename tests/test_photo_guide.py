"""The photograph guide to print."""

from __future__ import annotations

import json
from pathlib import Path

import pypdfium2
import pytest
from test_reporting import inside_the_page, text_of

from fitcheck import cli
from fitcheck.errors import BadInput
from fitcheck.photo_guide import guide_pdf
from fitcheck.views import VIEWS

BOW = Path(__file__).parent.parent / "sample_images" / "bow"


@pytest.mark.parametrize(("paper", "size_pt"), [("a4", (595, 842)), ("letter", (612, 792))])
def test_one_page_for_each_view_with_its_steps(paper, size_pt):
    pdf = guide_pdf(paper)
    document = pypdfium2.PdfDocument(pdf)
    assert len(document) == len(VIEWS)
    assert document.is_tagged()
    pages = []
    for page, view in zip(document, VIEWS.values(), strict=True):
        assert page.get_size() == pytest.approx(size_pt, abs=1)
        text = " ".join(page.get_textpage().get_text_bounded().split())
        pages.append(text)
        assert view.title in text
        assert view.how_to[0].split(". ")[0] in text
        assert "Unstring the bow with a stringer" in text
    document.close()
    assert "Where to hold the phone" in pages[list(VIEWS).index("seat")]
    assert text_of(pdf)


def test_every_page_has_its_drawing_and_left_and_right_are_the_seats_own():
    document = pypdfium2.PdfDocument(guide_pdf())
    for page in document:
        assert "Where to hold the phone" in page.get_textpage().get_text_bounded()
    # Seen from the limb's tip the pad's right lies at the picture's left: the sample's truth.
    page = document[list(VIEWS).index("pad")].get_textpage()
    at = {}
    for side in ("left", "right"):
        index, _ = page.search(f"Riser’s {side}").get_next()
        at[side] = page.get_charbox(index)[0]
    truth = json.loads((BOW / "received-upper-pad-1.json").read_text(encoding="utf-8"))
    seen = {side: truth["edges_px"][f"riser_{side}"][0][0] for side in at}
    assert (at["left"] > at["right"]) == (seen["left"] > seen["right"])
    document.close()


def test_nothing_of_the_steps_is_cut():
    inside_the_page(guide_pdf())


def test_command_and_its_errors(tmp_path, capsys):
    assert cli.main(["guide", "--out", str(tmp_path / "new")]) == 0
    assert capsys.readouterr().out.strip().endswith("photo-guide-a4.pdf")
    (tmp_path / "file").write_text("x")
    assert cli.main(["guide", "--out", str(tmp_path / "file")]) == 2
    assert "Traceback" not in capsys.readouterr().err
    with pytest.raises(BadInput):
        guide_pdf("a5")
