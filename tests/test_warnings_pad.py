"""The pad view's warnings and refusals, each made to happen on a photograph of a bare pad."""

from functools import lru_cache

import cv2
import numpy as np
import pytest
from pad_scene import PadScene, photograph
from scene import repainted
from warned import codes, told

from fitcheck.pipeline import Shot, measure_photo, measure_shots
from fitcheck.setup import Setup

SETUP = Setup(0.0, bars_mm=(100.0, 100.0))  # the scene's card has no thickness
# Where the camera stands, and which way it looks.
FROM_ABOVE = {"camera": (-6.0, 250.0, 45.0), "tilt": (-9.0, -2.0, 2.5)}
BESIDE = {"camera": (-40.0, 240.0, 40.0), "tilt": (-7.0, -9.0, 2.5)}
FAR_BESIDE = {"camera": (-70.0, 240.0, 24.0), "tilt": (-4.0, -16.0, 2.5)}
FACE = PadScene().face
IN_THE_SAME_LIGHT = tuple(0.95 * colour for colour in FACE)


@lru_cache
def photo_of(**changes):
    return photograph(PadScene(**changes))


@lru_cache
def measured(**changes):
    return measure_photo(photo_of(**changes), "pad", SETUP)


def note_of(found, code):
    """The only warning of this code."""
    (note,) = told(found, measured(), code)
    return note


def assert_held(found, **changes):
    truth = PadScene(**changes).truth
    for one in found.characteristics:
        assert abs(one.value - truth[one.name]) <= one.expanded_uncertainty, one.name


def test_the_unharmed_pad_has_no_warning():
    assert not codes(measured())


def test_a_camera_to_the_side_is_told_and_the_lean_counts():
    found = measured(**FAR_BESIDE)
    assert "straight in front" in note_of(found, "camera_to_the_side").advice
    assert_held(found)
    lean, before = (
        m.characteristic("pad_squareness").budget["card_lean"] for m in (found, measured())
    )
    assert lean > 3 * before


@pytest.mark.parametrize("setback", [16.0, 22.0])
def test_a_card_far_back_on_the_pad_is_told_with_how_far(setback):
    found = measured(setback=setback, **FROM_ABOVE)
    note = note_of(found, "card_far_back")
    said = float(note.message.split("about ")[1].split(" mm")[0])
    assert said == pytest.approx(setback, rel=0.25)
    assert_held(found)
    assert "card_far_back" not in codes(measured(**FROM_ABOVE))


@pytest.mark.parametrize("setback", [28.0, 45.0])
def test_a_card_very_far_back_is_measured_and_told(setback):
    found = measured(setback=setback, **FROM_ABOVE)
    note_of(found, "card_far_back")
    assert_held(found)


@pytest.mark.parametrize("setback", [10.0, 18.0, 28.0])
def test_a_card_that_may_stand_far_back_is_told_from_little_above(setback):
    note = note_of(measured(setback=setback), "card_far_back")
    assert "from the pad's end" in note.message


@pytest.mark.parametrize("setback", [3.0, 13.0, 28.0])
def test_a_camera_too_low_to_see_where_the_card_stands_is_told(setback):
    # Whether the card stands where it should or far back, the photograph looks the same.
    low = {"camera": (-6.0, 250.0, 3.0), "tilt": (0.0, -2.0, 2.5)}
    found = measured(setback=setback, **low)
    assert codes(found) & {"pad_hardly_seen", "card_far_back"}
    if setback == 3.0:
        assert "from a little higher" in note_of(found, "pad_hardly_seen").advice
        assert_held(found)


def test_the_width_holds_where_the_card_stands_further_back_than_is_usual():
    # Looked at from little above, the strip of pad tells poorly how far that is.
    found = measured(setback=12.0)
    assert_held(found)
    width, before = (m.characteristic("riser_width") for m in (found, measured()))
    assert width.expanded_uncertainty > 1.5 * before.expanded_uncertainty


def test_a_card_that_hangs_before_the_pad_is_told():
    found = measured(setback=-1.0, **FROM_ABOVE)
    assert "No pad is seen" in note_of(found, "pad_not_seen").message
    assert "pad_not_seen" not in codes(measured(**FROM_ABOVE))


@pytest.mark.parametrize("depth", [12.6, 13.4])
def test_a_riser_s_end_of_which_little_shows_is_refused(depth):
    refused = measured(depth=depth).refused
    assert refused is not None
    assert refused.code == "end_too_short"
    assert refused.message.endswith(".")
    assert refused.advice.endswith(".")
    said = float(refused.message.split("Only ")[1].split(" mm")[0])
    assert said == pytest.approx(depth, abs=1.0)
    assert measured().refused is None


def test_sides_that_are_not_parallel_are_told_with_how_much():
    found = measured(taper=1.6)
    note = note_of(found, "sides_disagree")
    said = float(note.message.split("seen ")[1].split("°")[0])
    assert said == pytest.approx(1.6, abs=0.3)
    assert "sides_disagree" not in codes(measured(taper=0.3))


def test_lines_laid_by_hand_out_of_parallel_are_told():
    ends = {e.edge: np.array(e.pixels) for e in measured().edges}
    ends["riser_left"][0, 0] += 24.0  # by 6° over the 240 px of the side
    laid = {name: tuple(map(tuple, points.tolist())) for name, points in ends.items()}
    shot = Shot(photo_of(), "pad", laid, frozenset(laid))
    (found,) = measure_shots([shot], SETUP)
    assert "mark the wrong one" in note_of(found, "sides_disagree").advice


def test_a_wall_of_the_face_s_own_colour_may_be_taken_for_it():
    found = measured(length=18.0, walls=FACE, **FAR_BESIDE)
    note = note_of(found, "wall_may_show")
    assert "left side wall" in note.message
    # The wall is seen 4 mm wide, and its far end was measured: hence the warning.
    assert found.characteristic("riser_width").value > PadScene().width + 2
    assert "wall_may_show" not in codes(measured(**FAR_BESIDE))


def test_a_side_hardly_told_from_its_wall_is_said_to_be_faint():
    found = measured(walls=IN_THE_SAME_LIGHT, **BESIDE)
    note = note_of(found, "edge_faint")
    assert "left side" in note.message
    assert_held(found)
    assert "edge_faint" not in codes(measured(**BESIDE))


def test_a_wavy_side_is_uneven_and_not_laid_to_where_the_camera_stands():
    pixels = photo_of().pixels
    height, width = pixels.shape[:2]
    x, y = np.meshgrid(np.arange(width, dtype=np.float32), np.arange(height, dtype=np.float32))
    below_the_card = np.clip((y - 450) / 10, 0, 1) * (x > 750)
    wavy = (x + 3 * np.sin(2 * np.pi * y / 40) * below_the_card).astype(np.float32)
    moved = cv2.remap(pixels, wavy, y, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    found = measure_photo(repainted(photo_of(), moved), "pad", SETUP)
    note = note_of(found, "edge_uneven")
    assert "left side" in note.message
    off = float(note.message.split("about ")[1].split(" mm")[0])
    # A wave of 3 px, 8.4 px to the millimetre, by its robust standard deviation.
    assert off == pytest.approx(1.48 * 3 / 8.4 * np.sqrt(0.5), abs=0.1)
    assert "camera_to_the_side" not in codes(found)
    assert_held(found)


def test_a_rest_of_the_same_wood_may_be_taken_for_a_side():
    found = measured(rest=32.0, rest_colour=(0.14, 0.075, 0.045))
    assert "behind the riser" in note_of(found, "edge_ambiguous").message
