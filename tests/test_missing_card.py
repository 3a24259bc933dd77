"""Cards that have to be found, and the reason that is given where one is not."""

import cv2
import numpy as np

from fitcheck.corners import find_cards
from fitcheck.samples import sample_folder


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
