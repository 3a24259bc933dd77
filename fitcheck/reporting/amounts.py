"""Lengths in the unit the user set with the other in brackets, and numbers as a language has them.

The findings say their lengths in millimetres, bench readings as they were read. Both are
rewritten here, in one place, and never computed anew: what was rounded stays as it was rounded.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

from fitcheck.units import (
    MM_PER_INCH,
    inch_decimal_text,
    inch_fraction_text,
    quantity_text,
    value_text,
)

Units = Literal["mm", "in"]

_N = r"\d+(?:\.\d+)?"
_INCHES = r"(?:about |under )?[+−±]?(?:\d+ \d+/\d+|\d+/\d+|\d+(?:\.\d+)?) in"
# Told apart from left to right: a quantity with its uncertainty, a depth with its decimal inches,
# millimetres with inches, inches with millimetres, and millimetres alone.
_LENGTHS = re.compile(
    rf"(?P<sign>[+−]?)(?P<value>{_N}) mm ± (?P<spread>{_N}) mm"
    rf"|(?P<depth>{_N} mm) \((?P<depth_in>{_N} in); (?:nearest [^()]*|under [^()]*)\)"
    rf"|(?P<limit>[+−±]?{_N} mm) \((?P<limit_in>{_INCHES})\)"
    rf"|(?P<read_in>{_INCHES}) \((?P<read>[+−]?{_N} mm)\)"
    rf"|(?<![\d.,])(?P<low>{_N}) to (?P<high>{_N}) mm\b"
    rf"|(?<![\d.,])(?P<bare>{_N}) mm\b"
    rf"|(?<![\d.,])(?P<cm>{_N}) cm\b"
)
_BARE = re.compile(rf"(?<![\d.,])({_N}) mm\b")
_MEASURED = re.compile(rf"([+−]?)({_N}) mm ± ({_N}) mm")
TIMES = " × "  # where a reckoning's formula begins
_DECIMAL = re.compile(r"(?<=\d)\.(?=\d)")


@dataclass(frozen=True)
class Amounts:
    """How amounts are written.

    Attributes
    ----------
    units
        Which unit of length leads.
    comma
        Whether decimals follow a comma.
    """

    units: Units = "mm"
    comma: bool = False

    def number(self, text: str) -> str:
        """Return a text with its decimals after the language's sign."""
        return _DECIMAL.sub(",", text) if self.comma else text

    def quantity(self, value: float, expanded: float, unit: str, *, signed: bool = True) -> str:
        """Value with expanded uncertainty, the other unit in brackets.

        ``1.71 mm ± 0.06 mm (1/16 in)``; a fraction of an inch only where the uncertainty
        supports one, else decimals.

        Parameters
        ----------
        value, expanded
            In ``unit``; the uncertainty above zero.
        unit
            ``"mm"`` or ``"deg"``.
        signed
            Whether a value above zero shows its plus sign.

        Raises
        ------
        ValueError
            As :func:`fitcheck.units.quantity_text`.
        """
        first, second = self.pair(value, expanded, unit, signed=signed)
        return f"{first} ({second})" if second else first

    def pair(
        self, value: float, expanded: float, unit: str, *, signed: bool = True
    ) -> tuple[str, str]:
        """Return the two units apart; the second is empty for an angle."""
        if unit != "mm":
            return self.number(quantity_text(value, expanded, unit, signed=signed)), ""
        metric = quantity_text(value, expanded, unit, signed=signed)
        fraction = inch_fraction_text(value, expanded, signed=signed)
        decimal = inch_decimal_text(value, expanded, signed=signed)
        if self.units == "mm":
            return self.number(metric), self.number(fraction or decimal.partition(" ± ")[0])
        if fraction:
            return self.number(decimal), self.number(f"{fraction}; {metric}")
        return self.number(decimal), self.number(value_text(value, expanded, unit, signed=signed))

    def length(self, millimetres: float, decimals: int) -> str:
        """Return a length of given decimals of a millimetre in both units."""
        return self.number(self.text(f"{millimetres:.{decimals}f} mm"))

    def leading(self, millimetres: float, decimals: int = 3) -> str:
        """Return a small length, a spread or a source of uncertainty, in the leading unit alone.

        Inches have a digit more than millimetres: a thousandth of an inch is a fortieth of one.
        """
        shown = (
            f"{millimetres:.{decimals}f} mm"
            if self.units == "mm"
            else f"{millimetres / MM_PER_INCH:.{decimals + 1}f} in"
        )
        return self.number(shown)

    def short(self, text: str) -> str:
        """Rewrite measured lengths in the leading unit alone, where there is no room for both."""
        if self.units == "mm":
            return text

        def inches(found: re.Match[str]) -> str:
            value, spread = float(found[2]), float(found[3])
            if spread <= 0:
                return found[0]
            return found[1] + inch_decimal_text(value, spread, signed=False)

        return _MEASURED.sub(inches, text)

    def reckoning(self, text: str) -> str:
        """Rewrite a reckoning: its words in both units, its formula in the leading one alone."""
        formula = text.find(TIMES)
        start = text.rfind(": ", 0, formula) if formula >= 0 else len(text)
        words, sums = self.text(text[:start]), text[start:]
        if self.units == "in":
            sums = _BARE.sub(lambda found: f"{float(found[1]) / MM_PER_INCH:.4f} in", sums)
        return words + sums

    def text(self, text: str) -> str:
        """Rewrite every length of a sentence of the findings; decimals are left alone."""
        return _LENGTHS.sub(lambda found: self._length(text, found), text)

    def _length(self, text: str, found: re.Match[str]) -> str:
        before = text[: found.start()]
        inside = before.count("(") > before.count(")")

        def both(metric: str, inches: str) -> str:
            first, second = (metric, inches) if self.units == "mm" else (inches, metric)
            return f"{first} [{second}]" if inside else f"{first} ({second})"

        if found["value"] is not None:
            return self._measured(found, both)
        if found["depth"] is not None:
            return both(found["depth"], found["depth_in"])
        if found["limit"] is not None:
            return both(found["limit"], found["limit_in"])
        if found["read"] is not None:
            return both(found["read"], found["read_in"])
        if found["cm"] is not None:
            inches = float(found["cm"]) * 10 / MM_PER_INCH
            return both(found[0], f"{inches:.0f} in" if inches >= 1 else f"{inches:.1f} in")
        if found["low"] is not None:
            low, high = (_as_fine(found[name]) for name in ("low", "high"))
            return both(found[0], f"{low.removesuffix(' in')} to {high}")
        bare = found["bare"]
        return both(f"{bare} mm", _as_fine(bare)) if float(bare) else found[0]

    def _measured(self, found: re.Match[str], both: Callable[[str, str], str]) -> str:
        value, spread = float(found["value"]), float(found["spread"])
        if spread <= 0:
            return found[0]
        fraction = inch_fraction_text(value, spread, signed=False)
        decimal = inch_decimal_text(value, spread, signed=False)
        sign = found["sign"]
        if self.units == "mm":
            inches = fraction or decimal.partition(" ± ")[0]
            return both(found[0], inches if inches.startswith("under") else sign + inches)
        if fraction and not fraction.startswith("under"):
            return both(found[0], sign + fraction)
        return both(f"{sign}{found['value']} mm", sign + decimal)


def _as_fine(millimetres: str) -> str:
    """Inches to about the digits that the millimetres were written with."""
    decimals = len(millimetres.partition(".")[2])
    return f"{float(millimetres) / MM_PER_INCH:.{min(decimals + 1, 3)}f} in"
