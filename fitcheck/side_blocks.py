"""Blocks of a side's light as blurred steps with levels of their own, and how far each is shifted.

What is known of the light beside a side stands in :mod:`fitcheck.side_fit`. Levels of light are
linear and solved for exactly; what is left tells how far a block's step is shifted, and how well
a blur or an arris explains it. Every blur and arris that is tried, every channel and every block
is reckoned through at once.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d
from scipy.special import ndtr

Array = NDArray[np.float64]
Arris = tuple[float, float, float]

# Blur of the channels over that of the cards: JPEG stores colour at half resolution.
BLUR_RATIOS = np.exp(np.linspace(-0.1, 1.1, 9))
BLUR_RATIO_USUAL = 1.05
BLUR_RATIO_LOG_SD = (0.1, 0.35)  # of grey, of colour
GREY_SHARE = 0.3  # of a channel's squared weights along grey, from which it counts as grey
WALL_END_RATIOS = np.array([1.0, 1.6, 2.5])  # the wall's far end is further away and less sharp
SLOPE_SHARE_PER_MM = 0.3  # of the step: light changes slowly beside an edge
WALL_END_SD_MM = 0.1
NARROWEST_WALL_MM = 0.02
FURTHEST_SHIFT_MM = 0.4
# Rings run about 3 mm along an edge: this many blocks of 1 mm count as one.
GRAIN_WIDENING = 2.5
DIFFERENCE_MM = 0.003  # for derivatives: small against every blur, large against rounding
# How far the side and the wall's far end are moved for them.
SIDE_MOVED_MM: Array = DIFFERENCE_MM * np.array([0.0, 1.0, -1.0, 0.0, 0.0])
WALL_END_MOVED_MM: Array = DIFFERENCE_MM * np.array([0.0, 0.0, 0.0, 1.0, -1.0])

# An arris is round, and light goes over it from the face's to the side's: at the angle φ from
# the face by the share (1 − cos φ + sin φ)/2, which is all that light that grows evenly with
# the surface's direction can do. The side's light is so much of the face's, and mirrors so
# much of what lies beyond, as wood does at a grazing angle.
ARRIS_MM, ARRIS_LOG_SD = 0.3, 0.5  # a lightly eased edge; common practice, no source
SIDE_LIGHT, SIDE_LIGHT_SD = 0.9, 0.4
MIRRORED, MIRRORED_SD = 0.1, 0.25
ARRIS_RADII_MM = (0.15, 0.3, 0.6)
SIDE_LIGHTS, MIRRORED_SHARES = (0.4, 0.8, 1.2, 1.7), (0.0, 0.3, 0.7)
ARRISES: tuple[Arris, ...] = tuple(itertools.product(ARRIS_RADII_MM, SIDE_LIGHTS, MIRRORED_SHARES))
SHARP: Arris = (ARRIS_MM, 1.0, 0.0)  # the side's light is the face's
PLACE_STEP_MM = 0.02
ARRIS_PLACES_MM: Array = PLACE_STEP_MM * np.arange(-12.0, 16.0)
ARRIS_CELLS = 10
LIKELY_ENOUGH = 0.02  # of an arris's probability
ALMOST_NOTHING = 1e-9  # known of each level, lest one that is not seen is anything


@dataclass(frozen=True, eq=False)
class _Alike:
    """Blocks whose light is fitted in one way: t tries, c channels, g groups of r blocks.

    Attributes
    ----------
    which
        Which blocks they are, g · r of them.
    light
        (3, g, m, r).
    columns
        What the levels of light multiply, one set a group: (moves, t, c, g, k, m), c being 1 where
        all channels share them. As they are and, for each shift, moved a little out and in.
    known
        What is known of the levels, as part of the matrix of their normal equations,
        (3, 1, k, k).
    """

    which: NDArray[np.bool_]
    light: Array
    columns: Array
    known: Array

    def levels(self) -> tuple[Array, Array, Array]:
        """Levels of light, (t, 3, g, k, r), their covariance and the light as they see it."""
        here = self.columns[0]
        covariance = np.linalg.inv(here @ here.swapaxes(-1, -2) + self.known)
        seen = here @ self.light
        return covariance @ seen, covariance, seen

    def cost(self) -> Array:
        """Summed squares that no levels explain, (t, 3)."""
        levels, _, seen = self.levels()
        told = np.sum(seen * levels, axis=(2, 3, 4))
        return np.asarray(np.sum(self.light**2, axis=(1, 2, 3)) - told)

    def by_shift(self) -> tuple[Array, Array, Array]:
        """What the levels leave, and the normal equations of s shifts with levels eliminated.

        Returns
        -------
        Residuals (t, 3, g, m, r), matrices (t, n, s, s) and right sides (t, n, s).
        """
        levels, covariance, _ = self.levels()
        across = self.columns.swapaxes(-1, -2)
        left = self.light - across[0] @ levels
        change = (across[1::2] - across[2::2]) @ levels / (2 * DIFFERENCE_MM)
        followed = self.columns[0] @ change
        normal = np.einsum("ptcgmr,qtcgmr->tgrpq", change, change)
        normal -= np.einsum("ptcgkr,qtcgkr->tgrpq", followed, covariance @ followed)
        pull = np.einsum("ptcgmr,tcgmr->tgrp", change, left)
        shape = (len(left), np.count_nonzero(self.which), len(change))
        return left, normal.reshape(*shape, len(change)), pull.reshape(shape)


class StepBlocks:
    """Blocks as blurred steps with levels of their own; tells how far each is shifted.

    Blur and arris are common to all blocks. ``channels`` is their light in channels of equal
    noise, (n, m, 3), ``outward`` where its samples lie outward of the line, mm, (m,), and
    ``wall_mm`` where the far end of a visible wall lies in each block, (n,), or None.

    Attributes
    ----------
    softened_mm
        How much the light is blurred further before it is looked at.
    ratios
        Blur of each channel over that of the cards, (3,).
    wall_end_ratio
        That of the wall's far end.
    arris
        The arris's radius (mm), the side's light as a share of the face's, and the share of what
        lies beyond that it mirrors.
    likely_arrises
        Those that the light does not rule out, each with its probability.
    arris_sd_mm
        Standard uncertainty of the place of the wall that follows.
    """

    def __init__(self, blur_mm: float) -> None:
        self.blur_mm = blur_mm
        self.softened_mm = 0.0
        self.ratios = np.full(3, BLUR_RATIO_USUAL)
        self.wall_end_ratio = float(WALL_END_RATIOS[1])
        self.arris = SHARP
        self.likely_arrises: list[tuple[float, Arris]] = []
        self.arris_sd_mm = 0.0

    def tune_blur(
        self, channels: Array, outward: Array, wall_mm: Array | None, whitening: Array
    ) -> None:
        """Choose each channel's blur, and that of the wall's far end, by what fits best.

        ``whitening`` is the matrix that made the channels, (3, 3).
        """
        grey = np.sum(whitening, axis=1) ** 2 / (3 * np.sum(whitening**2, axis=1))
        usual_sd = np.where(grey > GREY_SHARE, *BLUR_RATIO_LOG_SD)
        tried = BLUR_RATIOS[:, None]
        cost = self._costs(channels, outward, wall_mm, tried) / self._correlated(outward)
        cost += (np.log(tried / BLUR_RATIO_USUAL) / usual_sd) ** 2
        self.ratios = BLUR_RATIOS[np.argmin(cost, axis=0)]
        if wall_mm is not None:
            costs = []
            for self.wall_end_ratio in WALL_END_RATIOS.tolist():
                costs.append(self._costs(channels, outward, wall_mm, self.ratios[None]).sum())
            self.wall_end_ratio = float(WALL_END_RATIOS[int(np.argmin(costs))])

    def tune_arris(self, channels: Array, outward: Array) -> float:
        """Fit the arris to groups of blocks; returns where the wall lies, mm outward.

        Every arris of a grid is tried at every place near by, and weighed by its likelihood.
        """
        groups = np.array_split(np.arange(len(channels)), max(1, min(6, len(channels) // 4)))
        means = np.stack([channels[g].mean(axis=0) for g in groups])
        # Grain is shared by the blocks of a group as far as it runs along the side.
        scale = len(groups[0]) / GRAIN_WIDENING / self._correlated(outward)
        misfit = scale * self._arris_costs(means, outward)
        free = means.size / self._correlated(outward) - 10 * len(groups)
        chi2 = max(1.0, float(misfit.min()) / max(free, 1.0))
        radius, side_light, mirrored = np.transpose(ARRISES)
        usual = (np.log(radius / ARRIS_MM) / ARRIS_LOG_SD) ** 2
        usual += ((side_light - SIDE_LIGHT) / SIDE_LIGHT_SD) ** 2
        usual += ((mirrored - MIRRORED) / MIRRORED_SD) ** 2
        misfit = misfit / chi2 + usual[:, None]
        likely = np.exp(-0.5 * (misfit - misfit.min()))
        likely /= likely.sum()
        best, _ = np.unravel_index(int(np.argmax(likely)), likely.shape)
        self.arris = ARRISES[int(best)]
        at = likely.sum(axis=0)
        place = float(at @ ARRIS_PLACES_MM)
        spread = float(at @ (ARRIS_PLACES_MM - place) ** 2) + PLACE_STEP_MM**2 / 12
        self.arris_sd_mm = float(np.sqrt(spread))
        share = likely.sum(axis=1)
        self.likely_arrises = [
            (float(share[i]), ARRISES[i]) for i in np.flatnonzero(share > LIKELY_ENOUGH).tolist()
        ]
        return place

    def shifts(
        self, channels: Array, outward: Array, wall_mm: Array | None, place_mm: float = 0.0
    ) -> tuple[Array, Array]:
        """How far each block's step lies outward of a place, mm, and its standard deviation.

        Both of shape (n,).
        """
        shift, sd = self._shifts(channels, outward - place_mm, wall_mm, [self.arris])
        return shift[0], sd[0]

    def shifts_if(self, channels: Array, outward: Array, arrises: Sequence[Arris]) -> Array:
        """Return the shifts that other arrises would give, mm, (arrises, n)."""
        return self._shifts(channels, outward, None, arrises)[0]

    def _shifts(
        self, channels: Array, outward: Array, wall_mm: Array | None, arrises: Sequence[Arris]
    ) -> tuple[Array, Array]:
        """Shift of the side in each block and its standard deviation, mm, (arrises, n)."""
        alike = self._alike(channels, outward, wall_mm, self.ratios[None], arrises, shifts=True)
        fitted = [blocks.by_shift() for blocks in alike]
        tries = len(arrises)
        residuals = np.concatenate([left.reshape(tries, 3, -1) for left, _, _ in fitted], axis=2)
        middle = [(residuals.shape[2] - 1) // 2, residuals.shape[2] // 2]
        medians = np.partition(residuals**2, middle, axis=2)[..., middle].mean(axis=2)
        variance = medians.mean(axis=1) / 0.455  # of normal noise
        variance = np.maximum(variance, 1e-6)[:, None] * self._correlated(outward)
        shift, sd = np.empty((2, tries, len(channels)))
        for blocks, (_, normal, pull) in zip(alike, fitted, strict=True):
            known = np.diag([1.0, 1 / WALL_END_SD_MM**2][: pull.shape[-1]])
            inverse = np.linalg.inv(normal + variance[..., None, None] * known)
            shift[:, blocks.which] = np.sum(inverse[..., 0, :] * pull, axis=-1)
            sd[:, blocks.which] = np.sqrt(inverse[..., 0, 0] * variance)
        return np.clip(shift, -FURTHEST_SHIFT_MM, FURTHEST_SHIFT_MM), sd

    def _correlated(self, outward: Array) -> float:
        """How many samples share their noise: they lie closer than the blur."""
        return max(1.0, 1.5 * float(self._blur(1.0)) / float(outward[1] - outward[0]))

    def _blur(self, ratio: Array | float) -> Array:
        """Blur of steps with those ratios, softening included, mm."""
        return np.asarray(np.hypot(np.multiply(ratio, self.blur_mm), self.softened_mm))

    def _arris_costs(self, means: Array, outward: Array) -> Array:
        """Summed squares that no levels explain of groups of blocks, (groups, m, 3).

        For every arris and the side at every place: (arrises, places).
        """
        blurs = self._blur(self.ratios)[:, None, None]
        away = outward - ARRIS_PLACES_MM[:, None]
        face, beyond, *slopes = _two_levels(away, blurs)
        # By channel and place: slopes, face, what lies beyond, the side's share for every radius.
        sides = _side_share(away, blurs[:, 0], np.array(ARRIS_RADII_MM)).swapaxes(0, 1)
        columns = np.stack([*slopes, face, beyond, *sides], axis=2)
        normal = columns @ columns.swapaxes(-1, -2)
        slope_known = 1 / (SLOPE_SHARE_PER_MM * _steps(means)) ** 2 + ALMOST_NOTHING
        normal[..., [0, 1], [0, 1]] += slope_known[:, None, None]
        seen = columns @ means.T[:, None]
        # The slopes of light are the same whatever the arris: they are eliminated first.
        slopes_inverse = np.linalg.inv(normal[..., :2, :2])
        told_by_slopes = np.sum(seen[..., :2, :] * (slopes_inverse @ seen[..., :2, :]), (-1, -2))
        followed = normal[..., 2:, :2] @ slopes_inverse
        normal = normal[..., 2:, 2:] - followed @ normal[..., :2, 2:]
        seen = seen[..., 2:, :] - followed @ seen[..., :2, :]
        face2, both, beyond2 = _with_side_light(normal)
        face2, beyond2 = face2 + ALMOST_NOTHING, beyond2 + ALMOST_NOTHING
        of_face, of_both, of_beyond = _with_side_light(seen @ seen.swapaxes(-1, -2))
        told = beyond2 * of_face - 2 * both * of_both + face2 * of_beyond
        told = told / (face2 * beyond2 - both**2) + told_by_slopes
        cost = np.sum(means**2) - told.sum(axis=-2)
        return np.asarray(cost.reshape(len(ARRISES), len(away)))

    def _costs(
        self, channels: Array, outward: Array, wall_mm: Array | None, ratios: Array
    ) -> Array:
        """Summed squares that no levels explain, by blur ratios, (t, 3 or 1), and channel."""
        alike = self._alike(channels, outward, wall_mm, ratios, [self.arris], shifts=False)
        return np.asarray(sum(blocks.cost() for blocks in alike))

    def _alike(
        self,
        channels: Array,
        outward: Array,
        wall_mm: Array | None,
        ratios: Array,
        arrises: Sequence[Arris],
        shifts: bool,
    ) -> list[_Alike]:
        """The blocks that see a wall's far end, and the others, for t blur ratios or arrises."""
        if self.softened_mm > 0:
            sd = self.softened_mm / float(outward[1] - outward[0])
            channels = gaussian_filter1d(channels, sd, axis=1, mode="nearest")
        # Weak knowledge of the levels: light changes slowly, and a narrow wall is like the face.
        steps = _steps(channels)[:, None, None, None]
        known = np.diag([0.0, 0.0, 1.0, 1.0, 0.0]) / (SLOPE_SHARE_PER_MM * steps) ** 2
        found, near = [], np.zeros(len(channels), dtype=bool)
        if wall_mm is not None:
            near = wall_mm < outward[-1] + 3 * self._blur(self.wall_end_ratio)
            wall = np.maximum(wall_mm[near], NARROWEST_WALL_MM)
            light = channels[near].transpose(2, 0, 1)[..., None]
            columns = self._beside_wall(outward, wall, ratios, shifts)
            like_face = np.zeros((5, 5))
            like_face[:2, :2] = [[1.0, -1.0], [-1.0, 1.0]]
            found.append(_Alike(near, light, columns, known + like_face / (2 * steps) ** 2))
        columns = self._alone(outward, ratios, arrises, shifts)
        found.append(_Alike(~near, channels[~near].T[:, None], columns, known[..., :4, :4]))
        return [alike for alike in found if alike.which.any()]

    def _alone(
        self, outward: Array, ratios: Array, arrises: Sequence[Arris], shifts: bool
    ) -> Array:
        """Columns of a side with nothing else near by, (moves, t, 3 or 1, 1, 4, m).

        Face, what lies beyond, the slopes of both; as the side lies and, for ``shifts``, as it
        lies a little further out and in.
        """
        away = outward - SIDE_MOVED_MM[: 3 if shifts else 1, None]
        blurs = self._blur(ratios)
        face, beyond, *slopes = _two_levels(away[:, None, None], blurs[..., None])
        if any(arris != SHARP for arris in arrises):
            radius, side_light, mirrored = np.transpose(arrises)[:, :, None]
            side = np.moveaxis(_side_share(away, blurs, radius), 2, 0)
            # The side's light adds its share of the arris to the face, what it mirrors to beyond.
            face = face + (side_light[..., None] - 1) * side
            beyond = beyond + mirrored[..., None] * side
        columns = np.broadcast_arrays(face, beyond, *slopes)
        return np.stack(columns, axis=-2)[..., None, :, :]

    def _beside_wall(self, outward: Array, wall_mm: Array, ratios: Array, shifts: bool) -> Array:
        """Columns of a side and its wall, (moves, 1, 3 or 1, b, 5, m).

        Face, wall, the slopes of both, and the ground past the wall; as they lie and, for
        ``shifts``, with the side a little further out and in, then the wall's far end. ``wall_mm``
        is where the latter lies in each of b blocks.
        """
        moves = len(SIDE_MOVED_MM) if shifts else 1
        away = outward - SIDE_MOVED_MM[:moves, None]
        ends = wall_mm[:, None] + WALL_END_MOVED_MM[:moves, None, None]
        past = ndtr((outward - ends) / self._blur(self.wall_end_ratio))[:, None, None]
        blurs = self._blur(ratios)[..., None, None]
        face, beyond, face_slope, slope = _two_levels(away[:, None, None, None], blurs)
        columns = [face, beyond * (1 - past), face_slope, slope * (1 - past), beyond * past]
        return np.stack(np.broadcast_arrays(*columns), axis=-2)


