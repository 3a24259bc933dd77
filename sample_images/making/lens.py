"""The camera: a lens with Brown's radial distortion, held somewhere and focused somewhere.

k1 and k2 apply to undistorted normalised coordinates (Brown, "Close-range camera
calibration", Photogrammetric Engineering 37, 1971). Camera frame: x right, y down, z forward.
Pixels are (x, y), right and down, centres at whole numbers.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

DIAGONAL_35MM = 43.266615  # of 36 × 24 mm; CIPA DCG-001 goes by the diagonal


@dataclass(frozen=True)
class Lens:
    """Picture size and focal length in pixels, distortion, principal point in pixels."""

    width: int
    height: int
    focal_px: float
    k1: float
    k2: float
    centre_px: tuple[float, float]


@dataclass(frozen=True, eq=False)
class Camera:
    """A lens, where it is held, and what it is focused on.

    Attributes
    ----------
    cam2world
        Rotation, shape (3, 3); its columns are the camera's right, down and forward.
    position
        Shape (3,), mm.
    aperture_radius_mm, focus_mm
        Radius of the lens opening; distance of the sharp plane along the axis.
    """

    lens: Lens
    cam2world: Array
    position: Array
    aperture_radius_mm: float = 0.0
    focus_mm: float = 1.0

    def project(self, points: Array) -> Array:
        """Return the pixels where points (..., 3) land, shape (..., 2)."""
        points_cam = (points - self.position) @ self.cam2world
        flat = points_cam[..., :2] / points_cam[..., 2:]
        r2 = np.sum(flat**2, axis=-1, keepdims=True)
        factor = 1 + self.lens.k1 * r2 + self.lens.k2 * r2**2
        return np.asarray(self.lens.focal_px * factor * flat + np.array(self.lens.centre_px))

    def depth(self, points: Array) -> Array:
        """Return how far ahead of the lens points (..., 3) are, along its axis, mm."""
        return np.asarray((points - self.position) @ self.cam2world[:, 2])


def lens_of(
    width: int,
    height: int,
    focal_35mm: float,
    k1: float = 0.0,
    k2: float = 0.0,
    off_centre: tuple[float, float] = (0.0, 0.0),
) -> Lens:
    """Return the lens for a 35 mm equivalent; ``off_centre`` is a share of the longer side."""
    focal_px = focal_35mm * np.hypot(width, height) / DIAGONAL_35MM
    longer = max(width, height)
    centre = ((width - 1) / 2 + off_centre[0] * longer, (height - 1) / 2 + off_centre[1] * longer)
    return Lens(width, height, float(focal_px), k1, k2, centre)


def looking(forward: Array, up: Array, roll_deg: float) -> Array:
    """Return cam2world for a viewing direction, what is up, and a roll of the telephone."""
    forward = forward / np.linalg.norm(forward)
    right = np.cross(forward, up)
    right /= np.linalg.norm(right)
    down = np.cross(forward, right)
    c, s = np.cos(np.radians(roll_deg)), np.sin(np.radians(roll_deg))
    return np.stack([c * right + s * down, c * down - s * right, forward], axis=1)


def framed(
    lens: Lens, cam2world: Array, points: Array, fill: float, shift: tuple[float, float] = (0, 0)
) -> Array:
    """Return the position from which points just fill a share of the frame.

    Parameters
    ----------
    points
        What is to be in the picture, shape (n, 3).
    fill
        Share of the half frame that the outermost point reaches, measured from the middle.
    shift
        Where the points' middle goes, as a share of the frame's width and height.
    """
    half = np.array([lens.width, lens.height]) / 2
    middle = (points.min(axis=0) + points.max(axis=0)) / 2
    low, high = 60.0, 5000.0
    position = middle
    for _ in range(40):
        away = (low + high) / 2
        aim = np.array([shift[0] * lens.width, shift[1] * lens.height]) / lens.focal_px * away
        position = middle - cam2world @ np.array([aim[0], aim[1], away])
        camera = Camera(lens, cam2world, position)
        if np.any(camera.depth(points) < 40):
            low = away
            continue
        reach = np.abs(camera.project(points) - np.array(lens.centre_px)) / half
        low, high = (away, high) if reach.max() > fill else (low, away)
    return np.asarray(position)
