"""Photographs combine; what they share stays shared."""

from __future__ import annotations

import math

import numpy as np
import pytest

from fitcheck.findings.combine import Spot, gather
from fitcheck.inspection import Inspection, Limb, PhotoEntry
from fitcheck.measurement import Characteristic, Measurement, Note

LIMBS = (Limb("A"), Limb("B"))


def measured(view, name, value, budget, unit="mm", **more) -> Measurement:
    u = math.sqrt(sum(b * b for b in budget.values()))
    found = Characteristic(name, value, unit, u, (value - 1.96 * u, value + 1.96 * u), budget)
    return Measurement(f"{value}.jpg", view, characteristics=(found,), **more)


def seats(*readings, **more):
    """Readings of one seat: value and budget, and what else is known of the photograph."""
    photos, found = [], []
    for i, (value, budget, *extra) in enumerate(readings):
        where = {"end": "upper", "limb": "A", **(extra[0] if extra else {})}
        photos.append(PhotoEntry(f"{i}.jpg", "seat", **where))
        found.append(measured("seat", "lateral_offset", value, budget, **more))
    evidence = gather(Inspection(limbs=LIMBS, photos=tuple(photos)), found)
    return evidence.get("lateral_offset", "upper", "A")


def test_one_photograph_is_passed_on():
    found = seats((0.5, {"edge": 0.03, "arris": 0.04}))
    assert found.value == pytest.approx(0.5)
    assert found.standard_uncertainty == pytest.approx(0.05)
    assert found.independent == pytest.approx(0.03)


def test_independent_parts_average_out_and_shared_ones_do_not():
    found = seats(*[(0.5, {"edge": 0.03, "arris": 0.04})] * 9)
    assert found.independent == pytest.approx(0.01)
    assert found.shared["arris"] == pytest.approx(0.04)
    assert found.standard_uncertainty == pytest.approx(math.hypot(0.01, 0.04))


# The covariance of two photographs by hand: independent 0.03 and 0.06, shared 0.04 each, weights
# 4/5 and 1/5.
def test_weights_and_covariance_by_hand():
    found = seats((1.0, {"edge": 0.03, "arris": 0.04}), (1.1, {"edge": 0.06, "arris": 0.04}))
    assert found.value == pytest.approx(0.8 * 1.0 + 0.2 * 1.1)
    assert found.independent == pytest.approx(math.hypot(0.8 * 0.03, 0.2 * 0.06))
    assert found.shared["arris"] == pytest.approx(0.04)


def test_a_source_nobody_knows_counts_as_shared():
    assert seats(*[(0.5, {"new source": 0.04})] * 4).standard_uncertainty == pytest.approx(0.04)


def test_a_budget_that_does_not_add_up_keeps_the_whole():
    one = Characteristic("lateral_offset", 0.0, "mm", 0.05, (-0.1, 0.1), {"arris": 0.03})
    photos = (PhotoEntry("0.jpg", "seat", "upper", "A"),)
    for budget in ({"arris": 0.03}, {"arris": 0.09, "edge": 0.01}, {}):
        found = Measurement("0.jpg", "seat", characteristics=(one,))
        object.__setattr__(one, "budget", budget)
        got = gather(Inspection(limbs=LIMBS, photos=photos), [found])
        value = got.get("lateral_offset", "upper", "A")
        assert value.standard_uncertainty == pytest.approx(0.05)


# Means of many simulated pairs: the stated uncertainty is that of the mean.
def test_stated_uncertainty_of_a_mean_is_honest():
    rng = np.random.default_rng(4)
    errors, stated = [], []
    for _ in range(400):
        common = 0.04 * rng.standard_normal()
        readings = []
        for _ in range(3):
            u = rng.uniform(0.02, 0.06)
            readings.append((1 + common + u * rng.standard_normal(), {"edge": u, "arris": 0.04}))
        found = seats(*readings)
        errors.append(found.value - 1)
        stated.append(found.standard_uncertainty)
    assert np.std(np.array(errors) / np.array(stated)) == pytest.approx(1, abs=0.1)


def test_photographs_that_disagree_say_so_and_widen():
    agree = seats((0.50, {"edge": 0.03}), (0.52, {"edge": 0.03}))
    apart = seats((0.50, {"edge": 0.03}), (0.80, {"edge": 0.03}))
    assert [n.code for n in apart.notes] == ["photographs_disagree"]
    assert agree.notes == ()
    assert apart.independent > 3 * agree.independent


def test_what_weighs_differently_in_two_photographs_lets_them_differ():
    # A taper counts little from straight ahead, and much from the side.
    askew = seats((0.50, {"edge": 0.02, "taper": 0.02}), (0.70, {"edge": 0.02, "taper": 0.16}))
    assert askew.notes == ()
    alike = seats((0.50, {"edge": 0.02, "taper": 0.16}), (0.70, {"edge": 0.02, "taper": 0.16}))
    assert [n.code for n in alike.notes] == ["photographs_disagree"]


