"""Cards that have to be found, and the reason that is given where one is not."""

import cv2
import numpy as np
import pytest
from scene import repainted
from skimage import data

from fitcheck import corners, pipeline
from fitcheck.cards import CARDS
from fitcheck.corners import find_cards
from fitcheck.photo import load_photo
from fitcheck.pipeline import measure_photo
from fitcheck.samples import sample_folder
from fitcheck.setup import Setup


def sight() -> np.ndarray:
    """A photograph of the sample bow with cards C and D, BGR."""
    return cv2.imread(str(sample_folder() / "bow" / "received-upper-sight.jpg"))


def test_cards_are_found_in_a_hundred_megapixels_as_in_a_few():
    few = cv2.cvtColor(sight(), cv2.COLOR_BGR2GRAY)
    scale = 11_600 / few.shape[1]
    many = cv2.resize(few, None, fx=scale, fy=scale, interpolation=cv2.INTER_CUBIC)
    found, enlarged = (find_cards(grey, needed="CD") for grey in (few, many))
    assert [c.card.name for c in enlarged] == [c.card.name for c in found] == ["C", "D"]
    for one, other in zip(found, enlarged, strict=True):
        np.testing.assert_array_equal(one.corners_mm, other.corners_mm)
        expected = (one.corners_px + 0.5) * scale - 0.5
        # To a part of a pixel of the photograph, however much it was enlarged.
        assert np.max(np.abs(expected - other.corners_px)) < 0.7 * scale


def without_cards(picture: np.ndarray) -> np.ndarray:
    """The same picture with its own bench laid over every card."""
    bare = picture.copy()
    for found in find_cards(cv2.cvtColor(picture, cv2.COLOR_BGR2GRAY)):
        x, y, width, height = cv2.boundingRect(found.corners_px.astype(np.float32))
        out = width // 3
        left, right = max(x - out, 0), x + width + out
        top, low = max(y - height, 0), y + 2 * height
        bare[top:low, left:right] = picture[-(low - top) :, : right - left]
    return bare


def moved(picture: np.ndarray, by_px: int) -> np.ndarray:
    """The same picture, smeared along its diagonal."""
    return cv2.filter2D(picture, -1, np.eye(by_px) / by_px)


def refused(picture: np.ndarray):
    photo = load_photo(sample_folder() / "bow" / "received-upper-sight.jpg")
    found = measure_photo(repainted(photo, np.ascontiguousarray(picture[..., ::-1])), "sight")
    assert found.refused is not None
    assert not found.characteristics
    return found.refused


@pytest.mark.parametrize(
    "spoil",
    [
        lambda picture: cv2.GaussianBlur(picture, (0, 0), 5),
        lambda picture: moved(picture, 25),
        lambda picture: cv2.GaussianBlur(without_cards(picture), (0, 0), 5),
    ],
)
def test_a_blurred_photograph_is_said_to_be_blurred(spoil):
    note = refused(spoil(sight()))
    assert note.code == "blurred"
    assert "focus" in note.advice


def test_noise_over_a_blurred_photograph_does_not_make_it_sharp():
    soft = cv2.GaussianBlur(sight(), (0, 0), 5)
    noise = np.random.default_rng(1).normal(0, 3, soft.shape)
    assert refused(np.clip(soft + noise, 0, 255).astype(np.uint8)).code == "blurred"


def test_a_sharp_photograph_without_a_card_is_said_to_have_none():
    note = refused(without_cards(sight()))
    assert note.code == "no_card"
    assert note.message == "Cards C and D were not found in the photograph."
    for picture in (data.astronaut(), data.coffee(), data.rocket(), data.hubble_deep_field()):
        large = cv2.resize(picture, None, fx=2, fy=2, interpolation=cv2.INTER_CUBIC)
        for seen in (picture, large):
            assert refused(np.ascontiguousarray(seen[..., ::-1])).code == "no_card"


@pytest.mark.parametrize("axis", [0, 1])
def test_a_mirrored_photograph_is_said_to_be_mirrored(axis):
    note = refused(np.flip(sight(), axis))
    assert note.code == "mirrored"
    assert "front camera" in note.advice


def test_a_mirrored_photograph_is_known_blurred_and_large_too():
    soft = cv2.GaussianBlur(np.flip(sight(), 1), (0, 0), 1.5)
    large = cv2.resize(soft, None, fx=2, fy=2, interpolation=cv2.INTER_CUBIC)
    assert refused(large).code == "mirrored"


def on_grey(card: str, columns: slice = slice(None), rows: slice = slice(None)) -> np.ndarray:
    """A part of a card's picture on grey, 10 px/mm."""
    drawn = CARDS[card].picture(10)[rows, columns]
    ground = np.full((800, 1600), 120, np.uint8)
    ground[200 : 200 + drawn.shape[0], 150 : 150 + drawn.shape[1]] = drawn
    return ground


def test_a_card_of_which_one_row_of_corners_shows_is_not_placed():
    # Two rows of inner corners, at 8 and 16 mm under the border of 2 mm: the cut spares one.
    cut = on_grey("A", rows=slice(130, None))[200:]
    assert [c.card.name for c in find_cards(on_grey("A"))] == ["A"]
    assert find_cards(cut, needed=("A",)) == []


def test_the_rest_of_a_half_seen_card_is_read_on_that_card(monkeypatch):
    # Of a card as small as this the reduced picture shows one marker of fifteen.
    card, height = CARDS["C"], 60
    large = np.full((3000, 4000), 120, np.uint8)
    small = cv2.resize(card.picture(10), (500, height), interpolation=cv2.INTER_AREA)
    large[1500 : 1500 + height, 1200:1700] = small
    seen = cv2.GaussianBlur(large, (0, 0), 0.7)
    looks = []
    look = corners._detect_markers

    def looking(grey, *others):
        looks.append(grey.shape)
        return look(grey, *others)

    monkeypatch.setattr(corners, "_detect_markers", looking)
    (found,) = find_cards(seen, needed=("C",))
    assert found.markers >= 12
    assert large.shape not in looks  # that one costs most
    expected = 1200 + (found.corners_mm[:, 0] + 2) * 500 / card.outside_mm[0] - 0.5
    np.testing.assert_allclose(found.corners_px[:, 0], expected, atol=1.0)


@pytest.mark.parametrize(("face_step_mm", "needed"), [(None, {"A", "B"}), (1.5, {"A"})])
def test_card_b_is_searched_for_unless_the_face_step_is_known(monkeypatch, face_step_mm, needed):
    asked = []

    def looking(grey, needed=()):
        asked.append(set(needed))
        return find_cards(grey, needed=())

    monkeypatch.setattr(pipeline, "find_cards", looking)
    photo = load_photo(sample_folder() / "seat-001.jpg")
    pipeline.measure_photo(photo, "seat", Setup(face_step_mm=face_step_mm))
    assert asked == [needed]
