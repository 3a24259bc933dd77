"""What a measurement of one photograph is made of, and its JSON form.

These are plain records. They hold no image and compute nothing, so that the pipeline, the
judgement, the report, the page and the command line all speak of the same thing.
Pixels are (x, y) of the upright image, x to the right, y down, centres at whole numbers.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any

from fitcheck.errors import FitcheckError

Point = tuple[float, float]
# A value nearer to an end of its interval than this share of its width stands at that end.
AT_AN_END = 0.05


@dataclass(frozen=True)
class Characteristic:
    """One measured quantity with its uncertainty.

    Attributes
    ----------
    name
        As in the table of characteristics, for instance ``overhang_left``.
    value
        Best estimate, in ``unit``.
    unit
        ``"mm"`` or ``"deg"``.
    standard_uncertainty
        Standard deviation of the estimate, in ``unit``; always above zero.
    interval95
        Ends of the 95 % coverage interval, in ``unit``.
    budget
        Source of uncertainty to its share, as a standard uncertainty in ``unit``.
    """

    name: str
    value: float
    unit: str
    standard_uncertainty: float
    interval95: tuple[float, float]
    budget: dict[str, float]

    @property
    def expanded_uncertainty(self) -> float:
        """Half the width of the 95 % interval, in ``unit``.

        Where the value stands at an end of it, as that of a gap that shows no opening does, how
        far the interval reaches from it: half the width would claim what nobody knows.
        """
        low, high = self.interval95
        below, above = self.value - low, high - self.value
        if min(below, above) < AT_AN_END * (high - low):
            return max(below, above)
        return (high - low) / 2


@dataclass(frozen=True)
class CardSeen:
    """A card that was found.

    Attributes
    ----------
    card
        Its name.
    corners
        How many of its corners were used.
    residual_px
        Their rms residual, pixels.
    outline_px
        Corners of its board (the squares, without the white margin) in pixels of the upright
        image, from the board's origin along its x axis and round; empty where nobody kept them.
    """

    card: str
    corners: int
    residual_px: float
    outline_px: tuple[Point, ...] = ()


@dataclass(frozen=True)
class Edge:
    """A straight edge as it was measured.

    Attributes
    ----------
    edge
        Name, for instance ``limb_left``.
    pixels
        Its two ends, pixels of the upright image.
    scatter_mm
        Robust standard deviation of single profiles about the line, millimetres.
    origin
        ``"search"`` (found by the program), ``"hint"`` (near the user's two points) or
        ``"given"`` (the line as the user laid it, nothing measured).
    """

    edge: str
    pixels: tuple[Point, Point]
    scatter_mm: float
    origin: str = "search"


@dataclass(frozen=True)
class Note:
    """A warning or a refusal: stable code, what is wrong, what to do about it."""

    code: str
    message: str
    advice: str = ""


INTERNAL_ERROR = Note(
    "internal_error",
    "fitcheck met an error of its own in this photograph.",
    "Take another one; the window that fitcheck was started from shows what to report.",
)


def note_of(error: Exception) -> Note:
    """Return why a photograph gave nothing; what nobody foresaw is an error of fitcheck's own."""
    if isinstance(error, FitcheckError):
        return Note(error.code, error.message, error.advice)
    return INTERNAL_ERROR


@dataclass(frozen=True)
class LensFound:
    """Focal length in pixels and the Brown model's first two radial coefficients.

    Attributes
    ----------
    focal_px, k1, k2
        The solution, with what was known beforehand.
    covariance
        Of the three, 3 × 3, rows first.
    photographs
        How many photographs it was solved from.
    """

    focal_px: float
    k1: float
    k2: float
    covariance: tuple[tuple[float, ...], ...] = ()
    photographs: int = 1


@dataclass(frozen=True)
class Measurement:
    """All that one photograph gave, or why it gave nothing.

    Attributes
    ----------
    photo
        File name.
    view
        Name of the view it was measured as.
    cards, lens, edges, characteristics
        What was found; empty or None in a photograph that was refused.
    warnings
        Reasons to look twice at the numbers.
    refused
        Why there are none.
    size_px
        Width and height of the upright picture.
    inputs
        What the user gave or what was assumed, see :meth:`fitcheck.setup.Setup.to_json`.
    observed
        Plain facts that the picture showed, such as ``card_at_tip``.
    """

    photo: str
    view: str
    cards: tuple[CardSeen, ...] = ()
    lens: LensFound | None = None
    edges: tuple[Edge, ...] = ()
    characteristics: tuple[Characteristic, ...] = ()
    warnings: tuple[Note, ...] = ()
    refused: Note | None = None
    size_px: tuple[int, int] = (0, 0)
    inputs: dict[str, Any] = field(default_factory=dict)
    observed: dict[str, str] = field(default_factory=dict)

    def characteristic(self, name: str) -> Characteristic:
        """Return the characteristic of that name; KeyError if it was not measured."""
        for found in self.characteristics:
            if found.name == name:
                return found
        raise KeyError(f"{name} was not measured in {self.photo}")

    def to_json(self) -> dict[str, Any]:
        """Return the measurement as the command line prints it: only JSON types."""
        return {
            "photo": self.photo,
            "view": self.view,
            "size_px": list(self.size_px),
            "inputs": self.inputs,
            "observed": self.observed,
            "cards": [
                {
                    "card": c.card,
                    "corners": c.corners,
                    "residual_px": round(c.residual_px, 4),
                    "outline_px": [[round(x, 2), round(y, 2)] for x, y in c.outline_px],
                }
                for c in self.cards
            ],
            "lens": None
            if self.lens is None
            else {
                "focal_px": round(self.lens.focal_px, 3),
                "k1": round(self.lens.k1, 6),
                "k2": round(self.lens.k2, 6),
                "standard_uncertainty": [
                    round(math.sqrt(row[i]), 6) for i, row in enumerate(self.lens.covariance)
                ],
                "photographs": self.lens.photographs,
            },
            "edges": [
                {
                    "edge": e.edge,
                    "pixels": [[round(x, 3), round(y, 3)] for x, y in e.pixels],
                    "scatter_mm": round(e.scatter_mm, 5),
                    "origin": e.origin,
                }
                for e in self.edges
            ],
            "characteristics": [
                {
                    "name": c.name,
                    "value": round(c.value, 5),
                    "unit": c.unit,
                    "standard_uncertainty": round(c.standard_uncertainty, 5),
                    "interval95": [round(end, 5) for end in c.interval95],
                    "budget": {source: round(u, 5) for source, u in c.budget.items()},
                }
                for c in self.characteristics
            ],
            "warnings": [_note_json(note) for note in self.warnings],
            "refused": None if self.refused is None else _note_json(self.refused),
        }


def _note_json(note: Note) -> dict[str, str]:
    return {"code": note.code, "message": note.message, "advice": note.advice}
