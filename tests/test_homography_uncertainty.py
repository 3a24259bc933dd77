"""Uncertainty of a length measured through a homography, against tabled values.

The case of the project's table of check values, section 5 (computed there by Monte Carlo and
by linear propagation): the four outline corners of an ISO/IEC 7810 ID-1 card, seen by a
camera of 3000 px focal length from 400 mm, each corner uncertain by 0.1 px per axis, measure
a segment of 50 mm whose end points have no noise. It is the case against which the growth of
uncertainty outside a reference is known: two to four times.
"""

import numpy as np
import pytest

from fitcheck.camera import Lens, Pose, card_to_pixels, rotation_matrix
from fitcheck.uncertainty import Source, propagate

CARD_MM = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * [85.60 / 2, 53.98 / 2]
LENS = Lens(*(np.array(v) for v in (3000.0, 0.0, 0.0, 2000.0, 1500.0)))
CORNER_SD_PX = 0.1
ACROSS = np.array([[-25.0, 0.0], [25.0, 0.0]])
UPRIGHT = ACROSS[:, ::-1]


def pixels_of(points_mm, pose):
    flat = np.concatenate([points_mm, np.zeros((len(points_mm), 1))], axis=1)
    return card_to_pixels(flat, LENS, pose)


def homographies(pixels, plane_mm):
    """Pixels to plane from four points each, shape (draws, 4, 2): the exact solution."""
    (x, y), (u, v) = np.moveaxis(pixels, -1, 0), plane_mm.T
    one, zero = np.ones_like(x), np.zeros_like(x)
    for_u = np.stack([x, y, one, zero, zero, zero, -u * x, -u * y], axis=-1)
    for_v = np.stack([zero, zero, zero, x, y, one, -v * x, -v * y], axis=-1)
    matrix = np.concatenate([for_u, for_v], axis=-2)
    right = np.broadcast_to(np.concatenate([u, v]), matrix.shape[:-1])
    solved = np.linalg.solve(matrix, right[..., None])[..., 0]
    return np.concatenate([solved, np.ones((len(solved), 1))], axis=1).reshape(-1, 3, 3)


@pytest.mark.parametrize(
    ("tilt_deg", "segment_mm", "centre_mm", "published"),
    [
        (0.0, ACROSS, (0.0, 0.0), 0.00779),
        (0.0, ACROSS, (0.0, 60.0), 0.01898),
        (0.0, UPRIGHT, (80.0, 0.0), 0.02618),
        (40.0, ACROSS, (0.0, 0.0), 0.00783),
        (40.0, ACROSS, (0.0, 60.0), 0.01969),
        (40.0, UPRIGHT, (80.0, 0.0), 0.03437),
    ],
)
def test_length_through_a_homography_has_the_known_uncertainty(
    tilt_deg, segment_mm, centre_mm, published
):
    # Tilted about the card's long side, which lies along x.
    turn = rotation_matrix(np.radians(np.array([tilt_deg, 0.0, 0.0])))
    pose = Pose(turn, np.array([0.0, 0.0, 400.0]))
    corners = pixels_of(CARD_MM, pose)
    ends = np.concatenate([pixels_of(segment_mm + centre_mm, pose), np.ones((2, 1))], axis=1)

    def model(q):
        mapped = ends @ np.swapaxes(homographies(q["corners"], CARD_MM), -1, -2)
        on_plane = mapped[..., :2] / mapped[..., 2:]
        return {"length": np.linalg.norm(on_plane[:, 1] - on_plane[:, 0], axis=-1)}

    noise = CORNER_SD_PX * np.random.default_rng(5).standard_normal((40_000, 4, 2))
    found = propagate(model, {"corners": corners}, [Source("corners", {"corners": noise})])
    assert found["length"].value == pytest.approx(50.0, abs=1e-9)
    assert found["length"].standard_uncertainty == pytest.approx(published, rel=0.02)
