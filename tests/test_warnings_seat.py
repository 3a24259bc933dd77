"""The seat view's warnings and refusals, each made to happen on a photograph of a seat."""

from functools import lru_cache

import cv2
import numpy as np
import pytest
from scene import SeatScene, photograph, repainted
from warned import codes, told

from fitcheck.pipeline import measure_photo
from fitcheck.setup import Setup

SETUP = Setup(0.5, bars_mm=(100.0, 100.0))
WHOLE = {"camera": (0.0, -6.0, 420.0), "tilt": (0.5, -0.5, 20.0)}  # both cards in the picture
FROM_THE_RIGHT = {"camera": (40.0, 10.0, 330.0), "tilt": (3.0, -4.0, 12.0)}
ASKEW_AND_DEEP = {"lateral_angle": 2.6, "face_step": 7.5}
OF_ONE_COLOUR = {"limb_light": 0.06, "riser_light": (0.06, 0.06, 0.06)}
SIDES_BEGIN_MM = 6.0  # from the butt line, where they are measured
CARD_A_BEGINS_MM = 63.0


@lru_cache
def photo_of(**changes):
    return photograph(SeatScene(**{**WHOLE, **changes}))


@lru_cache
def measured(**changes):
    return measure_photo(photo_of(**changes), "seat", SETUP)


def notes_of(found, code):
    return told(found, measured(), code)


@lru_cache
def axes_px():
    """Pixels of the limb's middle at the butt line, and of 1 mm to the right and tipward."""
    ends = {e.edge: np.array(e.pixels) for e in measured().edges}
    left, right = ends["limb_left"], ends["limb_right"]
    across = (right[0] - left[0]) / SeatScene().limb_width
    tipward = (left[1] - left[0]) / np.linalg.norm(left[1] - left[0]) * np.linalg.norm(across)
    return (left[0] + right[0]) / 2 - SIDES_BEGIN_MM * tipward, across, tipward


def painted(right_mm, tipward_mm, colour):
    """The seat with a patch over it, from and to in millimetres of the limb."""
    middle, across, tipward = axes_px()
    (low, high), (near, far) = right_mm, tipward_mm
    corners = [(low, near), (high, near), (high, far), (low, far)]
    outline = np.array([middle + x * across + y * tipward for x, y in corners])
    pixels = photo_of().pixels.copy()
    cv2.fillPoly(pixels, [np.round(16 * outline).astype(np.int32)], colour, cv2.LINE_AA, 4)
    return repainted(photo_of(), cv2.GaussianBlur(pixels, (0, 0), 0.6))


def waved(reach_mm, period_mm, where, along=0.0):
    """The seat with a part of the picture drawn out in waves, to the right and tipward."""
    middle, across, tipward = axes_px()
    pixels = photo_of().pixels
    height, width = pixels.shape[:2]
    x, y = np.meshgrid(np.arange(width, dtype=float), np.arange(height, dtype=float))
    away = np.stack([x, y], axis=-1) - middle
    right_mm, tipward_mm = (away @ axis / (axis @ axis) for axis in (across, tipward))
    wave = reach_mm * np.sin(2 * np.pi * tipward_mm / period_mm) * where(right_mm, tipward_mm)
    moved = np.stack([x, y], axis=-1) + wave[..., None] * (across + along * tipward)
    x, y = (moved[..., i].astype(np.float32) for i in (0, 1))
    return repainted(
        photo_of(),
        cv2.remap(pixels, x, y, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE),
    )


def test_the_unharmed_seat_has_no_warning():
    assert not codes(measured())


def test_a_limb_far_off_the_riser_s_axis_is_unusual():
    (note,) = notes_of(measured(**ASKEW_AND_DEEP), "angle_unusual")
    assert "2.6°" in note.message
    assert "by hand" in note.advice


def test_faces_far_apart_in_height_make_the_cards_doubtful():
    (note,) = notes_of(measured(**ASKEW_AND_DEEP), "cards_disagree")
    said = float(note.message.split("come out ")[1].split(" mm")[0])
    assert said == pytest.approx(7.5, abs=0.3)
    assert "Print both cards from one sheet" in note.advice


def test_tape_across_the_limb_may_be_the_butt_line():
    found = measure_photo(painted((-19, 19), (8, 14), (210, 180, 140)), "seat", SETUP)
    (note,) = notes_of(found, "butt_line_ambiguous")
    assert "mark it by hand" in note.advice


def test_a_butt_line_that_does_not_show_is_not_made_up():
    found = measured(**OF_ONE_COLOUR)
    (note,) = notes_of(found, "butt_line_not_found")
    assert "midway between the cards" in note.message
    assert "butt_line" not in {e.edge for e in found.edges}
    unsure, sure = (m.characteristic("overhang_left").budget for m in (found, measured()))
    assert unsure["butt_line"] > 5 * sure["butt_line"]