def _steps(channels: Array) -> Array:
    """Change of light across the side in each channel, never nothing, (3,)."""
    change = channels[:, -3:].mean(axis=(0, 1)) - channels[:, :3].mean(axis=(0, 1))
    return np.asarray(np.abs(change) + 1.0)


def _two_levels(away: Array, blur: Array) -> tuple[Array, Array, Array, Array]:
    """A blurred step at zero: the face's share, what lies beyond, and the slopes of both."""
    beyond = ndtr(away / blur)
    face = 1 - beyond
    return face, beyond, face * np.minimum(away, 0), beyond * np.maximum(away, 0)


def _with_side_light(products: Array) -> tuple[Array, Array, Array]:
    """Products of face and what lies beyond with themselves, for every arris.

    The side's light adds its share of the arris to the face, and what it mirrors to what lies
    beyond. From the products, (3, places, 5, 5), of face, what lies beyond and the side's share
    for every radius: face by face, face by beyond and beyond by beyond, each of shape
    (radii, side's lights, mirrored shares, 3, places), or 1 where it is the same for all.
    """
    products = np.ascontiguousarray(np.moveaxis(products, (-2, -1), (0, 1)))
    side = 2 + np.arange(len(ARRIS_RADII_MM))
    ff, fb, bb = products[0, 0], products[0, 1], products[1, 1]
    fs, bs, ss = (products[row, side][:, None, None] for row in (0, 1, side))
    more = np.reshape(SIDE_LIGHTS, (-1, 1, 1, 1)) - 1
    mirrored = np.reshape(MIRRORED_SHARES, (-1, 1, 1))
    return (
        ff + more * (2 * fs + more * ss),
        fb + more * bs + mirrored * (fs + more * ss),
        bb + mirrored * (2 * bs + mirrored * ss),
    )


