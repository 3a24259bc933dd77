"""Straight lines through points in a plane."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

TUKEY = 4.685  # biweight constant: 95 % efficient on normal errors (Beaton & Tukey 1974)
FEWEST_POINTS = 8
ALL_KEPT = 0.995  # of the points: the others would be told as 0 %


@dataclass(frozen=True, eq=False)
class RobustLine:
    """``across = offset + slope * along``, fitted without heeding outliers.

    Attributes
    ----------
    offset, slope
        Of the line; the offset is at ``along = 0``, in the unit of the points.
    covariance
        Of offset and slope, shape (2, 2).
    scatter
        Robust standard deviation of the points about the line.
    kept
        Which points agree with the line, shape (n,).
    """

    offset: float
    slope: float
    covariance: Array
    scatter: float
    kept: NDArray[np.bool_]


def orthogonal_line(points: Array) -> tuple[Array, Array]:
    """Fit a line with errors in both directions (total least squares).

    The direction of greatest spread, after Pearson, "On lines and planes of closest fit to
    systems of points in space", Philosophical Magazine 2 (1901).

    Parameters
    ----------
    points
        Shape (n, 2), n at least 2, not all on one spot; mm or any other unit.

    Returns
    -------
    A point on the line and its unit direction, shape (2,) each.

    Raises
    ------
    ValueError
        If there are too few points or they lie on one spot.
    """
    points = np.asarray(points, dtype=np.float64)
    if points.ndim != 2 or points.shape[1] != 2 or len(points) < 2:
        raise ValueError(f"expected at least 2 points of 2 coordinates, got shape {points.shape}")
    middle = points.mean(axis=0)
    _, spread, directions = np.linalg.svd(points - middle, full_matrices=False)
    if spread[0] <= 1e-12 * max(1.0, float(np.max(np.abs(points)))):
        raise ValueError("the points lie on one spot, so no line goes through them alone")
    return middle, directions[0]


def robust_line(along: Array, across: Array) -> RobustLine | None:
    """Fit a line to errors across it, by reweighted least squares (Tukey's biweight).

    Parameters
    ----------
    along, across
        Coordinates of the points, shape (n,), mm, in order along the line.

    Returns
    -------
    The line; None if fewer than half of the points, or fewer than eight, agree with one.
    Neighbouring points may be correlated, as grain and JPEG make them: the covariance is
    widened by the residuals' autocorrelation.
    """
    if len(along) < FEWEST_POINTS:
        return None
    terms = terms_of_line(along, across)
    offset, slope = float(np.median(across)), 0.0
    residual = across - offset
    for _ in range(50):
        scale = max(1.4826 * median_of_few(np.abs(residual)), 1e-5)
        line = weighted_line(terms, biweight(residual / scale))
        if line is None:
            return None
        moved = max(abs(line[0] - offset), abs(line[1] - slope))
        offset, slope = line
        residual = across - offset - slope * along
        if moved < 1e-7:
            break
    kept = np.abs(residual) < TUKEY * scale
    count = int(np.count_nonzero(kept))
    if count < max(FEWEST_POINTS, len(along) // 2):
        return None
    agreeing = np.where(kept, residual, 0.0)
    variance = float(agreeing @ agreeing) / (count - 2)
    design = np.stack([np.ones_like(along), along], axis=1)[kept]
    covariance = np.linalg.inv(design.T @ design) * variance * widening_of(agreeing)
    return RobustLine(offset, slope, covariance, scale, kept)


def biweight(ratio: Array) -> Array:
    """Weights of residuals over their robust standard deviation, shape (n,), from 1 to 0.

    Source: Beaton & Tukey, "The fitting of power series", Technometrics 16 (1974).
    """
    return np.asarray(np.maximum(1 - (ratio / TUKEY) ** 2, 0.0) ** 2)


def terms_of_line(along: Array, across: Array) -> Array:
    """What :func:`weighted_line` takes sums of, shape (5, n), from points, mm, shape (n,)."""
    return np.stack([np.ones_like(along), along, along**2, across, along * across])


def weighted_line(terms: Array, weights: Array) -> tuple[float, float] | None:
    """Least squares for offset and slope, in closed form: NumPy's takes several times as long.

    Parameters
    ----------
    terms
        From :func:`terms_of_line`, shape (5, n).
    weights
        What each point counts, shape (n,).

    Returns
    -------
    Offset at ``along = 0`` and slope; None where what counts lies nearly on one spot.
    """
    total, first, second, right, turned = (terms @ weights).tolist()
    determinant = total * second - first**2
    # Trace² over determinant is the condition of two rows by two, near enough.
    if determinant <= 1e-12 * (total + second) ** 2:
        return None
    return (
        (second * right - first * turned) / determinant,
        (total * turned - first * right) / determinant,
    )


def median_of_few(values: Array) -> float:
    """Median of some dozens of values, shape (n,), same unit; NumPy's takes ten times as long."""
    ordered = np.sort(values)
    half = len(ordered) // 2
    return float(ordered[half] + ordered[-1 - half]) / 2


def widening_of(residual: Array) -> float:
    """By how much correlated neighbours widen the variance of a mean: 1 + 2 Σ correlation.

    Residuals in order, shape (n,), of any unit.
    """
    total = max(float(np.sum(residual**2)), 1e-18)
    widening = 1.0
    for lag in range(1, min(8, len(residual) // 4)):
        correlation = float(np.sum(residual[lag:] * residual[:-lag])) / total
        if correlation < 0.05:
            break
        widening += 2 * correlation
    return widening
