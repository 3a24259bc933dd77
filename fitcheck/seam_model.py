"""The light across a seam for given edges, and how far it is from what was photographed.

What is known of that light, and how a seam is fitted with it, stands in :mod:`fitcheck.seam`.
All levels of light are linear and are solved for exactly for every guess of the edges; their
derivatives follow (variable projection: Golub & Pereyra, SIAM J. Numer. Anal. 10, 1973).

**Strip frame**, millimetres: *along* the seam, and *up* from the pad into the limb.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cho_solve
from scipy.ndimage import gaussian_filter1d
from scipy.special import ndtr

from fitcheck.seam_light import (
    DARK_SEAM,
    KNOT_MM,
    Reading,
    diagonal_blocks,
    hat_slopes,
    hats,
    light_prior,
    not_negative,
    own_grain,
    texture_prior,
)

Array = NDArray[np.float64]

# How well the model of light can hold, as shares of the light: what JPEG, sharpening and the
# blur's tails leave. Neighbouring samples share it, so it is set larger than a single
# sample's misfit, or the data would outvote every prior.
MISFIT_SHARE = 0.03
HALO_SHARE = 0.02
MISFIT_OF_WHITE = 0.006
HALO_BLURS = 2.5

# Where a side's light is told: past an opening and its arris, and short of the next
# lamination; a limb's glass is some 1 mm thick, from memory.
BESIDE_PAD_MM, BESIDE_LIMB_MM = (-0.8, -0.4), (0.45, 0.9)
GRAIN_MM = 0.15  # distance over which grain keeps its shade: alike, it counts as more
LEVEL_SD = 0.15  # of a side, against its light there: how it differs from block to block
BLUR_PRIOR_LOG_SD = 0.05  # seam and card lie in one plane
RADIUS_PRIOR_MM = 0.1  # arrises at a seam are hardly broken; common practice, no source
RADIUS_PRIOR_LOG_SD, LESS_ROUND = 0.25, 2.0
# A lamination beside the seam looks like an opening that is as wide from end to end. This
# tells which is meant, and is far too wide to move an opening that shows.
OPENING_PRIOR_MM = 0.6
# Far edges of the opening are out of focus by the lens's opening, about 2.5 mm on a
# telephone (f/1.8 at 4.5 to 6 mm; from memory). A disc's standard deviation is a quarter of it.
APERTURE_MM = 2.5
FEW_BLOCKS, MANY_PLACES = 5, 30  # for a first look
CELLS = 6  # of the opening, between which its light may change
WIDEST_MM = 2.0
FURTHEST_MM = 1.2  # of the pad's edge from where it was expected

# An arris that turns into a seam loses light by its cosine, and once more because the other
# part hides the room from it: cos². Its light is the mean of four steps, where that passes
# 7/8, 5/8, 3/8 and 1/8.
ARRIS_STEPS = np.sqrt(1 - np.array([0.875, 0.625, 0.375, 0.125]))
STEPS = len(ARRIS_STEPS)

# Parameters of the search; the first four are the edges.
PAD_A, PAD_B, OPEN_A, OPEN_B, STRIP, BLUR, ROUND_PAD, ROUND_LIMB = range(8)
EDGES = 4


@dataclass(frozen=True, eq=False)
class SeamProfiles:
    """Profiles of linear light across a seam, one per block along it.

    Attributes
    ----------
    ends_mm
        The seam's two ends along it, shape (2,): where openings are told. The blocks may stop
        short of them.
    along_mm
        Middles of the blocks, evenly spaced, shape (n,).
    up_mm
        Places across the seam, evenly spaced, shape (m,).
    light
        Mean linear light, shape (n, m, 3).
    noise
        Standard deviation of that mean from the photograph's noise, shape (n, m, 3).
    """

    ends_mm: Array
    along_mm: Array
    up_mm: Array
    light: Array
    noise: Array

    def merged(self, blocks: int) -> SeamProfiles:
        """Neighbouring blocks joined, so that about so many are left for a first look."""
        n = len(self.along_mm)
        groups = max(1, n // blocks)
        kept = n // groups * groups

        def mean(values: Array) -> Array:
            return np.asarray(values[:kept].reshape(-1, groups, *values.shape[1:]).mean(axis=1))

        return SeamProfiles(
            self.ends_mm,
            mean(self.along_mm),
            self.up_mm,
            mean(self.light),
            mean(self.noise) / np.sqrt(groups),
        )

    def few(self) -> SeamProfiles:
        """Few blocks and places, for a first look."""
        few = self.merged(FEW_BLOCKS)
        return few._paired() if len(few.up_mm) >= MANY_PLACES else few

    def _paired(self) -> SeamProfiles:
        """Two neighbouring places across taken together."""
        count = len(self.up_mm) // 2 * 2

        def mean(values: Array, axis: int) -> Array:
            shape = (*values.shape[:axis], count // 2, 2, *values.shape[axis + 1 :])
            return np.asarray(values.take(range(count), axis).reshape(shape).mean(axis=axis + 1))

        return SeamProfiles(
            self.ends_mm,
            self.along_mm,
            mean(self.up_mm, 0),
            mean(self.light, 1),
            mean(self.noise, 1) / np.sqrt(2),
        )


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
class Levels:
    """The levels of light for given edges, and what their derivatives need.

    The shapes that they multiply, (n, m, k); for each colour a Cholesky factor of the normal
    equations; the levels in the order of the unknowns, (colours, p), and by block,
    (colours, n, k); and what they leave of the light, (colours, n, m).
    """

    shapes: Array
    factors: list[tuple[Array, bool]]
    levels: Array
    by_block: Array
    left: Array


class SeamModel:
    """The light across a seam for given edges, and how far it is from the profiles.

    Unknown levels, in this order: of the opening in every block (3 n: pad's inner face, seen
    through, limb's inner face), of the sides in every block (2 n), and the sides' shared
    texture at its knots.

    Parameters
    ----------
    profiles
        The profiles, of any number of colours.
    blur_mm
        Standard deviation of the photograph's blur there, from the card.
    sight
        How the camera looks into the opening.
    white
        Linear light of the card's paper.
    reading
        What is taken to be dark, and what may be light.
    """

    def __init__(
        self,
        profiles: SeamProfiles,
        blur_mm: float,
        sight: Sight,
        white: float,
        reading: Reading = DARK_SEAM,
    ) -> None:
        light = profiles.light
        self.up = profiles.up_mm
        self.n, self.m, colours = light.shape
        along = profiles.along_mm
        self.share = (along - profiles.ends_mm[0]) / float(np.diff(profiles.ends_mm)[0])
        self._weight = np.ones(self.n)
        self._solved: tuple[Array, Levels] | None = None

        pitch = float(self.up[1] - self.up[0])
        halo = gaussian_filter1d(light, HALO_BLURS * blur_mm / pitch, axis=1, mode="nearest")
        alike = max(1.0, 2 * max(GRAIN_MM, 2 * blur_mm) / pitch)
        beside_pad, beside_limb = self._beside(BESIDE_PAD_MM), self._beside(BESIDE_LIMB_MM)
        grain = np.where(
            self.up[:, None] < 0,
            own_grain(light[:, beside_pad]),
            own_grain(light[:, beside_limb]),
        )
        variance = (
            profiles.noise**2
            + (MISFIT_SHARE**2 + grain**2 * alike) * light**2
            + (HALO_SHARE * halo) ** 2
            + (MISFIT_OF_WHITE * white) ** 2
        )
        # Colours first from here on.
        self.light = np.ascontiguousarray(np.moveaxis(light, -1, 0))
        self.precision = np.ascontiguousarray(np.moveaxis(1 / variance, -1, 0))
        self.rough_pad = np.median(self.light[..., beside_pad], axis=-1)
        self.rough_limb = np.median(self.light[..., beside_limb], axis=-1)
        self.knots_pad = np.arange(int(-self.up[0] / KNOT_MM) + 2)
        self.knots_limb = np.arange(int(self.up[-1] / KNOT_MM) + 2)

        # What the shapes are scaled by: textures are shares of their side's light.
        one = np.ones((colours, self.n, 5))
        pad, limb = (
            np.repeat(rough[..., None], len(knots), axis=-1)
            for rough, knots in (
                (self.rough_pad, self.knots_pad),
                (self.rough_limb, self.knots_limb),
            )
        )
        self.scale = np.concatenate([one, pad, limb], axis=-1)

        block_mm = float(along[1] - along[0])
        in_opening, light_mean = light_prior(self.n, block_mm, white, reading)
        textures = [
            texture_prior(len(knots), reading) for knots in (self.knots_pad, self.knots_limb)
        ]
        sides = np.stack([self.rough_pad, self.rough_limb], axis=-1).reshape(colours, -1)
        spread = LEVEL_SD * sides + MISFIT_OF_WHITE * white
        count = len(self.knots_pad) + len(self.knots_limb)
        self.prior = np.stack(
            [diagonal_blocks([in_opening, np.diag(sd**-2.0), *textures]) for sd in spread]
        )
        self.prior_level = np.concatenate(
            [
                np.broadcast_to(light_mean, (colours, 3 * self.n)),
                sides,
                np.zeros((colours, count)),
            ],
            axis=1,
        )
        self.prior_root = np.swapaxes(np.linalg.cholesky(self.prior), 1, 2)
        self.far_blur = APERTURE_MM / 4 * sight.far_share
        self.far_share = sight.far_share

        radius = np.log(RADIUS_PRIOR_MM)
        self.known_mean = np.array([sight.strip_mm, np.log(blur_mm), radius, radius])
        self.known_sd = np.array(
            [sight.strip_sd_mm, BLUR_PRIOR_LOG_SD, RADIUS_PRIOR_LOG_SD, RADIUS_PRIOR_LOG_SD]
        )
        self.may_be_less = np.array([False, False, True, True])
        reach = 2.5 * self.known_sd
        far = FURTHEST_MM
        below = np.where(self.may_be_less, LESS_ROUND * reach, reach)
        self.lowest = np.concatenate([[-far, -far, 0.0, 0.0], self.known_mean - below])
        self.highest = np.concatenate([[far, far, WIDEST_MM, WIDEST_MM], self.known_mean + reach])

    @property
    def weight(self) -> Array:
        """What every block counts, shape (n,)."""
        return self._weight

    @weight.setter
    def weight(self, value: Array) -> None:
        self._weight = value
        self._solved = None

    def _beside(self, reach_mm: tuple[float, float]) -> NDArray[np.int_]:
        """Which samples lie beside the seam; the outermost three where it is not seen so far."""
        inside = np.flatnonzero((self.up >= reach_mm[0]) & (self.up <= reach_mm[1]))
        if len(inside) >= 3:
            return inside
        return np.arange(3) if reach_mm[0] < 0 else np.arange(self.m - 3, self.m)

    def residuals(self, theta: Array) -> Array:
        """Everything that should be small: profiles, levels and parameters in their sds."""
        found = self.solve(theta)
        data = found.left * np.sqrt(self._weights())
        levels = self.prior_root @ (found.levels - self.prior_level)[..., None]
        known = self._known_residuals(theta[None])[0]
        return np.concatenate([data.ravel(), levels.ravel(), known])

    def costs(self, thetas: Array) -> Array:
        """About half the sum of the squared residuals of many guesses, (g, 8): shape (g,).

        For all guesses at once, and so many times as fast as one after the other; levels in the
        opening may come out a little negative.
        """
        shapes = self._shapes(thetas)
        full, wanted = self._normal(shapes)
        levels = np.linalg.solve(full, wanted[..., None])[..., 0]
        # At the solution what is left is the data's and prior's own size less what is taken.
        size = np.sum(self._weights() * self.light**2) + np.sum(
            self.prior_level * (self.prior @ self.prior_level[..., None])[..., 0]
        )
        taken = np.sum(levels * wanted, axis=(-2, -1))
        return np.asarray(size - taken + np.sum(self._known_residuals(thetas) ** 2, axis=1)) / 2

    def _weights(self) -> Array:
        """What every sample counts, (colours, n, m)."""
        return np.asarray(self.precision * self.weight[:, None])

    def _normal(self, shapes: Array) -> tuple[Array, Array]:
        """Normal equations of the levels for given shapes, (..., n, m, k).

        Their matrix, (..., colours, p, p), and what it is to give, (..., colours, p).
        """
        n, opening, side = self.n, 3 * self.n, 5 * self.n
        ahead = shapes.shape[:-3]
        blocks = np.arange(n)
        weights = self._weights()
        turned = np.swapaxes(shapes, -1, -2)[..., None, :, :, :]
        normal = (turned * weights[:, :, None, :]) @ shapes[..., None, :, :, :]
        normal *= self.scale[..., None] * self.scale[..., None, :]
        full = np.empty((*ahead, *self.prior.shape))
        full[...] = self.prior
        for first, after, those in ((0, opening, slice(3)), (opening, side, slice(3, 5))):
            size = those.stop - (those.start or 0)
            places = first + size * blocks[:, None] + np.arange(size)
            full[..., places[:, :, None], places[:, None, :]] += normal[..., those, those]
            shared = normal[..., those, 5:]
            shared = shared.reshape(*shared.shape[:-3], n * size, -1)
            full[..., first:after, side:] = shared
            full[..., side:, first:after] = np.swapaxes(shared, -1, -2)
        inner, beside = 3 * blocks[:, None] + np.arange(3), opening + 2 * blocks[:, None] + [0, 1]
        full[..., inner[:, :, None], beside[:, None, :]] = normal[..., :3, 3:5]
        full[..., beside[:, :, None], inner[:, None, :]] = normal[..., 3:5, :3]
        full[..., side:, side:] += normal[..., 5:, 5:].sum(axis=-3)
        seen = (turned @ (weights * self.light)[..., None])[..., 0] * self.scale
        wanted = (self.prior @ self.prior_level[..., None])[..., 0] + self._joined(seen)
        return full, wanted

    def _known_residuals(self, thetas: Array) -> Array:
        """What is known of the parameters beforehand, in their sds, for guesses (g, 8): (g, 6)."""
        own = (thetas[:, EDGES:] - self.known_mean) / self.known_sd
        # An arris may be hidden, or as sharp as it was cut, sooner than worn round.
        own = np.where(self.may_be_less & (own < 0), own / LESS_ROUND, own)
        return np.concatenate([own, thetas[:, [OPEN_A, OPEN_B]] / OPENING_PRIOR_MM], axis=1)

    def jacobian(self, theta: Array) -> Array:
        """Derivatives of the residuals, shape (r, 8).

        How the levels follow is solved for (Golub & Pereyra 1973, equation 5.4, in the form of
        the normal equations).
        """
        slopes, found, weights = self._slopes(theta), self.solve(theta), self._weights()

        def moved_by(shapes: Array, by_block: Array) -> Array:
            """The light by levels, (..., colours, n, k), times shapes: (..., colours, n, m)."""
            scaled = np.moveaxis(by_block * self.scale, -3, -1)
            return np.moveaxis(shapes @ scaled, -1, -3)

        moved = moved_by(slopes, found.by_block)
        left = np.moveaxis(weights * found.left, 0, 1)
        pull = np.moveaxis(left @ slopes, -2, -3)
        pull -= ((weights * moved)[..., None, :] @ found.shapes)[..., 0, :]
        pull = self._joined(self._of_parameters(pull * self.scale))
        followed = np.stack(
            [
                cho_solve(factor, pull[:, k].T, check_finite=False).T
                for k, factor in enumerate(found.factors)
            ],
            axis=1,
        )
        moved = self._of_parameters(moved) + moved_by(found.shapes, self._by_block(followed))
        of_data = -(moved * np.sqrt(weights)).reshape(len(theta), -1)
        of_levels = (self.prior_root @ followed[..., None]).reshape(len(theta), -1)
        own = np.zeros((len(theta), len(self.known_mean)))
        less = self.may_be_less & (theta[EDGES:] < self.known_mean)
        own[EDGES:] = np.diag(1 / self.known_sd / np.where(less, LESS_ROUND, 1.0))
        wide = np.zeros((len(theta), 2))
        wide[[OPEN_A, OPEN_B], [0, 1]] = 1 / OPENING_PRIOR_MM
        return np.concatenate([of_data, of_levels, own, wide], axis=1).T

    def _of_parameters(self, by_place: Array) -> Array:
        """From derivatives by each block's own edges, (6, colours, n, x), to the parameters'."""
        far = self.share[:, None]
        pad, gap = by_place[0], by_place[1]
        edges = np.stack([pad * (1 - far), pad * far, gap * (1 - far), gap * far])
        return np.concatenate([edges, by_place[2:]])

    def _places(self, thetas: Array) -> tuple[Array, Array, Array, Array]:
        """Pad's edge and opening of every block, (g, n); inner places and arrises, (g, n, 13)."""
        pad_a, pad_b, open_a, open_b, _, _, round_pad, round_limb = (
            one[:, None] for one in thetas.T
        )
        pad = pad_a + (pad_b - pad_a) * self.share
        gap = open_a + (open_b - open_a) * self.share
        ends = pad[..., None] + gap[..., None] * np.linspace(0, 1, CELLS + 1)
        rounded = [
            pad[..., None] - np.exp(round_pad)[..., None] * (1 - ARRIS_STEPS),
            (pad + gap)[..., None] + np.exp(round_limb)[..., None] * (1 - ARRIS_STEPS),
        ]
        return (
            pad,
            gap,
            (ends[..., :-1] + ends[..., 1:]) / 2,
            np.concatenate([ends[..., 1:-1], *rounded], axis=-1),
        )

    def _shapes(self, thetas: Array) -> Array:
        """Shapes that the levels multiply, for guesses (g, 8): shape (g, n, m, k).

        First those of a block's own five levels: pad's inner face, seen through, limb's inner
        face, pad's side, limb's side; then those of the texture, one for each knot.
        """
        strip, blur = thetas[:, STRIP, None], thetas[:, BLUR, None]
        pad, gap, middles, places = self._places(thetas)
        limb = pad + gap
        up = self.up[:, None]

        # Guesses, blocks, samples across, places.
        past = ndtr((up - places[:, :, None, :]) / np.exp(blur)[..., None, None])
        inner, past_pad, past_limb = _edges_of(past)

        # The opening in cells; where the far edges are seen in it, out of focus.
        cells = -np.diff(np.concatenate([past_pad, inner, past_limb], axis=-1), axis=-1)
        low = (pad + strip)[..., None]
        high = low + (gap * (1 - self.far_share))[..., None]
        past_low = ndtr((middles - low) / self.far_blur)
        past_high = ndtr((middles - high) / self.far_blur)
        seen = np.stack([1 - past_low, past_low - past_high, past_high], axis=-1)
        on_pad, on_limb = 1 - past_pad, past_limb
        texture_pad = hats(pad[..., None] - self.up, self.knots_pad) * on_pad
        texture_limb = hats(self.up - limb[..., None], self.knots_limb) * on_limb
        return np.concatenate([cells @ seen, on_pad, on_limb, texture_pad, texture_limb], axis=-1)

    def _slopes(self, theta: Array) -> Array:
        """Derivatives of the shapes, (6, n, m, k).

        By each block's pad edge and opening, then by strip, blur and the two radii.
        """
        pad, gap, middles, places = (one[0] for one in self._places(theta[None]))
        strip, sigma = theta[STRIP], float(np.exp(theta[BLUR]))
        limb = pad + gap
        away = (self.up[:, None] - places[:, None, :]) / sigma
        density = np.exp(-0.5 * away**2) / np.sqrt(2 * np.pi)
        inner, past_pad, past_limb = _edges_of(ndtr(away))

        # How the places move, by pad, opening, and the two radii.
        turned = 1 - ARRIS_STEPS
        moves = np.zeros((4, places.shape[-1]))
        at_pad, at_limb = slice(CELLS - 1, CELLS - 1 + STEPS), slice(CELLS - 1 + STEPS, None)
        moves[0] = 1.0
        moves[1, : CELLS - 1] = np.linspace(0, 1, CELLS + 1)[1:-1]
        moves[1, at_limb] = 1.0
        moves[2, at_pad] = -np.exp(theta[ROUND_PAD]) * turned
        moves[3, at_limb] = np.exp(theta[ROUND_LIMB]) * turned
        by_place = -density / sigma
        moved = np.stack([*(by_place * move for move in moves), -density * away])
        inner_by, pad_by, limb_by = _edges_of(moved[[0, 1, 4, 2, 3]])  # blur before the radii

        cells = -np.diff(np.concatenate([past_pad, inner, past_limb], axis=-1), axis=-1)
        cells_by = -np.diff(np.concatenate([pad_by, inner_by, limb_by], axis=-1), axis=-1)
        # In the opening the far edges move with it; only its width and the strip count.
        shares = (np.arange(CELLS) + 0.5) / CELLS
        below = (middles - pad[:, None] - strip) / self.far_blur
        above = below - (gap * (1 - self.far_share))[:, None] / self.far_blur
        past_low, past_high = ndtr(below), ndtr(above)
        seen = np.stack([1 - past_low, past_low - past_high, past_high], axis=-1)
        density_low, density_high = (
            np.exp(-0.5 * one**2) / np.sqrt(2 * np.pi) / self.far_blur for one in (below, above)
        )

        def seen_by(low: Array, high: Array) -> Array:
            return np.stack([-low, low - high, high], axis=-1)

        by_gap = seen_by(density_low * shares, density_high * (shares - 1 + self.far_share))
        by_strip = seen_by(-density_low, -density_high)

        on_pad, on_limb = 1 - past_pad, past_limb
        inward_pad, inward_limb = pad[:, None] - self.up, self.up - limb[:, None]
        texture_pad = hats(inward_pad, self.knots_pad)
        texture_limb = hats(inward_limb, self.knots_limb)
        slope_pad = hat_slopes(inward_pad, self.knots_pad) * on_pad
        slope_limb = hat_slopes(inward_limb, self.knots_limb) * on_limb

        first = 5 + len(self.knots_pad)
        slopes = np.zeros((6, self.n, self.m, first + len(self.knots_limb)))
        others = [0, 1, 3, 4, 5]  # all but the strip
        slopes[others, ..., :3] = cells_by @ seen
        slopes[1, ..., :3] += cells @ by_gap
        slopes[2, ..., :3] = cells @ by_strip
        slopes[others, ..., 3:4] = -pad_by
        slopes[others, ..., 4:5] = limb_by
        slopes[others, ..., 5:first] = -pad_by * texture_pad
        slopes[others, ..., first:] = limb_by * texture_limb
        slopes[0, ..., 5:first] += slope_pad
        slopes[:2, ..., first:] -= slope_limb
        return slopes

    def solve(self, theta: Array) -> Levels:
        """Solve for the levels; the last solution is kept."""
        if self._solved is None or not np.array_equal(self._solved[0], theta):
            self._solved = theta.copy(), self._levels(self._shapes(theta[None])[0])
        return self._solved[1]

    def _levels(self, shapes: Array) -> Levels:
        """The levels for given shapes, (n, m, k); none is negative in the opening."""
        found = [
            not_negative(full, wanted, 3 * self.n)
            for full, wanted in zip(*self._normal(shapes), strict=True)
        ]
        levels = np.stack([one for one, _ in found])
        by_block = self._by_block(levels)
        left = self.light - (shapes @ (by_block * self.scale)[..., None])[..., 0]
        return Levels(shapes, [factor for _, factor in found], levels, by_block, left)

    def _joined(self, by_block: Array) -> Array:
        """Sums over the samples, (..., n, k), in the order of the unknown levels, (..., p)."""
        ahead = by_block.shape[:-2]
        return np.concatenate(
            [
                by_block[..., :3].reshape(*ahead, -1),
                by_block[..., 3:5].reshape(*ahead, -1),
                by_block[..., 5:].sum(axis=-2),
            ],
            axis=-1,
        )

    def _by_block(self, levels: Array) -> Array:
        """Levels in the order of the unknowns, (..., p), by block, (..., n, k)."""
        ahead, n = levels.shape[:-1], self.n
        texture = levels[..., None, 5 * n :]
        return np.concatenate(
            [
                levels[..., : 3 * n].reshape(*ahead, n, 3),
                levels[..., 3 * n : 5 * n].reshape(*ahead, n, 2),
                np.broadcast_to(texture, (*ahead, n, texture.shape[-1])),
            ],
            axis=-1,
        )

    def block_residuals(self, theta: Array) -> Array:
        """Residuals of the profiles by block, shape (n, m times colours)."""
        sizes = self.solve(theta).left * np.sqrt(self._weights())
        return np.asarray(np.moveaxis(sizes, 0, 1).reshape(self.n, -1))

    def shifts(self, theta: Array) -> tuple[Array, Array]:
        """How far each block alone would move either edge, mm; NaN where it cannot tell."""
        here = self.block_residuals(theta)
        moved = []
        step = 0.01
        for both in ((PAD_A, PAD_B, -1.0), (OPEN_A, OPEN_B, 0.0)):
            there = theta.copy()
            there[list(both[:2])] += step
            # Moving the pad alone leaves the limb where it is.
            there[[OPEN_A, OPEN_B]] += both[2] * step
            moved.append((self.block_residuals(there) - here) / step)
        shifts = np.full((2, self.n), np.nan)
        for k in range(self.n):
            slopes = np.stack([moved[0][k], moved[1][k]], axis=1)
            normal = slopes.T @ slopes
            if self.weight[k] > 0 and np.min(np.diag(normal)) > 1.0:
                ridge = 1e-3 * np.trace(normal) * np.eye(2)
                shifts[:, k] = np.linalg.solve(normal + ridge, -slopes.T @ here[k])
        return shifts[0], shifts[1]


def _edges_of(past: Array) -> tuple[Array, Array, Array]:
    """Of what is given at all places, (..., 13): between the cells, and of either arris."""
    inner, rounds = past[..., : CELLS - 1], past[..., CELLS - 1 :]
    at_pad, at_limb = (
        np.mean(one, axis=-1, keepdims=True) for one in np.split(rounds, 2, axis=-1)
    )
    return inner, at_pad, at_limb
