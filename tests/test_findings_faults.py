"""Whose fault it is, on invented bows with known faults; and what is said where it is open."""

from __future__ import annotations

import subprocess
import sys
from collections import Counter
from pathlib import Path

import numpy as np
import pytest
from simulated_bows import (
    Bow,
    find,
    invent,
    named_first,
    outcome,
    photograph,
    run,
    true_share,
    twist_of,
)

from fitcheck.findings.faults import Part
from fitcheck.findings.words import part_words


@pytest.fixture(scope="module")
def counts() -> Counter:
    """Two hundred invented bows, each with one of six sets of photographs."""
    total: Counter = Counter()
    for (kind, _, result), n in run(range(200)).items():
        total[kind, result] += n
        total["all", result] += n
    return total


def test_the_named_fault_is_right_where_it_is_twice_its_uncertainty(counts):
    judged = sum(counts["all", r] for r in ("right", "missed", "wrong"))
    assert judged >= 80
    assert counts["all", "right"] >= 0.95 * judged
    for kind in ("pad", "butt", "own_twist", "riser_holes", "limb_holes", "exchanged"):
        assert counts[kind, "right"] > 0, kind


def test_where_it_cannot_be_told_nobody_else_is_named(counts):
    open_ones = sum(counts["all", r] for r in ("told apart", "cannot tell", "silent", "misled"))
    assert open_ones >= 50
    assert counts["all", "misled"] <= 0.05 * open_ones
    assert counts["all", "cannot tell"] >= 0.5 * open_ones


def test_sound_bows_raise_no_alarm(counts):
    sound = counts["none", "sound"] + counts["none", "false alarm"]
    assert sound >= 20
    assert counts["none", "false alarm"] <= 0.05 * sound


def test_the_simulation_runs_at_other_seeds():
    script = Path(__file__).parent / "simulated_bows.py"
    done = subprocess.run(
        [sys.executable, str(script), "--seeds", "500", "506"],
        capture_output=True,
        text=True,
        check=False,
    )
    assert "named rightly where it can be told" in done.stdout, done.stderr


# The definition of design.md section 3 on exact geometry: a limb on a rolled pad shows the roll
# against the riser and none against its own butt, whatever its slope.
def test_the_simulation_s_twist_is_that_of_the_frame():
    bow = invent(1, "none")
    for name in ("pad", "butt", "own_twist", "face", "riser_angle", "limb_angle"):
        for key in getattr(bow, name):
            getattr(bow, name)[key] = 0.0
    bow.pad["upper"] = 0.7
    assert twist_of(bow, "upper", "A", from_riser=True) == pytest.approx(0.7, abs=0.06)
    assert twist_of(bow, "upper", "A", from_riser=False) == pytest.approx(0.0, abs=1e-9)
    bow.own_twist["A"] = -1.1
    assert twist_of(bow, "lower", "A", from_riser=False) == pytest.approx(-1.1, abs=0.12)


def big(kind: str, seed: int) -> Bow:
    """A bow with a fault so large that noise does not matter."""
    for k in range(seed, seed + 200):
        bow = invent(k, kind)
        if abs(bow.size) > 0.8:
            return bow
    raise AssertionError("no such bow")


@pytest.mark.parametrize("kind", ["pad", "butt", "own_twist"])
def test_as_received_alone_it_cannot_be_told_which_part_rolls(kind):
    bow = big(kind, 10)
    faults = find(photograph(bow, "as received", 3))
    (doubt,) = faults.doubts
    assert bow.faulty in doubt.parts
    assert {p.kind for p in doubt.parts} == {"pad", "butt", "own_twist"}
    assert named_first(faults) is None
    # One further photograph tells most, and none needs the limbs exchanged.
    assert faults.next_photos
    assert not any(photo.exchange for photo in faults.next_photos)
    assert faults.next_photos[0].gain.bits > 0.3


@pytest.mark.parametrize("kind", ["riser_holes", "limb_holes"])
def test_sideways_it_takes_the_limbs_exchanged(kind):
    bow = big(kind, 40)
    faults = find(photograph(bow, "as received", 3))
    assert bow.faulty in faults.doubts[0].parts
    assert any(photo.view == "seat" and photo.exchange for photo in faults.next_photos)
    told = find(photograph(bow, "exchanged", 3))
    assert named_first(told) == bow.faulty


def test_the_photograph_that_tells_most_does_tell():
    bow = big("pad", 60)
    before = find(photograph(bow, "as received", 5))
    assert {photo.view for photo in before.next_photos} <= {"pad", "sight"}
    after = find(photograph(bow, "with pads", 5))
    assert after.roll.entropy_bits() < before.roll.entropy_bits() / 2
    assert named_first(after) == bow.faulty


def test_shares_agree_with_the_truth_within_their_uncertainty():
    ratios = []
    for seed in range(300, 330):
        bow = invent(seed)
        faults = find(photograph(bow, "both cards", seed))
        for cause in faults.causes:
            if cause.part.kind in ("pad", "butt", "own_twist"):
                value, u = cause.least_squares
                ratios.append((value - true_share(bow, cause.part)[0]) / u)
    # Normal with standard deviation 1, over correlated shares of thirty bows.
    assert np.std(ratios) == pytest.approx(1.0, abs=0.2)
    assert np.mean(np.abs(ratios) < 1.96) > 0.9


