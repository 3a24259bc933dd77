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
from scipy.optimize import least_squares

from fitcheck.lines import robust_line
from fitcheck.seam_model import (
    BLUR,
    EDGES,
    OPEN_A,
    OPEN_B,
    PAD_A,
    PAD_B,
    ROUND_LIMB,
    ROUND_PAD,
    SeamModel,
    SeamProfiles,
    Sight,
)

Array = NDArray[np.float64]

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
    coarse = SeamModel(profiles.merged(COARSE_BLOCKS), blur_mm, sight, white)
    solutions = _apart([_search(coarse, start) for start in _starts(coarse)])
    model = SeamModel(profiles, blur_mm, sight, white)
    best = _search(model, solutions[0].theta)
    kept = np.ones(n, dtype=bool)
    for _ in range(2):
        agreeing = _agreeing(model, best.theta)
        if np.count_nonzero(agreeing) < LEAST_KEPT * n or np.array_equal(agreeing, kept):
            break
        kept = agreeing
        model.weight = np.where(kept, 1.0, 0.0)
        best = _search(model, best.theta)
    return _report(model, best, solutions, coarse.n, kept)


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


def _starts(model: SeamModel) -> list[Array]:
    """Guesses to search from: what the profiles show, closed, and the likeliest of a grid."""
    closed = np.concatenate([[0.0, 0.0, CLOSED_MM, CLOSED_MM], model.known_mean])
    closed[[ROUND_PAD, ROUND_LIMB]] = np.log(HIDDEN_RADIUS_MM)
    guesses = [np.concatenate([_half_light(model), model.known_mean]), closed]
    tried = np.array(
        [
            [-share * a, -share * b, a, b, *model.known_mean]
            for a in OPENING_GUESSES_MM
            for b in OPENING_GUESSES_MM
            for share in LINE_SHARES
        ]
    )
    costs = [float(np.sum(model.residuals(guess) ** 2)) for guess in tried]
    for k in np.argsort(costs):
        # A guess next to one that was chosen leads to the same solution.
        apart = [float(np.max(np.abs((tried[k] - c)[:EDGES]))) for c in guesses]
        if min(apart) > NEXT_GUESS_MM:
            guesses.append(tried[k])
        if len(guesses) == MOST_STARTS:
            break
    return guesses


def _half_light(model: SeamModel) -> Array:
    """Edges where the light falls to half, down and up from the darkest place, (4,)."""
    grey = model.light.mean(axis=0)
    low, high = (f.mean(axis=0)[:, None] for f in (model.rough_pad, model.rough_limb))
    near = np.abs(model.up) < DARKEST_WITHIN_MM
    darkest = np.argmin(np.where(near, grey, np.inf), axis=1)
    dark = np.take_along_axis(grey, darkest[:, None], axis=1)
    i = np.arange(model.m)
    lit_below = (i < darkest[:, None]) & (grey > (dark + low) / 2)
    lit_above = (i > darkest[:, None]) & (grey > (dark + high) / 2)
    pad = np.where(lit_below, i, -1).max(axis=1)
    limb = np.where(lit_above, i, model.m).min(axis=1)
    told = (pad >= 0) & (limb < model.m)
    ends = []
    for edge in (pad, limb):
        up = model.up[np.clip(edge, 0, model.m - 1)]
        line = robust_line(model.share[told], up[told])
        if line is None:
            ends.append(np.full(2, float(np.median(up))))
        else:
            ends.append(line.offset + line.slope * np.array([0.0, 1.0]))
    return np.concatenate([ends[0], np.maximum(ends[1] - ends[0], 0.02)])


def _search(model: SeamModel, theta: Array) -> _Solution:
    """Search from a guess of all parameters."""
    scale = np.concatenate([np.full(EDGES, 0.05), model.known_sd])
    inside = np.clip(theta, model.lowest + 1e-6, model.highest - 1e-6)
    found = least_squares(
        model.residuals,
        inside,
        jac=model.jacobian,
        bounds=(model.lowest, model.highest),
        x_scale=scale,
        xtol=1e-4,
        ftol=1e-4,
        max_nfev=MOST_STEPS,
    )
    return _Solution(found.x, float(found.cost), found.jac)


def _agreeing(model: SeamModel, theta: Array) -> NDArray[np.bool_]:
    """Which blocks the model fits about as well as the others."""
    kept_weight, model.weight = model.weight, np.ones(model.n)
    size = np.sqrt(np.mean(model.block_residuals(theta) ** 2, axis=1))
    model.weight = kept_weight
    typical = float(np.median(size))
    spread = 1.4826 * float(np.median(np.abs(size - typical)))
    return np.asarray(size <= typical + OUTLIER_SIGMAS * max(spread, 0.1 * typical))


def _report(
    model: SeamModel,
    best: _Solution,
    others: list[_Solution],
    blocks: int,
    kept: NDArray[np.bool_],
) -> SeamFit:
    """Covariance, rivals, found with so many blocks, and what else the fit tells."""
    theta = best.theta
    information = best.jacobian.T @ best.jacobian
    covariance = np.linalg.inv(information + 1e-9 * np.eye(len(theta)))[:EDGES, :EDGES]
    pad_shift, limb_shift = model.shifts(theta)

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
    levels = np.stack([one.by_block[:, [3, 1, 4]] for one in model.solve(theta)], axis=-1)
    misfit = np.sqrt(np.mean(model.block_residuals(theta)[kept] ** 2))
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
