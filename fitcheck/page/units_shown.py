"""Inches or millimetres: one switch for everything that the page shows and takes in.

Sentences are made in millimetres, many with the inch beside them. They are turned into inches
where they are put on the page, in one place, so that no number can be forgotten; where
millimetres are shown, the inch beside them is left out.
"""

from __future__ import annotations

import re
from collections.abc import Callable

import streamlit as st

from fitcheck.quantities import quantity
from fitcheck.units import (
    MINUS,
    MM_PER_INCH,
    fraction_text,
    inch_decimal_text,
    nearest_inch_fraction,
    quantity_text,
)

UNITS = ("mm", "in")
SETTING = "unit"
_KEY = "unit-shown"

_NUM = rf"(?P<{{0}}>[+{MINUS}-]?\d+(?:\.\d+)?)"
# "0.23 mm (0.009 in; …)": the inch stands beside it already.
_WITH_INCH = re.compile(rf"[+{MINUS}-]?\d+(?:\.\d+)?(?: |&nbsp;)mm \(([^()]*\bin\b[^()]*)\)")
_WITH_SPREAD = re.compile(_NUM.format("value") + r" mm ± (?P<spread>\d+(?:\.\d+)?) mm")
# "90 to 110 mm", "39.6 and 49.3 mm", "0.10, 0.15 or 0.20 mm": the unit is said once, at the end.
_SERIES = re.compile(
    rf"(?<![\w./{MINUS}-])(?:[+{MINUS}-]?\d+(?:\.\d+)? (?:to|and|or) |\d+\.\d+, )+"
    rf"[+{MINUS}-]?\d+(?:\.\d+)? mm\b"
)
_NUMBER = re.compile(rf"[+{MINUS}-]?\d+(?:\.\d+)?")
_PLAIN = re.compile(rf"(?<![\w./{MINUS}-])" + _NUM.format("value") + r" mm\b(?!/)")
_SIGN = rf"[+±{MINUS}-]?"
_MM_AND_INCH = re.compile(rf"({_SIGN}\d+(?:\.\d+)?(?: |&nbsp;)mm) \([^()]*\bin\b[^()]*\)")
_INCH_AND_MM = re.compile(
    rf"{_SIGN}\d[\d ]*(?:[./]\d+)? in \(({_SIGN}\d+(?:\.\d+)?(?: |&nbsp;)mm)\)"
)
_WHOLE = re.compile(r"(?<![\w./-])(?P<low>\d+)(?: to (?P<high>\d+))? mm\b")
_ROUGH_PARTS = 32  # of an inch, to which a length is given that nobody measures
_CENTIMETRES = re.compile(r"(?P<low>\d+)(?: to (?P<high>\d+))? cm\b")
_TAG = re.compile(r"(<[^>]*>)")


def unit() -> str:
    """Return the unit of lengths that this visitor sees, ``"mm"`` or ``"in"``."""
    return str(st.session_state.get(_KEY, "mm"))


def set_unit(chosen: str) -> None:
    """Show lengths in a unit from now on."""
    st.session_state[_KEY] = chosen if chosen in UNITS else "mm"


def choose_unit(keep: Callable[[str], object]) -> None:
    """Show the switch; ``keep`` is told what was chosen."""

    def chosen() -> None:
        picked = st.session_state["unit-switch"]
        if picked:
            set_unit(picked)
            keep(picked)

    st.session_state["unit-switch"] = unit()
    st.segmented_control(
        "Lengths in",
        UNITS,
        format_func={"mm": "mm", "in": "inch"}.__getitem__,
        key="unit-switch",
        on_change=chosen,
        label_visibility="collapsed",
    )


def in_unit_shown(html: str) -> str:
    """Turn the lengths in a piece of HTML into the unit that is shown; tags stay as they are."""
    turned = in_millimetres if unit() == "mm" else in_inches
    return "".join(piece if piece.startswith("<") else turned(piece) for piece in _TAG.split(html))


def rough_in_unit_shown(html: str) -> str:
    """The same for what tells where to lay or hold something: ``3 mm`` is ``1/8 in`` there."""
    if unit() == "mm":
        return html
    return in_unit_shown(
        "".join(
            piece if piece.startswith("<") else _WHOLE.sub(_to_fractions, piece)
            for piece in _TAG.split(html)
        )
    )


def in_millimetres(text: str) -> str:
    """Leave out the inch that stands beside a length, before it or after it."""
    return _INCH_AND_MM.sub(r"\1", _MM_AND_INCH.sub(r"\1", text))


def in_inches(text: str) -> str:
    """Turn every length in a text into inches, with as many digits as it had.

    A length that has its inch in brackets beside it keeps the inch alone.
    """
    text = _CENTIMETRES.sub(_from_centimetres, text)
    text = _WITH_INCH.sub(r"\1", text)
    text = _WITH_SPREAD.sub(_value_and_spread, text)
    text = _SERIES.sub(
        lambda m: _NUMBER.sub(lambda n: _inches(n[0]), m[0]).removesuffix("mm") + "in", text
    )
    return _PLAIN.sub(lambda m: f"{_inches(m['value'])} in", text)


def length_text(mm: float, spread_mm: float, signed: bool = True) -> str:
    """A measured length in the unit that is shown: ``+0.067 in ± 0.003 in``.

    In inches it is what a sentence with the same length comes to, to the last digit.
    """
    return in_unit_shown(quantity_text(mm, spread_mm, "mm", signed=signed))


def example_shown(example: str) -> str:
    """An example of a length, as somebody would type it in the unit that is shown."""
    read = quantity(example, "mm", "It")
    if read.typed.endswith(unit()):
        return example
    if unit() == "mm":
        return f"{read.value:.0f} mm"
    if read.value < MM_PER_INCH / 8:
        return f"{read.value / MM_PER_INCH:.3f} in"
    return fraction_text(nearest_inch_fraction(read.value, 16))


def _value_and_spread(found: re.Match[str]) -> str:
    value = float(found["value"].replace(MINUS, "-"))
    spread = float(found["spread"])
    if spread <= 0:
        return f"{_inches(found['value'])} in"
    return inch_decimal_text(value, spread, signed=found["value"][0] in f"+{MINUS}-")


def _to_fractions(found: re.Match[str]) -> str:
    ends = [
        fraction_text(nearest_inch_fraction(float(end), _ROUGH_PARTS)).removesuffix(" in")
        for end in found.groups()
        if end is not None
    ]
    return f"{' to '.join(ends)} in"


def _from_centimetres(found: re.Match[str]) -> str:
    """How far away to stand: whole inches are near enough."""
    ends = [f"{10 * float(end) / MM_PER_INCH:.0f}" for end in found.groups() if end is not None]
    return f"{' to '.join(ends)} in"


def _inches(typed: str) -> str:
    """The same number of inches, to the step that its last digit had."""
    decimals = len(typed.partition(".")[2])
    value = float(typed.replace(MINUS, "-")) / MM_PER_INCH
    # A last digit of a millimetre is 0.04 in: one decimal more keeps what was known.
    places = min(decimals + 1, 4) if decimals else (2 if abs(value) < 100 else 1)
    text = f"{abs(value):.{places}f}"
    sign = MINUS if value < 0 else "+" if typed.startswith("+") else ""
    return sign + text