def _side_share(away: Array, blur: Array, radius: Array) -> Array:
    """Blurred share of the side's light over the arris, which ends at zero.

    For all of ``blur`` and ``radius``, broadcast: their shape and that of ``away``.
    """
    blur, radius = np.broadcast_arrays(blur, radius)
    share = np.empty((*blur.shape, *away.shape))
    for i in np.ndindex(*blur.shape):
        # The share is smooth over a blur: looked up, where many places are asked for.
        table = _side_table(float(blur[i]), float(radius[i]))
        share[i] = np.interp(away, *table, left=0.0, right=0.0)
    return share


@lru_cache(maxsize=64)
def _side_table(blur: float, radius: float) -> tuple[Array, Array]:
    """Places outward of the arris's end, mm, and the side's share there, shape (n,) each."""
    cell = radius / ARRIS_CELLS
    places = -radius + cell * (np.arange(ARRIS_CELLS) + 0.5)
    sine = 1 + places / radius
    share = (1 - np.sqrt(1 - sine**2) + sine) / 2
    edges = np.append(places - cell / 2, 0.0)
    reach = 4 * blur
    grid = np.arange(-radius - reach, reach, blur / 4)
    past = ndtr((grid[:, None] - edges) / blur)
    return grid, np.asarray((past[:, :-1] - past[:, 1:]) @ share)
