"""The camera model against OpenCV, scikit-image and the geometry of parallax."""

import cv2
import numpy as np
import pytest
from skimage.transform import ProjectiveTransform

from fitcheck.camera import (
    Lens,
    Pose,
    camera_in_card,
    card_to_pixels,
    pixels_to_card,
    rays,
    rotation_matrix,
)

LENS = Lens(*(np.array(v) for v in (3000.0, 0.05, -0.03, 2010.0, 1520.0)))
ROTATION_VECTOR = np.array([0.2, -0.15, 0.4])
ORIGIN = np.array([-55.0, -20.0, 410.0])
POSE = Pose(rotation_matrix(ROTATION_VECTOR), ORIGIN)


def test_projection_agrees_with_opencv():
    points = np.random.default_rng(1).uniform([-20, -30, -5], [140, 60, 5], (50, 3))
    matrix = np.array([[3000.0, 0, 2010.0], [0, 3000.0, 1520.0], [0, 0, 1]])
    expected, _ = cv2.projectPoints(
        points, ROTATION_VECTOR, ORIGIN, matrix, np.array([0.05, -0.03, 0, 0])
    )
    np.testing.assert_allclose(card_to_pixels(points, LENS, POSE), expected[:, 0], atol=1e-6)


def test_rays_undo_the_projection_over_the_whole_picture():
    x, y = np.meshgrid(np.linspace(0, 4031, 15), np.linspace(0, 3023, 11))
    pixels = np.stack([x.ravel(), y.ravel()], axis=1)
    directions = rays(pixels, LENS)
    still = Pose(np.eye(3), np.zeros(3))
    np.testing.assert_allclose(card_to_pixels(300 * directions, LENS, still), pixels, atol=1e-6)


def test_a_plane_without_distortion_is_the_homography_of_scikit_image():
    lens = LENS._replace(k1=np.array(0.0), k2=np.array(0.0))
    square = np.array([[0.0, 0], [120, 0], [120, 24], [0, 24]])
    seen = card_to_pixels(np.c_[square, np.zeros(4)], lens, POSE)
    px2card = ProjectiveTransform.from_estimate(seen, square)
    pixels = np.random.default_rng(2).uniform([1500, 1200], [2600, 1900], (40, 2))
    ours = pixels_to_card(pixels, lens, POSE, 0.0)[:, :2]
    np.testing.assert_allclose(ours, px2card(pixels), atol=1e-7)


@pytest.mark.parametrize(
    ("height", "above", "percent"), [(400, 1.0, 0.25063), (300, 5.0, 1.695), (300, 0.76, 0.254)]
)
def test_parallax_is_h_over_d_minus_h(height, above, percent):
    # Exact for any tilt: a homothety about the camera's foot point (derived; the figures are
    # those of the project's table of check values).
    pose = Pose(np.diag([1.0, 1.0, 1.0]), np.array([0.0, 0.0, height]))
    points = np.array([[-12.5, 3.0, -above], [12.5, 3.0, -above]])
    seen = pixels_to_card(card_to_pixels(points, LENS, pose), LENS, pose, 0.0)
    length = np.linalg.norm(seen[1] - seen[0])
    assert 100 * (length / 25 - 1) == pytest.approx(percent, rel=1e-3)
    assert 100 * above / (height - above) == pytest.approx(percent, rel=1e-3)


@pytest.mark.parametrize(("height", "behind"), [(400, 1.0), (300, 5.0), (300, 0.76), (300, -2.0)])
@pytest.mark.parametrize("turn", [[0.0, 0.0, 0.0], [0.2, -0.3, 1.0]])
def test_a_plane_behind_the_card_is_met_as_similar_triangles_say(height, behind, turn):
    # The surface lies a card's thickness behind its print. With the camera at this height over
    # the surface the print stands above it as the feature does in the test before, so its image
    # there is h/(D − h) longer, away from the camera's foot point, however the card is tilted.
    card2cam, _ = cv2.Rodrigues(np.array(turn))
    camera = np.array([9.0, -14.0, -(height - behind)])  # in the card frame, before the print
    pose = Pose(card2cam, -card2cam @ camera)
    printed = np.array([[-12.5, 3.0, 0.0], [12.5, 3.0, 0.0], [20.0, 15.0, 0.0]])
    found = pixels_to_card(card_to_pixels(printed, LENS, pose), LENS, pose, behind)
    away = printed[:, :2] - camera[:2]
    expected = camera[:2] + away * (1 + behind / (height - behind))
    np.testing.assert_allclose(found[:, :2], expected, atol=1e-8)
    np.testing.assert_allclose(found[:, 2], behind, atol=1e-9)


def test_functions_broadcast_over_draws():
    rng = np.random.default_rng(3)
    vectors = ROTATION_VECTOR + 0.01 * rng.standard_normal((7, 3))
    poses = Pose(rotation_matrix(vectors), ORIGIN + rng.standard_normal((7, 3)))
    lenses = Lens(*(np.full(7, v) for v in (3000.0, 0.05, -0.03, 2010.0, 1520.0)))
    pixels = np.array([[1800.0, 1300.0], [2300.0, 1650.0]])
    together = pixels_to_card(pixels, lenses, poses, 0.5)
    assert together.shape == (7, 2, 3)
    for i in range(7):
        alone = pixels_to_card(
            pixels, LENS, Pose(poses.card2cam[i], poses.origin_cam[i]), np.array(0.5)
        )
        np.testing.assert_allclose(together[i], alone, atol=1e-9)
    assert camera_in_card(poses).shape == (7, 3)


def test_rotation_matrix_agrees_with_opencv_down_to_no_rotation():
    for vector in ([0.0, 0, 0], [1e-9, 0, 0], [0.3, -2.0, 1.0], [np.pi, 0, 0]):
        expected, _ = cv2.Rodrigues(np.array(vector))
        np.testing.assert_allclose(rotation_matrix(np.array(vector)), expected, atol=1e-12)


def test_rotation_matrices_of_many_vectors_agree_with_opencv():
    vectors = np.random.default_rng(4).uniform(-2, 2, (2, 6, 3))
    vectors[0, :3] = [[0.0, 0, 0], [1e-9, 0, 0], [np.pi, 0, 0]]
    expected = [cv2.Rodrigues(vector)[0] for vector in vectors.reshape(-1, 3)]
    found = rotation_matrix(vectors)
    assert found.shape == (2, 6, 3, 3)
    np.testing.assert_allclose(found.reshape(-1, 3, 3), expected, atol=1e-12)
