"""Quantities as text: never more digits than their uncertainty supports.

Millimetres and degrees lead. The inch is given beside the millimetre as the bench reads it:
the nearest fraction where the uncertainty allows one, and decimals.
"""

from __future__ import annotations

import math
from decimal import ROUND_CEILING, ROUND_HALF_UP, Decimal
from fractions import Fraction

MM_PER_INCH = 25.4  # exact since 1959

MINUS = "\N{MINUS SIGN}"

# A photograph supports no more than a micrometre or a thousandth of a degree.
MOST_DECIMALS = 3
# Finest first. A fraction is used while the expanded uncertainty is no more than its step: then
# what rounding to a coarser one takes away, half a step, never exceeds the uncertainty.
DENOMINATORS = (64, 32, 16)
# EA-4/02 M, section 6 (from memory): round an uncertainty up where rounding it to the nearest
# digit would take more than this share away.
MOST_LOST_BY_ROUNDING = Decimal("0.05")

_SUFFIX = {"mm": " mm", "deg": "°", "in": " in"}


def decimals_supported(expanded_uncertainty: float) -> int:
    """How many decimals an expanded uncertainty supports.

    Two significant digits of the uncertainty are kept if the first is 1 or 2, else one.
    GUM (JCGM 100:2008), 7.2.6, allows two at most.

    Parameters
    ----------
    expanded_uncertainty
        Above zero, in any unit.

    Returns
    -------
    Decimals, at most 3; below zero where tens or hundreds are the last digit.

    Raises
    ------
    ValueError
        If the uncertainty is not a finite number above zero.
    """
    exact = _checked_uncertainty(expanded_uncertainty)
    digits = 2 if exact.as_tuple().digits[0] <= 2 else 1
    decimals = digits - 1 - exact.adjusted()
    rounded = _rounded_uncertainty(exact, decimals)
    if rounded.adjusted() > exact.adjusted():  # 0.97 became 1.0: the same two digits
        decimals = 1 - rounded.adjusted()
    return min(decimals, MOST_DECIMALS)


def quantity_text(
    value: float, expanded_uncertainty: float, unit: str, *, signed: bool = True
) -> str:
    """Value and expanded uncertainty, rounded alike: ``+1.71 mm ± 0.06 mm``.

    Parameters
    ----------
    value, expanded_uncertainty
        In ``unit``.
    unit
        ``"mm"``, ``"deg"`` or ``"in"``.
    signed
        Whether a value above zero shows its plus sign.

    Returns
    -------
    The text, with a true minus sign and no sign on a rounded zero.

    Raises
    ------
    ValueError
        If a number is not finite, the uncertainty is not above zero or the unit is unknown.
    """
    decimals = decimals_supported(expanded_uncertainty)
    spread = _rounded_uncertainty(_checked_uncertainty(expanded_uncertainty), decimals)
    suffix = _suffix(unit)
    return f"{_number(value, decimals, signed)}{suffix} ± {_plain(spread, decimals)}{suffix}"


def value_text(
    value: float, expanded_uncertainty: float, unit: str, *, signed: bool = True
) -> str:
    """Value alone, rounded as its uncertainty demands: ``+1.71 mm``.

    Parameters, result and errors are as those of :func:`quantity_text`.
    """
    return _number(value, decimals_supported(expanded_uncertainty), signed) + _suffix(unit)


def uncertainty_text(expanded_uncertainty: float, unit: str) -> str:
    """Expanded uncertainty alone: ``± 0.06 mm``. Errors as in :func:`quantity_text`."""
    decimals = decimals_supported(expanded_uncertainty)
    spread = _rounded_uncertainty(_checked_uncertainty(expanded_uncertainty), decimals)
    return f"± {_plain(spread, decimals)}{_suffix(unit)}"


def limit_text(limit: float, unit: str) -> str:
    """A limit, exact by definition: ``0.40 mm``; two decimals, more where it has more.

    Raises
    ------
    ValueError
        If the limit is not finite or the unit is unknown.
    """
    exact = _finite(limit)
    exponent = exact.normalize().as_tuple().exponent
    decimals = max(2, -exponent if isinstance(exponent, int) else 2)
    return _plain(exact, decimals) + _suffix(unit)


def nearest_inch_fraction(value_mm: float, denominator: int = 64) -> Fraction:
    """Nearest fraction of an inch, reduced.

    Parameters
    ----------
    value_mm
        Length in millimetres.
    denominator
        Parts of an inch to round to.

    Returns
    -------
    The fraction, in inches; a half rounds away from zero.

    Raises
    ------
    ValueError
        If the length is not finite or the denominator is below 1.
    """
    if denominator < 1:
        raise ValueError(f"denominator must be at least 1, got {denominator}")
    exact = Fraction(_finite(value_mm)) / Fraction("25.4") * denominator
    parts = math.floor(abs(exact) + Fraction(1, 2))
    return Fraction(-parts if exact < 0 else parts, denominator)


