"""How things are called and explained to people: one place for page, report and command line."""

from __future__ import annotations

from fitcheck.measurement import Characteristic
from fitcheck.units import inch_decimal_text, inch_fraction_text
from fitcheck.views import VIEWS, Wording

WORDING: dict[str, Wording] = {
    name: words for view in VIEWS.values() for name, words in view.wording.items()
}
VIEW_TITLES = {name: view.title for name, view in VIEWS.items()}
EDGE_NAMES = {name: words for view in VIEWS.values() for name, words in view.edge_names.items()}
SOURCES = {
    "lens": "lens",
    "pose": "where the cards lie",
    "card_thickness": "card thickness",
    "print_scale": "print scale",
    "card_flatness": "how flat the cards lie",
    "edge": "course of the edges",
    "arris": "rounded arrises and grain",
} | {name: words for view in VIEWS.values() for name, words in view.source_names.items()}

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
