"""A seam between two parts: a narrow band of little light between two straight edges.

The opening of a seam is from nothing to a few pixels, often less than the blur. It is black,
or nearly so, but for strips of the parts' inner faces and, where the camera looks right
through, whatever lies behind. What lies beside it is not plain: laminations and grain run
along with a seam. So all that is known is fitted at once to profiles across it:

- two straight edges, the pad's and the limb's, with an opening that is not negative;
- the light of either side face: a level in every block along the seam, times a texture that
  all blocks share and that may wander the more, the further it is from the edge;
- rounded arrises, whose light falls off as they turn inward;
- in the opening, from the pad's edge to the limb's: the pad's inner face, what is seen
  through, and the limb's inner face. Where one gives way to the other follows from where the
  camera stands and how deep the parts are. Inner faces lie in shadow. Their light changes
  slowly along the seam;
- the camera's blur, known from the card beside it.

All levels are linear in the light and are solved for exactly inside each step of the search
for the edges (variable projection: Golub & Pereyra, SIAM J. Numer. Anal. 10, 1973).
Below the blur, width and darkness of a band trade off against each other; the priors on the
light decide, and what they leave open is in the covariance.

**Strip frame**, millimetres: *along* the seam, and *up* from the pad into the limb.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cho_solve
from scipy.ndimage import gaussian_filter1d
from scipy.optimize import least_squares
from scipy.special import ndtr

from fitcheck.lines import robust_line
from fitcheck.seam_light import (
    KNOT_MM,
    diagonal_blocks,
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
CELLS = 6  # of the opening, between which its light may change
WIDEST_MM = 2.0
FURTHEST_MM = 1.2  # of the pad's edge from where it was expected

# An arris that turns into a seam loses light by its cosine, and once more because the other
# part hides the room from it: cos². Its light is the mean of four steps, where that passes
# 7/8, 5/8, 3/8 and 1/8.
ARRIS_STEPS = np.sqrt(1 - np.array([0.875, 0.625, 0.375, 0.125]))

# Where the search starts from: openings at the two ends. The line that was found runs in the
# opening, or along either edge.
OPENING_GUESSES_MM = (0.03, 0.2, 0.45, 0.8)
LINE_SHARES = (0.0, 0.5, 1.0)  # of the opening, from the pad's edge to the line
DARKEST_WITHIN_MM = 0.35
CLOSED_MM, HIDDEN_RADIUS_MM = 0.01, 0.03
NEXT_GUESS_MM = 0.18
MOST_STARTS = 3
COARSE_BLOCKS = 8
SAME_SOLUTION_MM = 0.03
MOST_STEPS = 25
OUTLIER_SIGMAS = 4.5
LEAST_KEPT = 0.6
SAME_OPENING_MM = 0.08  # two solutions nearer than this are one
# Solutions this much less likely, in natural logarithms, are no rivals.
RIVAL_LIMIT = 3.0
INDEPENDENT_PER_BLOCK = 12.0  # samples, in two of three colours, after blur and grain

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
class SeamFit:
    """A fitted seam.

    Attributes
    ----------
    pad_mm
        Up position of the pad's edge at the seam's two ends, shape (2,).
    opening_mm
        Opening there, shape (2,), as it appears: with what arrises and parallax add.
    covariance
        Of both, in that order, mm², shape (4, 4); rivals included.
    pad_shift_mm, limb_shift_mm
        How far each block's edge lies off its line, shape (n,); NaN where a block cannot tell.
    kept
        Which blocks agree, shape (n,).
    blur_mm
        Blur, as fitted.
    radii_mm
        Radii of the pad's and the limb's arris, as far as the profiles tell them.
    levels
        Light of the pad's side, of the opening's middle and of the limb's side at every
        block, shape (n, 3, 3), the last axis being the colours.
    misfit
        Root mean square of the residuals, in expected misfits.
    rival_mm
        Largest difference of an opening in another solution that is nearly as likely; zero
        where there is none.
    """

    pad_mm: Array
    opening_mm: Array
    covariance: Array
    pad_shift_mm: Array
    limb_shift_mm: Array
    kept: NDArray[np.bool_]
    blur_mm: float
    radii_mm: tuple[float, float]
    levels: Array
    misfit: float
    rival_mm: float


def fit_seam(
    profiles: SeamProfiles,
    blur_mm: float,
    sight: Sight,
    white: float,
) -> SeamFit:
    """Fit the two edges of a seam.

    Parameters
    ----------
    profiles
        At least eight blocks and twelve places across; the seam's line, as it was found, is
        at zero.
    blur_mm
        Standard deviation of the photograph's blur there, from the card.
    sight
        How the camera looks into the opening.
    white
        Linear light of the card's paper.

    Returns
    -------
    The fit.

    Raises
    ------
    ValueError
        If shapes do not match or there are too few blocks or places.
    """
    n, m = profiles.light.shape[:2]
    if profiles.light.shape != (n, m, 3) or profiles.noise.shape != (n, m, 3):
        raise ValueError(f"expected light and noise (n, m, 3), got {profiles.light.shape}")
    if profiles.along_mm.shape != (n,) or profiles.up_mm.shape != (m,) or n < 8 or m < 12:
        raise ValueError(
            f"expected at least 8 blocks and 12 places, got {profiles.along_mm.shape} and "
            f"{profiles.up_mm.shape} for light of {profiles.light.shape}"
        )
    coarse = _Model(_merged(profiles), blur_mm, sight, white)
    solutions = _apart([coarse.search(start) for start in coarse.starts()])
    model = _Model(profiles, blur_mm, sight, white)
    best = model.search(solutions[0].theta)
    kept = np.ones(n, dtype=bool)
    for _ in range(2):
        agreeing = model.agreeing(best.theta)
        if np.count_nonzero(agreeing) < LEAST_KEPT * n or np.array_equal(agreeing, kept):
            break
        kept = agreeing
        model.weight = np.where(kept, 1.0, 0.0)
        best = model.search(best.theta)
    return model.report(best, solutions, coarse.n, kept)


@dataclass(frozen=True, eq=False)
class _Solution:
    theta: Array
    cost: float
    jacobian: Array


def _merged(profiles: SeamProfiles) -> SeamProfiles:
    """Neighbouring blocks joined, so that few are left for a first look."""
    n = len(profiles.along_mm)
    groups = max(1, n // COARSE_BLOCKS)
    kept = n // groups * groups

    def mean(values: Array) -> Array:
        return np.asarray(values[:kept].reshape(-1, groups, *values.shape[1:]).mean(axis=1))

    return SeamProfiles(
        profiles.ends_mm,
        mean(profiles.along_mm),
        profiles.up_mm,
        mean(profiles.light),
        mean(profiles.noise) / np.sqrt(groups),
    )


def _apart(solutions: list[_Solution]) -> list[_Solution]:
    """Solutions that differ, the best first."""
    different: list[_Solution] = []
    for found in sorted(solutions, key=lambda one: one.cost):
        gaps = [np.max(np.abs((found.theta - d.theta)[:EDGES])) for d in different]
        if min(gaps, default=np.inf) > SAME_SOLUTION_MM:
            different.append(found)
    return different


@dataclass(frozen=True, eq=False)
class _Colour:
    """One colour's levels of light for given edges, and what their derivatives need.

    The shapes as they multiply the levels, (n, m, k), and what they were scaled by, (n, 1, k);
    the samples' weights, (n, m); a Cholesky factor of the normal equations; the levels in the
    order of the unknowns, (p,), and by block, (n, k); and what they leave of the light, (n, m).
    """

    design: Array
    scale: Array
    weight: Array
    factor: tuple[Array, bool]
    levels: Array
    by_block: Array
    left: Array


class _Model:
    """The light across a seam for given edges, and how far it is from the profiles.

    Unknown levels, in this order: of the opening in every block (3 n: pad's inner face, seen
    through, limb's inner face), of the sides in every block (2 n), and the sides' shared
    texture at its knots.
    """

    def __init__(self, profiles: SeamProfiles, blur_mm: float, sight: Sight, white: float) -> None:
        light = profiles.light
        self.up = profiles.up_mm
        self.n, self.m = light.shape[:2]
        along = profiles.along_mm
        self.share = (along - profiles.ends_mm[0]) / float(np.diff(profiles.ends_mm)[0])
        self.weight = np.ones(self.n)

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

        block_mm = float(along[1] - along[0])
        in_opening, light_mean = light_prior(self.n, block_mm, white)
        textures = [texture_prior(len(knots)) for knots in (self.knots_pad, self.knots_limb)]
        sides = np.stack([self.rough_pad, self.rough_limb], axis=-1).reshape(3, -1)
        spread = LEVEL_SD * sides + MISFIT_OF_WHITE * white
        count = len(self.knots_pad) + len(self.knots_limb)
        self.prior = np.stack(
            [diagonal_blocks([in_opening, np.diag(sd**-2.0), *textures]) for sd in spread]
        )
        self.prior_level = np.concatenate(
            [np.broadcast_to(light_mean, (3, 3 * self.n)), sides, np.zeros((3, count))], axis=1
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

    def _beside(self, reach_mm: tuple[float, float]) -> NDArray[np.int_]:
        """Which samples lie beside the seam; the outermost three where it is not seen so far."""
        inside = np.flatnonzero((self.up >= reach_mm[0]) & (self.up <= reach_mm[1]))
        if len(inside) >= 3:
            return inside
        return np.arange(3) if reach_mm[0] < 0 else np.arange(self.m - 3, self.m)

    def starts(self) -> list[Array]:
        """Guesses to search from: what the profiles show, closed, and the likeliest of a grid."""
        closed = np.concatenate([[0.0, 0.0, CLOSED_MM, CLOSED_MM], self.known_mean])
        closed[[ROUND_PAD, ROUND_LIMB]] = np.log(HIDDEN_RADIUS_MM)
        guesses = [np.concatenate([self._half_light(), self.known_mean]), closed]
        tried = np.array(
            [
                [-share * a, -share * b, a, b, *self.known_mean]
                for a in OPENING_GUESSES_MM
                for b in OPENING_GUESSES_MM
                for share in LINE_SHARES
            ]
        )
        costs = [float(np.sum(self.residuals(guess) ** 2)) for guess in tried]
        for k in np.argsort(costs):
            # A guess next to one that was chosen leads to the same solution.
            apart = [float(np.max(np.abs((tried[k] - c)[:EDGES]))) for c in guesses]
            if min(apart) > NEXT_GUESS_MM:
                guesses.append(tried[k])
            if len(guesses) == MOST_STARTS:
                break
        return guesses

    def _half_light(self) -> Array:
        """Edges where the light falls to half, down and up from the darkest place, (4,)."""
        grey = self.light.mean(axis=0)
        low, high = (f.mean(axis=0)[:, None] for f in (self.rough_pad, self.rough_limb))
        near = np.abs(self.up) < DARKEST_WITHIN_MM
        darkest = np.argmin(np.where(near, grey, np.inf), axis=1)
        dark = np.take_along_axis(grey, darkest[:, None], axis=1)
        i = np.arange(self.m)
        lit_below = (i < darkest[:, None]) & (grey > (dark + low) / 2)
        lit_above = (i > darkest[:, None]) & (grey > (dark + high) / 2)
        pad = np.where(lit_below, i, -1).max(axis=1)
        limb = np.where(lit_above, i, self.m).min(axis=1)
        told = (pad >= 0) & (limb < self.m)
        ends = []
        for edge in (pad, limb):
            up = self.up[np.clip(edge, 0, self.m - 1)]
            line = robust_line(self.share[told], up[told])
            if line is None:
                ends.append(np.full(2, float(np.median(up))))
            else:
                ends.append(line.offset + line.slope * np.array([0.0, 1.0]))
        return np.concatenate([ends[0], np.maximum(ends[1] - ends[0], 0.02)])

    def search(self, theta: Array) -> _Solution:
        """Search from a guess of all parameters."""
        scale = np.concatenate([np.full(EDGES, 0.05), self.known_sd])
        inside = np.clip(theta, self.lowest + 1e-6, self.highest - 1e-6)
        found = least_squares(
            self.residuals,
            inside,
            jac=lambda at: self.jacobian(at, scale),
            bounds=(self.lowest, self.highest),
            x_scale=scale,
            xtol=1e-4,
            ftol=1e-4,
            max_nfev=MOST_STEPS,
        )
        return _Solution(found.x, float(found.cost), found.jac)

    def jacobian(self, theta: Array, scale: Array) -> Array:
        """Derivatives of the residuals, shape (r, 8).

        Those of the shapes are taken by steps of a fiftieth of each parameter's scale, away from
        the bounds. How the levels follow is solved for (Golub & Pereyra 1973, equation 5.4, in
        the form of the normal equations).
        """
        steps = np.where(theta + scale / 50 < self.highest, scale / 50, -scale / 50)
        shapes = self.shapes(np.vstack([theta, theta + np.diag(steps)]))
        slopes = (shapes[1:] - shapes[0]) / steps[:, None, None, None]
        of_data, of_levels = [], []
        for prior_root, one in zip(self.prior_root, self._colours(shapes[0]), strict=True):
            turned = slopes * one.scale
            moved = (turned @ one.by_block[..., None])[..., 0]
            pull = np.einsum("pnmk,nm->pnk", turned, one.weight * one.left, optimize=True)
            pull -= (np.swapaxes(one.design, 1, 2) @ (one.weight * moved)[..., None])[..., 0]
            followed = cho_solve(one.factor, self._joined(pull).T, check_finite=False).T
            moved += (one.design @ self._by_block(followed)[..., None])[..., 0]
            of_data.append(-(moved * np.sqrt(one.weight)).reshape(len(theta), -1))
            of_levels.append(followed @ prior_root.T)
        own = np.zeros((len(theta), len(self.known_mean)))
        less = self.may_be_less & (theta[EDGES:] < self.known_mean)
        own[EDGES:] = np.diag(1 / self.known_sd / np.where(less, LESS_ROUND, 1.0))
        wide = np.zeros((len(theta), 2))
        wide[[OPEN_A, OPEN_B], [0, 1]] = 1 / OPENING_PRIOR_MM
        return np.concatenate([*of_data, *of_levels, own, wide], axis=1).T

    def residuals(self, theta: Array) -> Array:
        """Everything that should be small: profiles, levels and parameters in their sds."""
        colours = self.solve(theta)
        data = [(one.left * np.sqrt(one.weight)).ravel() for one in colours]
        levels = [
            root @ (one.levels - mean)
            for root, one, mean in zip(self.prior_root, colours, self.prior_level, strict=True)
        ]
        own = (theta[EDGES:] - self.known_mean) / self.known_sd
        # An arris may be hidden, or as sharp as it was cut, sooner than worn round.
        own = np.where(self.may_be_less & (own < 0), own / LESS_ROUND, own)
        wide = theta[[OPEN_A, OPEN_B]] / OPENING_PRIOR_MM
        return np.concatenate([*data, *levels, own, wide])

    def shapes(self, thetas: Array) -> Array:
        """Shapes that the levels multiply, for guesses (g, 8): shape (g, n, m, k).

        First those of a block's own five levels: pad's inner face, seen through, limb's inner
        face, pad's side, limb's side; then those of the texture, one for each knot.
        """
        pad_a, pad_b, open_a, open_b, strip, blur, round_pad, round_limb = (
            one[:, None] for one in thetas.T
        )
        pad = pad_a + (pad_b - pad_a) * self.share
        gap = open_a + (open_b - open_a) * self.share
        limb = pad + gap
        up = self.up[:, None]

        # Guesses, blocks, samples across, places.
        ends = pad[..., None] + gap[..., None] * np.linspace(0, 1, CELLS + 1)
        rounded = [
            pad[..., None] - np.exp(round_pad)[..., None] * (1 - ARRIS_STEPS),
            limb[..., None] + np.exp(round_limb)[..., None] * (1 - ARRIS_STEPS),
        ]
        places = np.concatenate([ends[..., 1:-1], *rounded], axis=-1)[:, :, None, :]
        past = ndtr((up - places) / np.exp(blur)[..., None, None])
        inner, arrises = past[..., : CELLS - 1], past[..., CELLS - 1 :]
        past_pad, past_limb = (
            np.mean(one, axis=-1, keepdims=True) for one in np.split(arrises, 2, axis=-1)
        )

        # The opening in cells; where the far edges are seen in it, out of focus.
        cells = -np.diff(np.concatenate([past_pad, inner, past_limb], axis=-1), axis=-1)
        middles = (ends[..., :-1] + ends[..., 1:]) / 2
        low = (pad + strip)[..., None]
        high = low + (gap * (1 - self.far_share))[..., None]
        past_low = ndtr((middles - low) / self.far_blur)
        past_high = ndtr((middles - high) / self.far_blur)
        seen = np.stack([1 - past_low, past_low - past_high, past_high], axis=-1)
        on_pad, on_limb = 1 - past_pad, past_limb
        texture_pad = hats(pad[..., None] - self.up, self.knots_pad) * on_pad
        texture_limb = hats(self.up - limb[..., None], self.knots_limb) * on_limb
        return np.concatenate([cells @ seen, on_pad, on_limb, texture_pad, texture_limb], axis=-1)

    def solve(self, theta: Array) -> list[_Colour]:
        """Solve for the levels of every colour."""
        return self._colours(self.shapes(theta[None])[0])

    def _colours(self, shapes: Array) -> list[_Colour]:
        """The levels of every colour for given shapes, (n, m, k)."""
        n, k = self.n, shapes.shape[-1]
        pads = len(self.knots_pad)
        opening, side = 3 * n, 5 * n
        blocks = np.arange(n)
        colours = []
        for colour in range(3):
            weight = self.precision[colour] * self.weight[:, None]
            scale = np.ones((n, 1, k))
            scale[:, 0, 5 : 5 + pads] = self.rough_pad[colour][:, None]
            scale[:, 0, 5 + pads :] = self.rough_limb[colour][:, None]
            design = shapes * scale
            weighted = np.swapaxes(design * weight[..., None], 1, 2)
            normal = weighted @ design
            full = self.prior[colour].copy()
            wanted = full @ self.prior_level[colour]
            in_opening = full[:opening, :opening].reshape(n, 3, n, 3)
            in_opening[blocks, :, blocks, :] += normal[:, :3, :3]
            in_sides = full[opening:side, opening:side].reshape(n, 2, n, 2)
            in_sides[blocks, :, blocks, :] += normal[:, 3:5, 3:5]
            across = np.zeros((n, 3, n, 2))
            across[blocks, :, blocks, :] = normal[:, :3, 3:5]
            full[:opening, opening:side] = across.reshape(opening, side - opening)
            full[:opening, side:] = normal[:, :3, 5:].reshape(opening, -1)
            full[opening:side, side:] = normal[:, 3:5, 5:].reshape(side - opening, -1)
            full[side:, side:] += normal[:, 5:, 5:].sum(axis=0)
            wanted += self._joined((weighted @ self.light[colour][..., None])[..., 0])
            levels, factor = not_negative(full, wanted, opening)
            by_block = self._by_block(levels)
            left = self.light[colour] - (design @ by_block[..., None])[..., 0]
            colours.append(_Colour(design, scale, weight, factor, levels, by_block, left))
        return colours

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
        """Residuals of the profiles by block, shape (n, 3 m)."""
        colours = self.solve(theta)
        return np.concatenate([one.left * np.sqrt(one.weight) for one in colours], axis=1)

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

    def agreeing(self, theta: Array) -> NDArray[np.bool_]:
        """Which blocks the model fits about as well as the others."""
        kept_weight, self.weight = self.weight, np.ones(self.n)
        size = np.sqrt(np.mean(self.block_residuals(theta) ** 2, axis=1))
        self.weight = kept_weight
        typical = float(np.median(size))
        spread = 1.4826 * float(np.median(np.abs(size - typical)))
        return np.asarray(size <= typical + OUTLIER_SIGMAS * max(spread, 0.1 * typical))

    def report(
        self, best: _Solution, others: list[_Solution], blocks: int, kept: NDArray[np.bool_]
    ) -> SeamFit:
        """Covariance, rivals, found with so many blocks, and what else the fit tells."""
        theta = best.theta
        information = best.jacobian.T @ best.jacobian
        covariance = np.linalg.inv(information + 1e-9 * np.eye(len(theta)))[:EDGES, :EDGES]
        pad_shift, limb_shift = self.shifts(theta)

        independent = INDEPENDENT_PER_BLOCK * blocks
        per_sample = max(2 * others[0].cost / independent, 1.0)
        rival_mm = 0.0
        for other in others[1:]:
            less_likely = (other.cost - others[0].cost) / per_sample
            apart = other.theta[:EDGES] - others[0].theta[:EDGES]
            if less_likely < RIVAL_LIMIT and np.max(np.abs(apart[2:])) > SAME_OPENING_MM:
                rival_mm = max(rival_mm, float(np.max(np.abs(apart[2:]))))
                covariance = covariance + np.exp(-less_likely) * np.outer(apart, apart) / 2

        # Of the pad's side, the opening's middle and the limb's side.
        levels = np.stack([one.by_block[:, [3, 1, 4]] for one in self.solve(theta)], axis=-1)
        misfit = np.sqrt(np.mean(self.block_residuals(theta)[kept] ** 2))
        return SeamFit(
            pad_mm=theta[[PAD_A, PAD_B]],
            opening_mm=theta[[OPEN_A, OPEN_B]],
            covariance=np.asarray(covariance, dtype=np.float64),
            pad_shift_mm=pad_shift,
            limb_shift_mm=limb_shift,
            kept=kept,
            blur_mm=float(np.exp(theta[BLUR])),
            radii_mm=(float(np.exp(theta[ROUND_PAD])), float(np.exp(theta[ROUND_LIMB]))),
            levels=levels,
            misfit=float(misfit),
            rival_mm=rival_mm,
        )
