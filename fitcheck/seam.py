"""A seam between two parts: a narrow band of unknown light between two straight edges.

The opening of a seam is from nothing to a few pixels, often less than the blur, and what is
seen in it is not one thing: the shadow between the parts, strips of their inner faces, and,
where the camera looks right through, whatever lies behind. So all that is known is fitted at
once to profiles across the seam, block by block along it:

- two straight edges, the pad's and the limb's, with an opening that is not negative;
- the light of either side face: a level and grain of its own in every block, because grain
  beside an edge can pass for a part of it;
- rounded arrises, whose light falls off like a cosine as they turn inward
  (:mod:`fitcheck.arris`);
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
from scipy.ndimage import gaussian_filter1d
from scipy.optimize import least_squares
from scipy.special import ndtr

Array = NDArray[np.float64]

# How well the model of light can hold, as shares of the light: what grain, JPEG and the
# blur's tails leave. Neighbouring samples share it, so it is set larger than a single
# sample's misfit, or the data would outvote every prior.
MISFIT_SHARE = 0.03
HALO_SHARE = 0.02
MISFIT_OF_WHITE = 0.006
HALO_BLURS = 2.5

# Of a side's light. Grain is some 10 %, by common experience; it is alike in half a dozen
# neighbouring blocks but is counted in each, so its variance is set as much larger.
GRAIN_SHARE = 0.25
GRAIN_MM = 0.15  # distance over which grain keeps its shade
BLUR_PRIOR_LOG_SD = 0.05  # seam and card lie in one plane
RADIUS_PRIOR_MM = 0.1  # arrises at a seam are hardly broken; common practice, no source
RADIUS_PRIOR_LOG_SD = 0.5
# Light of an inner face and of what is seen through, as shares of the card's paper: mean,
# spread, and change per square root of a block of 2 mm.
INNER_LIGHT = (0.02, 0.03, 0.01)
THROUGH_LIGHT = (0.5, 0.8, 0.02)
FAR_SHARE_RELATIVE_SD = 0.2
# Far edges of the opening are out of focus by the lens's opening, about 2.5 mm on a
# telephone (f/1.8 at 4.5 to 6 mm; from memory). A disc's standard deviation is a quarter of it.
APERTURE_MM = 2.5
FAR_BLUR_LOG_SD = 0.5
CELLS = 6  # of the opening, between which its light may change
WIDEST_MM = 2.0
FURTHEST_MM = 1.2  # of the pad's edge from where it was expected

# An arris's light is the mean of four steps, where its cosine passes 7/8, 5/8, 3/8 and 1/8.
ARRIS_STEPS = np.sqrt(1 - np.array([0.875, 0.625, 0.375, 0.125]) ** 2)

# Where the search starts from: the line that was found may be either edge.
PAD_GUESSES_MM = (-0.4, -0.2, 0.0, 0.2)
_LOW, _HIGH = (0.02, 0.2), (0.02, 0.2, 0.4, 0.6, 0.9, 1.3)
OPENING_GUESSES_MM = sorted(
    {(a, b) for a in _LOW for b in _HIGH}
    | {(b, a) for a in _LOW for b in _HIGH}
    | {(0.4, 0.4), (0.7, 0.7), (1.0, 1.0)}
)
NEXT_GUESS_MM = 0.21
MOST_STARTS = 5
MOST_FOLLOWED = 3
COARSE_BLOCKS = 9
SAME_SOLUTION_MM = 0.03

MOST_STEPS = 40
OUTLIER_SIGMAS = 4.5
LEAST_KEPT = 0.6
SAME_OPENING_MM = 0.08  # two solutions nearer than this are one
# Solutions this much less likely, in natural logarithms, are no rivals.
RIVAL_LIMIT = 3.0
INDEPENDENT_PER_BLOCK = 12.0  # samples, in two of three colours, after blur and grain

# Parameters of the search.
PAD_A, PAD_B, OPEN_A, OPEN_B, STRIP, FAR, BLUR, FAR_BLUR, ROUND_PAD, ROUND_LIMB = range(10)
EDGES = 4  # of which the first four are the edges


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
        At least eight blocks and twelve places across.
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
    rough = _apart([coarse.search(start, MOST_STEPS) for start in coarse.likely_starts()])
    model = _Model(profiles, blur_mm, sight, white)
    solutions = [model.search_from(found.theta, MOST_STEPS) for found in rough[:MOST_FOLLOWED]]
    solutions.sort(key=lambda found: found.cost)
    best = solutions[0]
    kept = np.ones(n, dtype=bool)
    for _ in range(2):
        agreeing = model.agreeing(best.theta)
        if np.count_nonzero(agreeing) < LEAST_KEPT * n or np.array_equal(agreeing, kept):
            break
        kept = agreeing
        model.weight = np.where(kept, 1.0, 0.0)
        best = model.search_from(best.theta, MOST_STEPS)
    return model.report(best, solutions, kept)


@dataclass(frozen=True, eq=False)
class _Solution:
    theta: Array
    cost: float
    jacobian: Array


def _apart(solutions: list[_Solution]) -> list[_Solution]:
    """Solutions that differ, the best first."""
    different: list[_Solution] = []
    for found in sorted(solutions, key=lambda one: one.cost):
        gaps = [np.max(np.abs((found.theta - d.theta)[:EDGES])) for d in different]
        if min(gaps, default=np.inf) > SAME_SOLUTION_MM:
            different.append(found)
    return different


def _merged(profiles: SeamProfiles) -> SeamProfiles:
    """Neighbouring blocks joined, so that few are left for a first look."""
    n = len(profiles.along_mm)
    groups = max(1, n // COARSE_BLOCKS)
    if groups == 1:
        return profiles
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


@dataclass(frozen=True, eq=False)
class _Levels:
    """Linear solution, colours first: opening (3, n, 3), sides (3, n, 2), residual (3, n, m)."""

    opening: Array
    sides: Array
    residual: Array
    prior_residual: Array


class _Model:
    """The light across a seam for given edges, and how far it is from the profiles."""

    def __init__(self, profiles: SeamProfiles, blur_mm: float, sight: Sight, white: float) -> None:
        self.light = profiles.light
        self.up = profiles.up_mm
        self.n, self.m = self.light.shape[:2]
        along = profiles.along_mm
        self.share = (along - profiles.ends_mm[0]) / float(np.ptp(profiles.ends_mm))
        self.white = white
        self.weight = np.ones(self.n)

        pitch = float(self.up[1] - self.up[0])
        halo = gaussian_filter1d(self.light, HALO_BLURS * blur_mm / pitch, axis=1, mode="nearest")
        variance = (
            profiles.noise**2
            + (MISFIT_SHARE * self.light) ** 2
            + (HALO_SHARE * halo) ** 2
            + (MISFIT_OF_WHITE * white) ** 2
        )
        # Colours first from here on.
        self.colours = np.ascontiguousarray(np.moveaxis(self.light, -1, 0))
        self.variance = np.ascontiguousarray(np.moveaxis(variance, -1, 0))
        edge = max(3, self.m // 6)
        self.rough_sides = np.stack(
            [np.median(self.light[:, :edge], axis=1), np.median(self.light[:, -edge:], axis=1)]
        )
        self.pitch_knots = max(GRAIN_MM, 1.5 * blur_mm)
        self.knots_pad = np.arange(int(-self.up[0] / self.pitch_knots) + 2)
        self.knots_limb = np.arange(int(self.up[-1] / self.pitch_knots) + 2)

        block_mm = float(along[1] - along[0])
        self.light_prior, self.light_mean = _light_prior(self.n, block_mm, white)
        self.light_root = np.linalg.cholesky(self.light_prior).T

        far_blur = APERTURE_MM / 4 * sight.far_share
        self.prior_mean = np.array(
            [
                sight.strip_mm,
                sight.far_share,
                np.log(blur_mm),
                np.log(far_blur),
                np.log(RADIUS_PRIOR_MM),
                np.log(RADIUS_PRIOR_MM),
            ]
        )
        self.prior_sd = np.array(
            [
                sight.strip_sd_mm,
                FAR_SHARE_RELATIVE_SD * sight.far_share,
                BLUR_PRIOR_LOG_SD,
                FAR_BLUR_LOG_SD,
                RADIUS_PRIOR_LOG_SD,
                RADIUS_PRIOR_LOG_SD,
            ]
        )
        reach = 6 * self.prior_sd
        far = FURTHEST_MM
        self.lowest = np.concatenate([[-far, -far, 0.0, 0.0], self.prior_mean - reach])
        self.highest = np.concatenate([[far, far, WIDEST_MM, WIDEST_MM], self.prior_mean + reach])

    def likely_starts(self) -> Array:
        """The few most likely of a grid of guesses of the edges, shape (k, 4)."""
        tried = np.array(
            [
                [pad_a, pad_b, *openings]
                for pad_a in PAD_GUESSES_MM
                for pad_b in PAD_GUESSES_MM
                for openings in OPENING_GUESSES_MM
            ]
        )
        costs = [
            float(np.sum(self.residuals(np.concatenate([guess, self.prior_mean])) ** 2))
            for guess in tried
        ]
        order = np.argsort(costs)
        chosen = [tried[order[0]]]
        for k in order[1:]:
            # A guess next to one that was chosen leads to the same solution.
            if min(float(np.max(np.abs(tried[k] - c))) for c in chosen) > NEXT_GUESS_MM:
                chosen.append(tried[k])
            if len(chosen) == MOST_STARTS:
                break
        return np.array(chosen)

    def search(self, start: Array, most_steps: int) -> _Solution:
        """Search from a guess of the four edge parameters."""
        return self.search_from(np.concatenate([start, self.prior_mean]), most_steps)

    def search_from(self, theta: Array, most_steps: int) -> _Solution:
        """Search from a guess of all parameters."""
        scale = np.concatenate([np.full(EDGES, 0.05), self.prior_sd])
        inside = np.clip(theta, self.lowest + 1e-6, self.highest - 1e-6)
        found = least_squares(
            self.residuals,
            inside,
            jac=lambda at: self.jacobian(at, scale),
            bounds=(self.lowest, self.highest),
            x_scale=scale,
            xtol=1e-4,
            ftol=1e-5,
            max_nfev=most_steps,
        )
        return _Solution(found.x, float(found.cost), found.jac)

    def jacobian(self, theta: Array, scale: Array) -> Array:
        """Derivatives by steps of a fiftieth of each parameter's scale, away from the bounds."""
        here = self.residuals(theta)
        columns = []
        for k, step in enumerate(scale / 50):
            there = theta.copy()
            there[k] += step if theta[k] + step < self.highest[k] else -step
            columns.append((self.residuals(there) - here) / (there[k] - theta[k]))
        return np.stack(columns, axis=1)

    def residuals(self, theta: Array) -> Array:
        """Everything that should be small: profiles, levels and parameters in their sds."""
        levels = self.solve(theta)
        own = (theta[EDGES:] - self.prior_mean) / self.prior_sd
        return np.concatenate([levels.residual.ravel(), levels.prior_residual, own])

    def shapes(self, theta: Array) -> tuple[Array, Array]:
        """Shapes that the levels multiply.

        Returns
        -------
        Of the opening's light, (n, m, 3): pad's inner face, seen through, limb's inner face;
        and of the sides, (n, m, knots + 2): grain beside the pad's edge, beside the limb's,
        the pad's side, the limb's side.
        """
        pad = theta[PAD_A] + (theta[PAD_B] - theta[PAD_A]) * self.share
        gap = theta[OPEN_A] + (theta[OPEN_B] - theta[OPEN_A]) * self.share
        limb = pad + gap
        blur = np.exp(theta[BLUR])
        up = self.up[None, :]

        def beyond(place: Array) -> Array:
            return np.asarray(ndtr((up - place[:, None]) / blur))

        radius_pad, radius_limb = np.exp(theta[[ROUND_PAD, ROUND_LIMB]])
        past_pad = np.mean([beyond(pad - radius_pad * (1 - x)) for x in ARRIS_STEPS], axis=0)
        past_limb = np.mean([beyond(limb + radius_limb * (1 - x)) for x in ARRIS_STEPS], axis=0)

        # The opening in cells; where the far edges are seen in it, out of focus.
        ends = pad[:, None] + gap[:, None] * np.linspace(0, 1, CELLS + 1)[None, :]
        steps = [past_pad, *(beyond(ends[:, k]) for k in range(1, CELLS)), past_limb]
        cells = np.stack([steps[k] - steps[k + 1] for k in range(CELLS)], axis=-1)
        middles = (ends[:, :-1] + ends[:, 1:]) / 2
        far_blur = np.exp(theta[FAR_BLUR])
        low = (pad + theta[STRIP])[:, None]
        high = low + (gap * (1 - theta[FAR]))[:, None]
        past_low, past_high = ndtr((middles - low) / far_blur), ndtr((middles - high) / far_blur)
        seen = np.stack([1 - past_low, past_low - past_high, past_high], axis=-1)
        opening = cells @ seen

        grain_pad = _hats(pad[:, None] - up, self.pitch_knots, self.knots_pad)
        grain_limb = _hats(up - limb[:, None], self.pitch_knots, self.knots_limb)
        on_pad, on_limb = (1 - past_pad)[..., None], past_limb[..., None]
        sides = np.concatenate(
            [grain_pad * on_pad, grain_limb * on_limb, on_pad, on_limb], axis=-1
        )
        return opening, sides

    def solve(self, theta: Array) -> _Levels:
        """Solve for the levels: the sides' block by block, the opening's together."""
        opening, sides = self.shapes(theta)
        n, pads = self.n, len(self.knots_pad)
        grains = pads + len(self.knots_limb)
        scaled = np.broadcast_to(sides, (3, *sides.shape)).copy()
        scaled[..., :pads] *= self.rough_sides[0].T[:, :, None, None]
        scaled[..., pads:grains] *= self.rough_sides[1].T[:, :, None, None]
        weight = self.weight[None, :, None] / self.variance
        light = self.colours[..., None]

        # Blocks without weight still need solvable equations.
        free = np.concatenate([np.full(grains, GRAIN_SHARE**-2), np.full(2, 1e-6 / self.white**2)])
        scaled_t = np.swapaxes(scaled * weight[..., None], -1, -2)
        opening_t = np.swapaxes(opening * weight[..., None], -1, -2)
        cross = scaled_t @ opening
        eliminated = np.linalg.solve(
            scaled_t @ scaled + np.diag(free),
            np.concatenate([cross, scaled_t @ light], axis=-1),
        )
        cross_t = np.swapaxes(cross, -1, -2)
        block = opening_t @ opening - cross_t @ eliminated[..., :3]
        right = (opening_t @ light - cross_t @ eliminated[..., 3:])[..., 0]

        level = np.empty((3, 3 * n))
        for colour in range(3):
            normal = self.light_prior.copy().reshape(n, 3, n, 3)
            normal[np.arange(n), :, np.arange(n), :] += block[colour]
            target = right[colour].ravel() + self.light_prior @ self.light_mean
            level[colour] = _not_negative(normal.reshape(3 * n, 3 * n), target)
        found = level.reshape(3, n, 3)
        side_level = eliminated[..., 3] - (eliminated[..., :3] @ found[..., None])[..., 0]
        modelled = opening @ found[..., None] + scaled @ side_level[..., None]
        prior = [
            ((level - self.light_mean) @ self.light_root.T).ravel(),
            side_level[..., :grains].ravel() / GRAIN_SHARE,
        ]
        return _Levels(
            found,
            side_level[..., grains:],
            (light - modelled)[..., 0] * np.sqrt(weight),
            np.concatenate(prior),
        )

    def block_residuals(self, theta: Array) -> Array:
        """Residuals of the profiles by block, shape (n, 3 m)."""
        residual = self.solve(theta).residual
        return np.swapaxes(residual, 0, 1).reshape(self.n, -1)

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

    def report(self, best: _Solution, others: list[_Solution], kept: NDArray[np.bool_]) -> SeamFit:
        """Covariance, rivals and what else the fit tells."""
        theta = best.theta
        information = best.jacobian.T @ best.jacobian
        covariance = np.linalg.inv(information + 1e-9 * np.eye(len(theta)))[:EDGES, :EDGES]
        pad_shift, limb_shift = self.shifts(theta)

        independent = INDEPENDENT_PER_BLOCK * self.n
        per_sample = max(2 * others[0].cost / independent, 1.0)
        rival_mm = 0.0
        for other in others[1:]:
            less_likely = (other.cost - others[0].cost) / per_sample
            apart = other.theta[:EDGES] - others[0].theta[:EDGES]
            if less_likely < RIVAL_LIMIT and np.max(np.abs(apart[2:])) > SAME_OPENING_MM:
                rival_mm = max(rival_mm, float(np.max(np.abs(apart[2:]))))
                covariance = covariance + np.exp(-less_likely) * np.outer(apart, apart) / 2

        solved = self.solve(theta)
        levels = np.stack(
            [solved.sides[..., 0], solved.opening[..., 1], solved.sides[..., 1]], axis=-1
        )
        misfit = np.sqrt(np.mean(solved.residual[:, kept] ** 2))
        return SeamFit(
            pad_mm=theta[[PAD_A, PAD_B]],
            opening_mm=theta[[OPEN_A, OPEN_B]],
            covariance=np.asarray(covariance, dtype=np.float64),
            pad_shift_mm=pad_shift,
            limb_shift_mm=limb_shift,
            kept=kept,
            blur_mm=float(np.exp(theta[BLUR])),
            radii_mm=(float(np.exp(theta[ROUND_PAD])), float(np.exp(theta[ROUND_LIMB]))),
            levels=np.moveaxis(levels, 0, -1),
            misfit=float(misfit),
            rival_mm=rival_mm,
        )


