"""Decisions against published probabilities, and limits that can be edited."""

from __future__ import annotations

import math

import pytest

from fitcheck.findings.limits import DEFAULTS, MARKS, Tolerance, decide, limits_in_force
from fitcheck.inspection import BANDS, LIMIT_UNITS, LimitEntry
from fitcheck.quantities import quantity


def band(low: float, high: float) -> Tolerance:
    wide = 10 * max(abs(low), abs(high))
    return Tolerance("tiller", (low, high), (-wide, wide), "mm", "C", "")


# JCGM 106:2012: one-sided limit -5.40, estimate -5.47, u 0.05: printed 0.92 (from memory).
# 0.919243 was computed with scipy's normal distribution.
def test_probability_of_conformity_one_sided():
    found = decide(-5.47, 0.05, band(-50.0, -5.40))
    assert round(found.p_good, 2) == 0.92
    assert found.p_good == pytest.approx(0.919243, abs=5e-7)


# Computed independently with scipy; T/(4 u) = 1 and 2 centred, JCGM 106:2012, 8.
@pytest.mark.parametrize(
    ("value", "u", "half", "expected", "tolerance"),
    [
        (0.15, 0.05, 0.20, 0.841345, 5e-7),
        (0.0, 0.5, 1.0, 0.954500, 5e-7),
        (0.0, 0.25, 1.0, 0.9999367, 5e-8),
    ],
)
def test_probability_of_conformity_two_sided(value, u, half, expected, tolerance):
    assert decide(value, u, band(-half, half)).p_good == pytest.approx(expected, abs=tolerance)


# ISO 14253-1:2017: default probability of conformity 95 %, guard band 1.65 u.
@pytest.mark.parametrize("sign", [1, -1])
def test_guard_band_on_both_limits(sign):
    u, limit = 0.01, DEFAULTS["overhang"]
    for end, inside, outside in (
        (limit.good[1], "conforms", "does not conform"),
        (limit.rework[1], "not needed", "needed"),
    ):
        for off, expected in ((-1.65, inside), (-1.64, "undecided"), (0, "undecided")):
            found = decide(sign * (end + off * u), u, limit)
            assert (found.conformity if end == limit.good[1] else found.rework) == expected
        found = decide(sign * (end + 1.65 * u), u, limit)
        assert (found.conformity if end == limit.good[1] else found.rework) == outside


# JCGM 106:2012, guard bands: risk of accepting at the limit for w = 1.5 U, U, 0.825 U, 0 with
# k = 2; published 2.5 % for U and 5 % for 0.83 U, the rest computed with scipy.
@pytest.mark.parametrize(
    ("guard", "risk", "tolerance"),
    [(1.5, 0.00135, 5e-6), (1.0, 0.02275, 5e-6), (0.825, 0.0495, 5e-5), (0.0, 0.5, 1e-9)],
)
def test_risk_at_a_guard_banded_limit(guard, risk, tolerance):
    u = 0.05
    found = decide(1.0 - guard * 2 * u, u, band(-1000.0, 1.0))
    assert 1 - found.p_good == pytest.approx(risk, abs=tolerance)


def test_a_hopeless_value_is_undecided():
    found = decide(0.3, 9.0, DEFAULTS["overhang"])
    assert (found.conformity, found.rework) == ("undecided", "undecided")
    assert "too uncertain" in found.sentence


def test_tiller_is_a_band():
    tiller = DEFAULTS["tiller"]
    assert decide(4.5, 0.3, tiller).conformity == "conforms"
    assert decide(0.0, 0.3, tiller).rework == "undecided"
    assert decide(-4.8, 0.3, tiller).rework == "needed"
    assert decide(12.0, 0.3, tiller).rework == "needed"
    assert decide(8.0, 0.3, tiller).sentence.startswith("past the good limit (3.00 mm to 6.00 mm)")


# The defaults of the trade reference; none of them is published but the start of the tiller's.
@pytest.mark.parametrize(
    ("name", "good", "rework", "mark"),
    [
        ("overhang", 0.4, 0.8, "M"),
        ("pad_squareness", 0.10, 0.26, "M"),
        ("seat_gap", 0.05, 0.13, "M"),
        ("wind", 0.25, 0.5, "M"),
        ("twist", 1.0, 2.0, "M"),
        ("string_pad", 0.8, 1.6, "M"),
        ("string_grip", 1.6, 3.2, "M"),
    ],
)
def test_default_limits(name, good, rework, mark):
    limit = DEFAULTS[name]
    assert (limit.good, limit.rework) == ((-good, good), (-rework, rework))
    assert (limit.mark, limit.unit) == (mark, LIMIT_UNITS[name])
    assert "no published limit" in limit.note


def test_every_limit_has_a_default_and_a_mark():
    assert set(DEFAULTS) == set(LIMIT_UNITS)
    for limit in DEFAULTS.values():
        assert limit.mark in MARKS
        assert limit.band == (limit.name in BANDS)


# 508 mm from pad to nock; the string 0.8 mm off at a pad 8 in from the grip (27 in to the nock).
def test_lateral_angle_limit_follows_from_the_string():
    tip = DEFAULTS["string_pad"].good[1] * 2 * 27 / (27 + 8)
    angle = math.degrees(math.asin(tip / 508))
    assert DEFAULTS["lateral_angle"].good[1] == pytest.approx(angle, abs=0.005)


def test_edited_limits_take_the_place_of_the_defaults():
    q = [quantity(t, "mm", "x") for t in ("0.3 mm", "1/32 in")]
    limits = limits_in_force({"overhang": LimitEntry((q[0],), (q[1],), "C", "")})
    assert limits["overhang"].good == (-0.3, 0.3)
    assert limits["overhang"].rework == (-0.79375, 0.79375)
    assert limits["overhang"].edited
    assert not limits["twist"].edited


def test_three_under_has_its_own_tiller():
    assert limits_in_force({}, "three under")["tiller"].good == (0.0, 3.0)
    assert "three fingers under" in limits_in_force({}, "three under")["tiller"].note


@pytest.mark.parametrize(
    ("good", "rework"), [((-1, 1), (-1, 1)), ((1, -1), (-2, 2)), ((-1, math.nan), (-2, 2))]
)
def test_impossible_limits_are_refused(good, rework):
    with pytest.raises(ValueError, match="twist"):
        Tolerance("twist", good, rework, "deg", "M", "")
