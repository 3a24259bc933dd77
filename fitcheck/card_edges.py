"""The chequer's edges, measured along their whole length.

A card has 28 corners but three times as many square sides, and they reach to the card's
border: on a strip three squares high that triples the leverage on the card's tilt, which is
what a strip tells worst. Each side gives one number, the distance along its normal between
where the pose puts it and where the light steps, averaged over the side and fitted as a
blurred step on linear light. The white gap to the marker beside it is part of the fit.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray

from fitcheck import pixel_grid
from fitcheck.bundle import Observations
from fitcheck.camera import Lens, Pose, card_to_pixels
from fitcheck.cards import MARGIN_MM, Card
from fitcheck.step_fit import CEILING, StepFit, fit_steps
from fitcheck.tone import linear_light

Array = NDArray[np.float64]

MARKER_MODULES = 7  # a 5 × 5 marker with its border
INSIDE_MM = 1.6  # how far a profile reaches into the black square
LARGEST_MISFIT = 0.2  # of the step's height; beyond it something lies over the edge
SMALLEST_RISE = 0.03  # of full linear light; paper against ink is ten times that
SAMPLES_PER_PX = 1.5
NODES = 4  # of a side's grid in each direction, see pixel_grid
SIDES_AT_ONCE = 16  # neighbours, read out of one part of the picture
GLARE_INK_SHARE = 0.25  # of the paper's light, above the card's median


@dataclass(frozen=True, eq=False)
class Sides:
    """Sides of a card's black squares: midpoints and outward normals, card frame.

    ``middles_mm`` and ``normals`` have shape (n, 2). ``gap_mm`` is the white beside the
    side, up to the next marker or, at the border, the margin; ``marker_beside`` tells which.
    """

    middles_mm: Array
    normals: Array
    gap_mm: Array
    marker_beside: NDArray[np.bool_]

    def only(self, chosen: NDArray[np.bool_]) -> Sides:
        """Some of the sides, as a mask of shape (n,) tells."""
        return Sides(
            self.middles_mm[chosen],
            self.normals[chosen],
            self.gap_mm[chosen],
            self.marker_beside[chosen],
        )


@dataclass(frozen=True, eq=False)
class CardEdges:
    """What was measured of one card's edges.

    Attributes
    ----------
    observations
        One per measured side, for the adjustment.
    blur_px
        Median blur (standard deviation) across the sides, pixels.
    rise
        Median step of linear light from ink to paper, 0 to 1.
    white
        Median linear light of the paper; above 1 where it is clipped.
    sides
        How many sides lie in the picture.
    glare_share
        Share of them beside which the ink is much lighter, against the paper, than on the
        rest of the card: a reflection lies there.
    """

    observations: Observations
    blur_px: float
    rise: float
    white: float
    sides: int
    glare_share: float = 0.0


@lru_cache
def sides_of(card: Card) -> Sides:
    """Return all sides of the card's black squares."""
    columns, rows, square = card.squares_x, card.squares_y, card.square_mm
    marker_gap = (square - card.marker_mm) / 2
    middles, normals, gaps, beside = [], [], [], []
    for column in range(columns):
        for row in range(rows):
            if (column + row) % 2:
                continue  # a white square: its marker is the neighbour's gap
            for dx, dy in ((1, 0), (-1, 0), (0, 1), (0, -1)):
                on_board = 0 <= column + dx < columns and 0 <= row + dy < rows
                middles.append(((column + 0.5 + dx / 2) * square, (row + 0.5 + dy / 2) * square))
                normals.append((dx, dy))
                gaps.append(marker_gap if on_board else MARGIN_MM)
                beside.append(on_board)
    return Sides(
        np.array(middles), np.array(normals, dtype=np.float64), np.array(gaps), np.array(beside)
    )


