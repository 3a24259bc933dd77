"""A photograph: fine where the bow and its cards are, coarse around them, then developed."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from sample_images.making.bench import Surroundings
from sample_images.making.cards import PlacedCard
from sample_images.making.lens import Camera
from sample_images.making.meshes import Mesh
from sample_images.making.phone import Phone, developed
from sample_images.making.shots import Shot
from sample_images.making.tracing import build, trace

Array = NDArray[np.float64]
Picture = NDArray[np.float32]

FEATHER_PX = 16


@dataclass(frozen=True)
class Effort:
    """How many rays a picture is worth.

    Attributes
    ----------
    grid
        Rays go through ``grid * grid`` cells of every pixel at the bow.
    edge_grid
        As many more where the light changes from pixel to pixel.
    coarse, coarse_grid
        Around the bow one pixel stands for ``coarse * coarse``.
    depth
        Longest path, see :func:`tracing.trace`.
    """

    grid: int = 2
    edge_grid: int = 2
    coarse: int = 4
    coarse_grid: int = 3
    depth: int = 3


def fine_region(
    camera: Camera, meshes: list[Mesh], widen_px: int, along: tuple[float, float]
) -> NDArray[np.bool_]:
    """Return the pixels on or near meshes between two places along y: (height, width)."""
    lens = camera.lens
    mask = np.zeros((lens.height, lens.width), dtype=np.uint8)
    for mesh in meshes:
        triangles = mesh.vertices[mesh.faces]
        ahead = (camera.depth(triangles) > 30).all(axis=1)
        low, high = triangles[..., 1].min(axis=1), triangles[..., 1].max(axis=1)
        px = camera.project(triangles[ahead & (high > along[0]) & (low < along[1])])
        px = np.clip(px, -20000, 20000)
        for triangle in np.round(px).astype(np.int32):
            cv2.fillConvexPoly(mask, triangle, 255)
    size = 2 * widen_px + 1
    return np.asarray(cv2.dilate(mask, np.ones((size, size), np.uint8)) > 0)


def light_of(
    scene: Any, camera: Camera, fine: NDArray[np.bool_], effort: Effort, seed: int
) -> Picture:
    """Trace a whole picture in linear light, shape (height, width, 3)."""
    lens = camera.lens
    coarse = effort.coarse
    rows, columns = -(-lens.height // coarse), -(-lens.width // coarse)
    y, x = np.mgrid[:rows, :columns] * float(coarse) + (coarse - 1) / 2
    pixels = np.stack([x.ravel(), y.ravel()], axis=-1)
    around = trace(
        scene, camera, pixels, float(coarse), effort.coarse_grid, effort.depth, seed
    ).reshape(rows, columns, 3)
    if coarse > 1:
        around = _calmed(np.asarray(cv2.medianBlur(around, 5), np.float32), 3.0, 11)
        big = cv2.resize(around, (columns * coarse, rows * coarse), interpolation=cv2.INTER_CUBIC)
        around = np.asarray(big[: lens.height, : lens.width], dtype=np.float32)
    at = np.argwhere(fine)
    if not len(at):
        return np.asarray(around)
    drawn = around.copy()
    drawn[fine] = trace(scene, camera, _xy(at), 1.0, effort.grid, effort.depth, seed + 7)
    if effort.edge_grid:
        edges = fine & _changing(drawn)
        more = trace(
            scene, camera, _xy(np.argwhere(edges)), 1.0, effort.edge_grid, effort.depth, seed + 9
        )
        first, then = effort.grid**2, effort.edge_grid**2
        drawn[edges] = (drawn[edges] * first + more * then) / (first + then)
    rows_in, columns_in = (slice(at[:, i].min(), at[:, i].max() + 1) for i in (0, 1))
    drawn[rows_in, columns_in] = _calmed(drawn[rows_in, columns_in])
    inside = cv2.distanceTransform(fine.astype(np.uint8), cv2.DIST_L2, 3)
    share = np.clip(inside / FEATHER_PX, 0, 1)[..., None].astype(np.float32)
    return np.asarray(drawn * share + around * (1 - share))


def _xy(rows_columns: NDArray[np.int64]) -> Array:
    return rows_columns[:, ::-1].astype(np.float64)


def _calmed(light: Picture, reach: float = 1.3, window: int = 5) -> Picture:
    """Take the few rays' noise out of even places; what is lighter or darker stays apart.

    Telephones do the same to their own noise. The filter is symmetric and moves no edge.
    """
    floor = 0.1 * float(light.mean())  # in the dark a difference counts for less
    tone = np.log(light + floor)
    # Immerkær, "Fast noise variance estimation", CVIU 64, 1996: this mask sees no slopes.
    mask = np.array([[1, -2, 1], [-2, 4, -2], [1, -2, 1]], dtype=np.float32)
    noise = float(np.median(np.abs(cv2.filter2D(tone, -1, mask)))) / 6 / 0.6745
    calm = cv2.bilateralFilter(tone, window, min(max(5 * noise, 0.05), 0.8), reach)
    return np.asarray(np.maximum(np.exp(calm) - floor, 0))


def _changing(light: Picture) -> NDArray[np.bool_]:
    """Pixels at which the light changes by more than noise does."""
    level = np.sqrt(np.maximum(light.mean(axis=-1), 0))
    smooth = cv2.GaussianBlur(level, (0, 0), 0.7)
    box = np.ones((3, 3), np.uint8)
    span = cv2.dilate(smooth, box) - cv2.erode(smooth, box)
    return np.asarray(span > 0.22 * cv2.blur(level, (9, 9)) + 0.01)


def exposed(
    light: Picture, camera: Camera, cards: list[PlacedCard], white: float, brightest: float
) -> Picture:
    """Expose as a telephone does: for the cards, unless the rest would be burnt out.

    The brightest card's paper comes out at ``white``, or lower if a tenth of the picture
    would then be brighter than ``brightest``; 1 is as bright as a file can say.
    """
    found = []
    for card in cards:
        for where in ((-1.0, 4.0), (60.0, -1.0), (121.0, 20.0)):
            x, y = np.round(camera.project(card.points(np.array(where)))).astype(int)
            if 3 <= x < light.shape[1] - 3 and 3 <= y < light.shape[0] - 3:
                found.append(np.median(light[y - 2 : y + 3, x - 2 : x + 3].mean(axis=-1)))
    level = np.max(found) if found else np.quantile(light, 0.95)
    rest = np.quantile(light[::8, ::8].mean(axis=-1), 0.9)
    return np.asarray(light * min(white / level, brightest / rest), dtype=np.float32)


def taken(
    shot: Shot,
    around: Surroundings,
    phone: Phone,
    white: float,
    brightest: float,
    effort: Effort,
    seed: int,
    rng: np.random.Generator,
) -> NDArray[np.uint8]:
    """Take a photograph: trace the scene, expose and develop; 8 bit RGB, upright."""
    scene = build(shot.things + around.things, around.lamps, around.room)
    widen = max(24, shot.camera.lens.width // 60)
    fine = fine_region(shot.camera, shot.matter, widen, shot.fine_along)
    light = light_of(scene, shot.camera, fine, effort, seed)
    return developed(exposed(light, shot.camera, shot.cards, white, brightest), phone, rng)
