"""The camera model: where a point lands in the picture, and where a pixel's ray goes.

Pinhole with the Brown model's radial terms k1 and k2, applied to undistorted normalised
coordinates (Brown, "Close-range camera calibration", Photogrammetric Engineering 37, 1971).
Camera frame: x right, y down, z forward, millimetres. Pixels: (x, y), right and down,
centres at whole numbers.

Every function broadcasts over leading axes, so that one call serves one camera or the
many draws of a Monte Carlo.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import cv2
import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

LENS_PARAMETERS = 5  # focal length, k1, k2, principal point x and y
POSE_PARAMETERS = 6  # rotation vector, translation


class Lens(NamedTuple):
    """Focal length (px), radial coefficients, principal point (px). Floats, or arrays of draws."""

    focal_px: Array
    k1: Array
    k2: Array
    centre_x: Array
    centre_y: Array


@dataclass(frozen=True, eq=False)
class Pose:
    """Where a card stands: ``P_cam = card2cam @ P_card + origin_cam``.

    Attributes
    ----------
    card2cam
        Rotation, shape (..., 3, 3).
    origin_cam
        The card frame's origin in the camera frame, mm, shape (..., 3).
    """

    card2cam: Array
    origin_cam: Array


def lens_from(parameters: Array) -> Lens:
    """Return the lens held in the last axis of ``parameters``, shape (..., 5): px, no unit."""
    return Lens(*(parameters[..., i] for i in range(LENS_PARAMETERS)))


def pose_from(parameters: Array) -> Pose:
    """Return the pose held in the last axis of ``parameters``, shape (..., 6).

    The first three are a rotation vector (radians), the others the origin (mm).
    """
    return Pose(rotation_matrix(parameters[..., :3]), parameters[..., 3:6])


def rotation_matrix(rotation_vector: Array) -> Array:
    """Rodrigues' formula: rotation vectors, radians, shape (..., 3), to (..., 3, 3)."""
    if rotation_vector.ndim == 1:  # ten times as fast for one
        return np.asarray(cv2.Rodrigues(rotation_vector)[0], dtype=np.float64)
    x, y, z = np.moveaxis(rotation_vector, -1, 0)
    angle = np.sqrt(x**2 + y**2 + z**2)
    sine = np.sinc(angle / np.pi)  # over the angle
    cosine = np.sinc(angle / (2 * np.pi)) ** 2 / 2  # one less it, over the angle's square
    return np.stack(
        [
            1 - cosine * (y**2 + z**2),
            cosine * x * y - sine * z,
            cosine * x * z + sine * y,
            cosine * x * y + sine * z,
            1 - cosine * (x**2 + z**2),
            cosine * y * z - sine * x,
            cosine * x * z - sine * y,
            cosine * y * z + sine * x,
            1 - cosine * (x**2 + y**2),
        ],
        axis=-1,
    ).reshape(*x.shape, 3, 3)


def project(points_cam: Array, lens: Lens) -> Array:
    """Return where points land: camera frame, mm, shape (..., n, 3), to px (..., n, 2)."""
    normalised = points_cam[..., :2] / points_cam[..., 2:]
    radius2 = _squared(normalised)
    k1, k2 = lens.k1[..., None], lens.k2[..., None]
    factor = lens.focal_px[..., None] * (1 + radius2 * (k1 + radius2 * k2))
    centre = np.stack([lens.centre_x, lens.centre_y], axis=-1)[..., None, :]
    return np.asarray(factor[..., None] * normalised + centre)


def _squared(points: Array) -> Array:
    """Squared lengths of (..., 2): five times as fast as a sum over so short an axis."""
    return np.asarray(points[..., 0] ** 2 + points[..., 1] ** 2)


def card_to_pixels(points_mm: Array, lens: Lens, pose: Pose) -> Array:
    """Project points of the card frame, mm, shape (..., n, 3), to pixels (..., n, 2)."""
    points_cam = points_mm @ np.swapaxes(pose.card2cam, -1, -2) + pose.origin_cam[..., None, :]
    return project(points_cam, lens)


def rays(pixels: Array, lens: Lens) -> Array:
    """Return the directions of the rays through pixels: (..., n, 2) to (..., n, 3), z = 1.

    The distortion is inverted by fixed-point iteration, which contracts for any lens of a
    telephone; it stops when the largest step is under 1e-12.
    """
    centre = np.stack([lens.centre_x, lens.centre_y], axis=-1)[..., None, :]
    distorted = (pixels - centre) / lens.focal_px[..., None, None]
    k1, k2 = lens.k1[..., None], lens.k2[..., None]
    seen2 = _squared(distorted)
    furthest = np.sqrt(np.max(seen2, initial=0.0))
    shrunk = np.ones_like(seen2)
    for _ in range(60):
        radius2 = seen2 * shrunk**2
        improved = 1 / (1 + radius2 * (k1 + radius2 * k2))
        step = furthest * np.max(np.abs(improved - shrunk), initial=0.0)
        shrunk = improved
        if step < 1e-12:
            break
    undistorted = distorted * shrunk[..., None]
    return np.concatenate([undistorted, np.ones_like(undistorted[..., :1])], axis=-1)


def pixels_to_card(pixels: Array, lens: Lens, pose: Pose, depth_mm: Array | float) -> Array:
    """Where rays through pixels meet a plane parallel to the card.

    Parameters
    ----------
    pixels
        Shape (..., n, 2).
    lens, pose
        The camera and the card's pose.
    depth_mm
        How far the plane lies behind the printed face, mm: a card's thickness for the
        surface that it lies on. A scalar, or anything that broadcasts to (..., n).

    Returns
    -------
    Points in the card frame, mm, shape (..., n, 3); their z is ``depth_mm``.
    """
    direction = rays(pixels, lens) @ pose.card2cam
    camera = camera_in_card(pose)
    depth = np.asarray(depth_mm)
    reach = (depth - camera[..., None, 2]) / direction[..., 2]
    return np.asarray(camera[..., None, :] + reach[..., None] * direction)


def camera_in_card(pose: Pose) -> Array:
    """Return the camera's centre in the card frame, mm, shape (..., 3)."""
    return np.asarray(-np.einsum("...ij,...i->...j", pose.card2cam, pose.origin_cam))
