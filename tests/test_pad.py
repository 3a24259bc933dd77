"""The pad view on ray-cast scenes of exactly known truth."""

from functools import lru_cache

import numpy as np
import pytest
from pad_scene import PadScene, photograph

from fitcheck.pipeline import Shot, measure_photo, measure_shots
from fitcheck.setup import Setup
from fitcheck.views.pad import best_weights
from fitcheck.views.pad_wood import same_wood, unlikeness

SETUP = Setup(0.0, bars_mm=(100.0, 100.0))  # the scene's card has no thickness


@lru_cache
def measured(**changes):
    scene = PadScene(**changes)
    return scene.truth, measure_photo(photograph(scene), "pad", SETUP)


def codes(found):
    return {warning.code for warning in found.warnings}


def assert_held(truth, found):
    assert found.refused is None, found.refused
    for one in found.characteristics:
        assert abs(one.value - truth[one.name]) <= one.expanded_uncertainty, one.name


def test_squareness_and_width_are_found_within_their_uncertainty():
    truth, found = measured()
    assert_held(truth, found)
    square = found.characteristic("pad_squareness")
    assert abs(square.value - truth["pad_squareness"]) < 0.08
    assert square.expanded_uncertainty < 0.25
    assert abs(found.characteristic("riser_width").value - truth["riser_width"]) < 0.25
    parts = np.sqrt(sum(u**2 for u in square.budget.values()))
    assert parts == pytest.approx(square.standard_uncertainty, rel=0.15)


def test_a_left_side_high_is_negative():
    truth, found = measured(squareness=-1.2, setback=2.0, seed=3)
    assert_held(truth, found)
    assert found.characteristic("pad_squareness").value == pytest.approx(-1.2, abs=0.1)


def test_a_card_off_the_centreline_is_told_and_does_no_harm():
    truth, found = measured(off_centre=-2.6)
    assert "card_off_centre" in codes(found)
    assert_held(truth, found)
    assert "card_off_centre" not in codes(measured()[1])


def test_each_side_has_its_own_squareness():
    # Sides that lean outward going up: against its own side each end of the pad is higher.
    truth, found = measured(squareness=0.2, taper=0.6, seed=4)
    assert_held(truth, found)
    left = found.characteristic("squareness_left").value
    right = found.characteristic("squareness_right").value
    assert right - left > 0.2


def test_dark_wood_before_a_bench_as_bright_is_measured_or_warned_of():
    truth, found = measured(
        face=(0.05, 0.03, 0.02),
        pad=(0.08, 0.05, 0.035),
        bench=(0.05, 0.05, 0.05),
        room=(0.1, 0.1, 0.1),
    )
    assert found.refused is None
    for one in found.characteristics:
        error = abs(one.value - truth[one.name])
        assert error < max(0.5, 1.5 * one.expanded_uncertainty) or found.warnings


def test_a_lamination_is_not_taken_for_a_side():
    truth, found = measured(stripe=(-9.0, -4.0))
    assert_held(truth, found)


def test_a_shadow_on_the_bench_is_not_taken_for_a_side():
    truth, found = measured(shadow=-30.0)
    assert_held(truth, found)


@pytest.mark.parametrize("rest", [32.0, -30.0])
def test_a_rest_behind_the_riser_is_not_taken_for_its_side(rest):
    truth, found = measured(rest=rest)
    assert_held(truth, found)


def test_a_rest_of_the_same_wood_is_measured_or_warned_of():
    truth, found = measured(rest=32.0, rest_colour=(0.14, 0.075, 0.045))
    for one in found.characteristics:
        error = abs(one.value - truth[one.name])
        assert error < max(0.5, 1.5 * one.expanded_uncertainty) or found.warnings


def test_shades_of_one_wood_are_alike_and_of_other_things_not():
    wood = np.log([0.16, 0.08, 0.045])
    in_other_light = np.log([0.14, 0.071, 0.04])
    painted = np.log([0.05, 0.06, 0.12])
    assert unlikeness(wood, wood) == 0.0
    assert same_wood(unlikeness(wood, in_other_light)) > 0.95
    assert same_wood(unlikeness(wood, painted)) == pytest.approx(0.25, abs=0.01)


def test_hints_are_taken():
    scene = PadScene()
    truth, searched = measured()
    ends = {e.edge: e.pixels for e in searched.edges}
    found = measure_photo(photograph(scene), "pad", SETUP, ends)
    assert {e.origin for e in found.edges} == {"hint"}
    assert_held(truth, found)


