"""The printable sheet of reference cards, true to size, and each card as a picture.

:mod:`fitcheck.cards` knows the cards; the template ``card_sheet.typ`` sets the page. What
passes between them is drawn here: each card's black as closed outlines. Neighbouring
modules of a marker are traced as one outline, because black squares drawn side by side
show hairlines between them on some printers.
"""

from __future__ import annotations

import json
from importlib.resources import as_file, files
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image

from fitcheck.cards import CARDS, DICTIONARY, MARGIN_MM, Card
from fitcheck.errors import BadInput

SHEET_VERSION = 1
BAR_MM = 100.0  # length of either check bar
PX_PER_MM = 20  # resolution of the card pictures

# Name on the command line, name in print, width and height in millimetres.
# A4: ISO 216. US Letter: ANSI/ASME Y14.1, size A, 8.5 in by 11 in.
PAPERS: dict[str, tuple[str, float, float]] = {
    "a4": ("A4", 210.0, 297.0),
    "letter": ("US Letter", 215.9, 279.4),
}

Loop = list[tuple[float, float]]


def black_outlines(card: Card) -> list[Loop]:
    """Outlines of everything black on a card, to be filled by the even-odd rule.

    Parameters
    ----------
    card
        The card to draw.

    Returns
    -------
    Closed loops of (x, y) in the card frame, millimetres, y down the card. No two loops
    share an edge, so nothing is drawn twice and nothing is left open between modules.
    """
    corners_mm = card.marker_corners_mm
    with_marker = {
        (int(x // card.square_mm), int(y // card.square_mm))
        for x, y, _ in (c.mean(axis=0) for c in corners_mm.values())
    }
    side = card.square_mm
    loops: list[Loop] = []
    for row in range(card.squares_y):
        for column in range(card.squares_x):
            if (column, row) not in with_marker:
                x, y = column * side, row * side
                loops.append([(x, y), (x + side, y), (x + side, y + side), (x, y + side)])
    dictionary = cv2.aruco.getPredefinedDictionary(DICTIONARY)
    modules = int(dictionary.markerSize) + 2  # the code and its border, one module wide
    for marker_id, corners in corners_mm.items():
        drawn = cv2.aruco.generateImageMarker(dictionary, marker_id, modules, borderBits=1)
        origin, along, down = corners[0], corners[1] - corners[0], corners[3] - corners[0]
        for loop in _outlines_of_cells(np.asarray(drawn) == 0):
            points = [origin + (along * i + down * j) / modules for i, j in loop]
            loops.append([(float(p[0]), float(p[1])) for p in points])
    return loops


def _outlines_of_cells(filled: NDArray[np.bool_]) -> list[list[tuple[int, int]]]:
    """Closed outlines of the filled cells of a grid, as (column, row) of cell corners.

    Each edge between a filled and an empty cell is walked once, the filled cell on its
    right hand; straight runs keep their two ends only. Where two filled cells meet at
    a corner either way on is right: the even-odd fill is the same.
    """
    padded = np.pad(filled, 1)
    leaving: dict[tuple[int, int], list[tuple[int, int]]] = {}
    for row, column in np.argwhere(padded):
        i, j = int(column) - 1, int(row) - 1
        around = (
            (-1, 0, (i, j), (i + 1, j)),
            (0, 1, (i + 1, j), (i + 1, j + 1)),
            (1, 0, (i + 1, j + 1), (i, j + 1)),
            (0, -1, (i, j + 1), (i, j)),
        )
        for down, across, start, end in around:
            if not padded[row + down, column + across]:
                leaving.setdefault(start, []).append(end)
    loops = []
    while leaving:
        start = next(iter(leaving))
        walk = [start]
        while True:
            ends = leaving[walk[-1]]
            step = ends.pop()
            if not ends:
                del leaving[walk[-1]]
            if step == start:
                break
            walk.append(step)
        loops.append(_without_midpoints(walk))
    return loops


def _without_midpoints(loop: list[tuple[int, int]]) -> list[tuple[int, int]]:
    """Drop the points of a closed loop at which it runs straight on."""
    kept = []
    for before, here, after in zip(loop[-1:] + loop[:-1], loop, loop[1:] + loop[:1], strict=True):
        turn = (here[0] - before[0]) * (after[1] - here[1]) - (here[1] - before[1]) * (
            after[0] - here[0]
        )
        if turn:
            kept.append(here)
    return kept


def _sheet_data(paper: str) -> dict[str, Any]:
    """Everything the template needs: paper, bars and cards, lengths in millimetres."""
    name, width, height = PAPERS[paper]
    return {
        "version": SHEET_VERSION,
        "paper": {"name": name, "width": width, "height": height},
        "bar": BAR_MM,
        "margin": MARGIN_MM,
        "cards": [
            {
                "name": card.name,
                "stands": card.stands,
                "outside": card.outside_mm,
                "black": black_outlines(card),
            }
            for card in CARDS.values()
        ],
    }


def _checked_paper(paper: str) -> str:
    key = paper.strip().lower()
    if key not in PAPERS:
        raise BadInput(
            "unknown_paper",
            f"The cards cannot be set on the paper “{paper}”.",
            "Choose a4 or letter.",
        )
    return key


def sheet_pdf(paper: str) -> bytes:
    """Set the sheet of cards as a vector PDF at true scale.

    Parameters
    ----------
    paper
        ``"a4"`` (210 × 297 mm) or ``"letter"`` (215.9 × 279.4 mm).

    Returns
    -------
    The PDF file's bytes: one page, tagged, the same for the same version of the sheet.

    Raises
    ------
    BadInput
        If the paper is unknown.
    """
    data = _sheet_data(_checked_paper(paper))
    import typst  # a large library: loaded only when a sheet is wanted

    with as_file(files("fitcheck").joinpath("reporting/fonts")) as fonts:
        folders: Any = [fonts]  # its types would have all paths be of the kind of the input
        pdf = typst.compile(
            files("fitcheck").joinpath("card_sheet.typ").read_bytes(),
            format="pdf",
            sys_inputs={"data": json.dumps(data)},
            font_paths=folders,
            ignore_system_fonts=True,  # the same sheet on every machine
            pdf_standards=["ua-1"],
        )
    if not isinstance(pdf, bytes):  # several pages come back as a list
        raise RuntimeError("the sheet of cards must be one page")
    return pdf


def write_cards(out: Path, paper: str = "a4") -> list[Path]:
    """Write the printable sheet, and each card as a picture that prints true to size.

    Parameters
    ----------
    out
        Folder to write to; it is made if it is missing. Older sheets in it are replaced.
    paper
        ``"a4"`` or ``"letter"``.

    Returns
    -------
    The files written: ``card-sheet-a4.pdf`` (or ``-letter``), then ``card-A.png`` to
    ``card-D.png`` at 20 pixels per millimetre, 508 dpi.

    Raises
    ------
    BadInput
        If the paper is unknown or the folder cannot be written.
    """
    key = _checked_paper(paper)
    pdf = sheet_pdf(key)
    try:
        out.mkdir(parents=True, exist_ok=True)
        written = [out / f"card-sheet-{key}.pdf"]
        written[0].write_bytes(pdf)
        for card in CARDS.values():
            written.append(out / f"card-{card.name}.png")
            dpi = PX_PER_MM * 25.4
            Image.fromarray(card.picture(PX_PER_MM)).save(written[-1], dpi=(dpi, dpi))
    except OSError as error:
        reason = error.strerror or str(error)
        raise BadInput(
            "folder_not_writable",
            f"The cards cannot be written to {out}: {reason.lower()}.",
            "Choose a folder that you may write to, with --out.",
        ) from error
    return written
