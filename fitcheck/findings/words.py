"""How parts, sides and depths are called in findings: one place for all sentences."""

from __future__ import annotations

import math
from collections.abc import Sequence

from fitcheck.findings.faults import Cause
from fitcheck.findings.frames import other_side, side_of
from fitcheck.findings.next_photo import NextPhoto
from fitcheck.findings.sums import Part
from fitcheck.inspection import Side
from fitcheck.units import (
    MM_PER_INCH,
    fraction_text,
    nearest_inch_fraction,
    quantity_text,
)

MEASURES = {
    "overhang": "overhang, either side",
    "overhang_left": "overhang on the left",
    "overhang_right": "overhang on the right",
    "lateral_offset": "sideways offset",
    "lateral_angle": "sideways angle",
    "pad_squareness": "pad squareness",
    "twist": "twist",
    "seat_gap": "seat gap",
    "pin_play": "index-pin play",
    "wind": "wind, pad to pad",
    "limb_width": "limb width",
    "riser_width": "riser width",
    "tiller": "tiller",
    "string_grip": "string at the grip",
    "string_pad": "string at a pad",
}


def part_words(part: Part) -> str:
    """Say a part in the middle of a sentence: ``the riser's pad at the upper end``."""
    if part.kind == "pad":
        return f"the riser’s pad at the {part.end} end"
    if part.kind == "butt":
        return f"the butt of limb {part.limb}"
    if part.kind == "own_twist":
        return f"limb {part.limb}’s own twist"
    if part.kind == "riser_holes":
        return f"the pin or bolt position in the riser’s {part.end} end"
    if part.kind == "limb_holes":
        return f"the pin or bolt position in limb {part.limb}"
    return f"the width of limb {part.limb} against the riser’s {part.end} end"


def sentence(words: str) -> str:
    """Begin a sentence with words; the rest keeps its capitals: ``Limb A``."""
    return words[:1].upper() + words[1:]


def listed(words: Sequence[str], last: str = "and") -> str:
    """Join words: ``a, b and c``."""
    if len(words) < 2:
        return "".join(words)
    return f"{', '.join(words[:-1])} {last} {words[-1]}"


def high_side(roll_deg: float) -> Side:
    """Return the side that stands high for a roll; positive: right."""
    return side_of(roll_deg)


def low_side(roll_deg: float) -> Side:
    """Return the side that lies low for a roll."""
    return other_side(side_of(roll_deg))


def plain_quantity(value: float, standard_uncertainty: float, unit: str) -> str:
    """Value with its expanded uncertainty: ``+0.31° ± 0.06°``."""
    return quantity_text(value, max(1.96 * standard_uncertainty, 1e-3), unit)


def magnitude(value: float, standard_uncertainty: float, unit: str) -> str:
    """The same without a sign, for a sentence that says the side in words."""
    return quantity_text(abs(value), max(1.96 * standard_uncertainty, 1e-3), unit, signed=False)


def depth_text(depth_mm: float) -> str:
    """A depth as the bench wants it: ``0.23 mm (0.009 in; 1/64 in is the nearest)``."""
    fraction = nearest_inch_fraction(depth_mm, 64)
    nearest = "under 1/128 in" if fraction == 0 else f"nearest {fraction_text(fraction)}"
    return f"{depth_mm:.2f} mm ({depth_mm / MM_PER_INCH:.3f} in; {nearest})"


def bound_text(depth_mm: float) -> str:
    """A depth that must not be passed; no fraction, which might round it up."""
    return f"{depth_mm:.2f} mm ({depth_mm / MM_PER_INCH:.3f} in)"


def taper_mm(width_mm: float, angle_deg: float) -> float:
    """Return the depth that an angle makes over a width: h = W·tan θ."""
    return width_mm * math.tan(math.radians(abs(angle_deg)))


def percent(probability: float) -> str:
    """A probability that never claims to be certain: ``97 %``, ``over 99 %``."""
    value = 100 * probability
    if value > 99:
        return "over 99 %"
    return "under 1 %" if value < 1 else f"{value:.0f} %"


def cause_sentence(cause: Cause) -> str:
    """Say one part's share."""
    part, u = cause.part, cause.standard_uncertainty
    size = magnitude(cause.value, u, cause.unit)
    if part.kind == "width":
        limb, riser = f"limb {part.limb}", f"the riser’s {part.end} end"
        wider, other = (limb, riser) if cause.value > 0 else (riser, limb)
        return (
            f"{sentence(wider)} is wider than {other} (probability {percent(cause.probability)}): "
            f"{size} stands out on either side even with the limb in the middle."
        )
    what = {
        "pad": f"{size} out of square, {high_side(cause.value)} side high",
        "butt": f"{size} out of square, lifting the limb’s {high_side(cause.value)} side",
        "own_twist": f"{size}, {high_side(cause.value)} side high at the tip",
    }.get(part.kind, _sideways(cause))
    chance = percent(cause.probability)
    sure = "" if cause.sure else " probably"
    limit = "past its good limit" if cause.p_past_good >= 0.95 else "near its good limit"
    return (
        f"{sentence(part_words(part))} is{sure} at fault (probability {chance}), {limit}: {what}."
    )


def _sideways(cause: Cause) -> str:
    said = (
        f"it sets the limb {magnitude(cause.value, cause.standard_uncertainty, 'mm')} to the "
        f"{side_of(cause.value)}"
    )
    if cause.angle is None:
        return said
    angle, u = cause.angle
    if abs(angle) <= 1.96 * u:
        return said
    return f"{said} and turns its tip {magnitude(angle, u, 'deg')} to the {side_of(angle)}"


def photo_words(photo: NextPhoto) -> str:
    """Say what a further photograph shows: ``the bare pad at the riser's upper end``."""
    if photo.view == "pad":
        return f"the bare pad at the riser’s {photo.end} end"
    if photo.view == "seat":
        what = f"limb {photo.limb} in its seat at the {photo.end} end"
    elif photo.from_riser:
        what = (
            f"the sight along limb {photo.limb} at the {photo.end} end, near card on the riser’s "
            "face"
        )
    else:
        what = f"the sight along limb {photo.limb}, near card on its butt"
    return f"{what}, with the limbs exchanged" if photo.exchange else what
