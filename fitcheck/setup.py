"""What the user measured and typed before the photograph: cards, print, face step."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from fitcheck.errors import BadInput

CHECK_BAR_MM = 100.0
DEFAULT_THICKNESS_MM = 0.3  # stiff paper; common practice, no source
THICKNESS_GIVEN_SD_MM = 0.03  # a digital caliper reads to 20–30 µm (DIN 862)
THICKNESS_ASSUMED_SD_MM = 0.2
BAR_READING_SD = 0.0003  # 0.03 mm of caliper on a 100 mm bar
PRINT_ASSUMED_SD = 0.002  # an office printer at "100 %"; common experience, no source
FACE_STEP_GIVEN_SD_MM = 0.05


@dataclass(frozen=True)
class Setup:
    """Inputs of a measurement.

    Attributes
    ----------
    thickness_given_mm
        Thickness of a mounted card; None if nobody measured it.
    bars_mm
        Lengths of the sheet's two 100 mm check bars, along and across the cards, as read
        with a caliper; None if nobody measured them.
    face_step_mm
        Riser's outer face above the limb's outer face at the butt line, by caliper; only
        needed where card B cannot lie on the riser.

    Raises
    ------
    BadInput
        If a value is not finite or cannot be right.
    """

    thickness_given_mm: float | None = None
    bars_mm: tuple[float, float] | None = None
    face_step_mm: float | None = None

    def __post_init__(self) -> None:
        if self.thickness_given_mm is not None:
            _check("The card's thickness", self.thickness_given_mm, 0.0, 6.0)
        if self.bars_mm is not None:
            for direction, bar in zip(("along", "across"), self.bars_mm, strict=True):
                _check(f"The check bar {direction} the cards", bar, 90.0, 110.0)
        if self.face_step_mm is not None:
            _check("The face step", self.face_step_mm, -30.0, 30.0)

    @property
    def card_thickness_mm(self) -> float:
        """The thickness used, mm."""
        given = self.thickness_given_mm
        return DEFAULT_THICKNESS_MM if given is None else given

    @property
    def card_thickness_sd_mm(self) -> float:
        """Its standard uncertainty, mm."""
        given = self.thickness_given_mm is not None
        return THICKNESS_GIVEN_SD_MM if given else THICKNESS_ASSUMED_SD_MM

    @property
    def print_scale(self) -> tuple[float, float]:
        """True size over nominal size, along and across the cards."""
        if self.bars_mm is None:
            return 1.0, 1.0
        return self.bars_mm[0] / CHECK_BAR_MM, self.bars_mm[1] / CHECK_BAR_MM

    @property
    def print_scale_sd(self) -> float:
        """Relative standard uncertainty of the print scale, each way."""
        return PRINT_ASSUMED_SD if self.bars_mm is None else BAR_READING_SD

    def to_json(self) -> dict[str, Any]:
        """Return the inputs with what was assumed, for the record."""
        along, across = self.print_scale
        return {
            "card_thickness_mm": self.card_thickness_mm,
            "card_thickness_measured": self.thickness_given_mm is not None,
            "print_scale": [along, across],
            "print_scale_measured": self.bars_mm is not None,
            "face_step_mm": self.face_step_mm,
        }


def setup_from(
    card_thickness: float | None = None,
    print_scale: tuple[float, float] | None = None,
    face_step: float | None = None,
) -> Setup:
    """Return the setup for numbers as a person types them.

    Parameters
    ----------
    card_thickness, face_step
        Millimetres.
    print_scale
        The two check bars, along and across: either as read, in millimetres (99.7), or as
        true over nominal size (0.997).

    Raises
    ------
    BadInput
        If a value is not finite or cannot be right.
    """
    bars = None
    if print_scale is not None:
        along, across = (v * CHECK_BAR_MM if 0.5 < v < 2 else v for v in print_scale)
        bars = (along, across)
    return Setup(card_thickness, bars, face_step)


def _check(what: str, value: float, low: float, high: float) -> None:
    if not math.isfinite(value) or not low <= value <= high:
        raise BadInput(
            "impossible_input",
            f"{what} is given as {value:g} mm, which cannot be right.",
            f"Give a length between {low:g} and {high:g} mm.",
        )