def as_laid(scene, lines, setup=SETUP):
    shot = Shot(photograph(scene), "pad", lines, frozenset(lines))
    return measure_shots([shot], setup)[0]


@pytest.mark.parametrize("moved", [("riser_left",), ("riser_left", "riser_right")])
def test_lines_are_taken_as_they_were_laid_and_are_no_surer_than_a_hand(moved):
    scene, (truth, searched) = PadScene(), measured()
    ends = {e.edge: e.pixels for e in searched.edges}
    # 2 px is half a millimetre here: a line near the edge would be measured back onto it.
    out = {"riser_left": 2.0, "riser_right": -2.0}
    laid = {n: tuple((x + out[n], y) for x, y in ends[n]) for n in moved}
    found = as_laid(scene, laid)
    assert {e.edge for e in found.edges if e.origin == "given"} == set(moved)
    for edge in found.edges:
        if edge.edge in moved:
            assert np.max(np.abs(np.array(edge.pixels) - laid[edge.edge])) < 0.01
    notes = [note for note in found.warnings if note.code == "edge_as_given"]
    assert len(notes) == len(moved)
    assert all("± 0.5 mm" in note.advice for note in notes)
    width, before = (one.characteristic("riser_width") for one in (found, searched))
    assert width.value - before.value == pytest.approx(0.24 * len(moved), abs=0.06)
    square, before = (one.characteristic("pad_squareness") for one in (found, searched))
    assert square.expanded_uncertainty > 2 * before.expanded_uncertainty
    assert square.budget["edge"] > 2 * before.budget["edge"]
    assert_held(truth, found)


def test_sides_that_are_taken_for_each_other_are_not_measured():
    _, searched = measured()
    ends = {e.edge: e.pixels for e in searched.edges}
    found = as_laid(
        PadScene(), {"riser_left": ends["riser_right"], "riser_right": ends["riser_left"]}
    )
    assert found.refused.code == "line_elsewhere"
    assert "left side of the riser" in found.refused.message


def test_a_line_too_short_or_across_is_not_taken_as_it_lies():
    _, searched = measured()
    (x, y), _ = next(e.pixels for e in searched.edges if e.edge == "riser_left")
    for line in (((x, y), (x, y - 20)), ((x, y), (x + 80, y - 60))):
        found = as_laid(PadScene(), {"riser_left": line})
        assert found.refused.code == "line_unfit"
        assert "along the edge" in found.refused.advice


@pytest.mark.parametrize(
    ("changes", "code"),
    [
        ({"card": "D"}, "wrong_card"),
        ({"raised": 9.0}, "base_off_pad"),
        ({"depth": 9.0}, "edge_not_found"),
    ],
)
def test_what_cannot_be_measured_is_refused(changes, code):
    _, found = measured(**changes)
    assert found.refused is not None
    assert found.refused.code == code
    assert found.refused.advice
    assert found.characteristics == ()


@pytest.mark.parametrize(
    ("changes", "code"),
    [
        ({"squareness": 3.6}, "squareness_unusual"),
        ({"width": 26.0}, "width_unusual"),
        ({"fold": 0.3}, "card_cut_askew"),
    ],
)
def test_what_a_pad_hardly_is_is_warned_of(changes, code):
    _, found = measured(**changes)
    assert code in codes(found)


def test_straight_before_the_middle_both_sides_count_alike():
    even = np.array([1.0, 1.0])
    weights = best_weights(np.array([0.1, -0.1]), even, 4.0, 0.04, 0.0)
    assert weights == pytest.approx([0.5, 0.5])
    aside = best_weights(np.array([0.3, 0.1]), even * 1e-4, 4.0, 1e-4, 0.0)
    assert aside.sum() == pytest.approx(1.0)
    # Parallel sides tell the card's lean, and the nearer side counts for more.
    assert aside[1] > 1.0


def test_a_short_end_face_is_measured():
    # Its upper part alone, which tells where a rounded corner begins, has few blocks.
    truth, found = measured(depth=15.5, seed=5)
    assert_held(truth, found)


def test_the_width_is_carried_up_to_the_pad_as_the_sides_are_seen_to_run():
    # Sides that lean out going up: 15 mm below the pad the face is a quarter millimetre
    # narrower. How parallel sides usually are hardly matters where it is seen.
    truth, found = measured(taper=0.9, lean=0.0)
    width = found.characteristic("riser_width")
    assert abs(width.value - truth["riser_width"]) <= min(width.expanded_uncertainty, 0.2)
    assert width.budget["sides_parallel"] < 0.04
