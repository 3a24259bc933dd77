"""How far the light across a seam is from what was photographed, for given edges.

What is known of that light, and how a seam is fitted with it, stands in :mod:`fitcheck.seam`.
All levels of light are linear and are solved for exactly for every guess of the edges, and what
is left is derived with them held (variable projection: Golub & Pereyra, SIAM J. Numer. Anal. 10,
1973; without what is small where little is left: Kaufman, BIT 15, 1975). Many guesses are
reckoned through at once, which takes hardly longer than one.

**Strip frame**, millimetres: *along* the seam, and *up* from the pad into the limb.
"""

from __future__ import annotations

import copy
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import lapack
from scipy.ndimage import gaussian_filter1d

from fitcheck.seam_light import (
    DARK_SEAM,
    Reading,
    diagonal_blocks,
    light_prior,
    own_grain,
    texture_prior,
)
from fitcheck.seam_profiles import SeamProfiles
from fitcheck.seam_shapes import (
    EDGES,
    LEVELS,
    LOGARITHMS,
    OPEN_A,
    OPEN_B,
    PAD_A,
    PAD_B,
    Across,
    Shapes,
    Sight,
)

Array = NDArray[np.float64]

# How well the model of light can hold, as shares of the light: what JPEG, sharpening and the
# blur's tails leave. Neighbouring samples share it, so it is set larger than a single
# sample's misfit, or the data would outvote every prior.
MISFIT_SHARE = 0.03
HALO_SHARE = 0.02
MISFIT_OF_WHITE = 0.006
HALO_BLURS = 2.5
COLOURS = 3  # a mean of them is as far off as each, and counts as all

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
WIDEST_MM = 2.0
FURTHEST_MM = 1.2  # of the pad's edge from where it was expected
HELD = 1e4  # how much more a level counts that is held at zero
AT_ONCE = 24  # guesses; more take memory


@dataclass(frozen=True, eq=False)
class Levels:
    """The levels of light for g guesses.

    Attributes
    ----------
    shapes
        What they multiply.
    weighed
        The same by colour, times the levels' scales and in the samples' sds,
        (g, colours, n, m, k).
    factors
        Of the matrices of their normal equations, one for each guess and colour.
    unknown
        Their differences from what was known beforehand, in the order of the unknowns,
        (g, colours, p).
    by_block
        Times their scales, (g, n, k, colours).
    left
        What they leave of the light, in its sds, (g, colours, n, m).
    """

    shapes: Shapes
    weighed: Array
    factors: list[Array]
    unknown: Array
    by_block: Array
    left: Array


@dataclass(frozen=True, eq=False)
class Fitted:
    """How well g guesses fit.

    Attributes
    ----------
    cost
        Half the sum of squared residuals, (g,).
    pull
        Its derivatives by the parameters, (g, 8).
    information
        Its second derivatives, levels let follow, (g, 8, 8).
    """

    cost: Array
    pull: Array
    information: Array


