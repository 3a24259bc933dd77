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
    normal
        The matrix of their normal equations, (g, colours, p, p).
    unknown
        Their differences from what was known beforehand, in the order of the unknowns,
        (g, colours, p).
    by_block
        Times their scales, (g, n, k, colours).
    left
        What they leave of the light, (g, n, m, colours).
    """

    shapes: Shapes
    normal: Array
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

    Unknown levels, in this order: of the opening in every block (3 n: pad's inner face, seen
    through, limb's inner face), of the sides in every block (2 n), and the sides' shared
    texture at its knots.

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
        self.weight = np.ones(self.n)
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
        self._take(DARK_SEAM)

    def read_as(self, reading: Reading) -> SeamModel:
        """Return the same with other things known beforehand of what is dark and what light."""
        other = copy.copy(self)
        other._take(reading)
        return other

    def _take(self, reading: Reading) -> None:
        """Set what is known of the levels beforehand: precision (colours, p, p) and mean."""
        across = self.across
        in_opening, light_mean = light_prior(self.n, self.block_mm, self.white, reading)
        textures = [
            texture_prior(len(knots), reading) for knots in (across.knots_pad, across.knots_limb)
        ]
        sides = np.stack([self.rough_pad, self.rough_limb], axis=1).reshape(2 * self.n, -1).T
        spread = LEVEL_SD * sides + MISFIT_OF_WHITE * self.white
        self.prior = self.counts * np.stack(
            [diagonal_blocks([in_opening, np.diag(sd**-2.0), *textures]) for sd in spread]
        )
        count = len(across.knots_pad) + len(across.knots_limb)
        self.prior_level = np.concatenate(
            [
                np.broadcast_to(light_mean, (len(sides), 3 * self.n)),
                sides,
                np.zeros((len(sides), count)),
            ],
            axis=1,
        )

    def _beside(self, reach_mm: tuple[float, float]) -> NDArray[np.int_]:
        """Which samples lie beside the seam; the outermost three where it is not seen so far."""
        inside = np.flatnonzero((self.up >= reach_mm[0]) & (self.up <= reach_mm[1]))
        if len(inside) >= 3:
            return inside
        return np.arange(3) if reach_mm[0] < 0 else np.arange(self.m - 3, self.m)

    def fitted(self, thetas: Array) -> Fitted:
        """How well guesses, (g, 8), mm and logarithms, fit, and where they should move."""
        found = self.solve(thetas)
        g = len(thetas)
        weights = self._weights()
        moved = self.across.moved(found.shapes, found.by_block)
        weighed = moved * weights
        flat = moved.reshape(g, len(thetas[0]), -1)
        information = weighed.reshape(flat.shape) @ np.swapaxes(flat, 1, 2)
        pull = -np.sum(weighed * found.left[:, None], axis=(2, 3, 4))
        # The levels follow, and leave less to be told.
        by_levels = self._of_levels(found.shapes, np.moveaxis(weighed, 1, -1))
        followed = np.linalg.solve(found.normal, by_levels)
        information -= np.sum(np.swapaxes(by_levels, 2, 3) @ followed, axis=1)

        # A logarithm's own curvature: where less would be better, it bends what is told of it.
        information[:, LOGARITHMS, LOGARITHMS] += np.maximum(pull[:, LOGARITHMS], 0.0)

        off, slopes = self._known(thetas)
        cost = np.sum(weights * found.left**2, axis=(1, 2, 3)) + np.sum(
            found.unknown * (self.prior @ found.unknown[..., None])[..., 0], axis=(1, 2)
        )
        own = np.arange(len(thetas[0]))
        information[:, own, own] += np.sum(slopes**2, axis=1)
        pull += np.sum(slopes * off, axis=1)
        return Fitted((cost + np.sum(off**2, axis=(1, 2))) / 2, pull, information)

    def costs(self, thetas: Array) -> Array:
        """About half the sum of the squared residuals of many guesses, (g, 8): shape (g,).

        Faster than :meth:`fitted`; levels in the opening may come out a little negative.
        """
        # At the solution what is left is the data's own size less what is taken.
        weights = self._weights()
        known = (self.prior @ self.prior_level[..., None])[..., 0]
        size = np.sum(weights * self.light**2) + np.sum(self.prior_level * known)
        costs = []
        for some in np.split(thetas, range(AT_ONCE, len(thetas), AT_ONCE)):
            normal, wanted = self._normal(self.across.shapes(some))
            levels = np.linalg.solve(normal, wanted[..., None])[..., 0]
            off, _ = self._known(some)
            costs.append(size - np.sum(levels * wanted, axis=(1, 2)) + np.sum(off**2, axis=(1, 2)))
        return np.concatenate(costs) / 2

    def _weights(self) -> Array:
        """What every sample counts, (n, m, colours)."""
        return np.asarray(self.precision * self.weight[:, None, None])

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

    def _normal(self, shapes: Shapes) -> tuple[Array, Array]:
        """Normal equations of the levels for given shapes.

        Their matrix, (g, colours, p, p), and what it is to give, (g, colours, p).
        """
        n, opening, side = self.n, 3 * self.n, LEVELS * self.n
        blocks = np.arange(n)
        weights = self._weights()
        scale = np.moveaxis(self.scale, -1, 0)
        turned = np.swapaxes(shapes.all, -1, -2)[:, None]
        by_colour = np.moveaxis(weights, -1, 0)[..., None, :]
        normal = (turned * by_colour) @ shapes.all[:, None]
        normal *= scale[..., None] * scale[..., None, :]
        full = np.empty((len(normal), *self.prior.shape))
        full[...] = self.prior
        for first, after, those in ((0, opening, slice(3)), (opening, side, slice(3, LEVELS))):
            size = those.stop - (those.start or 0)
            places = first + size * blocks[:, None] + np.arange(size)
            full[..., places[:, :, None], places[:, None, :]] += normal[..., those, those]
            shared = normal[..., those, LEVELS:]
            shared = shared.reshape(*shared.shape[:-3], n * size, -1)
            full[..., first:after, side:] = shared
            full[..., side:, first:after] = np.swapaxes(shared, -1, -2)
        inner, beside = 3 * blocks[:, None] + np.arange(3), opening + 2 * blocks[:, None] + [0, 1]
        full[..., inner[:, :, None], beside[:, None, :]] = normal[..., :3, 3:LEVELS]
        full[..., beside[:, :, None], inner[:, None, :]] = normal[..., 3:LEVELS, :3]
        full[..., side:, side:] += normal[..., LEVELS:, LEVELS:].sum(axis=-3)
        seen = self._of_levels(shapes, (weights * self.light)[None, ..., None])[..., 0]
        return full, seen + (self.prior @ self.prior_level[..., None])[..., 0]

    def _of_levels(self, shapes: Shapes, by_place: Array) -> Array:
        """Sums over the samples of the shapes times something, (g, n, m, colours, d).

        In the order of the unknown levels, (g, colours, p, d).
        """
        turned = np.swapaxes(shapes.all, -1, -2)[:, None]
        by_block = turned @ np.moveaxis(by_place, 3, 1)
        by_block *= np.moveaxis(self.scale, -1, 0)[..., None]
        ahead, last = by_block.shape[:2], by_block.shape[-1]
        return np.concatenate(
            [
                by_block[:, :, :, :3].reshape(*ahead, -1, last),
                by_block[:, :, :, 3:LEVELS].reshape(*ahead, -1, last),
                by_block[:, :, :, LEVELS:].sum(axis=2),
            ],
            axis=2,
        )

    def solve(self, thetas: Array) -> Levels:
        """Solve for the levels, linear light, of guesses (g, 8); none below 0 in the opening."""
        shapes = self.across.shapes(thetas)
        normal, wanted = self._normal(shapes)
        inside = np.arange(3 * self.n)
        own = normal[..., inside, inside]
        held = np.zeros(own.shape, dtype=bool)
        for _ in range(3):
            levels = np.linalg.solve(normal, wanted[..., None])[..., 0]
            negative = (levels[..., inside] < -1e-6) & ~held
            if not negative.any():
                break
            held |= negative
            normal[..., inside, inside] = np.where(held, (1 + HELD) * own, own)
        side = LEVELS * self.n
        ahead = levels.shape[:2]
        by_block = np.concatenate(
            [
                levels[..., : 3 * self.n].reshape(*ahead, self.n, 3),
                levels[..., 3 * self.n : side].reshape(*ahead, self.n, 2),
                np.repeat(levels[..., None, side:], self.n, axis=2),
            ],
            axis=-1,
        )
        by_block = np.moveaxis(by_block, 1, -1) * self.scale
        left = self.light - shapes.all @ by_block
        return Levels(shapes, normal, levels - self.prior_level, by_block, left)

    def by_block(self, left: Array) -> Array:
        """What is left of the linear light, (n, m, colours), in its sds, (n, m times colours)."""
        return np.asarray((left * np.sqrt(self._weights())).reshape(self.n, -1))

    def shifts(self, theta: Array) -> tuple[Array, Array]:
        """How far each block alone would move either edge, mm, (n,); NaN where it cannot tell."""
        there = np.repeat(theta[None], 3, axis=0)
        step = 0.01
        # Moving the pad alone leaves the limb where it is.
        there[1, [PAD_A, PAD_B]] += step
        there[1, [OPEN_A, OPEN_B]] -= step
        there[2, [OPEN_A, OPEN_B]] += step
        left = self.solve(there).left * np.sqrt(self._weights())
        here, *moved = left.reshape(3, self.n, -1)
        slopes = (np.stack(moved, axis=-1) - here[..., None]) / step
        normal = np.swapaxes(slopes, 1, 2) @ slopes
        ridge = 1e-3 * np.trace(normal, axis1=1, axis2=2)[:, None, None] * np.eye(2)
        tells = (self.weight > 0) & (np.diagonal(normal, axis1=1, axis2=2).min(axis=1) > 1.0)
        shifts = np.full((self.n, 2, 1), np.nan)
        pulled = -np.swapaxes(slopes, 1, 2) @ here[..., None]
        shifts[tells] = np.linalg.solve((normal + ridge)[tells], pulled[tells])
        return shifts[:, 0, 0], shifts[:, 1, 0]