def measure_card_edges(
    grey: NDArray[np.uint8],
    card: Card,
    lens: Lens,
    pose: Pose,
    print_scale: tuple[float, float] = (1.0, 1.0),
    blur_px: float = 1.2,
) -> CardEdges:
    """Measure the sides of a card's black squares.

    Parameters
    ----------
    grey
        Picture, shape (height, width), dtype uint8.
    card
        The card.
    lens, pose
        Camera and pose, good to about a pixel.
    print_scale
        True size over nominal size, along and down the card.
    blur_px
        First guess of the blur's standard deviation, pixels.

    Returns
    -------
    The measured sides; those outside the picture or covered are left out.
    """

    def on_card(points: Array) -> Array:
        return printed_points(points, print_scale)

    sides = sides_of(card)
    px_per_mm = _px_per_mm(card, lens, pose)
    marker_gap = (card.square_mm - card.marker_mm) / 2
    module = card.marker_mm / MARKER_MODULES

    reach_along = card.square_mm / 2 - marker_gap - 0.1  # beside the marker, clear of corners
    along = np.linspace(-reach_along, reach_along, max(8, int(2 * reach_along * px_per_mm)))
    # Short of the marker's cells, whose white would leak in by the blur.
    blur_mm = blur_px / px_per_mm
    last = float(
        np.clip(marker_gap + module - 3 * blur_mm, 0.6 * marker_gap, marker_gap + module / 2)
    )
    first = -INSIDE_MM
    across = np.linspace(first, last, max(14, int((last - first) * px_per_mm * SAMPLES_PER_PX)))

    tangents = sides.normals[:, ::-1]
    points = (
        sides.middles_mm[:, None, None, :]
        + pixel_grid.spread_over(along, NODES)[None, :, None, None] * tangents[:, None, None, :]
        + pixel_grid.spread_over(across, NODES)[None, None, :, None]
        * sides.normals[:, None, None, :]
    )
    pixels = card_to_pixels(on_card(points.reshape(-1, 2)), lens, pose)
    pixels = pixels.reshape(-1, NODES, NODES, 2)
    height, width = grey.shape
    visible = np.all((pixels >= 1) & (pixels <= [width - 2, height - 2]), axis=(1, 2, 3))
    sides = sides.only(visible)
    profiles = np.zeros((0, len(across)))
    if visible.any():
        x, y = pixel_grid.between(
            pixels[visible], pixel_grid.weights(along, NODES), pixel_grid.weights(across, NODES)
        )
        profiles = _profiles(grey, x, y)

    fits = _fit_sides(across, profiles, blur_mm, sides, marker_gap)
    glare = _glare(fits)
    good = np.isfinite(fits.offset_sd) & ~glare
    good &= (fits.misfit < LARGEST_MISFIT) & (fits.rise > SMALLEST_RISE)

    middles, outward = sides.middles_mm[good], sides.normals[good]
    seen_px = card_to_pixels(on_card(middles + fits.offset[good, None] * outward), lens, pose)
    stepped_px = card_to_pixels(on_card(middles + 0.01 * outward), lens, pose)
    normals_px = stepped_px - card_to_pixels(on_card(middles), lens, pose)
    normals_px /= np.linalg.norm(normals_px, axis=1, keepdims=True)
    return CardEdges(
        Observations(
            on_card(middles),
            seen_px,
            normals_px,
            np.stack([np.ones(len(middles)), ~sides.marker_beside[good]], axis=1),
        ),
        blur_px=float(np.median(fits.blur[good]) * px_per_mm) if good.any() else float("nan"),
        rise=float(np.median(fits.rise[good])) if good.any() else float("nan"),
        white=float(np.median((fits.level + fits.rise)[good])) if good.any() else float("nan"),
        sides=len(glare),
        glare_share=float(np.mean(glare)) if len(glare) else 0.0,
    )


def _glare(fits: StepFit) -> NDArray[np.bool_]:
    """Which sides lie under a reflection: it adds as much light to ink as to paper."""
    ink = np.maximum(fits.level, 0.0)
    share = ink / np.maximum(ink + np.maximum(fits.rise, 0.0), 1e-6)
    usual = float(np.median(share))
    # A reflection may fill the paper too and leave no step at all.
    return np.asarray(share > usual + GLARE_INK_SHARE)


def _fit_sides(
    across: Array, profiles: Array, blur_mm: float, sides: Sides, marker_gap: float
) -> StepFit:
    """Fit all sides; on an over-exposed card, all with one and the same rise.

    Where the paper clips, a lone step cannot tell a high rise from a shifted edge. A gap of
    known width can, so the sides that have one lend their median rise to all.
    """
    reach = 0.9 * marker_gap
    band = np.where(sides.marker_beside, marker_gap, np.inf)
    fits = fit_steps(across, profiles, blur_mm, band=band, reach=reach)
    rise = float(np.median(fits.rise[sides.marker_beside]))
    if np.median(fits.level) + rise < CEILING:
        return fits
    blur_mm = float(np.median(fits.blur[sides.marker_beside]))
    return fit_steps(across, profiles, blur_mm, band=band, reach=reach, rise=rise)


def _px_per_mm(card: Card, lens: Lens, pose: Pose) -> float:
    """Smallest scale at the card's middle, pixels per millimetre."""
    middle = np.array(card.board_mm) / 2
    points = printed_points(middle + np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 1.0]]), (1.0, 1.0))
    seen = card_to_pixels(points, lens, pose)
    return float(np.min(np.linalg.norm(seen[1:] - seen[0], axis=1)))


def printed_points(points_mm: Array, print_scale: tuple[float, float]) -> Array:
    """Where points of a card's design, mm, shape (n, 2), lie on the print, shape (n, 3)."""
    return np.concatenate([points_mm * print_scale, np.zeros((len(points_mm), 1))], axis=1)


def _profiles(grey: NDArray[np.uint8], x: NDArray[np.float32], y: NDArray[np.float32]) -> Array:
    """Linear light at pixels inside the picture, (n, along, m), averaged along: shape (n, m)."""
    means = []
    for first in range(0, len(x), SIDES_AT_ONCE):
        some = slice(first, first + SIDES_AT_ONCE)
        part, across, down = pixel_grid.window(grey, x[some], y[some], 1)
        samples = across.shape[-1]
        light = cv2.remap(
            linear_light(part),
            across.reshape(-1, samples),
            down.reshape(-1, samples),
            cv2.INTER_LINEAR,
        )
        means.append(light.reshape(across.shape).mean(axis=1, dtype=np.float64))
    return np.concatenate(means)