def test_a_riser_of_the_limb_s_colour_may_show_under_it():
    notes = notes_of(measured(**OF_ONE_COLOUR), "riser_may_show")
    for note in notes:
        assert "of the limb" in note.message
        assert "fingernail" in note.advice


def test_a_card_mostly_covered_is_refused_as_hidden():
    begin = CARD_A_BEGINS_MM
    found = measure_photo(painted((-15, 15), (begin, begin + 92), (60, 60, 60)), "seat", SETUP)
    assert found.refused is not None
    assert found.refused.code == "card_hidden"
    assert "card A" in found.refused.message
    assert found.refused.message.endswith(".")
    assert found.refused.advice.endswith(".")
    assert not found.characteristics
    # Half of it covered, the rest still tells where it lies.
    less = measure_photo(painted((-15, 15), (begin, begin + 60), (60, 60, 60)), "seat", SETUP)
    assert less.refused is None
    width, before = (m.characteristic("limb_width") for m in (less, measured()))
    assert abs(width.value - before.value) < width.expanded_uncertainty


def test_a_wavy_card_is_not_flat():
    on_card_a = waved(0.15, 27.0, lambda _, y: np.clip((y - 58) / 3, 0, 1), along=1.0)
    (note,) = notes_of(measure_photo(on_card_a, "seat", SETUP), "card_not_flat")
    assert "Card A" in note.message
    said = float(note.message.split("lie ")[1].split(" px")[0])
    assert 0.25 < said < 0.7  # 0.15 mm are 0.54 px either way


def test_another_line_beside_the_limb_may_be_its_side():
    # Something of the limb's own colour lies beside it, 0.4 mm off and 1 mm wide.
    middle, across, tipward = axes_px()
    x, y = np.round(middle - 17.5 * across + 30 * tipward).astype(int)
    limb_colour = tuple(int(c) for c in photo_of().pixels[y, x])
    found = measure_photo(painted((-22.4, -21.4), (2, 62), limb_colour), "seat", SETUP)
    (note,) = notes_of(found, "edge_ambiguous")
    said = float(note.message.split("Another line ")[1].split(" mm")[0])
    assert said == pytest.approx(1.8, abs=0.4)
    assert "the left side of the limb may be it instead" in note.message
    wide, before = (m.characteristic("limb_width") for m in (found, measured()))
    assert abs(wide.value - SeatScene().truth["limb_width"]) <= wide.expanded_uncertainty
    assert wide.budget["other_line"] > 0.1
    assert "other_line" not in before.budget


def test_what_lies_beside_the_limb_in_another_colour_is_not_the_limb():
    # The same in grey, a stronger line than the limb's own: a face has one colour.
    found = measure_photo(painted((-24.2, -21.4), (2, 62), (110, 110, 110)), "seat", SETUP)
    assert "edge_ambiguous" not in codes(found)
    width, truth = found.characteristic("limb_width"), SeatScene().truth["limb_width"]
    assert abs(width.value - truth) <= width.expanded_uncertainty


def test_a_wavy_side_is_uneven():
    left_of_limb = waved(0.5, 15.0, lambda x, y: (x < -16) & (y > 0))
    (note,) = notes_of(measure_photo(left_of_limb, "seat", SETUP), "edge_uneven")
    assert "left side of the limb" in note.message


def test_sides_without_a_wall_in_sight_from_beside_them_may_be_the_wall_s():
    notes = notes_of(measured(**FROM_THE_RIGHT), "wall_may_show")
    for note in notes:
        assert "the wall of the right side" in note.message
        assert "straight above" in note.advice


def test_a_riser_bared_at_one_end_by_less_than_the_blur_can_part_is_told():
    # From the butt to the card the riser shows beside the limb by 0.8 mm to nothing.
    seat = {"limb_width": 40.6, "lateral_offset": 0.6, "lateral_angle": -0.6}
    alike = {"limb_light": 0.15, "riser_light": (0.2, 0.14, 0.09)}
    found = measured(**seat, **alike)
    notes = [n.message for n in found.warnings if n.code == "edge_ambiguous"]
    assert any("left side of the limb looks like the riser" in message for message in notes)
    truth = SeatScene(**seat).truth
    for name in ("overhang_left", "limb_width", "lateral_angle"):
        one = found.characteristic(name)
        assert abs(one.value - truth[name]) <= one.expanded_uncertainty, name
    assert not codes(measured(**alike)) & {"edge_ambiguous"}
