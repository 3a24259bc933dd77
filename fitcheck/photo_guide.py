"""How to take the photographs, as a PDF to print: the views' own steps, a drawing, examples."""

from __future__ import annotations

import io
from pathlib import Path
from typing import Any

from PIL import Image, ImageOps

from fitcheck import __version__
from fitcheck.errors import BadInput
from fitcheck.guide_views import guide_svg, guide_words
from fitcheck.reporting.as_pdf import PAPERS, set_pdf
from fitcheck.samples import bow_photo
from fitcheck.views import VIEWS

# A photograph of the sample bow for each view that has one.
EXAMPLES = {
    "seat": "received-upper-seat.jpg",
    "pad": "received-upper-pad-1.jpg",
    "sight": "received-upper-sight.jpg",
    "joint": "received-upper-joint-right.jpg",
}
EXAMPLE_PX = 1100
PAGE_FONTS = "system-ui, -apple-system, Segoe UI, Roboto, Arial, sans-serif"


def guide_pdf(paper: str = "a4") -> bytes:
    """Set the guide, one page for each view.

    Raises
    ------
    BadInput
        ``unknown_paper``.
    """
    if paper not in PAPERS:
        raise BadInput(
            "unknown_paper",
            f"The guide cannot be set on the paper “{paper}”.",
            "Choose a4 or letter.",
        )
    pictures: dict[str, bytes] = {}
    pages: list[dict[str, Any]] = []
    for name, view in VIEWS.items():
        example = bow_photo(EXAMPLES.get(name, ""))
        if example is not None:
            pictures[f"{name}.jpg"] = _reduced(example)
        drawn = guide_svg(name)
        cards = (*view.cards, *view.optional_cards)
        drawing = f"{name}-drawing.svg" if drawn else ""
        if drawn:
            pictures[drawing] = drawn.replace(PAGE_FONTS, "DejaVu Sans").encode("utf-8")
        pages.append(
            {
                "name": name,
                "title": view.title,
                "cards": list(view.cards),
                "optional": list(view.optional_cards),
                "steps": list(view.how_to),
                "example": example is not None,
                "drawing": drawing,
                "drawing_alt": guide_words(name),
                "alt": f"An example of the {name} photograph, of an invented bow, with "
                f"{'cards' if len(cards) > 1 else 'card'} {', '.join(cards)} in place as the "
                "steps say.",
            }
        )
    data = {"paper": PAPERS[paper], "pages": pages, "program": f"fitcheck {__version__}"}
    return set_pdf("guide.typ", data, pictures)


def write_guide(out: Path, paper: str = "a4") -> Path:
    """Write the guide into a folder and return its file.

    Raises
    ------
    BadInput
        ``unknown_paper`` or ``folder_not_writable``.
    """
    pdf = guide_pdf(paper)
    path = out / f"photo-guide-{paper}.pdf"
    try:
        out.mkdir(parents=True, exist_ok=True)
        path.write_bytes(pdf)
    except OSError as error:
        raise BadInput(
            "folder_not_writable",
            f"The guide cannot be written to {out}: {error.strerror or error}.",
            "Choose a folder that you may write to, with --out.",
        ) from error
    return path


def _reduced(path: Path) -> bytes:
    with Image.open(path) as image:
        small = ImageOps.exif_transpose(image).convert("RGB")
    small.thumbnail((EXAMPLE_PX, EXAMPLE_PX))
    buffer = io.BytesIO()
    small.save(buffer, "JPEG", quality=82)
    return buffer.getvalue()
