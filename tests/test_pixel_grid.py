"""A grid between projected nodes against projecting every point of it."""

import numpy as np
import pytest

from fitcheck import pixel_grid
from fitcheck.camera import card_to_pixels, lens_from, pose_from
from fitcheck.picture import TURNS, Turn


def test_weights_carry_a_polynomial_exactly():
    places = np.linspace(-3.0, 11.0, 40)
    for count in (3, 4, 8):
        coefficients = np.arange(1.0, count + 1)
        at_nodes = np.polyval(coefficients, pixel_grid.spread_over(places, count))
        found = pixel_grid.weights(places, count) @ at_nodes
        wanted = np.polyval(coefficients, places)
        np.testing.assert_allclose(found, wanted, rtol=1e-10, atol=1e-9 * np.abs(wanted).max())


@pytest.mark.parametrize("tilt", [0.0, 0.4, 0.8])
@pytest.mark.parametrize("distance_mm", [250.0, 500.0])
def test_a_strip_lands_where_projecting_every_point_puts_it(tilt, distance_mm):
    lens = lens_from(np.array([3000.0, 0.05, -0.05, 2000.0, 1500.0]))
    pose = pose_from(np.array([tilt, 0.3 * tilt, 0.1, -40.0, -30.0, distance_mm]))
    along, across = np.arange(0.0, 90.0, 0.5), np.arange(-6.0, 6.0, 0.25)

    def project(a, b):
        a, b = np.broadcast_arrays(a[:, None], b[None, :])
        points = np.stack([a, b, np.full(a.shape, 1.5)], axis=-1)
        return card_to_pixels(points.reshape(-1, 3), lens, pose).reshape(*a.shape, 2)

    nodes = project(pixel_grid.spread_over(along, 8), pixel_grid.spread_over(across, 5))
    x, y = pixel_grid.between(nodes, pixel_grid.weights(along, 8), pixel_grid.weights(across, 5))
    everywhere = project(along, across)
    away = np.hypot(x - everywhere[..., 0], y - everywhere[..., 1])
    assert away.max() < 1e-3  # pixels; half of it is the rounding to single precision


@pytest.mark.parametrize("turn", [Turn(), *TURNS.values()])
def test_a_turned_picture_is_read_where_it_is_stored(turn):
    stored = np.arange(4 * 6 * 3, dtype=np.uint8).reshape(4, 6, 3)
    upright = turn.seen(stored)
    x, y = np.meshgrid(np.arange(upright.shape[1]), np.arange(upright.shape[0]))
    found, column, row = pixel_grid.as_stored(
        upright, x.ravel().astype(float), y.ravel().astype(float)
    )
    assert found.flags.c_contiguous
    assert np.shares_memory(found, stored)
    assert np.array_equal(found[row.astype(int), column.astype(int)], upright.reshape(-1, 3))
