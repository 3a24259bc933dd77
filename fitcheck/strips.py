"""Strips of a part's surface, resampled from the photograph.

An edge is looked for in a strip resampled on its own surface: the plane of the card that lies
there, less the card's thickness.

**Strip frame**, millimetres: ``along`` runs with the edge, ``outward`` square to it, away
from the part. Both lie in the surface.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from fitcheck import pixel_grid
from fitcheck.camera import Lens, Pose, pixels_to_card, project
from fitcheck.picture import Colours
from fitcheck.tone import linear_light

Array = NDArray[np.float64]

STEP_MM = 0.08  # across the edge
CLIPPED = 0.95  # linear light from which a side counts as over-exposed
NODES = (8, 5)  # of a strip's grid, along and across, see pixel_grid


@dataclass(frozen=True, eq=False)
class Surface:
    """A plane parallel to a card's printed face, ``depth_mm`` behind it."""

    lens: Lens
    pose: Pose
    depth_mm: float

    def to_pixels(self, points_mm: Array) -> Array:
        """Points of the surface in card x and y, mm, shape (n, 2), to pixels (n, 2)."""
        rotation = self.pose.card2cam
        foot_cam = self.pose.origin_cam + self.depth_mm * rotation[:, 2]
        return project(points_mm @ rotation[:, :2].T + foot_cam, self.lens)

    def from_pixels(self, pixels: Array) -> Array:
        """Pixels, shape (n, 2), to card x and y on the surface, mm, shape (n, 2)."""
        return pixels_to_card(pixels, self.lens, self.pose, self.depth_mm)[..., :2]


@dataclass(frozen=True, eq=False)
class StripFrame:
    """Where a strip lies on its surface: card x and y, mm and unit vectors, shape (2,)."""

    origin_mm: Array
    along: Array
    outward: Array

    def to_surface(self, along_mm: Array, outward_mm: Array) -> Array:
        """Strip coordinates, mm, broadcast to any shape (...), to card x and y, mm, (..., 2)."""
        return np.asarray(
            self.origin_mm
            + np.asarray(along_mm)[..., None] * self.along
            + np.asarray(outward_mm)[..., None] * self.outward
        )

    def from_surface(self, points_mm: Array) -> Array:
        """Card x and y, mm, shape (n, 2), to (along, outward), mm, shape (n, 2)."""
        moved = points_mm - self.origin_mm
        return np.stack([moved @ self.along, moved @ self.outward], axis=-1)


@dataclass(frozen=True)
class Line:
    """``outward = offset_mm + slope * (along - middle_mm)`` in a strip frame."""

    offset_mm: float
    slope: float
    middle_mm: float

    def at(self, along_mm: Array | float) -> Array:
        """Outward position at the given place(s) along the strip, mm, of the same shape."""
        return np.asarray(self.offset_mm + self.slope * (np.asarray(along_mm) - self.middle_mm))


@dataclass(frozen=True, eq=False)
class Strip:
    """Linear light (rows, samples, 3) resampled on a surface, and where it may be used."""

    along_mm: Array
    outward_mm: Array
    light: NDArray[np.float32]
    usable: NDArray[np.bool_]


