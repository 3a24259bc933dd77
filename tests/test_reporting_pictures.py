"""Annotated photographs of the report: the scale bar is as long as it says, the tip is up."""

from __future__ import annotations

import io

import numpy as np
import pytest
from PIL import Image
from scene import repainted

from fitcheck.measurement import CardSeen, Edge, Measurement
from fitcheck.photo import Photo
from fitcheck.picture import Picture
from fitcheck.reporting.pictures import BAR_MM, SIDE_PX, pictures_of

PX_PER_MM = 10.0
# Card B, 120 by 24 mm, upright in the picture.
OUTLINE = ((500.0, 600.0), (1700.0, 600.0), (1700.0, 840.0), (500.0, 840.0))


def photo(width: int = 2000, height: int = 1500) -> Photo:
    pixels = np.full((height, width, 3), 90, dtype=np.uint8)
    return Photo("p.jpg", Picture(pixels), 2000.0, 0.03, "", "", "0" * 64)


def drawn(measurement: Measurement | None, source: Photo | None = None):
    (picture,) = pictures_of(source or photo(), measurement)
    with Image.open(io.BytesIO(picture.jpeg)) as image:
        return picture, np.asarray(image.convert("RGB"), dtype=int)


def test_the_bar_is_twenty_millimetres_in_the_plane_of_its_card():
    found = Measurement("p.jpg", "joint", cards=(CardSeen("B", 28, 0.01, OUTLINE),))
    picture, pixels = drawn(found)
    assert picture.scale_cards == ("B",)
    by = 2000 / picture.width
    assert max(picture.width, picture.height) <= SIDE_PX
    row = round((840 + 7 * PX_PER_MM) / by)
    light = np.flatnonzero(pixels[row - 1 : row + 2].min(axis=2).max(axis=0) > 200)
    # Ticks have dark rims; the line to its words may cross the row, not lengthen the bar.
    runs = np.split(light, np.flatnonzero(np.diff(light) > 4) + 1)
    length = max(run[-1] - run[0] for run in runs)
    assert length == pytest.approx(BAR_MM * PX_PER_MM / by, abs=4)


def test_without_an_outline_there_is_no_bar():
    found = Measurement("p.jpg", "joint", cards=(CardSeen("B", 28, 0.01),))
    picture, _ = drawn(found)
    assert picture.scale_cards == ()
    assert drawn(None)[0].scale_cards == ()


def test_a_seat_is_turned_with_its_tip_up():
    # The limb lies to the right of the riser: the tip is to the right in the photograph.
    edges = (
        Edge("limb_left", ((1100.0, 500.0), (1600.0, 500.0)), 0.01),
        Edge("riser_left", ((300.0, 505.0), (800.0, 505.0)), 0.01),
    )
    painted = photo().pixels.copy()
    painted[:, 1700:] = (250, 20, 20)  # beyond the limb
    source = repainted(photo(), painted)
    whole = pictures_of(source, Measurement("p.jpg", "seat", edges=edges))[0]
    with Image.open(io.BytesIO(whole.jpeg)) as image:
        pixels = np.asarray(image.convert("RGB"), dtype=int)
    assert whole.height > whole.width
    assert pixels[5, whole.width // 2, 0] > 200  # red is at the top
    assert pixels[-5, whole.width // 2, 0] < 150


def test_a_small_picture_is_not_enlarged():
    picture, _ = drawn(None, photo(300, 200))
    assert (picture.width, picture.height) == (300, 200)