def test_closure_holds_on_good_readings_and_fails_when_limbs_are_confused():
    bow = big("own_twist", 80)
    inspection = photograph(bow, "exchanged", 9)
    good = find(inspection)
    assert {c.characteristic for c in good.closures} == {
        "twist",
        "lateral_offset",
        "lateral_angle",
    }
    assert all(c.holds for c in good.closures)
    # The twisted limb's photograph is put down to the other limb, at one end only.
    from dataclasses import replace

    photos = list(inspection.photos)
    at = [i for i, p in enumerate(photos) if p.view == "sight" and p.end == "upper"]
    first, second = at
    photos[first], photos[second] = (
        replace(photos[first], measurement=photos[second].measurement),
        replace(photos[second], measurement=photos[first].measurement),
    )
    confused = find(replace(inspection, photos=tuple(photos)))
    twist = next(c for c in confused.closures if c.characteristic == "twist")
    assert not twist.holds
    assert twist.result.probability < 1e-6
    worst = max(c.standard_uncertainty for c in confused.causes if c.part.kind != "width")
    assert worst > max(c.standard_uncertainty for c in good.causes if c.part.kind != "width")


@pytest.mark.parametrize("protocol", ["everything", "both cards", "exchanged"])
@pytest.mark.parametrize("twist", [0.6, -0.6, 1.2])
def test_what_a_pad_explains_is_no_exchange(protocol, twist):
    """Pad and limb's own twist add up at one end, and would be less at two: still no pairs.

    Where only sights of the exchanged limbs are at hand it may be held in question, which has
    the exchange tried before a cut, and is never asserted.
    """
    bow = invent(7, "none")
    bow.pad["upper"], bow.own_twist["A"], bow.own_twist["B"] = 0.6, twist, -0.5
    faults = find(photograph(bow, protocol, 7))
    open_question = ("perhaps",) if protocol == "exchanged" else ()
    assert faults.exchange.verdict in ("not known", "as they belong", *open_question)
    if protocol != "exchanged":
        assert faults.cause(Part("pad", "upper")).sure


@pytest.mark.parametrize("sizes", [(0.5, 0.4), (0.9, -0.6)])
def test_two_faults_that_do_not_cancel_are_no_exchange(sizes):
    bow = invent(8, "none")
    bow.riser_angle["upper"], bow.limb_angle["A"] = sizes
    assert find(photograph(bow, "both cards", 8)).exchange.verdict != "exchanged"


def test_limbs_fitted_in_pairs_are_found_exchanged():
    bow = big("exchanged", 100)
    faults = find(photograph(bow, "everything", 2))
    assert faults.exchange.verdict == "exchanged"
    assert faults.exchange.probability > 0.95
    assert faults.exchange.determined
    only = find(photograph(bow, "as received", 2))
    assert only.exchange.verdict == "not known"
    assert only.exchange.probability is None


@pytest.mark.parametrize(
    ("marks", "kind", "protocol", "verdict"),
    [
        ("upper", "exchanged", "everything", "contradiction"),  # B is marked for where it sits
        ("lower", "exchanged", "everything", "exchanged"),
        ("lower", "exchanged", "as received", "marks only"),
        ("upper", "pad", "everything", "as they belong"),
    ],
)
def test_marks_are_held_beside_the_fit(marks, kind, protocol, verdict):
    from dataclasses import replace

    bow = big(kind, 100)
    inspection = photograph(bow, protocol, 2)
    here = bow.as_received["upper"]
    limbs = tuple(
        replace(
            limb,
            marked_for=marks if limb.name == here else {"upper": "lower", "lower": "upper"}[marks],
        )
        for limb in inspection.limbs
    )
    faults = find(replace(inspection, limbs=limbs))
    assert faults.exchange.verdict == verdict


def test_play_is_not_taken_for_a_wrong_hole():
    from simulated_bows import gather, limits_in_force

    from fitcheck.findings.faults import find_faults
    from fitcheck.findings.play import Play

    bow = invent(7, "none")
    bow.riser_angle["upper"] = 0.35
    inspection = photograph(bow, "as received", 4)
    evidence = gather(inspection, [p.measurement for p in inspection.photos])
    tight, loose = (
        find_faults(
            inspection,
            evidence,
            limits_in_force({}),
            dict.fromkeys(("upper", "lower"), Play(0.01, angle, True)),
        )
        for angle in (0.01, 0.3)
    )
    blamed = (Part("riser_holes", "upper"), Part("limb_holes", limb=bow.as_received["upper"]))
    assert tight.sideways.probability_of_any(blamed) > 0.95
    assert loose.sideways.probability_of_any(blamed) < 0.75


def test_nothing_measured_names_nobody():
    from fitcheck.inspection import Inspection, Limb

    for limbs in ((), (Limb("A"), Limb("B"))):
        faults = find(Inspection(limbs=limbs))
        assert faults.named == ()
        assert faults.doubts == ()
        assert faults.closures == ()
        assert faults.exchange.verdict == "not known"


def test_outcome_counts_a_wrong_name_as_wrong():
    bow = big("pad", 10)
    other = big("own_twist", 10)
    assert outcome(other, find(photograph(bow, "both cards", 1))) in ("wrong", "missed")


def test_parts_have_words():
    assert part_words(Part("pad", "upper")) == "the riser’s pad at the upper end"
    assert part_words(Part("limb_holes", limb="A")) == "the pin or bolt position in limb A"
