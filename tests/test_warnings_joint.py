"""The joint view's warnings and refusals, each made to happen on a photograph of a seam."""

from dataclasses import replace
from functools import lru_cache

import cv2
import numpy as np
import pytest
from joint_scene import JointScene, photograph_joint
from scene import repainted
from warned import codes, told

from fitcheck.cards import CARDS
from fitcheck.pipeline import measure_photo
from fitcheck.setup import Setup

SETUP = Setup(0.5, bars_mm=(100.0, 100.0))
# A limb of one colour with the shoulder before its butt: nothing shows where it begins.
BUTT_HIDDEN = {"butt_hidden": True, "laminations": ()}
CARD_ABOVE_PX = 185  # the card lies below this row
PICTURE_BELOW_PX = 515  # and above this one


@lru_cache
def photo_of(**changes):
    return photograph_joint(JointScene(**changes))


@lru_cache
def unharmed():
    return measure_photo(photo_of(), "joint", SETUP)


def note_of(found, code):
    """The only warning of this code."""
    (note,) = told(found, unharmed(), code)
    return note


def refusal_of(found, code):
    """The refusal of this code, told in sentences, and without a number."""
    assert unharmed().refused is None
    assert found.refused is not None
    assert found.refused.code == code
    assert found.refused.message.endswith(".")
    assert found.refused.advice.endswith(".")
    assert not found.characteristics
    return found.refused


@lru_cache
def marked(**changes):
    """Measured near the seam's true lines, as if they were marked by hand."""
    return measure_photo(photo_of(**changes), "joint", SETUP, JointScene().edges_px)


def test_the_unharmed_seam_has_no_warning():
    assert not codes(unharmed())


def test_a_butt_that_does_not_show_is_told_and_the_usual_length_taken():
    found = marked(**BUTT_HIDDEN)
    assert "usual length" in note_of(found, "butt_not_found").message
    unsure, sure = (m.characteristic("gap_butt") for m in (found, marked()))
    assert unsure.budget["seam_ends"] > 3 * sure.budget["seam_ends"]
    assert "butt_not_found" not in codes(marked())


def test_a_riser_that_goes_on_is_told_and_the_usual_length_taken():
    found = marked(riser_goes_on=True)
    assert "usual length" in note_of(found, "riser_end_not_found").message
    unsure, sure = (m.characteristic("gap_end") for m in (found, marked()))
    assert unsure.budget["seam_ends"] > 3 * sure.budget["seam_ends"]
    assert "riser_end_not_found" not in codes(marked())


def test_a_dark_line_beside_the_seam_may_be_the_seam():
    pixels = photo_of().pixels.copy()
    ends = np.array(JointScene().edges_px["pad_line"]) + np.array([0, 10])
    start, stop = np.round(16 * ends).astype(int).tolist()
    cv2.line(pixels, start, stop, (8, 6, 5), 3, cv2.LINE_AA, 4)
    found = measure_photo(
        repainted(photo_of(), cv2.GaussianBlur(pixels, (0, 0), 0.7)), "joint", SETUP
    )
    note = note_of(found, "seam_ambiguous")
    assert "beside the seam" in note.message
    assert "by hand" in note.advice


@pytest.mark.parametrize("layer", [(0.2, 0.6, 0.05), (0.3, 0.8, 0.05)])
def test_a_black_layer_beside_the_seam_is_told_from_the_gap_and_said(layer):
    found = measure_photo(photo_of(laminations=(layer,), blur_px=1.8), "joint", SETUP)
    note = note_of(found, "seam_ambiguous")
    assert "dark layer" in note.message
    wedge = found.characteristic("gap_wedge")
    assert wedge.value == pytest.approx(JointScene().truth["gap_wedge"], abs=0.08)
    assert wedge.budget["other_line"] > 0.05


@pytest.mark.parametrize("light", [(0.55, 0.56, 0.58), (0.1, 0.1, 0.1)])
def test_light_in_the_seam_does_not_shut_it_and_is_said(light):
    found = measure_photo(photo_of(in_opening=light), "joint", SETUP)
    note = note_of(found, "seam_ambiguous")
    assert "Light seems to show" in note.message
    gap = found.characteristic("gap_end")
    assert gap.value == pytest.approx(JointScene().gap_end, abs=0.08)
    assert gap.interval95[0] <= JointScene().gap_end <= gap.interval95[1]


