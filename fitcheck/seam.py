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
light decide, and what they leave open is in the covariance. Where a dark layer beside the
seam or light in the opening would explain far more, and another opening, that is taken, or told
as a rival (:mod:`fitcheck.seam_readings`).

**Strip frame**, millimetres: *along* the seam, and *up* from the pad into the limb.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fitcheck.edges import Rival
from fitcheck.seam_model import SeamModel
from fitcheck.seam_profiles import FEWEST_BLOCKS, FEWEST_PLACES, SeamProfiles
from fitcheck.seam_readings import Choice, choose, other_readings
from fitcheck.seam_search import (
    FINELY,
    ROUGHLY,
    SAME_OPENING_MM,
    Solution,
    search,
    searched_again,
    starts,
)
from fitcheck.seam_shapes import (
    BLUR,
    EDGES,
    OPEN_A,
    OPEN_B,
    PAD_A,
    PAD_B,
    ROUND_LIMB,
    ROUND_PAD,
    Sight,
)

Array = NDArray[np.float64]

COARSE_BLOCKS = 8
OUTLIER_SIGMAS = 4.5
LEAST_KEPT = 0.6
# Where the best leaves so small a share of a solution's misfit, the solution is none.
HOPELESS = 0.25
# Solutions this much less likely, in natural logarithms, are no rivals.
RIVAL_LIMIT = 3.0
# Samples of a block that tell something new, after blur, and grain that runs on from block to
# block.
INDEPENDENT_PER_BLOCK = 4.0


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
        Of both, in that order, mm², shape (4, 4); other solutions for a dark seam included.
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
        Root mean square of the residuals, in expected misfits, of the reading with this opening
        that leaves the least.
    rival_mm
        Largest difference of an opening in another solution that is nearly as likely; zero
        where there is none.
    reading
        What the opening was taken for: ``dark``, beside a dark ``layer``, or with ``light`` in
        it (:mod:`fitcheck.seam_readings`).
    rivals
        Openings in other readings; they are not in the covariance.
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
    reading: str = "dark"
    rivals: tuple[Rival, ...] = ()


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
    if (
        profiles.along_mm.shape != (n,)
        or profiles.up_mm.shape != (m,)
        or n < FEWEST_BLOCKS
        or m < FEWEST_PLACES
    ):
        raise ValueError(
            f"expected at least {FEWEST_BLOCKS} blocks and {FEWEST_PLACES} places, got "
            f"{profiles.along_mm.shape} and "
            f"{profiles.up_mm.shape} for light of {profiles.light.shape}"
        )
    model, few = (
        SeamModel(those, blur_mm, sight, white)
        for those in (profiles.merged(COARSE_BLOCKS), profiles.few())
    )
    rough = search(few, starts(model, few), ROUGHLY)
    solutions = searched_again(model, rough, HOPELESS)
    plain = min(rough, key=lambda one: one.cost)
    choice = choose(solutions, other_readings(model, few, solutions[0], plain))
    blocks = model.n
    if blocks < n:
        model = SeamModel(profiles, blur_mm, sight, white)
    model = model.read_as(choice.reading)
    (best,) = search(model, [choice.solutions[0].theta], FINELY)
    kept = np.ones(n, dtype=bool)
    for _ in range(2):
        agreeing = _agreeing(model, best.theta)
        if np.count_nonzero(agreeing) < LEAST_KEPT * n or np.array_equal(agreeing, kept):
            break
        kept = agreeing
        model = model.counting(kept)
        (best,) = search(model, [best.theta], FINELY)
    return _report(model, best, choice, blocks)


def _agreeing(model: SeamModel, theta: Array) -> NDArray[np.bool_]:
    """Which blocks the model fits about as well as the others."""
    everything = model.counting(np.ones(model.n, dtype=bool))
    left = everything.solve(theta[None]).left[0]
    size = np.sqrt(np.mean(left**2, axis=(0, 2)))
    typical = float(np.median(size))
    spread = 1.4826 * float(np.median(np.abs(size - typical)))
    return np.asarray(size <= typical + OUTLIER_SIGMAS * max(spread, 0.1 * typical))


def _report(model: SeamModel, best: Solution, choice: Choice, blocks: int) -> SeamFit:
    """Covariance, rivals, found with so many blocks, and what else the fit tells."""
    theta = best.theta
    covariance = np.linalg.inv(best.information + 1e-9 * np.eye(len(theta)))[:EDGES, :EDGES]
    pad_shift, limb_shift, found = model.shifts(theta)

    rival_mm = 0.0
    for likely, apart in _other_solutions(choice, blocks):
        rival_mm = max(rival_mm, float(np.max(np.abs(apart[OPEN_A:]))))
        covariance = covariance + likely * np.outer(apart, apart) / 2
    for rival in choice.rivals:
        rival_mm = max(rival_mm, float(np.max(np.abs(rival.apart_mm))))

    # Of the pad's side, the opening's middle and the limb's side.
    levels = np.moveaxis(found.by_block[0, :, [3, 1, 4]], 0, 1)
    misfit = np.sqrt(choice.left * np.mean(found.left[0][:, model.kept] ** 2))
    return SeamFit(
        pad_mm=theta[[PAD_A, PAD_B]],
        opening_mm=theta[[OPEN_A, OPEN_B]],
        covariance=np.asarray(covariance, dtype=np.float64),
        pad_shift_mm=pad_shift,
        limb_shift_mm=limb_shift,
        kept=model.kept,
        blur_mm=float(np.exp(theta[BLUR])),
        radii_mm=(float(np.exp(theta[ROUND_PAD])), float(np.exp(theta[ROUND_LIMB]))),
        levels=levels,
        misfit=float(misfit),
        rival_mm=rival_mm,
        reading=choice.name,
        rivals=tuple(choice.rivals),
    )


def _other_solutions(choice: Choice, blocks: int) -> list[tuple[float, Array]]:
    """How likely other solutions for a dark seam are, and how far their edges lie away, mm."""
    if choice.name != "dark":
        return []
    first, *others = choice.solutions
    per_sample = max(2 * first.cost / (INDEPENDENT_PER_BLOCK * blocks), 1.0)
    rivals = []
    for other in others:
        less_likely = (other.cost - first.cost) / per_sample
        apart = (other.theta - first.theta)[:EDGES]
        if less_likely < RIVAL_LIMIT and np.max(np.abs(apart[OPEN_A:])) > SAME_OPENING_MM:
            rivals.append((float(np.exp(-less_likely)), apart))
    return rivals
