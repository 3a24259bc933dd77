"""Both ends of a seam enlarged, with the pad's and the limb's line beside it.

The lines stop short of the middle of the picture, so that the seam itself is seen there.
Pixels are (x, y), centres at whole numbers, of the upright photograph (``points_px``) or of
the picture that is drawn.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np

from fitcheck.cards import CARDS
from fitcheck.measurement import Measurement
from fitcheck.overlay import (
    CLOSE_UP_SIDE,
    CLOSE_UP_TEXT_OF_SIDE,
    LIMB_COLOUR,
    RISER_COLOUR,
    SMALLEST_TEXT_PX,
    Array,
    Canvas,
    Pixels,
    View,
    check_picture,
)
from fitcheck.units import quantity_text

LINES = {"pad_line": RISER_COLOUR, "limb_line": LIMB_COLOUR}
# Which end of the lines, what its gap is called, and what is written for it.
SEAM_ENDS = {"butt": (0, "gap_butt", "At the butt"), "end": (1, "gap_end", "At the riser’s end")}
OF_LENGTH = 0.12  # side of a close-up as a share of the seam's length
OF_GAP = 5.0  # and at least so many times the opening
CLEAR = 0.4  # share of the picture's width, in its middle, where no line is drawn
SMALLEST_SPAN_PX = 8.0


def seam_close_ups(
    photo_pixels: Pixels,
    measurement: Measurement,
    say: Callable[[str], str] = str,
    side_px: int = CLOSE_UP_SIDE,
) -> dict[str, Pixels]:
    """Enlarge the seam at the butt and at the riser's end.

    Parameters
    ----------
    photo_pixels
        The upright photograph, RGB, shape (height, width, 3), dtype uint8.
    measurement
        Its measurement.
    say
        Puts the words on the picture into another language: ``pad line``, ``limb line``,
        ``At the butt`` and ``At the riser’s end``, and values.
    side_px
        Of each picture, at least 400.

    Returns
    -------
    ``"butt"`` and ``"end"`` to a square RGB picture each, the seam level; empty unless both
    lines were measured.

    Raises
    ------
    ValueError
        If the picture is not of that shape and type.
    """
    check_picture(photo_pixels)
    found = {e.edge: np.array(e.pixels, dtype=np.float64) for e in measurement.edges}
    lines = {name: found[name] for name in LINES if name in found}
    if len(lines) < len(LINES) or not all(np.all(np.isfinite(ends)) for ends in lines.values()):
        return {}
    along = np.sum([ends[1] - ends[0] for ends in lines.values()], axis=0) / 2
    length = float(np.hypot(*along))
    if length < SMALLEST_SPAN_PX:
        return {}
    level = along / length if along[0] >= 0 else -along / length
    return {
        which: _close_up(photo_pixels, measurement, lines, level, length, which, say, side_px)
        for which in SEAM_ENDS
    }


def _close_up(
    photo_pixels: Pixels,
    measurement: Measurement,
    lines: dict[str, Array],
    level: Array,
    length: float,
    which: str,
    say: Callable[[str], str],
    side_px: int,
) -> Pixels:
    place, name, words = SEAM_ENDS[which]
    ends = np.stack([line[place] for line in lines.values()])
    gap = float(np.hypot(*(ends[1] - ends[0])))
    span = max(OF_LENGTH * length, OF_GAP * gap, SMALLEST_SPAN_PX)
    scale = side_px / span
    turn = scale * np.array([level, [-level[1], level[0]]])
    middle = np.array([(side_px - 1) / 2] * 2)
    view = View(turn, middle - turn @ ends.mean(axis=0), (side_px, side_px))
    text_px = max(SMALLEST_TEXT_PX, round(side_px * CLOSE_UP_TEXT_OF_SIDE))
    canvas = Canvas(view.take(photo_pixels), text_px, thin=True)
    heights = {edge: _drawn(canvas, view.place(line), edge) for edge, line in lines.items()}
    upper = _upper(measurement, {edge: view.place(line) for edge, line in lines.items()}, view)
    for edge, y in heights.items():
        beside = -1.6 if edge == upper else 1.6
        canvas.chip(
            [(say(edge.replace("_", " ")), LINES[edge])],
            (8.0, y + beside * text_px),
            "l",
            size=0.9,
        )
    value = next((c for c in measurement.characteristics if c.name == name), None)
    said = say(words)
    if value is not None:
        size = quantity_text(value.value, value.expanded_uncertainty, value.unit, signed=False)
        said = f"{said}: {say(size)}"
    canvas.chip(said, (8.0, canvas.height - 8 - text_px * 0.9), "l")
    px_per_mm = _px_per_mm(measurement)
    if px_per_mm is not None:
        canvas.scale_bar(px_per_mm * scale, 1, "right")
    return canvas.pixels()


def _drawn(canvas: Canvas, line: Array, edge: str) -> float:
    """Draw a line at both sides of the picture; returns its height at the left, pixels."""
    start, end = line if line[0, 0] <= line[1, 0] else line[::-1]
    slope = (end[1] - start[1]) / max(float(end[0] - start[0]), 1e-9)

    def at(x: float) -> Array:
        return np.array([x, start[1] + slope * (x - start[0])])

    clear = canvas.width * (1 - CLEAR) / 2
    for low, high in ((0.0, clear), (canvas.width - clear, float(canvas.width))):
        first, last = max(low, float(start[0])), min(high, float(end[0]))
        if first < last:
            canvas.stroke(at(first), at(last), LINES[edge], 2.0)
        for a, b in ((low, min(high, float(start[0]))), (max(low, float(end[0])), high)):
            if a < b:  # carried on beyond where it was measured
                dash = canvas.text_px / 3
                canvas.stroke(at(a), at(b), LINES[edge], 2.0, dash=(dash, dash))
    return float(at(0.0)[1])


def _upper(measurement: Measurement, placed: dict[str, Array], view: View) -> str:
    """Name of the line that lies higher in the picture; of two alike the one off the card."""
    apart = float(np.mean(placed["pad_line"][:, 1] - placed["limb_line"][:, 1]))
    if abs(apart) < 1e-6:
        outlines = [np.array(c.outline_px) for c in measurement.cards if len(c.outline_px) == 4]
        card = view.place(outlines[0])[:, 1].mean() if outlines else math.inf
        apart = float(card - placed["pad_line"][:, 1].mean())
    return "limb_line" if apart > 0 else "pad_line"


def _px_per_mm(measurement: Measurement) -> float | None:
    """Pixels of the photograph per millimetre, by the length of card B's outline."""
    for seen in measurement.cards:
        if len(seen.outline_px) == 4 and seen.card in CARDS:
            (x0, y0), (x1, y1) = seen.outline_px[:2]
            px_per_mm = math.hypot(x1 - x0, y1 - y0) / CARDS[seen.card].board_mm[0]
            return px_per_mm if px_per_mm > 0 else None
    return None