def test_a_seam_of_two_readings_says_by_how_much_they_differ():
    # A black layer as wide from end to end as an opening would be, on a seam that is shut.
    changes = {"laminations": ((0.3, 0.8, 0.05),), "blur_px": 1.6, "gap_end": 0.0}
    found = measure_photo(photo_of(**changes), "joint", SETUP)
    note = note_of(found, "seam_ambiguous")
    said = float(note.message.split("two ways that differ by ")[1].split(" mm")[0])
    assert said > 0.2
    for name in ("gap_butt", "gap_end"):
        c = found.characteristic(name)
        assert c.interval95[0] <= 0.0 <= c.interval95[1]
        assert abs(c.value) < said + 0.1
        assert c.budget["other_line"] > 0.3 * said


def test_other_lines_beside_the_card_may_be_the_seam():
    # Without its end the seam is no clearer than lines that end by chance.
    found = measure_photo(photo_of(riser_goes_on=True, figure=0.0), "joint", SETUP)
    assert "beside the card" in note_of(found, "seam_ambiguous").message


def test_a_seam_on_either_side_of_the_card_is_refused():
    pixels = photo_of().pixels
    mirrored = np.concatenate([pixels[:PICTURE_BELOW_PX], pixels[:CARD_ABOVE_PX][::-1]])
    found = measure_photo(repainted(photo_of(), mirrored), "joint", SETUP)
    refused = refusal_of(found, "seam_ambiguous")
    assert "either side" in refused.message


def test_a_seam_out_of_focus_is_coarse_and_says_how_coarse():
    found = measure_photo(photo_of(blur_px=3.2), "joint", SETUP)
    note = note_of(found, "seam_coarse")
    said = float(note.message.split("only to ")[1].split(" mm")[0])
    assert said > 0.2
    assert said == pytest.approx(
        max(found.characteristic(n).expanded_uncertainty for n in ("gap_butt", "gap_end")), rel=0.3
    )


def test_a_seam_at_the_picture_s_rim_is_too_short():
    # Ends that do not show, marked 21 mm apart; half of that runs out of the picture.
    scene = JointScene(butt_hidden=True, riser_goes_on=True, skew=1.5)
    photo = photograph_joint(scene)
    points_px = {
        name: [tuple(np.add(first, np.subtract(last, first) * share)) for share in (0.6, 0.84)]
        for name, (first, last) in scene.edges_px.items()
    }
    top = int(min(y for points in points_px.values() for _, y in points)) - 5
    lower = {name: [(x, y - top) for x, y in points] for name, points in points_px.items()}
    found = measure_photo(repainted(photo, photo.pixels[top:]), "joint", SETUP, lower)
    assert "whole seam in the picture" in refusal_of(found, "seam_short").advice
    whole = measure_photo(photo, "joint", SETUP, points_px)
    assert whole.refused is None


def test_a_photograph_made_small_is_refused_as_too_small():
    photo = photograph_joint(JointScene())
    few = cv2.resize(photo.pixels, None, fx=1 / 3, fy=1 / 3, interpolation=cv2.INTER_AREA)
    small = replace(repainted(photo, few), focal_prior_px=photo.focal_prior_px / 3)
    found = measure_photo(small, "joint", SETUP)
    assert "not made smaller" in refusal_of(found, "seam_too_small").advice


def test_a_card_of_another_kind_of_photograph_in_the_picture_is_named():
    card = CARDS["A"].picture(11)
    rows, columns = card.shape
    # As much room above as below, so that the lens's axis stays where it was.
    room = ((rows + 300, rows + 300), (0, 0), (0, 0))
    pixels = np.pad(photo_of().pixels, room, mode="edge")
    pixels[-rows - 20 : -20, 20 : 20 + columns] = (0.85 * card + 10)[..., None]
    found = measure_photo(repainted(photo_of(), pixels), "joint", SETUP)
    note = note_of(found, "another_view")
    assert "Card A" in note.message
    assert {c.card for c in found.cards} == {"B"}


@pytest.mark.parametrize("high_px", [2, 4, 6])
def test_a_wavy_seam_is_uneven(high_px):
    pixels = photo_of().pixels
    height, width = pixels.shape[:2]
    x, y = np.meshgrid(np.arange(width, dtype=np.float32), np.arange(height, dtype=np.float32))
    above_the_card = np.clip((CARD_ABOVE_PX + 20 - y) / 20, 0, 1)
    wave = (high_px * np.sin(2 * np.pi * x / 150) * above_the_card).astype(np.float32)
    wavy = cv2.remap(pixels, x, y + wave, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    found = measure_photo(repainted(photo_of(), wavy), "joint", SETUP)
    assert "straight lines" in note_of(found, "seam_uneven").message
