"""Quantities as people write them: ``5 1/4 in``, ``0,42 mm``, ``65 lb``, ``480 gr ± 2 gr``.

Every quantity carries its unit in words: a bare number is refused, because on a bench both
millimetres and inches lie about. What was typed is kept beside what it means.
"""

from __future__ import annotations

import math
import re
import unicodedata
from dataclasses import dataclass
from fractions import Fraction

from fitcheck.errors import BadInput
from fitcheck.units import MINUS, MM_PER_INCH

COVERAGE_FACTOR = 1.96  # what a person writes after ± is read as the half of a 95 % interval
LONGEST_TEXT = 60

# Unit as written, in small letters, to the kind's own unit and the factor to it. The pound is
# the avoirdupois pound of 7000 grains, 0.45359237 kg exactly; standard gravity 9.80665 m/s².
_POUND_KG = 0.45359237
_GRAVITY = 9.80665
_UNITS: dict[str, dict[str, float]] = {
    "mm": {
        "mm": 1.0,
        "cm": 10.0,
        "in": MM_PER_INCH,
        "inch": MM_PER_INCH,
        "inches": MM_PER_INCH,
        '"': MM_PER_INCH,
        "”": MM_PER_INCH,
        "″": MM_PER_INCH,
        "thou": MM_PER_INCH / 1000,
    },
    "deg": {"deg": 1.0, "degree": 1.0, "degrees": 1.0, "°": 1.0},
    "lb": {
        "lb": 1.0,
        "lbs": 1.0,
        "lbf": 1.0,
        "#": 1.0,
        "n": 1 / (_POUND_KG * _GRAVITY),
        "kg": 1 / _POUND_KG,
        "kgf": 1 / _POUND_KG,
    },
    "gr": {"gr": 1.0, "grain": 1.0, "grains": 1.0, "g": 7.0 / _POUND_KG},
    "fps": {"fps": 1.0, "ft/s": 1.0, "m/s": 1000 / 304.8},
    "gr/lb": {"gr/lb": 1.0, "gpp": 1.0},
}
# How each kind is written, for the advice.
_EXAMPLE = {
    "mm": "5 1/4 in, 0.42 mm",
    "deg": "8 deg, 0.25°",
    "lb": "45 lb, 200 N",
    "gr": "480 gr, 31 g",
    "fps": "178 fps, 54 m/s",
    "gr/lb": "8 gr/lb",
}
_WORDS = {
    "mm": "a length",
    "deg": "an angle",
    "lb": "a draw weight",
    "gr": "a mass",
    "fps": "a speed",
    "gr/lb": "a mass for each pound",
}

_NUMBER = (
    r"(?:(?:(\d{1,4})(?:\s+|-))?(\d{1,4})\s*/\s*(\d{1,4})|(\d{1,6}(?:[.,]\d{0,9})?|[.,]\d{1,9}))"
)
_UNIT = r"([a-z°\"”″#]+(?:/[a-z]+)?)"
_QUANTITY = re.compile(
    rf"([+-]?)\s*{_NUMBER}\s*{_UNIT}?\.?(?:\s*(?:±|\+/-|\+-)\s*{_NUMBER}\s*{_UNIT}?\.?)?"
)
FRACTION_LINE = "\u2044"
# Fractions that are one character each, but for the one that leaves its lower number open.
_ONE_CHARACTER = re.compile(r"[\u00bc-\u00be\u2150-\u215e](?!\d)")
# One to three digits, a comma and just three more: nobody can tell what was meant. A leading
# zero can only be a decimal.
_THOUSANDS = re.compile(r"[+-]?\s*([1-9]\d{0,2}),(\d{3})(?!\d)")


@dataclass(frozen=True)
class Quantity:
    """A quantity with its unit, and how it was written.

    Attributes
    ----------
    value
        In ``unit``.
    unit
        ``"mm"``, ``"deg"``, ``"lb"`` (force), ``"gr"`` (grains), ``"fps"`` or ``"gr/lb"``.
    typed
        As it was written.
    standard_uncertainty
        In ``unit``; None if none was written beside it.
    """

    value: float
    unit: str
    typed: str
    standard_uncertainty: float | None = None

    def with_uncertainty(self, otherwise: float) -> tuple[float, float]:
        """Value and standard uncertainty, the latter by default if none was written."""
        given = self.standard_uncertainty
        return self.value, otherwise if given is None else given