class SeamModel:
    """The light across a seam for given edges, and how far it is from the profiles.

    Unknown levels, in this order: in every block five (pad's inner face, seen through, limb's
    inner face, pad's side, limb's side), then the sides' shared texture at its knots.

    Parameters
    ----------
    profiles
        The profiles, in colour or in grey.
    blur_mm
        Standard deviation of the photograph's blur there, from the card.
    sight
        How the camera looks into the opening.
    white
        Linear light of the card's paper.
    """

    def __init__(self, profiles: SeamProfiles, blur_mm: float, sight: Sight, white: float) -> None:
        light = profiles.light
        self.up = profiles.up_mm
        self.n, self.m, colours = light.shape
        along = profiles.along_mm
        self.share = (along - profiles.ends_mm[0]) / float(np.diff(profiles.ends_mm)[0])
        self.across = Across(self.up, self.share, sight)
        self.counts = COLOURS / colours
        self.white, self.block_mm = white, float(along[1] - along[0])

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
        self.light = light
        self.precision = self.counts / variance
        self.rough_pad = np.median(light[:, beside_pad], axis=1)
        self.rough_limb = np.median(light[:, beside_limb], axis=1)

        # What the shapes are scaled by: textures are shares of their side's light. By block and
        # colour.
        knots = len(self.across.knots_pad), len(self.across.knots_limb)
        self.scale = np.concatenate(
            [
                np.ones((self.n, LEVELS, colours)),
                np.repeat(self.rough_pad[:, None], knots[0], axis=1),
                np.repeat(self.rough_limb[:, None], knots[1], axis=1),
            ],
            axis=1,
        )
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
        self._count(np.ones(self.n, dtype=bool))
        self._take(DARK_SEAM)

    def read_as(self, reading: Reading) -> SeamModel:
        """Return the same with other things known beforehand of what is dark and what light."""
        other = copy.copy(self)
        other._take(reading)
        return other

    def counting(self, kept: NDArray[np.bool_]) -> SeamModel:
        """Return the same with only some of the blocks counted, (n,)."""
        other = copy.copy(self)
        other._count(kept)
        return other

    def _count(self, kept: NDArray[np.bool_]) -> None:
        """Set which blocks count, and with them the samples' sds, (colours, n, m)."""
        self.kept = kept
        precision = np.moveaxis(self.precision * kept[:, None, None], -1, 0)
        self.roots = np.ascontiguousarray(np.sqrt(precision))
        self.seen = np.moveaxis(self.light, -1, 0) * self.roots
        scale = np.ascontiguousarray(np.moveaxis(self.scale, -1, 0))
        self.weighs = self.roots[..., None] * scale[:, :, None]

    def _take(self, reading: Reading) -> None:
        """Set what is known of the levels beforehand: precision (colours, p, p) and mean."""
        n, side = self.n, LEVELS * self.n
        in_opening, light_mean = light_prior(n, self.block_mm, self.white, reading)
        sides = np.stack([self.rough_pad, self.rough_limb], axis=-1).swapaxes(0, 1)
        colours = len(sides)
        own = np.zeros((colours, n, LEVELS, n, LEVELS))
        own[:, :, :3, :, :3] = in_opening.reshape(n, 3, n, 3)
        blocks = np.arange(n)
        spread = LEVEL_SD * sides + MISFIT_OF_WHITE * self.white
        for k in range(3, LEVELS):
            own[:, blocks, k, blocks, k] = spread[:, :, k - 3] ** -2.0
        textures = [
            texture_prior(len(knots), reading)
            for knots in (self.across.knots_pad, self.across.knots_limb)
        ]
        self.prior = self.counts * np.stack(
            [diagonal_blocks([one, *textures]) for one in own.reshape(colours, side, side)]
        )
        self.prior_level = np.zeros(self.prior.shape[:2])
        levels = self.prior_level[:, :side].reshape(colours, n, LEVELS)
        levels[..., :3], levels[..., 3:] = light_mean.reshape(n, 3), sides

    def _beside(self, reach_mm: tuple[float, float]) -> NDArray[np.int_]:
        """Which samples lie beside the seam; the outermost three where it is not seen so far."""
        inside = np.flatnonzero((self.up >= reach_mm[0]) & (self.up <= reach_mm[1]))
        if len(inside) >= 3:
            return inside
        return np.arange(3) if reach_mm[0] < 0 else np.arange(self.m - 3, self.m)

    def fitted(self, thetas: Array) -> Fitted:
        """How well guesses, (g, 8), mm and logarithms, fit, and where they should move."""
        found = self.solve(thetas)
        g, parameters = thetas.shape
        moved = np.moveaxis(self.across.moved(found.shapes, found.by_block), -2, 1)
        moved = moved * self.roots[..., None]
        flat = moved.reshape(g, -1, parameters)
        information = np.swapaxes(flat, 1, 2) @ flat
        pull = -(found.left.reshape(g, 1, -1) @ flat)[:, 0]
        # The levels follow, and leave less to be told.
        by_levels = self._of_levels(found.weighed, moved)
        followed = _solved(found.factors, by_levels)
        information -= np.sum(np.swapaxes(by_levels, 2, 3) @ followed, axis=1)

        # A logarithm's own curvature: where less would be better, it bends what is told of it.
        information[:, LOGARITHMS, LOGARITHMS] += np.maximum(pull[:, LOGARITHMS], 0.0)

        off, slopes = self._known(thetas)
        cost = np.sum(found.left**2, axis=(1, 2, 3)) + np.sum(
            found.unknown * (self.prior @ found.unknown[..., None])[..., 0], axis=(1, 2)
        )
        own = np.arange(parameters)
        information[:, own, own] += np.sum(slopes**2, axis=1)
        pull += np.sum(slopes * off, axis=1)
        return Fitted((cost + np.sum(off**2, axis=(1, 2))) / 2, pull, information)

    def costs(self, thetas: Array) -> Array:
        """About half the sum of the squared residuals of many guesses, (g, 8): shape (g,).

        Faster than :meth:`fitted`; levels in the opening may come out a little negative.
        """
        # At the solution what is left is the data's own size less what is taken.
        known = (self.prior @ self.prior_level[..., None])[..., 0]
        size = np.sum(self.seen**2) + np.sum(self.prior_level * known)
        costs = []
        for some in np.split(thetas, range(AT_ONCE, len(thetas), AT_ONCE)):
            normal, wanted = self._normal(self.across.shapes(some).all[:, None] * self.weighs)
            levels = _solved(_factored(normal), wanted)
            off, _ = self._known(some)
            taken = np.sum(levels * wanted, axis=(1, 2, 3))
            costs.append(size - taken + np.sum(off**2, axis=(1, 2)))
        return np.concatenate(costs) / 2

    def _known(self, thetas: Array) -> tuple[Array, Array]:
        """How far parameters are from what is known beforehand, in their sds; and the slopes.

        Both (g, 2, 8).
        """
        off, slopes = np.zeros((2, len(thetas), 2, thetas.shape[1]))
        own = thetas[:, EDGES:] - self.known_mean
        # An arris may be hidden, or as sharp as it was cut, sooner than worn round.
        less = self.may_be_less & (own < 0)
        slopes[:, 0, EDGES:] = 1 / (self.known_sd * np.where(less, LESS_ROUND, 1.0))
        off[:, 0, EDGES:] = own * slopes[:, 0, EDGES:]
        slopes[:, 1, [OPEN_A, OPEN_B]] = 1 / OPENING_PRIOR_MM
        off[:, 1] = thetas * slopes[:, 1]
        return off, slopes

    def _normal(self, weighed: Array) -> tuple[Array, Array]:
        """Normal equations of the levels for shapes that are weighed as in :class:`Levels`.

        Their matrix, its lower triangle, (g, colours, p, p), and what it is to give, one column:
        (g, colours, p, 1).
        """
        side = LEVELS * self.n
        by_block = np.swapaxes(weighed, -1, -2) @ weighed
        normal = np.empty((len(weighed), *self.prior.shape))
        normal[...] = self.prior
        own = np.arange(side).reshape(self.n, LEVELS)
        normal[..., own[:, :, None], own[:, None, :]] += by_block[..., :LEVELS, :LEVELS]
        shared = np.moveaxis(by_block[..., LEVELS:, :LEVELS], -3, -2)
        normal[..., side:, :side] = shared.reshape(*shared.shape[:-2], side)
        normal[..., side:, side:] += by_block[..., LEVELS:, LEVELS:].sum(axis=-3)
        wanted = self._of_levels(weighed, self.seen[None, ..., None])
        return normal, wanted + self.prior @ self.prior_level[..., None]

    def _of_levels(self, weighed: Array, by_place: Array) -> Array:
        """Sums over the samples of the shapes times something, (g, colours, n, m, d).

        In the order of the unknown levels, (g, colours, p, d).
        """
        by_block = np.swapaxes(weighed, -1, -2) @ by_place
        own, shared = by_block[..., :LEVELS, :], by_block[..., LEVELS:, :].sum(axis=2)
        return np.concatenate([own.reshape(*own.shape[:2], -1, own.shape[-1]), shared], axis=2)

    def solve(self, thetas: Array) -> Levels:
        """Solve for the levels, linear light, of guesses (g, 8); none below 0 in the opening."""
        shapes = self.across.shapes(thetas)
        weighed = shapes.all[:, None] * self.weighs
        normal, wanted = self._normal(weighed)
        g, colours = normal.shape[:2]
        inside = (LEVELS * np.arange(self.n)[:, None] + np.arange(3)).ravel()
        own = normal[..., inside, inside]
        held = np.zeros(own.shape, dtype=bool)
        for _ in range(3):
            factors = _factored(normal)
            levels = _solved(factors, wanted)[..., 0]
            negative = (levels[..., inside] < -1e-6) & ~held
            if not negative.any():
                break
            held |= negative
            normal[..., inside, inside] = np.where(held, (1 + HELD) * own, own)
        side = LEVELS * self.n
        by_block = np.empty((g, colours, self.n, weighed.shape[-1]))
        by_block[..., :LEVELS] = levels[..., :side].reshape(g, colours, self.n, LEVELS)
        by_block[..., LEVELS:] = levels[..., None, side:]
        left = self.seen - (weighed @ by_block[..., None])[..., 0]
        by_block = np.moveaxis(by_block, 1, -1) * self.scale
        return Levels(shapes, weighed, factors, levels - self.prior_level, by_block, left)

    def shifts(self, theta: Array) -> tuple[Array, Array, Levels]:
        """How far each block alone would move either edge, mm, (n,); NaN where it cannot tell.

        The levels of light at these parameters, (8,), come with them, before those where the
        edges were moved to find out.
        """
        there = np.repeat(theta[None], 3, axis=0)
        step = 0.01
        # Moving the pad alone leaves the limb where it is.
        there[1, [PAD_A, PAD_B]] += step
        there[1, [OPEN_A, OPEN_B]] -= step
        there[2, [OPEN_A, OPEN_B]] += step
        found = self.solve(there)
        left = np.swapaxes(found.left, 1, 2)
        here, *moved = left.reshape(3, self.n, -1)
        slopes = (np.stack(moved, axis=-1) - here[..., None]) / step
        normal = np.swapaxes(slopes, 1, 2) @ slopes
        ridge = 1e-3 * np.trace(normal, axis1=1, axis2=2)[:, None, None] * np.eye(2)
        tells = self.kept & (np.diagonal(normal, axis1=1, axis2=2).min(axis=1) > 1.0)
        shifts = np.full((self.n, 2, 1), np.nan)
        pulled = -np.swapaxes(slopes, 1, 2) @ here[..., None]
        shifts[tells] = np.linalg.solve((normal + ridge)[tells], pulled[tells])
        return shifts[:, 0, 0], shifts[:, 1, 0], found


def _factored(normal: Array) -> list[Array]:
    """Cholesky factors of symmetric matrices, (g, colours, p, p), lower triangles given.

    NumPy's own solver takes twice as long, and again for every further right side.
    """
    factors = []
    for one in normal.reshape(-1, *normal.shape[2:]):
        # Turned, a lower triangle is an upper one in the order that LAPACK reads.
        factor, fault = lapack.dpotrf(one.T, lower=False, clean=False)
        if fault:
            raise np.linalg.LinAlgError("the levels' normal equations are not positive definite")
        factors.append(factor)
    return factors


def _solved(factors: list[Array], wanted: Array) -> Array:
    """What factored matrices give for right sides, (g, colours, p, d), in the same shape."""
    solved = np.empty(wanted.shape)
    flat = solved.reshape(-1, *wanted.shape[2:])
    for k, (factor, one) in enumerate(zip(factors, wanted.reshape(flat.shape), strict=True)):
        flat[k] = lapack.dpotrs(factor, one, lower=False)[0]
    return solved
