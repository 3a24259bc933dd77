"""Straight lines through points in a plane."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

TUKEY = 4.685  # biweight constant: 95 % efficient on normal errors (Beaton & Tukey 1974)
FEWEST_POINTS = 8


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
    design = np.stack([np.ones_like(along), along], axis=1)
    solution = np.array([np.median(across), 0.0])
    scale = 1e-5
    for _ in range(50):
        residual = across - design @ solution
        scale = max(1.4826 * median_of_few(np.abs(residual)), 1e-5)
        ratio = residual / (TUKEY * scale)
        weights = np.where(np.abs(ratio) < 1, (1 - ratio**2) ** 2, 0.0)
        updated = weighted_line(design, across, weights)
        if updated is None:
            return None
        moved = np.max(np.abs(updated - solution))
        solution = updated
        if moved < 1e-7:
            break
    residual = across - design @ solution
    kept = np.abs(residual) < TUKEY * scale
    if np.count_nonzero(kept) < max(FEWEST_POINTS, len(along) // 2):
        return None
    variance = float(np.sum(residual[kept] ** 2)) / (int(np.count_nonzero(kept)) - 2)
    normal = design[kept].T @ design[kept]
    covariance = np.linalg.inv(normal) * variance * widening_of(np.where(kept, residual, 0.0))
    return RobustLine(float(solution[0]), float(solution[1]), covariance, scale, kept)


def weighted_line(design: Array, across: Array, weights: Array) -> Array | None:
    """Least squares for offset and slope, in closed form: NumPy's takes several times as long.

    Parameters
    ----------
    design
        Ones and places along, mm, shape (n, 2).
    across, weights
        Errors across, mm, and what each counts, shape (n,).

    Returns
    -------
    Offset and slope, shape (2,); None where what counts lies nearly on one spot.
    """
    weighted = weights[:, None] * design
    (total, first), (_, second) = design.T @ weighted
    determinant = total * second - first**2
    # Trace² over determinant is the condition of two rows by two, near enough.
    if determinant <= 1e-12 * (total + second) ** 2:
        return None
    right, turned = across @ weighted
    pulled = np.array([second * right - first * turned, total * turned - first * right])
    return np.asarray(pulled / determinant)


def median_of_few(values: Array) -> float:
    """Median of some dozens of values, shape (n,), same unit; NumPy's takes five times as long."""
    half = len(values) // 2
    if len(values) % 2:
        return float(np.partition(values, half)[half])
    return float(np.partition(values, [half - 1, half])[half - 1 : half + 1].mean())


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
