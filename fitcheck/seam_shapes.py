"""How light lies across a seam for given edges, but for how bright everything is.

What is known of it stands in :mod:`fitcheck.seam`. Every profile is a sum of shapes: of a block's
own five levels, the pad's inner face, what is seen through, the limb's inner face, the pad's side
and the limb's side, then of either side's texture at its knots.

**Strip frame**, millimetres: *along* the seam, and *up* from the pad into the limb.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

Array = NDArray[np.float64]

# Parameters of the search; the first four are the edges.
PAD_A, PAD_B, OPEN_A, OPEN_B, STRIP, BLUR, ROUND_PAD, ROUND_LIMB = range(8)
EDGES = 4
LOGARITHMS = [BLUR, ROUND_PAD, ROUND_LIMB]

KNOT_MM = 0.12  # between the knots of a side's texture
# Far edges of the opening are out of focus by the lens's opening, about 2.5 mm on a
# telephone (f/1.8 at 4.5 to 6 mm; from memory). A disc's standard deviation is a quarter of it.
APERTURE_MM = 2.5
CELLS = 6  # of the opening, between which its light may change
# An arris that turns into a seam loses light by its cosine, and once more because the other
# part hides the room from it: cos². Its light is the mean of four steps, where that passes
# 7/8, 5/8, 3/8 and 1/8.
ARRIS_STEPS = np.sqrt(1 - np.array([0.875, 0.625, 0.375, 0.125]))
STEPS = len(ARRIS_STEPS)
LEVELS = 5  # of a block

# Places across a block: between the cells, then the steps of the pad's arris and the limb's.
PLACES = CELLS - 1 + 2 * STEPS
AT_PAD, AT_LIMB = slice(CELLS - 1, CELLS - 1 + STEPS), slice(CELLS - 1 + STEPS, PLACES)


def _weights_of_places() -> Array:
    """What is past every place, in what lies in each cell, past the pad and on the limb."""
    past = np.zeros((PLACES, CELLS + 1))  # past the pad, between the cells, past the limb
    past[AT_PAD, 0] = past[AT_LIMB, CELLS] = 1 / STEPS
    past[: CELLS - 1, 1:CELLS] = np.eye(CELLS - 1)
    return np.concatenate([-np.diff(past, axis=1), past[:, :1], past[:, -1:]], axis=1)


def _weights_of_moves() -> Array:
    """The same where pad, opening, blur and the two rounds grow, (2 places, 5 (cells + 2)).

    Of how steep the light is at the places, then of that times how far they are, in blurs.
    """
    moves = np.zeros((5, 2, PLACES))
    moves[0, 0] = 1.0
    moves[1, 0, : CELLS - 1] = np.arange(1, CELLS) / CELLS
    moves[1, 0, AT_LIMB] = 1.0
    moves[2, 1] = 1.0
    moves[3, 0, AT_PAD] = -(1 - ARRIS_STEPS)
    moves[4, 0, AT_LIMB] = 1 - ARRIS_STEPS
    flat = moves.reshape(5, -1, 1) * np.concatenate([OF_PLACES, OF_PLACES])
    return np.concatenate(list(flat), axis=1)


OF_PLACES = _weights_of_places()
OF_MOVES = _weights_of_moves()


@dataclass(frozen=True)
class Sight:
    """How the camera looks into the opening.

    Attributes
    ----------
    strip_mm
        Height of the pad's inner face as it is seen above the pad's edge; negative where the
        camera lies below the pad and the pad's inner face is hidden.
    strip_sd_mm
        Its standard uncertainty.
    far_share
        How much smaller far things are seen than near ones: depth of the parts over the
        distance of their far sides from the camera.
    """

    strip_mm: float
    strip_sd_mm: float
    far_share: float


@dataclass(frozen=True, eq=False)
class Shapes:
    """The shapes for g guesses of the parameters, and what their derivatives need.

    ``all`` is what the levels multiply, (g, n, m, k). The others are: places away from the edges
    in blurs, (g, n, m, places); what lies in the cells, (g, n, m, cells); past the pad and on the
    limb, (g, n, m, 1); which light a cell shows, (g, n, cells, 3), and where its far edges lie,
    in their blurs, (g, n, cells); distances into the sides and the texture's hats there.
    """

    thetas: Array
    all: Array
    away: Array
    cells: Array
    past_pad: Array
    on_limb: Array
    seen: Array
    below: Array
    above: Array
    inward: tuple[Array, Array]
    hats: tuple[Array, Array]


class Across:
    """The places of all samples, for which shapes are wanted.

    Parameters
    ----------
    up_mm
        Places across the seam, shape (m,).
    share
        Places of the blocks between the seam's two ends, shape (n,).
    sight
        How the camera looks into the opening.
    """

    def __init__(self, up_mm: Array, share: Array, sight: Sight) -> None:
        self.up, self.share = up_mm, share
        self.knots_pad = np.arange(int(-up_mm[0] / KNOT_MM) + 2)
        self.knots_limb = np.arange(int(up_mm[-1] / KNOT_MM) + 2)
        self.far_blur = APERTURE_MM / 4 * sight.far_share
        self.far_share = sight.far_share

    def shapes(self, thetas: Array) -> Shapes:
        """Return the shapes for guesses of the parameters, (g, 8): millimetres and logarithms."""
        pad_a, pad_b, open_a, open_b, strip, blur, round_pad, round_limb = (
            one[:, None] for one in thetas.T
        )
        pad = pad_a + (pad_b - pad_a) * self.share
        gap = open_a + (open_b - open_a) * self.share
        limb = pad + gap
        places = np.concatenate(
            [
                pad[..., None] + gap[..., None] * (np.arange(1, CELLS) / CELLS),
                pad[..., None] - np.exp(round_pad)[..., None] * (1 - ARRIS_STEPS),
                limb[..., None] + np.exp(round_limb)[..., None] * (1 - ARRIS_STEPS),
            ],
            axis=-1,
        )
        # Guesses, blocks, samples across, places.
        away = (self.up[:, None] - places[:, :, None, :]) * np.exp(-blur)[..., None, None]
        past = _times(ndtr(away), OF_PLACES)
        cells, past_pad, on_limb = past[..., :CELLS], past[..., CELLS, None], past[..., -1:]
        on_pad = 1 - past_pad

        # The opening's cells; where the far edges are seen in it, out of focus.
        shares = (np.arange(CELLS) + 0.5) / CELLS
        below = (gap[..., None] * shares - strip[..., None]) / self.far_blur
        above = below - (gap * (1 - self.far_share))[..., None] / self.far_blur
        past_low, past_high = ndtr(below), ndtr(above)
        seen = np.stack([1 - past_low, past_low - past_high, past_high], axis=-1)
        inward = pad[..., None] - self.up, self.up - limb[..., None]
        hats = _hats(inward[0], self.knots_pad), _hats(inward[1], self.knots_limb)
        together = np.concatenate(
            [cells @ seen, on_pad, on_limb, hats[0] * on_pad, hats[1] * on_limb], axis=-1
        )
        return Shapes(
            thetas, together, away, cells, past_pad, on_limb, seen, below, above, inward, hats
        )

    def moved(self, shapes: Shapes, levels: Array) -> Array:
        """Derivatives of the light by the parameters.

        Parameters
        ----------
        shapes
            For g guesses.
        levels
            By block and colour, times their scales, shape (g, n, k, colours).

        Returns
        -------
        Shape (g, n, m, colours, 8).
        """
        sigma, round_pad, round_limb = np.exp(shapes.thetas[:, LOGARITHMS]).T
        density = np.exp(-0.5 * shapes.away**2) * (-1 / np.sqrt(2 * np.pi))
        both = np.concatenate([density, density * shapes.away], axis=-1)
        # Of pad, opening, blur and the two rounds: the parameters grow millimetres by so much.
        moves = _times(both, OF_MOVES).reshape(*both.shape[:-1], 5, CELLS + 2)
        one = np.ones_like(sigma)
        grow = np.stack([one, one, sigma, round_pad, round_limb], axis=-1) / sigma[:, None]
        moves *= grow[:, None, None, :, None]

        # The light itself: in the opening by cells, and of either side, with its slope.
        first = LEVELS + len(self.knots_pad)
        opening = levels[:, :, :3]
        inside = shapes.seen @ opening
        pad, limb = (levels[:, :, k : k + 1] for k in (3, 4))
        textures = levels[:, :, LEVELS:first], levels[:, :, first:]
        pad = pad + shapes.hats[0] @ textures[0]
        limb = limb + shapes.hats[1] @ textures[1]
        turned_pad = (1 - shapes.past_pad) * (
            _hat_slopes(shapes.inward[0], self.knots_pad) @ textures[0]
        )
        turned_limb = shapes.on_limb * (
            _hat_slopes(shapes.inward[1], self.knots_limb) @ textures[1]
        )
        g, n, m = moves.shape[:3]
        in_cells = moves[..., :CELLS].reshape(g, n, 5 * m, CELLS) @ inside
        by = in_cells.reshape(g, n, m, 5, -1)
        by -= moves[..., CELLS, None] * pad[:, :, :, None]
        by += moves[..., CELLS + 1, None] * limb[:, :, :, None]
        by_pad, by_gap, by_blur, by_round_pad, by_round_limb = np.moveaxis(by, 3, 0)

        # In the opening the far edges move with it; only its width and the strip count.
        low, high = (
            np.exp(-0.5 * one**2) / (np.sqrt(2 * np.pi) * self.far_blur)
            for one in (shapes.below, shapes.above)
        )
        shares = (np.arange(CELLS) + 0.5) / CELLS

        def of_cells(low: Array, high: Array) -> Array:
            return shapes.cells @ (np.stack([-low, low - high, high], axis=-1) @ opening)

        by_gap += of_cells(low * shares, high * (shares - 1 + self.far_share)) - turned_limb
        by_pad += turned_pad - turned_limb
        far = self.share[:, None, None]
        return np.stack(
            [
                by_pad * (1 - far),
                by_pad * far,
                by_gap * (1 - far),
                by_gap * far,
                of_cells(-low, -high),
                by_blur,
                by_round_pad,
                by_round_limb,
            ],
            axis=-1,
        )


def _times(values: Array, weights: Array) -> Array:
    """Weights, (k, l), of the last axis of values, (..., k): one product of two matrices."""
    flat = values.reshape(-1, values.shape[-1]) @ weights
    return flat.reshape(*values.shape[:-1], -1)


def _hats(inward: Array, knots: NDArray[np.int_]) -> Array:
    """Hat functions of the distance into a side, (..., knots); first and last go on."""
    at = np.clip(inward / KNOT_MM, 0, knots[-1])
    return np.asarray(np.maximum(1 - np.abs(at[..., None] - knots), 0.0))


def _hat_slopes(inward: Array, knots: NDArray[np.int_]) -> Array:
    """Derivatives of the hat functions by the distance into a side, (..., knots)."""
    at = (inward / KNOT_MM)[..., None]
    inside = (at >= 0) & (at <= knots[-1])
    away = at - knots
    return np.asarray(np.where(inside & (np.abs(away) < 1), -np.sign(away), 0.0) / KNOT_MM)