def quantity(text: str, unit: str, what: str) -> Quantity:
    """Read a quantity.

    Parameters
    ----------
    text
        A number with its unit: decimals with point or comma, or a fraction (``5 1/4 in``);
        an expanded uncertainty may follow after ``±``.
    unit
        The kind wanted, named by its own unit: ``"mm"`` for any length, ``"deg"`` for an angle,
        ``"lb"`` for a force, ``"gr"`` for a mass, ``"fps"`` for a speed, ``"gr/lb"``.
    what
        What it is of, to begin a sentence with.

    Returns
    -------
    The quantity in the kind's own unit.

    Raises
    ------
    BadInput
        ``not_a_quantity`` if it cannot be read, ``no_unit`` if the unit is missing,
        ``wrong_unit`` if it is of another kind.
    """
    typed = text.strip()
    shown = f"“{typed[:40]}{'…' if len(typed) > 40 else ''}”"
    advice = f"Write {_WORDS[unit]} with its unit, such as {_EXAMPLE[unit]}."
    plain = _plain_fractions(typed.lower()).replace(MINUS, "-")
    found = _QUANTITY.fullmatch(plain) if len(plain) <= LONGEST_TEXT else None
    thousands = _THOUSANDS.match(plain)
    if thousands is not None:
        whole, rest = thousands.groups()
        raise BadInput(
            "not_a_quantity",
            f"{what} is given as {shown}: the comma may part thousands or decimals.",
            f"Write {whole}.{rest} or {whole}{rest}.",
        )
    if found is None:
        raise BadInput(
            "not_a_quantity", f"{what} is given as {shown}, which is not {_WORDS[unit]}.", advice
        )
    sign, *parts = found.groups()
    number, written = _number(parts[:4]), parts[4]
    spread, spread_unit = _number(parts[5:9]), parts[9]
    if number is None or (spread is None and any(parts[5:9])):
        raise BadInput(
            "not_a_quantity",
            f"{what} is given as {shown}: a fraction with nothing under its line.",
            advice,
        )
    if written is None:
        raise BadInput("no_unit", f"{what} is given as {shown}, without a unit.", advice)
    factor = _factor(written, unit, what, shown, advice)
    u = None
    if spread is not None:
        own = factor if spread_unit is None else _factor(spread_unit, unit, what, shown, advice)
        u = spread * own / COVERAGE_FACTOR
        if u <= 0:
            raise BadInput(
                "not_a_quantity",
                f"{what} is given as {shown}, with no uncertainty at all.",
                "Write what the tool reads to after the ±, or leave it out.",
            )
    return Quantity((-number if sign == "-" else number) * factor, unit, typed, u)


def _plain_fractions(text: str) -> str:
    """Write a fraction that is one character (``7½``) with a line: ``7 1/2``."""

    def written(found: re.Match[str]) -> str:
        over, under = unicodedata.normalize("NFKC", found[0]).split(FRACTION_LINE)
        return f" {over}/{under}" if over and under else found[0]

    return _ONE_CHARACTER.sub(written, text).replace(FRACTION_LINE, "/").strip()


def _number(parts: list[str | None]) -> float | None:
    whole, over, under, decimal = parts
    if decimal is not None:
        return float(decimal.replace(",", "."))
    if over is None or under is None or int(under) == 0:
        return None
    return float(int(whole or 0) + Fraction(int(over), int(under)))


def _factor(written: str, unit: str, what: str, shown: str, advice: str) -> float:
    factor = _UNITS[unit].get(written)
    if factor is None or not math.isfinite(factor):
        known = any(written in units for units in _UNITS.values())
        kind = _WORDS[unit].split(" ", 1)[1]
        problem = f"is no unit of {kind}" if known else "is not a unit that is known here"
        raise BadInput(
            "wrong_unit",
            f"{what} is given as {shown}, and {written} {problem}.",
            advice,
        )
    return factor