def fraction_text(fraction: Fraction, *, signed: bool = False) -> str:
    """A fraction of an inch as it is said at the bench: ``1 1/64 in``."""
    whole, rest = divmod(abs(fraction), 1)
    words = [str(whole)] if whole or not rest else []
    if rest:
        words.append(f"{rest.numerator}/{rest.denominator}")
    sign = MINUS if fraction < 0 else "+" if signed and fraction > 0 else ""
    return f"{sign}{' '.join(words)} in"


def finest_denominator(expanded_uncertainty_mm: float) -> int | None:
    """Finest fraction of an inch that an uncertainty supports: 64, 32, 16 or None.

    A fraction is supported while the expanded uncertainty (mm) is at most its step, so that the
    nearest one lies within the uncertainty wherever a finer one is not supported.

    Raises
    ------
    ValueError
        If the uncertainty is not a finite number above zero.
    """
    spread_in = _checked_uncertainty(expanded_uncertainty_mm) / Decimal("25.4")
    for denominator in DENOMINATORS:
        if spread_in * denominator <= 1:
            return denominator
    return None


def inch_fraction_text(
    value_mm: float, expanded_uncertainty_mm: float, *, signed: bool = True
) -> str:
    """Nearest fraction that the uncertainty supports: ``+1/16 in``; empty if none is.

    A value too small for the fraction is not called zero: ``under 1/64 in``.

    Parameters
    ----------
    value_mm, expanded_uncertainty_mm
        In millimetres.
    signed
        Whether a value above zero shows its plus sign.

    Raises
    ------
    ValueError
        If a number is not finite or the uncertainty is not above zero.
    """
    denominator = finest_denominator(expanded_uncertainty_mm)
    if denominator is None:
        _finite(value_mm)
        return ""
    fraction = nearest_inch_fraction(value_mm, denominator)
    if fraction == 0 and value_mm != 0:
        return f"under 1/{denominator} in"
    return fraction_text(fraction, signed=signed)


def inch_decimal_text(
    value_mm: float, expanded_uncertainty_mm: float, *, signed: bool = True
) -> str:
    """Inches in decimals, thousandths at the finest: ``+0.067 in ± 0.003 in``.

    Parameters and errors are as those of :func:`inch_fraction_text`.
    """
    spread = _checked_uncertainty(expanded_uncertainty_mm) / Decimal("25.4")
    decimals = decimals_supported(float(spread))
    shown = _rounded_uncertainty(spread, decimals)
    number = _number(float(_finite(value_mm) / Decimal("25.4")), decimals, signed)
    return f"{number} in ± {_plain(shown, decimals)} in"


def limit_inch_text(limit_mm: float) -> str:
    """A limit given in millimetres, in inches: ``1/64 in`` where it is one, else decimals.

    A fraction stands for the limit where it is a sixty-fourth to two per cent.

    Raises
    ------
    ValueError
        If the limit is not finite or not above zero.
    """
    inches = _above_zero(limit_mm, "a limit") / Decimal("25.4")
    fraction = nearest_inch_fraction(limit_mm)
    if abs(Fraction(inches) - fraction) <= Fraction(inches) / 50:
        return fraction_text(fraction)
    return f"{inches:.3f} in" if inches >= Decimal("0.01") else f"{inches:.4f} in"


def _suffix(unit: str) -> str:
    if unit not in _SUFFIX:
        raise ValueError(f"unit must be one of {', '.join(_SUFFIX)}, got {unit!r}")
    return _SUFFIX[unit]


def _finite(number: float) -> Decimal:
    if not math.isfinite(number):
        raise ValueError(f"expected a finite number, got {number}")
    return Decimal(repr(float(number)))  # the digits a person sees, not the binary tail


def _checked_uncertainty(expanded_uncertainty: float) -> Decimal:
    return _above_zero(expanded_uncertainty, "an expanded uncertainty")


def _above_zero(number: float, what: str) -> Decimal:
    if not math.isfinite(number) or number <= 0:
        raise ValueError(f"{what} must be finite and above zero, got {number}")
    return Decimal(repr(float(number)))


def _rounded_uncertainty(exact: Decimal, decimals: int) -> Decimal:
    step = Decimal(1).scaleb(-decimals)
    nearest = exact.quantize(step, ROUND_HALF_UP)
    if nearest < exact * (1 - MOST_LOST_BY_ROUNDING):
        return exact.quantize(step, ROUND_CEILING)
    return nearest


def _number(value: float, decimals: int, signed: bool) -> str:
    rounded = _finite(value).quantize(Decimal(1).scaleb(-decimals), ROUND_HALF_UP)
    sign = MINUS if rounded < 0 else "+" if signed and rounded > 0 else ""
    return sign + _plain(abs(rounded), decimals)


def _plain(number: Decimal, decimals: int) -> str:
    return f"{number:.{max(decimals, 0)}f}"