def resample(
    picture: Colours,
    surface: Surface,
    frame: StripFrame,
    along_mm: tuple[float, float],
    outward_mm: tuple[float, float],
    along_step_mm: float,
    keep_out: list[Array],
    outward_step_mm: float = STEP_MM,
) -> Strip:
    """Sample the photograph in a strip of a surface.

    Parameters
    ----------
    picture
        The colours of the upright picture.
    surface, frame
        Where the strip lies.
    along_mm, outward_mm
        Its reach.
    along_step_mm, outward_step_mm
        Distance of samples.
    keep_out
        Convex outlines in pixels, shape (n, 2) each, of what covers the part: the cards.
    """
    along = np.arange(along_mm[0], along_mm[1], along_step_mm)
    outward = np.arange(outward_mm[0], outward_mm[1] + outward_step_mm / 2, outward_step_mm)
    first, second = (
        pixel_grid.spread_over(p, n) for p, n in zip((along, outward), NODES, strict=True)
    )
    points = frame.to_surface(first[:, None], second[None, :])
    x, y = pixel_grid.between(
        surface.to_pixels(points.reshape(-1, 2)).reshape(*points.shape[:2], 2),
        pixel_grid.weights(along, NODES[0]),
        pixel_grid.weights(outward, NODES[1]),
    )
    last = np.array(picture.shape[1::-1]) - 2
    lowest, highest = np.array([x.min(), y.min()]), np.array([x.max(), y.max()])
    usable = np.ones(x.shape, dtype=bool)
    if np.any(lowest < 1) or np.any(highest > last):
        usable = (x >= 1) & (x <= last[0]) & (y >= 1) & (y <= last[1])
    for outline in keep_out:
        if np.all((outline.max(axis=0) >= lowest) & (outline.min(axis=0) <= highest)):
            usable &= ~_inside_convex(x, y, outline)
    part, x, y = picture.window(x, y)
    light = cv2.remap(linear_light(part), x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return Strip(along, outward, np.asarray(light, dtype=np.float32), usable)


def block_means(strip: Strip, rows: int) -> tuple[Array, Array]:
    """Mean linear light of blocks of rows, (blocks, samples, 3), and their places along, mm.

    NaN where less than half is usable.
    """
    n = len(strip.along_mm) // rows
    shape = (n, rows, len(strip.outward_mm))
    usable = strip.usable[: n * rows].reshape(shape)
    light = strip.light[: n * rows].reshape(*shape, 3)
    along = strip.along_mm[: n * rows].reshape(n, rows).mean(axis=1)
    if usable.all():
        return light.mean(axis=1, dtype=np.float64), along
    count = usable.sum(axis=1)
    total = np.sum(light * usable[..., None], axis=1, dtype=np.float64)
    means = np.where(count[..., None] >= rows / 2, total / np.maximum(count, 1)[..., None], np.nan)
    return means, along


def colour(
    picture: Colours,
    surface: Surface,
    frame: StripFrame,
    along_mm: tuple[float, float],
    outward_mm: tuple[float, float],
    keep_out: list[Array],
) -> Array | None:
    """Median linear light of a strip, red, green and blue, shape (3,).

    None where too little of the strip can be seen, or its colour is clipped.
    """
    strip = resample(picture, surface, frame, along_mm, outward_mm, 0.3, keep_out)
    if np.count_nonzero(strip.usable) < 30:
        return None
    light = np.median(strip.light[strip.usable], axis=0)
    return None if np.max(light) > CLIPPED else np.asarray(light)


def blocks_beside(
    picture: Colours,
    surface: Surface,
    frame: StripFrame,
    line: Line,
    along_mm: tuple[float, float],
    outward_mm: tuple[float, float],
    block_mm: float,
    keep_out: list[Array],
) -> tuple[Array, Array, Array]:
    """Mean light of blocks of rows beside a line, for estimators of a view's own.

    Parameters
    ----------
    picture, surface, frame, keep_out
        As for :func:`resample`.
    line
        The line in the strip frame that the blocks are aligned with.
    along_mm
        The stretch, in the strip frame.
    outward_mm
        Reach across the line, from it; two samples a pixel.
    block_mm
        Length of a block along the line.

    Returns
    -------
    Linear light, shape (n, m, 3), of the blocks that can be seen whole; their places along
    the strip, (n,); and the samples' places outward of the line, (m,). Millimetres.
    """
    px_per_mm = px_per_mm_at(surface, frame, line)
    strip = resample(
        picture,
        surface,
        tilted(frame, line),
        (along_mm[0] - line.middle_mm, along_mm[1] - line.middle_mm),
        outward_mm,
        1.0 / px_per_mm,
        keep_out,
        outward_step_mm=0.5 / px_per_mm,
    )
    blocks, along = block_means(strip, max(1, round(block_mm * px_per_mm)))
    whole = ~np.isnan(blocks).any(axis=(1, 2))
    return blocks[whole], along[whole] + line.middle_mm, strip.outward_mm


def px_per_mm_at(surface: Surface, frame: StripFrame, line: Line) -> float:
    """Scale across a line at its middle, pixels per millimetre."""
    outward = line.offset_mm + np.array([0.0, 1.0])
    seen = surface.to_pixels(frame.to_surface(np.full(2, line.middle_mm), outward))
    return float(np.linalg.norm(seen[1] - seen[0]))


def tilted(frame: StripFrame, line: Line) -> StripFrame:
    """Return a frame with its origin on the line and its along axis on the line."""
    turn = np.arctan(line.slope)
    return StripFrame(
        frame.to_surface(np.asarray(line.middle_mm), np.asarray(line.offset_mm)),
        np.cos(turn) * frame.along + np.sin(turn) * frame.outward,
        np.cos(turn) * frame.outward - np.sin(turn) * frame.along,
    )


def _inside_convex(
    x: NDArray[np.float32], y: NDArray[np.float32], outline: Array
) -> NDArray[np.bool_]:
    """Tell which pixels, any shape, lie inside a convex outline, shape (n, 2)."""
    left, right = np.ones(x.shape, dtype=bool), np.ones(x.shape, dtype=bool)
    for a, b in zip(outline, np.roll(outline, -1, axis=0), strict=True):
        across, down = (a - b).astype(np.float32)
        turn = across * y - down * x
        level = across * a[1] - down * a[0]
        left &= turn <= level
        right &= turn >= level
    return left | right