def _light_prior(n: int, block_mm: float, white: float) -> tuple[Array, Array]:
    """Precision (3 n, 3 n) and mean of the opening's light: near a mean, slow along it."""
    differences = np.diff(np.eye(n), axis=0)
    chain = differences.T @ differences
    precision = np.zeros((n, 3, n, 3))
    mean = np.zeros((n, 3))
    for k, (middle, spread, change) in enumerate((INNER_LIGHT, THROUGH_LIGHT, INNER_LIGHT)):
        per_block = change * white * np.sqrt(block_mm / 2)
        precision[:, k, :, k] = chain / per_block**2 + np.eye(n) / (n * (spread * white) ** 2)
        mean[:, k] = middle * white
    return precision.reshape(3 * n, 3 * n), mean.ravel()


def _not_negative(normal: Array, target: Array) -> Array:
    """Solve normal equations for levels of light, which cannot be negative."""
    level = np.linalg.solve(normal, target)
    held = np.zeros(len(target))
    for _ in range(3):
        negative = (level < -1e-6) & (held == 0)
        if not negative.any():
            break
        held[negative] = 1e4 * np.diag(normal)[negative]
        level = np.linalg.solve(normal + np.diag(held), target)
    return np.asarray(level)


def _hats(inward: Array, pitch: float, knots: NDArray[np.int_]) -> Array:
    """Hat functions of the distance into a side, (n, m, knots); the first also beyond it."""
    hats = np.clip(1 - np.abs(inward[..., None] / pitch - knots), 0.0, 1.0)
    hats[..., 0] = np.where(inward < 0, 1.0, hats[..., 0])
    return np.asarray(hats)
