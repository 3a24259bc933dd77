"""What lies beside card B on the riser's side face, resampled: what the seam is looked for in.

**Strip frame**, millimetres: *along* card B's x axis, from its board's origin; *up* away from
the card, from the edge of its board, on whichever side the limb lies.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from fitcheck import pixel_grid
from fitcheck.cards import CARDS, MARGIN_MM
from fitcheck.picture import Colours
from fitcheck.strips import StripFrame, Surface
from fitcheck.tone import linear_light
from fitcheck.views.view import Scene

Array = NDArray[np.float64]
Singles = NDArray[np.float32]

CARD = "B"
BEYOND_CARD_MM = 75.0  # how far past the card's ends the seam's ends are looked for
FURTHEST_UP_MM = 30.0  # from the board's edge
ALONG_STEP_MM, UP_STEP_MM = 0.5, 0.08
SAMPLES = 4  # within a step along
AT_ONCE = 120  # rows
NODES = (12, 5)  # of the grid, along and up, see pixel_grid
SMOOTH_MM = 0.7  # along
SEARCH_SCALE_MM = 0.16
DARK_FLOOR = 0.03  # of the paper's light; keeps the logarithm of black finite
CLEAR_OF_CARD_MM = 0.35  # its cut edge, its thickness and its shadow


@dataclass(frozen=True, eq=False)
class Panorama:
    """Log light beside the card, (along, up, 3), and where it can be used.

    ``side`` is -1 over the card's upper edge, 1 under its lower one. ``change`` is how much
    the log light changes upward, (along, up): zero where that cannot be told. ``sums`` and
    ``counts`` are running sums up every row of what is usable, (along, up + 1, 3) and
    (along, up + 1).
    """

    side: float
    along_mm: Array
    up_mm: Array
    light: Singles
    usable: NDArray[np.bool_]
    change: Singles
    sums: Singles
    counts: NDArray[np.int16]

    def bands(self, up_mm: Array, reaches_mm: Array) -> tuple[Singles, NDArray[np.int16]]:
        """Mean log light of bands above a place in every row, and of how many samples.

        Places, mm, (along,), the bands' lower and upper ends from there, mm, (bands, 2); shapes
        (bands, along, 3) and (bands, along).
        """
        count = len(self.up_mm)
        first = up_mm + reaches_mm[:, :1]
        low = np.round((first - self.up_mm[0]) / UP_STEP_MM).astype(int)
        samples = np.round(np.diff(reaches_mm, axis=1) / UP_STEP_MM).astype(int)
        # Places in the running sums, all rows of which lie behind each other.
        row = (count + 1) * np.arange(len(self.along_mm))
        high = row + np.clip(low + samples + 1, 0, count)
        low = row + np.clip(low, 0, count)
        sums, counts = self.sums.reshape(-1, 3), self.counts.ravel()
        number = counts.take(high) - counts.take(low)
        total = sums.take(high, axis=0) - sums.take(low, axis=0)
        return total / np.maximum(number, 1)[..., None], number


def side_frame(scene: Scene, side: float) -> StripFrame:
    """Return the strip frame beside card B: over its upper edge (-1) or under its lower (1)."""
    scale = np.array(scene.setup.print_scale)
    edge = CARDS[CARD].board_mm[1] * scale[1] if side > 0 else 0.0
    return StripFrame(np.array([0.0, edge]), np.array([1.0, 0.0]), np.array([0.0, side]))


def look_beside(scene: Scene, surface: Surface, side: float) -> Panorama:
    """Resample what lies beside the card on the riser's side face."""
    length = CARDS[CARD].board_mm[0]
    frame = side_frame(scene, side)
    along = np.arange(-BEYOND_CARD_MM, length + BEYOND_CARD_MM, ALONG_STEP_MM)
    up = np.arange(MARGIN_MM - 0.4, FURTHEST_UP_MM, UP_STEP_MM)
    height, width = scene.picture.shape
    corners = np.array([[0, 0], [width, 0], [width, height], [0, height]], dtype=np.float64)
    shown = frame.from_surface(surface.from_pixels(corners))[:, 0]
    along = along[(along > shown.min()) & (along < shown.max())]
    light, usable = _light_at(scene.picture, surface, frame, along, up)
    # A card laid flat ends at its margin; its thickness and shadow reach a little further.
    beside_card = (along > -MARGIN_MM - 1) & (along < length + MARGIN_MM + 1)
    usable &= ~(beside_card[:, None] & (up < MARGIN_MM + CLEAR_OF_CARD_MM)[None, :])
    light += np.float32(DARK_FLOOR * scene.white)
    logarithm = np.asarray(cv2.log(light, dst=light), dtype=np.float32)
    # What a filter brings in from the card's own edge does not count.
    scale = SEARCH_SCALE_MM / UP_STEP_MM
    blind = _filtered((~usable).astype(np.float32), np.ones(1), _bell(scale)) > 0.02
    change = _changes_upward(logarithm, scale)
    change[blind] = 0.0
    sums, counts = _running(logarithm, usable)
    return Panorama(side, along, up, logarithm, usable, change, sums, counts)


