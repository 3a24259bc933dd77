"""Decisions against published probabilities, and the sentences that say them."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from fitcheck.judgement import DEFAULT_LIMITS, Limit, judge, overall, probability_within
from fitcheck.measurement import Characteristic, Measurement, Note

COVERAGE = 1.959964  # of the normal distribution, 95 %


def characteristic(name: str, value: float, u: float, unit: str = "mm") -> Characteristic:
    half = COVERAGE * u
    return Characteristic(name, value, unit, u, (value - half, value + half), {"edge": u})


def seat(left: float | None, right: float | None, u: float = 0.03, **more) -> Measurement:
    found = [
        characteristic(f"overhang_{side}", value, u)
        for side, value in (("left", left), ("right", right))
        if value is not None
    ]
    return Measurement("seat.jpg", "seat", characteristics=tuple(found), **more)


# JCGM 106:2012, one-sided example: limit −5.40, estimate −5.47, u 0.05; printed as 0.92.
def test_one_sided_probability_of_jcgm_106():
    assert round(probability_within(-5.47, 0.05, -math.inf, -5.40), 2) == 0.92


# Computed independently with scipy's normal distribution; all but the one-sided case above.
@pytest.mark.parametrize(
    ("value", "u", "half_width", "expected", "tolerance"),
    [
        (0.15, 0.05, 0.20, 0.841345, 5e-7),
        (-0.15, 0.05, 0.20, 0.841345, 5e-7),
        (0.0, 0.5, 1.0, 0.9545, 5e-5),  # centred, T/(4 u) = 1
        (0.0, 0.25, 1.0, 0.9999367, 5e-8),  # centred, T/(4 u) = 2
    ],
)
def test_two_sided_probabilities(value, u, half_width, expected, tolerance):
    found = probability_within(value, u, -half_width, half_width)
    assert found == pytest.approx(expected, abs=tolerance)


# ISO 14253-1:2017: default probability of conformity 95 %, guard band 1.65 u (1.645 unrounded).
def test_guard_band_of_iso_14253_1():
    u, good = 0.01, 0.4
    for value, conformity in (
        (good - 1.65 * u, "conforms"),
        (good - 1.64 * u, "undecided"),
        (good, "undecided"),
        (good + 1.64 * u, "undecided"),
        (good + 1.65 * u, "does not conform"),
    ):
        for sign in (1, -1):
            (decision,) = judge(seat(sign * value, None, u))
            assert decision.conformity == conformity, value


def test_probability_keeps_its_digits_in_both_tails():
    upper = probability_within(10.0, 1.0, -1.0, 1.0)
    lower = probability_within(-10.0, 1.0, -1.0, 1.0)
    assert upper == lower > 0
    assert upper == pytest.approx(1.1286e-19, rel=1e-3)  # Φ(−9) of the normal distribution


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ((math.nan, 1, 0, 1), "value must be finite"),
        ((0, 0, 0, 1), "above zero"),
        ((0, -1, 0, 1), "above zero"),
        ((0, math.inf, 0, 1), "above zero"),
        ((0, 1, 1, 1), "below the upper"),
        ((0, 1, math.nan, 1), "below the upper"),
    ],
)
def test_impossible_probabilities_are_refused(arguments, words):
    with pytest.raises(ValueError, match=words):
        probability_within(*arguments)


@pytest.mark.parametrize(
    ("good", "rework"),
    [(0, 1), (-1, 1), (1, 1), (2, 1), (math.nan, 1), (1, math.inf)],
)
def test_impossible_limits_are_refused(good, rework):
    with pytest.raises(ValueError, match="twist"):
        Limit("twist", good, rework, "deg", "M", "")


# Common practice from memory, as the trade reference lists them; no published limit exists.
def test_default_limits_say_where_they_come_from():
    expected = {
        "overhang_left": (0.4, 0.8, "mm"),
        "overhang_right": (0.4, 0.8, "mm"),
        "pad_squareness": (0.10, 0.26, "deg"),
        "twist": (1.0, 2.0, "deg"),
        "gap_butt": (0.05, 0.13, "mm"),
        "gap_end": (0.05, 0.13, "mm"),
    }
    assert set(DEFAULT_LIMITS) == set(expected)
    for name, limit in DEFAULT_LIMITS.items():
        assert limit.characteristic == name
        assert (limit.good, limit.rework, limit.unit) == expected[name]
        assert limit.mark == "M"
        assert "no published limit" in limit.note


@pytest.mark.parametrize(
    ("value", "u", "conformity", "rework"),
    [
        (0.1, 0.03, "conforms", "not needed"),
        (0.4, 0.03, "undecided", "not needed"),
        (0.6, 0.03, "does not conform", "not needed"),
        (0.8, 0.03, "does not conform", "undecided"),
        (1.7, 0.03, "does not conform", "needed"),
        (0.5, 0.4, "undecided", "undecided"),
        (0.0, 9.0, "undecided", "undecided"),
    ],
)
def test_decisions_for_either_sign(value, u, conformity, rework):
    for sign in (1, -1):
        (decision,) = judge(seat(sign * value, None, u))
        assert (decision.conformity, decision.rework) == (conformity, rework)
        assert bool(decision.what_decides) == ("undecided" in (conformity, rework))


def test_hopelessly_uncertain_value_is_not_called_past_a_limit():
    for value in (0.0, 0.3, 1.0):
        (decision,) = judge(seat(value, None, 9.0))
        assert decision.p_rework_free < 0.1  # hardly any of it lies within
        assert (decision.conformity, decision.rework) == ("undecided", "undecided")


def test_sentence_says_which_part_stands_proud_and_where():
    left, right = judge(seat(1.7074, -0.0909))
    assert left.sentence == (
        "The limb stands proud of the riser by 1.71 mm on the left: "
        "past the rework limit of 0.80 mm."
    )
    assert right.sentence == (
        "The riser stands proud of the limb by 0.09 mm on the right: "
        "within the good limit of 0.40 mm."
    )


def test_sentence_claims_no_lip_inside_the_uncertainty():
    (decision,) = judge(seat(0.02, None))
    assert decision.sentence.startswith("Limb and riser are level on the left")
    assert "±0.06 mm" in decision.sentence
    assert "proud" not in decision.sentence


def test_undecided_says_what_decides():
    (decision,) = judge(seat(0.4, None))
    assert "too near the good limit" in decision.sentence
    assert "straightedge and feeler gauge" in decision.what_decides


def test_edited_limits_are_used_and_other_characteristics_left_alone():
    limit = Limit("lateral_angle", 0.1, 0.2, "deg", "C", "this shop's own")
    measurement = replace(
        seat(1.7, 0.1),
        characteristics=(
            *seat(1.7, 0.1).characteristics,
            characteristic("lateral_angle", -0.3, 0.02, "deg"),
        ),
    )
    (decision,) = judge(measurement, {"lateral_angle": limit})
    assert decision.rework == "needed"
    assert "lateral angle" in decision.sentence
    assert "0.20°" in decision.sentence


def test_limit_in_another_unit_is_refused():
    limit = Limit("overhang_left", 0.1, 0.2, "deg", "C", "")
    with pytest.raises(ValueError, match="measured in mm"):
        judge(seat(1.0, 0.0), {"overhang_left": limit})


@pytest.mark.parametrize(
    ("left", "right", "level"),
    [
        (0.1, -0.1, "good"),
        (0.6, 0.1, "acceptable"),
        (-0.6, 0.4, "acceptable"),  # one past its good limit for certain, the other open
        (0.4, 0.1, "undecided"),
        (0.8, 0.1, "undecided"),
        (1.7, 0.1, "rework"),
        (1.7, 0.8, "rework"),
        (-1.7, -1.7, "rework"),
        (0.1, None, "undecided"),  # half a seat is not a good seat
        (None, 1.7, "rework"),
        (None, None, "not judged"),
    ],
)
def test_overall_level(left, right, level):
    verdict = overall(judge(seat(left, right)))
    assert verdict.level == level
    if (left is None) != (right is None):
        assert "was not measured" in verdict.sentence


def test_warnings_are_mentioned_in_the_verdict():
    warned = seat(0.1, 0.1, warnings=(Note("blur", "The picture is soft."),))
    verdict = overall(judge(warned))
    assert verdict.level == "good"
    assert "warning" in verdict.sentence
    assert "warning" not in overall(judge(seat(0.1, 0.1))).sentence
    two = replace(warned, warnings=(Note("blur", "a"), Note("rival", "b")))
    assert "2 warnings" in overall(judge(two)).sentence


def test_refused_photograph_is_not_judged():
    refused = seat(1.7, 0.1, refused=Note("no_card", "No card was found."))
    assert judge(refused) == ()
    assert overall(judge(refused)).level == "not judged"


def test_no_sentence_calls_a_bow_fit_to_shoot():
    for left in (0.0, 0.4, 0.6, 0.8, 1.7):
        decisions = judge(seat(left, -left))
        for text in (overall(decisions).sentence, *(d.sentence for d in decisions)):
            assert not {"safe", "shoot", "shot"}.intersection(text.lower().split())


def test_swapping_the_sides_swaps_the_words_and_nothing_else():
    def swapped(text: str) -> str:
        return text.replace("left", "\0").replace("right", "left").replace("\0", "right")

    for left, right in ((1.7, -0.1), (0.4, 0.8), (0.1, -0.6), (0.01, 0.7)):
        here, there = judge(seat(left, right)), judge(seat(right, left))
        assert [d.sentence for d in here] == [swapped(d.sentence) for d in reversed(there)]
        assert overall(here).level == overall(there).level
        assert len(swapped(overall(here).sentence)) == len(overall(there).sentence)


def test_more_uncertainty_never_makes_a_decision_firmer():
    for value in (0.2, 0.5, 0.79, 1.2):
        settled = []
        for u in (0.01, 0.03, 0.1, 0.3):
            (decision,) = judge(seat(value, None, u))
            settled.append((decision.conformity != "undecided") + (decision.rework != "undecided"))
        assert settled == sorted(settled, reverse=True)
