"""What lies beside card B on the riser's side face, resampled: what the seam is looked for in.

**Strip frame**, millimetres: *along* card B's x axis, from its board's origin; *up* away from
the card, from the edge of its board, on whichever side the limb lies.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

from fitcheck import pixel_grid
from fitcheck.cards import CARDS, MARGIN_MM
from fitcheck.strips import StripFrame, Surface
from fitcheck.tone import linear_light
from fitcheck.views.view import Scene

Array = NDArray[np.float64]

CARD = "B"
BEYOND_CARD_MM = 75.0  # how far past the card's ends the seam's ends are looked for
FURTHEST_UP_MM = 30.0  # from the board's edge
ALONG_STEP_MM, UP_STEP_MM = 0.5, 0.08
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
    light: Array
    usable: NDArray[np.bool_]
    change: Array
    sums: Array
    counts: NDArray[np.int_]

    def bands(self, up_mm: Array, reaches_mm: Array) -> tuple[Array, NDArray[np.int_]]:
        """Mean log light of bands above a place in every row, and of how many samples.

        Places of shape (along,), the bands' lower and upper ends from there, (bands, 2); shapes
        (bands, along, 3) and (bands, along).
        """
        count = len(self.up_mm)
        first = up_mm + reaches_mm[:, :1]
        low = np.round((first - self.up_mm[0]) / UP_STEP_MM).astype(int)
        samples = np.round(np.diff(reaches_mm, axis=1) / UP_STEP_MM).astype(int)
        high = np.clip(low + samples + 1, 0, count)
        low = np.clip(low, 0, count)
        rows = np.arange(len(self.along_mm))
        number = self.counts[rows, high] - self.counts[rows, low]
        total = self.sums[rows, high] - self.sums[rows, low]
        return total / np.maximum(number, 1)[..., None], number


def side_frame(scene: Scene, side: float) -> StripFrame:
    """Return the strip frame beside card B: over its upper edge (-1) or under its lower (1)."""
    scale = np.array(scene.setup.print_scale)
    edge = CARDS[CARD].board_mm[1] * scale[1] if side > 0 else 0.0
    return StripFrame(np.array([0.0, edge]), np.array([1.0, 0.0]), np.array([0.0, side]))


def look_beside(scene: Scene, surface: Surface, side: float) -> Panorama:
    """Resample what lies beside the card on the riser's side face."""
    length = CARDS[CARD].board_mm[0]
    along = np.arange(-BEYOND_CARD_MM, length + BEYOND_CARD_MM, ALONG_STEP_MM)
    up = np.arange(MARGIN_MM - 0.4, FURTHEST_UP_MM, UP_STEP_MM)
    frame = side_frame(scene, side)
    height, width = scene.picture.shape[:2]
    first, second = (
        pixel_grid.spread_over(places, count)
        for places, count in zip((along, up), NODES, strict=True)
    )
    at_nodes = surface.to_pixels(frame.to_surface(first[:, None], second[None, :]).reshape(-1, 2))
    x, y = pixel_grid.between(
        at_nodes.reshape(*NODES, 2),
        pixel_grid.weights(along, NODES[0]),
        pixel_grid.weights(up, NODES[1]),
    )
    step_x, step_y = np.gradient(x, axis=0), np.gradient(y, axis=0)
    longest_px = max(np.abs(step_x).max(), np.abs(step_y).max())
    part, left, top = pixel_grid.window(scene.picture, x, y, 2 + int(longest_px))
    light = np.zeros((len(along), len(up), 3), dtype=np.float32)
    shifts = np.array([-0.375, -0.125, 0.125, 0.375], dtype=np.float32)
    for shift in shifts:
        at_x, at_y = x + shift * step_x - left, y + shift * step_y - top
        seen = cv2.remap(part, at_x, at_y, cv2.INTER_LINEAR)
        light += linear_light(np.asarray(seen, dtype=np.uint8))
    light /= len(shifts)
    usable = (x >= 1) & (x <= width - 2) & (y >= 1) & (y <= height - 2)
    # A card laid flat ends at its margin; its thickness and shadow reach a little further.
    beside_card = (along > -MARGIN_MM - 1) & (along < length + MARGIN_MM + 1)
    usable &= ~(beside_card[:, None] & (up < MARGIN_MM + CLEAR_OF_CARD_MM)[None, :])
    logarithm = np.log(light + DARK_FLOOR * scene.white, dtype=np.float64)
    smooth = gaussian_filter1d(logarithm, SMOOTH_MM / ALONG_STEP_MM, axis=0, mode="nearest")
    scale = SEARCH_SCALE_MM / UP_STEP_MM
    slope = gaussian_filter1d(smooth, scale, axis=1, order=1) * scale * np.sqrt(2 * np.pi)
    # What a filter brings in from the card's own edge does not count.
    hidden = (~usable).astype(np.float64)
    blind = gaussian_filter1d(hidden, scale, axis=1, mode="nearest") > 0.02
    change = np.where(blind, 0.0, np.linalg.norm(slope, axis=-1) / np.sqrt(3))
    start = np.zeros((len(along), 1, 3))
    sums = np.concatenate([start, np.cumsum(logarithm * usable[..., None], axis=1)], axis=1)
    counts = np.pad(np.cumsum(usable, axis=1), ((0, 0), (1, 0)))
    return Panorama(side, along, up, logarithm, usable, change, sums, counts)
