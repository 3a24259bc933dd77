"""Propagation against the GUM's own example; the string line against worked examples."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from uncertainties import umath

from fitcheck.findings.limits import DEFAULTS
from fitcheck.findings.play import play_angle_deg, seat_play, tip_play_mm
from fitcheck.findings.string_line import (
    Lever,
    Poses,
    off_pad_plane_mm,
    propagated,
    string_line,
    string_off_mm,
    tip_shift_mm,
)
from fitcheck.findings.words import taper_mm
from fitcheck.inspection import Bow, EndReadings, Inspection, Limb, LimbReadings, Readings
from fitcheck.quantities import quantity

IN = 25.4
LEVER = Lever(20 * IN, 19 * IN, 7.5 * IN, 8.0, 8 * IN)


# GUM (JCGM 100:2008), H.2: simultaneous resistance and reactance, five observations each of V,
# I and phase. Printed: R 127.732, X 219.847, Z 254.260; r(R,X) -0.588, r(R,Z) -0.485,
# r(X,Z) 0.993; uncertainties 0.071, 0.295, 0.236.
def test_correlated_propagation_of_gum_h2():
    v = [5.007, 4.994, 5.005, 4.990, 4.999]
    i = [19.663e-3, 19.639e-3, 19.640e-3, 19.685e-3, 19.678e-3]
    phase = [1.0456, 1.0438, 1.0468, 1.0428, 1.0433]
    mean = np.mean([v, i, phase], axis=1)
    covariance = np.cov([v, i, phase]) / 5
    functions = [
        lambda v, i, p: v / i * umath.cos(p),
        lambda v, i, p: v / i * umath.sin(p),
        lambda v, i, _: v / i,
    ]
    values, spread = propagated(mean, covariance, functions)
    u = np.sqrt(np.diag(spread))
    r = spread / np.outer(u, u)
    assert np.round(values, 3) == pytest.approx([127.732, 219.847, 254.260], abs=1e-9)
    assert u == pytest.approx([0.07107, 0.29558, 0.23634], abs=5e-6)
    assert [round(x, 2) for x in (r[0, 1], r[0, 2], r[1, 2])] == [-0.59, -0.49, 0.99]
    # Without correlations u(R) would be 0.1945: the covariance is not idle.
    _, alone = propagated(mean, np.diag(np.diag(covariance)), functions)
    assert math.sqrt(alone[0, 0]) == pytest.approx(0.1945, abs=5e-5)


# Worked example of the trade reference, derived: W 1.75 in, gap 0.008 in, d 7.5, Lz 19, α 8°.
def test_worked_roll():
    roll = math.degrees(math.atan(0.008 / 1.75))
    assert round(roll, 2) == 0.26
    assert taper_mm(1.75 * IN, roll) == pytest.approx(0.008 * IN)
    assert round(off_pad_plane_mm(LEVER) / IN, 2) == 4.78
    tip = tip_shift_mm(LEVER, roll, 0.0, 0.0, "back") / IN
    assert round(tip, 3) == 0.022
    assert round(string_off_mm(tip, 0.0, 27.0, 27.0, 0.0), 3) == 0.011
    assert round(12 * math.tan(math.radians(roll)), 3) == 0.055  # 12 in winding sticks


# Worked example, derived: 0.010 in off, D 2.0 in, L 20 in: 0.29°, tip 0.100 in, grip 0.050 in.
def test_worked_pin():
    angle = math.degrees(math.atan(0.010 / 2.0))
    assert round(angle, 2) == 0.29
    tip = tip_shift_mm(LEVER, 0.0, 0.0, angle, "belly") / IN
    assert round(tip, 3) == 0.100
    assert round(string_off_mm(tip, 0.0, 27.0, 27.0, 0.0), 3) == 0.050


# Clearances of 0.005 and 0.010 in alone allow ±0.075 in at the tip.
def test_worked_play():
    angle = play_angle_deg(0.005 * IN, 0.010 * IN, 2.0 * IN)
    assert round(tip_play_mm(angle, 20 * IN) / IN, 3) == 0.075


def test_seat_play_is_rectangular():
    read = EndReadings(
        bolt_play=quantity("0.1 mm", "mm", "x"),
        pin_play=quantity("0.06 mm", "mm", "x"),
        bolt_to_pin=quantity("50 mm", "mm", "x"),
    )
    play = seat_play(read)
    assert play.offset_mm == pytest.approx(0.05 / math.sqrt(3))
    assert play.angle_deg == pytest.approx(math.degrees(0.08 / 50) / math.sqrt(3))
    assert play.known
    assert not seat_play(None).known


# Trade reference: shim one edge: on a belly mount the tip moves away from the shim, on a back
# mount toward it. A shim at the right edge lifts the right side: positive roll.
def test_shimming_an_edge_moves_the_tip_as_the_trade_says():
    assert tip_shift_mm(LEVER, 0.5, 0.0, 0.0, "belly") < 0
    assert tip_shift_mm(LEVER, 0.5, 0.0, 0.0, "back") > 0


# Rotating the strung tip in three dimensions about the seat, not by the formula. The formula takes
# the whole of L for its part in the pad plane, 3 % too much here.
@pytest.mark.parametrize("mount", ["belly", "back"])
def test_tip_shift_is_a_rotation(mount):
    roll, angle = 0.7, 0.4
    out = off_pad_plane_mm(LEVER) * (1 if mount == "belly" else -1)
    along = math.sqrt((20 * IN) ** 2 - out**2)
    tip = np.array([0.0, along, out])
    c, s = math.cos(math.radians(roll)), math.sin(math.radians(roll))
    tip = np.array([[c, 0, -s], [0, 1, 0], [s, 0, c]]) @ tip  # right side up
    c, s = math.cos(math.radians(angle)), math.sin(math.radians(angle))
    tip = np.array([[c, s, 0], [-s, c, 0], [0, 0, 1]]) @ tip  # tip to the right
    found = tip_shift_mm(LEVER, roll, 0.0, angle, mount)
    assert found == pytest.approx(tip[0], abs=0.03 * 20 * IN * math.sin(math.radians(angle)))


def test_string_runs_straight_between_the_tips():
    assert string_off_mm(2.0, -1.0, 27.0, 25.0, 27.0) == pytest.approx(2.0)
    assert string_off_mm(2.0, -1.0, 27.0, 25.0, -25.0) == pytest.approx(-1.0)
    # One tip off by Δ: x(z) = Δ·(z + Z)/2Z.
    assert string_off_mm(1.0, 0.0, 27.0, 27.0, 8.0) == pytest.approx((8 + 27) / 54)


def bow(mount="belly", **more) -> Inspection:
    lengths = {
        "pad_to_string": quantity("7 1/2 in", "mm", "x"),
        "pad_angle": quantity("8 deg", "deg", "x"),
        "centre_to_pad": quantity("8 in", "mm", "x"),
    }
    limb = LimbReadings(
        pivot_to_nock=quantity("20 in", "mm", "x"), along_string=quantity("19 in", "mm", "x")
    )
    return Inspection(
        bow=Bow(mount=mount),
        limbs=(Limb("A"), Limb("B")),
        as_received={"upper": "A", "lower": "B"},
        readings=Readings(
            ends={end: EndReadings(**lengths) for end in ("upper", "lower")},
            limbs={"A": limb, "B": limb},
            **more,
        ),
    )


def poses(upper=(0.0, 0.0, 0.0), lower=(0.0, 0.0, 0.0), sd=0.03) -> Poses:
    return Poses(np.array([*upper, *lower]), sd**2 * np.eye(6))


def test_the_lower_seat_s_right_is_the_bow_s_left():
    line = string_line(bow(), "as received", poses((0, 1.0, 0)), DEFAULTS)
    other = string_line(bow(), "as received", poses(lower=(0, 1.0, 0)), DEFAULTS)
    assert [p.value for p in line.places] == pytest.approx(
        [0.5, (8 + 27) / 54, (-8 + 27) / 54], abs=1e-9
    )
    assert other.places[0].value == pytest.approx(-0.5)
    assert line.tips["upper"][0] == other.tips["lower"][0] == pytest.approx(1.0)


def test_uncertainty_of_the_line_is_that_of_many_draws():
    inspection = bow()
    p = Poses(
        np.array([0.4, 0.5, 0.2, -0.3, 0.2, 0.1]),
        np.diag([0.1, 0.05, 0.05, 0.1, 0.05, 0.05]) ** 2,
    )
    p.covariance[0, 3] = p.covariance[3, 0] = 0.5 * 0.1 * 0.1
    line = string_line(inspection, "as received", p, DEFAULTS)
    rng = np.random.default_rng(8)
    draws = rng.multivariate_normal(p.mean, p.covariance, 4000)
    grips = []
    for d in draws:
        tips = [tip_shift_mm(LEVER, *(float(v) for v in d[i : i + 3]), "belly") for i in (0, 3)]
        grips.append(string_off_mm(tips[0], -tips[1], 27.0, 27.0, 0.0))
    assert line.places[0].value == pytest.approx(np.mean(grips), abs=0.05)
    assert line.places[0].standard_uncertainty == pytest.approx(np.std(grips), rel=0.06)


def test_what_was_not_measured_is_taken_as_typical_and_said():
    bare = replace(bow(), readings=Readings())
    line = string_line(bare, "as received", poses((0.5, 0, 0)), DEFAULTS)
    assert len(line.assumed) == 5
    measured = string_line(bow(), "as received", poses((0.5, 0, 0)), DEFAULTS)
    assert measured.assumed == ()
    assert line.places[0].standard_uncertainty > measured.places[0].standard_uncertainty


def test_an_unknown_mount_makes_the_roll_an_uncertainty():
    known = string_line(bow(), "as received", poses((2.0, 0, 0)), DEFAULTS).places[0]
    unknown = string_line(bow(mount=""), "as received", poses((2.0, 0, 0)), DEFAULTS)
    assert not unknown.mount_known
    assert unknown.places[0].value == pytest.approx(0)
    assert unknown.places[0].standard_uncertainty == pytest.approx(abs(known.value), rel=0.05)


@pytest.mark.parametrize(
    ("off", "toward", "agrees"), [("1/16 in", "right", False), ("1/16 in", "left", True)]
)
def test_a_reading_at_the_string_is_held_beside_the_reckoning(off, toward, agrees):
    from fitcheck.inspection import StringReading

    seen = StringReading("grip", quantity(off, "mm", "x"), toward)
    line = string_line(bow(string=(seen,)), "as received", poses((0, -3.0, 0)), DEFAULTS)
    assert line.places[0].value == pytest.approx(-1.5)
    assert line.places[0].agrees is agrees
    assert line.places[1].agrees is None
