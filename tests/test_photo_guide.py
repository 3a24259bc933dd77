"""The photograph guide to print."""

from __future__ import annotations

import pypdfium2
import pytest
from test_reporting import inside_the_page, text_of

from fitcheck import cli
from fitcheck.errors import BadInput
from fitcheck.photo_guide import guide_pdf
from fitcheck.views import VIEWS


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
