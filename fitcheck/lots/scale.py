"""Numbers of a lot in the unit that they are shown in: millimetres or inches, and degrees.

Everything is reckoned in the characteristic's own unit. Tables of spreads and charts have room
for one unit only; there the shop's leads.
"""

from __future__ import annotations

from dataclasses import dataclass

from fitcheck.units import MINUS, MM_PER_INCH, decimals_supported

SYMBOLS = {"mm": "mm", "in": "in", "deg": "°"}
NOTHING = 1e-9
MOST_DECIMALS = {"mm": 3, "deg": 3, "in": 4}  # an inch is 25 mm: one more for the same step


@dataclass(frozen=True)
class Scale:
    """From a characteristic's own unit to the one that is shown.

    Attributes
    ----------
    unit
        As shown: ``"mm"``, ``"in"`` or ``"deg"``.
    factor
        Shown number over the characteristic's own.
    """

    unit: str
    factor: float

    @property
    def symbol(self) -> str:
        """The unit as it stands on an axis."""
        return SYMBOLS[self.unit]

    @property
    def sign(self) -> str:
        """The unit as it stands after a number."""
        return "°" if self.unit == "deg" else f" {self.unit}"

    def shown(self, value: float) -> float:
        """A number in the unit that is shown."""
        return value * self.factor

    def plain(self, value: float) -> str:
        """Return a number of four significant digits, without its unit."""
        return significant(self.shown(value), 4)

    def with_unit(self, value: float) -> str:
        """Return a number of four significant digits with its unit."""
        return f"{self.plain(value)}{self.sign}"

    def spread(self, sd: float) -> str:
        """Return a standard deviation with the digits it supports; 0 where there is none."""
        shown = self.shown(sd)
        if shown <= NOTHING:
            return f"0{self.sign}"
        finer = MOST_DECIMALS[self.unit] - MOST_DECIMALS["mm"]
        decimals = decimals_supported(shown * 10**finer) + finer
        return f"{round(shown, decimals):.{max(decimals, 0)}f}{self.sign}"


def scale_of(unit: str, units: str = "mm") -> Scale:
    """Return the scale of a characteristic.

    Parameters
    ----------
    unit
        The characteristic's own: ``"mm"`` or ``"deg"``.
    units
        Unit of length to be shown: ``"mm"`` or ``"in"``.
    """
    if unit == "mm" and units == "in":
        return Scale("in", 1 / MM_PER_INCH)
    return Scale(unit, 1.0)


def signed(value: float, form: str) -> str:
    """Return a number with its sign, a true minus among them, in a form such as ``.1%``."""
    return f"{value:+{form}}".replace("-", MINUS)


def significant(value: float, digits: int) -> str:
    """Return a number of so many significant digits, never with an exponent."""
    text = f"{value:.{digits}g}"
    if "e" in text:
        text = f"{value:.0f}" if abs(value) > 1 else f"{value:.6f}"
        if float(text) == 0:
            text = "0"
    return text.replace("-", MINUS)