def _changes_upward(logarithm: Singles, scale: float) -> Singles:
    """How much log light, (along, up, 3), changes upward, over so many samples: (along, up)."""
    along, up = _bell(SMOOTH_MM / ALONG_STEP_MM), _slope(_bell(scale), scale)
    squared = _filtered(logarithm, along, up)
    squared *= squared
    mean = cv2.transform(squared, np.full((1, 3), 1 / 3, dtype=np.float32))
    return np.asarray(cv2.sqrt(mean, dst=mean), dtype=np.float32)


def _running(logarithm: Singles, usable: NDArray[np.bool_]) -> tuple[Singles, NDArray[np.int16]]:
    """Running sums up every row of what is usable, and of how many places are.

    Of sums over rectangles, which OpenCV takes three times as fast as NumPy those of rows.
    """
    count, places = usable.shape
    sums = np.empty((count, places + 1, 3), dtype=np.float32)
    counts = np.empty((count, places + 1), dtype=np.int16)
    for rows in _few_rows(count):
        shown = usable[rows].view(np.uint8)
        for running, values in ((sums, cv2.copyTo(logarithm[rows], shown)), (counts, shown)):
            whole = cv2.integral(values)
            np.subtract(whole[1:], whole[:-1], out=running[rows], casting="unsafe")
    return sums, counts


def _few_rows(count: int) -> list[slice]:
    """So many rows, a few at a time: what is reckoned of them stays in the processor's cache."""
    return [slice(first, min(first + AT_ONCE, count)) for first in range(0, count, AT_ONCE)]


def _light_at(
    picture: Colours, surface: Surface, frame: StripFrame, along: Array, up: Array
) -> tuple[Singles, NDArray[np.bool_]]:
    """Linear light at the places of a grid, (along, up, 3), and which the picture shows."""
    # Every place is the mean of some over its step along.
    shifts = ALONG_STEP_MM * ((np.arange(SAMPLES) + 0.5) / SAMPLES - 0.5)
    fine = (along[:, None] + shifts).ravel()
    nodes = [pixel_grid.spread_over(p, n) for p, n in zip((fine, up), NODES, strict=True)]
    at_nodes = surface.to_pixels(
        frame.to_surface(nodes[0][:, None], nodes[1][None, :]).reshape(-1, 2)
    )
    on_fine = pixel_grid.weights(fine, NODES[0]).reshape(len(along), SAMPLES, -1)
    on_up = pixel_grid.weights(up, NODES[1])
    height, width = picture.shape
    light = np.zeros((len(along), len(up), 3), dtype=np.float32)
    usable = np.ones(light.shape[:2], dtype=bool)
    for rows in _few_rows(len(along)):
        x, y = pixel_grid.between(
            at_nodes.reshape(*NODES, 2), on_fine[rows].reshape(-1, NODES[0]), on_up
        )
        part, across, down = picture.window(x, y)
        seen = linear_light(np.asarray(cv2.remap(part, across, down, cv2.INTER_LINEAR), np.uint8))
        shape = (-1, SAMPLES, len(up))
        light[rows] = seen.reshape(*shape, 3).mean(axis=1)
        inside = (x >= 1) & (x <= width - 2) & (y >= 1) & (y <= height - 2)
        usable[rows] = inside.reshape(shape)[:, [0, -1]].all(axis=1)
    return light, usable


def _bell(scale: float) -> Array:
    """Weights of a Gaussian filter of this scale in samples, four of them to either side."""
    half = round(4 * scale)
    weights = np.exp(-0.5 * (np.arange(-half, half + 1) / scale) ** 2)
    return np.asarray(weights / weights.sum())


def _slope(bell: Array, scale: float) -> Array:
    """Weights of its derivative; a step of one gives one."""
    half = len(bell) // 2
    return np.asarray(bell * np.arange(-half, half + 1) / scale * np.sqrt(2 * np.pi))


def _filtered(values: Singles, along: Array, up: Array) -> Singles:
    """Values on the grid after one filter along and one up; at the rim they go on."""
    return np.asarray(
        cv2.sepFilter2D(values, -1, up, along, borderType=cv2.BORDER_REPLICATE), np.float32
    )
