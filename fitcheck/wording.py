"""How things are called and explained to people: one place for page, report and command line."""

from __future__ import annotations

from dataclasses import dataclass

from fitcheck.measurement import Characteristic
from fitcheck.units import inch_decimal_text, inch_fraction_text


@dataclass(frozen=True)
class Wording:
    """How a characteristic is called and explained.

    Attributes
    ----------
    name
        Trade name.
    meaning
        What it is, in a sentence.
    positive, negative
        What a value above and below zero says; empty for a value that has no sign.
    """

    name: str
    meaning: str
    positive: str = ""
    negative: str = ""

    @property
    def signed(self) -> bool:
        """Whether the value's sign means something."""
        return bool(self.positive)


def _overhang(side: str) -> Wording:
    return Wording(
        f"Overhang, {side}",
        f"How far the limb’s {side} side stands out beyond the riser’s {side} side, "
        "at the butt line.",
        "limb proud",
        "riser proud",
    )


WORDING: dict[str, Wording] = {
    "overhang_left": _overhang("left"),
    "overhang_right": _overhang("right"),
    "limb_width": Wording("Limb width", "Width of the limb at the butt line."),
    "riser_width": Wording("Riser width", "Width of the riser at the butt line."),
    "lateral_offset": Wording(
        "Sideways offset",
        "How far the limb’s centreline lies beside the riser’s, at the butt line.",
        "limb to the right",
        "limb to the left",
    ),
    "lateral_angle": Wording(
        "Sideways angle",
        "How far the limb points to a side of the riser’s own direction, seen on its face.",
        "tip to the right",
        "tip to the left",
    ),
    "face_step": Wording(
        "Face step",
        "How much higher the riser’s outer face stands than the limb’s, at the butt line.",
        "riser’s face higher",
        "limb’s face higher",
    ),
    "pad_squareness": Wording(
        "Pad squareness",
        "How far the pad’s cross line is from square to the riser’s sides.",
        "right side high",
        "left side high",
    ),
    "twist": Wording(
        "Twist",
        "How far the limb is rolled at its tip against its butt, about its own length.",
        "right side high at the tip",
        "left side high at the tip",
    ),
    "gap_butt": Wording(
        "Gap at the butt", "Opening of the seam between pad and limb, at the butt."
    ),
    "gap_end": Wording(
        "Gap at the riser’s end", "Opening of the seam between pad and limb, at the riser’s end."
    ),
    "gap_wedge": Wording(
        "Wedge of the gap",
        "Angle at which the seam opens.",
        "opens toward the riser’s end",
        "opens toward the butt",
    ),
}

VIEW_TITLES = {"seat": "Limb seat", "pad": "Limb pad", "sight": "Twist sight", "joint": "Seam"}

SOURCES = {
    "lens": "lens",
    "pose": "where the cards lie",
    "card_thickness": "card thickness",
    "print_scale": "print scale",
    "card_flatness": "how flat the cards lie",
    "edge": "course of the edges",
    "arris": "rounded arrises and grain",
    "underneath": "riser seen under the limb",
    "butt_line": "place of the butt line",
    "face_step": "face step",
}

EDGE_NAMES = {
    "limb_left": "Limb, left edge",
    "limb_right": "Limb, right edge",
    "riser_left": "Riser, left edge",
    "riser_right": "Riser, right edge",
    "butt_line": "Butt line",
    "pad_line": "Pad line",
    "limb_line": "Limb’s lower line",
}

# Symbol and words: colour is never the only sign.
LEVELS = {
    "good": ("✓", "Good, as far as judged"),
    "acceptable": ("~", "Acceptable"),
    "rework": ("✗", "Needs rework"),
    "undecided": ("?", "Undecided"),
    "not judged": ("–", "Not judged"),
}
CONFORMITY_SIGNS = {"conforms": "✓", "does not conform": "✗", "undecided": "?"}


def wording(name: str) -> Wording:
    """How a characteristic is called; its plain name if nothing is written for it."""
    return WORDING.get(name) or Wording(
        name.replace("_", " ").capitalize(), "", "positive", "negative"
    )


def says(found: Characteristic) -> str:
    """What the value's sign says, in words; empty where it has none."""
    words = wording(found.name)
    if not words.signed:
        return ""
    if abs(found.value) <= found.expanded_uncertainty:
        return "not told from zero"
    return words.positive if found.value > 0 else words.negative


def inches(found: Characteristic) -> tuple[str, ...]:
    """A length in inches: the fraction that its uncertainty allows, then decimals."""
    if found.unit != "mm":
        return ()
    spread, signed = found.expanded_uncertainty, wording(found.name).signed
    fraction = inch_fraction_text(found.value, spread, signed=signed)
    decimal = inch_decimal_text(found.value, spread, signed=signed)
    return (fraction, decimal) if fraction else (decimal,)
