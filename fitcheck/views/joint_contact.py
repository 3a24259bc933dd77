"""What the openings of a seam are, given how they look and that the limb is bolted down.

A seam shows a little more or less than its opening: rounded arrises add a groove, and a limb
that stands out or back by the riser's side moves its edge by parallax. Both are the same at
either end, so that the photograph tells the wedge far better than the opening itself.

What is known beside the photograph: parts cannot overlap, and a flat limb that is bolted on a
flat pad touches it somewhere. Mostly that is at one end of the seam; where pad or limb is
rolled it may be on the other side, and then this side stands open from end to end. So the
prior is a mixture: touching at the butt, touching at the riser's end, closed from end to end,
open at both. Bayes' theorem weighs the four by the openings that were seen (JCGM 101, 6.1;
mixture priors: Gelman et al., "Bayesian Data Analysis", 3rd ed., 2013, ch. 22). Nothing is
forced: a seam that is clearly open at both ends comes out so.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fitcheck.uncertainty import draw_correlated

Array = NDArray[np.float64]

# How often seats are found so; common experience, no source.
TOUCHES_AT_BUTT, TOUCHES_AT_END, CLOSED, OPEN = 0.35, 0.35, 0.1, 0.2
TYPICAL_OPEN_MM = 0.15  # mean opening at the nearer end of a seam that touches at neither
WIDEST_MM = 1.0  # of the other end; sets how the closed seam weighs against the others
TRIALS = 20_000


@dataclass(frozen=True, eq=False)
class Openings:
    """Draws from what is known of the two openings, butt first.

    Attributes
    ----------
    opening_mm
        Shape (draws, 2); never negative.
    parts_mm
        By source, how far its error moved the openings, shape (draws, 2) each: the opening
        that was seen plus all parts is the opening.
    touches
        Probability that the seam is closed at either end, shape (2,).
    """

    opening_mm: Array
    parts_mm: dict[str, Array]
    touches: Array

    @property
    def best_mm(self) -> Array:
        """The openings' medians, mm, shape (2,)."""
        return np.asarray(np.median(self.opening_mm, axis=0))


def openings(
    seen_mm: Array,
    covariance: Array,
    shared_sd_mm: dict[str, float],
    rng: np.random.Generator,
    count: int,
) -> Openings:
    """Draw openings from what was seen.

    Parameters
    ----------
    seen_mm
        Openings as they appear, butt and riser's end, shape (2,).
    covariance
        Of their own errors, mm², shape (2, 2), positive definite.
    shared_sd_mm
        Source to the standard deviation of an error that both ends share, mm.
    rng
        Source of randomness.
    count
        Number of draws.

    Returns
    -------
    The draws.

    Raises
    ------
    ValueError
        If shapes do not match or nothing agrees with what was seen.
    """
    if seen_mm.shape != (2,) or covariance.shape != (2, 2):
        raise ValueError(
            f"expected two openings and their covariance, got {seen_mm.shape}, {covariance.shape}"
        )
    names = list(shared_sd_mm)
    # Errors: own of either end, then the shared ones; an end's opening is seen + its errors.
    size = 2 + len(names)
    prior = np.zeros((size, size))
    prior[:2, :2] = covariance
    prior[range(2, size), range(2, size)] = np.square(list(shared_sd_mm.values()))
    sums = np.zeros((2, size))
    sums[0, 0] = sums[1, 1] = 1.0
    sums[:, 2:] = 1.0

    drawn = draw_correlated(rng, prior, TRIALS)
    groups = []
    for weight, closed in (
        (TOUCHES_AT_BUTT, [0]),
        (TOUCHES_AT_END, [1]),
        (CLOSED, [0, 1]),
        (OPEN, []),
    ):
        errors, likelihood = _given_closed(seen_mm, drawn, prior, sums, closed)
        opening = seen_mm + errors @ sums.T
        opening[:, closed] = 0.0
        smaller = np.minimum(opening[:, 0], opening[:, 1])
        share = np.where(smaller >= 0, 1.0, 0.0)
        if len(closed) == 1:
            share /= WIDEST_MM
        if not closed:
            nearer = np.exp(-smaller / TYPICAL_OPEN_MM) / TYPICAL_OPEN_MM
            share *= nearer / (2 * WIDEST_MM)
        groups.append((errors, opening, weight * likelihood * share / TRIALS))
    errors, opening, mass = (np.concatenate(part) for part in zip(*groups, strict=True))
    total = float(np.sum(mass))
    if not np.isfinite(total) or total <= 0:
        raise ValueError(f"no opening of at least zero agrees with {seen_mm} mm as seen")
    # Systematic resampling: every draw stands for the same share of the mass.
    places = (np.arange(count) + rng.random()) / count
    chosen = np.searchsorted(np.cumsum(mass) / total, places).clip(0, len(mass) - 1)
    rng.shuffle(chosen)
    errors, opening = errors[chosen], opening[chosen]
    parts = {"edge": errors[:, :2]}
    for k, name in enumerate(names):
        parts[name] = np.repeat(errors[:, 2 + k, None], 2, axis=1)
    return Openings(opening, parts, np.mean(opening == 0.0, axis=0))


def _given_closed(
    seen_mm: Array, errors: Array, prior: Array, sums: Array, closed: list[int]
) -> tuple[Array, float]:
    """Errors given that some ends are closed, and how likely that is (a density).

    Conditioning draws of a normal distribution on linear sums (matrix form of the Kalman update).
    """
    if not closed:
        return errors, 1.0
    rows = sums[closed]
    spread = rows @ prior @ rows.T
    needed = -seen_mm[closed]
    gain = prior @ rows.T @ np.linalg.inv(spread)
    errors = errors + (needed - errors @ rows.T) @ gain.T
    exponent = -0.5 * float(needed @ np.linalg.solve(spread, needed))
    density = np.exp(exponent) / np.sqrt(np.linalg.det(2 * np.pi * spread))
    return errors, float(density)
