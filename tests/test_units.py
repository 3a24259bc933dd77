"""Quantities as text: no more digits than the uncertainty supports, and inches as at the bench."""

from __future__ import annotations

import math
import re
from fractions import Fraction

import numpy as np
import pytest

from fitcheck.units import (
    decimals_supported,
    finest_denominator,
    fraction_text,
    inch_decimal_text,
    inch_fraction_text,
    limit_inch_text,
    limit_text,
    nearest_inch_fraction,
    quantity_text,
    uncertainty_text,
    value_text,
)

MM_PER_64TH = 25.4 / 64


@pytest.mark.parametrize(
    ("value", "spread", "unit", "text"),
    [
        (1.7074, 0.0588, "mm", "+1.71 mm ± 0.06 mm"),
        (1.7074, 0.12, "mm", "+1.71 mm ± 0.12 mm"),
        (-0.0909, 0.052, "mm", "−0.09 mm ± 0.05 mm"),
        (0.2474, 0.047, "deg", "+0.25° ± 0.05°"),
        (-0.002, 0.05, "mm", "0.00 mm ± 0.05 mm"),  # no sign on a rounded zero
        (0.96, 0.97, "mm", "+1.0 mm ± 1.0 mm"),  # the uncertainty rounds up to a new digit
        (12.3, 14.2, "mm", "+12 mm ± 14 mm"),
        (343.0, 97.0, "mm", "+340 mm ± 100 mm"),
        (1.7074, 1e-7, "mm", "+1.707 mm ± 0.001 mm"),  # a photograph supports no more
    ],
)
def test_value_is_rounded_to_its_uncertainty(value, spread, unit, text):
    assert quantity_text(value, spread, unit) == text
    assert value_text(value, spread, unit) == text.split(" ± ")[0]
    assert uncertainty_text(spread, unit) == "± " + text.split(" ± ")[1]


def test_unsigned_quantity_has_no_plus():
    assert quantity_text(41.603, 0.09, "mm", signed=False) == "41.60 mm ± 0.09 mm"


def test_uncertainty_keeps_at_most_two_digits_and_is_never_told_much_too_small():
    rng = np.random.default_rng(20261125)
    for _ in range(3000):
        spread = 10 ** rng.uniform(-2.5, 2)
        shown = uncertainty_text(spread, "mm").removeprefix("± ").removesuffix(" mm")
        digits = shown.replace(".", "").lstrip("0")
        assert len(digits.rstrip("0")) <= 2
        assert 0.95 * spread - 1e-12 <= float(shown) <= 1.34 * spread, shown
        decimals = decimals_supported(spread)
        assert len(shown.partition(".")[2]) == max(decimals, 0)
        value = value_text(rng.uniform(-9, 9), spread, "mm").removesuffix(" mm")
        assert len(value.partition(".")[2]) == max(decimals, 0)


@pytest.mark.parametrize("spread", [0.0, -0.1, math.nan, math.inf])
def test_uncertainty_that_is_none_is_refused(spread):
    with pytest.raises(ValueError, match="finite and above zero"):
        quantity_text(1.0, spread, "mm")
    with pytest.raises(ValueError, match="finite and above zero"):
        inch_fraction_text(1.0, spread)


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
def test_value_that_is_no_number_is_refused(value):
    for call in (
        lambda: quantity_text(value, 0.1, "mm"),
        lambda: inch_fraction_text(value, 0.1),
        lambda: inch_fraction_text(value, 9.0),
        lambda: inch_decimal_text(value, 0.1),
    ):
        with pytest.raises(ValueError, match="finite"):
            call()


def test_unknown_unit_is_named():
    with pytest.raises(ValueError, match="'cm'"):
        quantity_text(1.0, 0.1, "cm")