def test_seatings_weigh_alike_and_their_scatter_counts():
    found = seats(
        (0.50, {"edge": 0.01}),
        (0.52, {"edge": 0.01}),
        (0.70, {"edge": 0.01}, {"seating": 2}),
        (0.60, {"edge": 0.01}, {"seating": 3}),
    )
    assert found.value == pytest.approx((0.51 + 0.70 + 0.60) / 3)
    assert found.seatings == 3
    assert found.seating_range == pytest.approx(0.19)
    assert found.independent == pytest.approx(np.std([0.51, 0.7, 0.6], ddof=1) / math.sqrt(3))


def test_strung_and_unstrung_are_recorded():
    assert seats((0.5, {"edge": 0.1})).strung is False
    assert seats((0.5, {"edge": 0.1}, {"strung": True})).strung is True
    mixed = seats((0.5, {"edge": 0.1}, {"strung": True}), (0.5, {"edge": 0.1}))
    assert mixed.strung is None


def sights(*readings, near="butt"):
    photos, found = [], []
    for i, (value, exchanged, *seen) in enumerate(readings):
        photos.append(
            PhotoEntry(
                f"{i}.jpg", "sight", "upper", "A", near_card_on=near, cards_exchanged=exchanged
            )
        )
        observed = {"card_at_tip": seen[0]} if seen else {}
        budget = {"edge": 0.05, "card_fold": 0.04, "card_set": 0.03}
        found.append(measured("sight", "twist", value, budget, "deg", observed=observed))
    return gather(Inspection(limbs=LIMBS, photos=tuple(photos)), found)


def test_cards_exchanged_cancel_their_own_error():
    found = sights((1.10, False), (1.00, True)).get("twist", None, "A")
    assert found.value == pytest.approx(1.05)
    assert found.cards_own_error[0] == pytest.approx(0.05)
    assert found.shared["fold_C"] == pytest.approx(0)
    assert found.shared["fold_D"] == pytest.approx(0)
    # What is left: edge over two photographs, cards set anew twice.
    assert found.standard_uncertainty == pytest.approx(math.hypot(0.05, 0.03) / math.sqrt(2))
    assert found.cards_own_error[1] == pytest.approx(found.standard_uncertainty)


def test_three_against_one_still_weigh_half_and_half():
    found = sights((1.10, False), (1.12, False), (1.08, False), (1.00, True))
    assert found.get("twist", None, "A").value == pytest.approx((1.10 + 1.00) / 2)


def test_without_exchange_the_cards_own_error_stays():
    found = sights(*[(1.1, False)] * 16).get("twist", None, "A")
    assert found.shared["fold_D"] == pytest.approx(0.04 / math.sqrt(2))
    assert found.shared["fold_C"] == pytest.approx(-0.04 / math.sqrt(2))
    assert found.standard_uncertainty > 0.04
    assert found.cards_own_error is None


def test_the_picture_knows_better_which_card_stands_where():
    evidence = sights((1.10, False, "D"), (1.00, False, "C"))
    assert evidence.get("twist", None, "A").cards_own_error is not None
    assert [n.code for n in evidence.notes] == ["cards_not_as_said"]
    assert sights((1.10, False, "D"), (1.00, True, "C")).notes == ()


def test_sights_from_riser_and_butt_stay_apart():
    evidence = sights((1.1, False), near="riser")
    assert evidence.get("twist", "upper", "A", from_riser=True) is not None
    assert evidence.get("twist", None, "A") is None


def test_refused_photographs_are_named_and_left_out():
    photo = PhotoEntry("0.jpg", "pad", "upper")
    refused = Measurement("0.jpg", "pad", refused=Note("no_card", "No card.", "Retake."))
    evidence = gather(Inspection(photos=(photo, photo)), [refused, None])
    assert evidence.values == {}
    assert evidence.refused == (("0.jpg", refused.refused),)


def test_warnings_stay_with_the_value():
    warned = measured(
        "pad", "pad_squareness", 0.1, {"edge": 0.1}, "deg", warnings=(Note("b", "B."),)
    )
    evidence = gather(Inspection(photos=(PhotoEntry("0.jpg", "pad", "upper"),)), [warned])
    assert [n.code for n in evidence.values[Spot("pad_squareness", "upper")].notes] == ["b"]


def test_one_measurement_for_each_photograph_is_asked_for():
    with pytest.raises(ValueError, match="argument"):
        gather(Inspection(photos=(PhotoEntry("0.jpg", "pad", "upper"),)), [])