# 12.303125 mm is 31/64 in exactly (12.303125 / 25.4 = 0.484375); 25.6 mm lies 0.196875 mm under
# 1 1/64 in; 85.60 mm (ISO/IEC 7810 ID-1, the long side) lies 0.125 mm under 3 3/8 in.
@pytest.mark.parametrize(
    ("value_mm", "fraction", "text", "over_mm"),
    [
        (12.303125, Fraction(31, 64), "31/64 in", 0.0),
        (25.6, Fraction(65, 64), "1 1/64 in", 0.196875),
        (85.60, Fraction(27, 8), "3 3/8 in", 0.125),
    ],
)
def test_inch_fractions_against_published_sizes(value_mm, fraction, text, over_mm):
    assert nearest_inch_fraction(value_mm) == fraction
    assert fraction_text(nearest_inch_fraction(value_mm)) == text
    assert float(fraction) * 25.4 - value_mm == pytest.approx(over_mm, abs=1e-9)


def test_nearest_fraction_is_never_more_than_half_a_step_off():
    rng = np.random.default_rng(7)
    for _ in range(2000):
        value_mm = rng.uniform(-100, 100)
        for denominator in (64, 32, 16):
            fraction = nearest_inch_fraction(value_mm, denominator)
            assert denominator % fraction.denominator == 0
            assert abs(float(fraction) * 25.4 - value_mm) <= 25.4 / denominator / 2 + 1e-9


def test_half_a_step_rounds_away_from_zero_on_both_sides():
    assert nearest_inch_fraction(MM_PER_64TH / 2) == Fraction(1, 64)
    assert nearest_inch_fraction(-MM_PER_64TH / 2) == Fraction(-1, 64)


@pytest.mark.parametrize(
    ("spread_mm", "denominator"),
    [
        (25.4 / 64, 64),
        (25.4 / 63, 32),
        (25.4 / 32, 32),
        (25.4 / 31, 16),
        (25.4 / 16, 16),
        (25.4 / 15, None),
    ],
)
def test_fraction_is_as_fine_as_the_uncertainty_supports(spread_mm, denominator):
    assert finest_denominator(spread_mm) == denominator
    text = inch_fraction_text(17.0, spread_mm)
    if denominator is None:
        assert text == ""
    else:
        assert denominator % int(re.search(r"/(\d+) in", text).group(1)) == 0


def test_a_fraction_never_contradicts_the_millimetres_beside_it():
    rng = np.random.default_rng(26)
    for _ in range(3000):
        value, spread = rng.uniform(-60, 60), 10 ** rng.uniform(-2, 0.5)
        denominator = finest_denominator(spread)
        if denominator is not None:
            off = abs(float(nearest_inch_fraction(value, denominator)) * 25.4 - value)
            assert off <= max(spread, MM_PER_64TH / 2) + 1e-9
    assert inch_fraction_text(1.96, 0.22) == "+5/64 in"
    assert inch_fraction_text(-0.9, 0.5) == "−1/32 in"


def test_inches_of_a_lip():
    assert inch_fraction_text(1.7074, 0.06) == "+1/16 in"
    assert inch_decimal_text(1.7074, 0.06) == "+0.067 in ± 0.003 in"
    assert inch_fraction_text(-0.7930, 0.06) == "−1/32 in"
    assert inch_fraction_text(41.603, 0.09, signed=False) == "1 41/64 in"
    assert inch_fraction_text(-0.0909, 0.06) == "under 1/64 in"
    assert inch_fraction_text(0.0, 0.06) == "0 in"
    assert inch_decimal_text(17.0, 0.9) == "+0.67 in ± 0.04 in"  # thousandths would be a pretence


def test_limits_are_exact():
    assert limit_text(0.4, "mm") == "0.40 mm"
    assert limit_text(0.125, "mm") == "0.125 mm"
    assert limit_text(1, "deg") == "1.00°"
    assert limit_inch_text(0.4) == "1/64 in"
    assert limit_inch_text(0.8) == "1/32 in"
    assert limit_inch_text(0.6) == "0.024 in"  # not a sixty-fourth: not called one
    assert limit_inch_text(0.05) == "0.0020 in"
    with pytest.raises(ValueError, match="a limit must be"):
        limit_inch_text(-1.0)
