"""Where a blurred step lies in a profile, to a small part of a pixel.

The model is a step of light blurred by a Gaussian: ``level + rise * Phi((x - x0) / blur)``.
Its least-squares fit reaches the Cramér–Rao bound for independent noise, which for a known
profile of one sample per pixel is 1.8828 * (noise / rise) * sqrt(blur) pixels.
Many profiles are fitted at once by Levenberg–Marquardt steps (Marquardt, J. SIAM 11, 1963).

Two things seen in photographs are part of the model: a band (the white gap between a
chequer square and the marker beside it) and a ceiling (over-exposed light is cut off).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

Array = NDArray[np.float64]

ITERATIONS = 14
SETTLED = 1e-5  # of a blur's width: a step this small ends a profile's fit
CEILING = 0.98  # linear light; above it a picture clips, and so does the model


@dataclass(frozen=True, eq=False)
class StepFit:
    """Fitted steps, one per profile; arrays of shape (n,).

    Attributes
    ----------
    offset
        Where the step lies, in the unit of the positions.
    offset_sd
        Its standard deviation from the profile's own noise; infinite where no step is.
    blur
        Standard deviation of the Gaussian, same unit.
    level, rise
        Light before the step and change across it, 0 to 1.
    misfit
        Root mean square residual divided by the absolute rise.
    """

    offset: Array
    offset_sd: Array
    blur: Array
    level: Array
    rise: Array
    misfit: Array


def fit_steps(
    positions: Array,
    profiles: Array,
    blur: float,
    band: Array | float = np.inf,
    weights: Array | float = 1.0,
    reach: float | None = None,
    rise: float | None = None,
) -> StepFit:
    """Fit one blurred step to each profile.

    Parameters
    ----------
    positions
        Where the samples lie, increasing, shape (m,), any unit.
    profiles
        Linear light at those positions, shape (n, m).
    blur
        First guess of the blur's standard deviation, in the unit of the positions.
    band
        Distance from the step to a second one that takes the light back, per profile;
        infinite: none.
    weights
        Relative weights of the samples, broadcast to (n, m).
    reach
        How far from zero the step may lie; the whole profile when not given.
    rise
        The step's height where it is known; fitted when not given.

    Returns
    -------
    The fitted steps.

    Raises
    ------
    ValueError
        If shapes do not match or fewer than six samples are given.
    """
    profiles = np.atleast_2d(np.asarray(profiles, dtype=np.float64))
    n, m = profiles.shape
    if positions.shape != (m,) or m < 6:
        raise ValueError(
            f"expected at least 6 positions for profiles of {m} samples, got {positions.shape}"
        )
    far = np.broadcast_to(np.asarray(band, dtype=np.float64), (n,))[:, None]
    root_weights = np.sqrt(np.broadcast_to(np.asarray(weights, dtype=np.float64), (n, m)))
    reach = float(np.max(np.abs(positions))) if reach is None else reach

    before = _mean(profiles, positions[None, :] < -blur, root_weights)
    after = _mean(
        profiles, (positions[None, :] > blur) & (positions[None, :] < far - blur), root_weights
    )
    theta = np.stack([np.zeros(n), np.full(n, np.log(blur)), before, after - before], axis=1)
    free = np.array([1.0, 1.0, 1.0, 1.0])
    if rise is not None:
        theta[:, 3], free[3] = rise, 0.0
    lowest, highest = np.log(blur / 6), np.log(blur * 6)

    def linearised(theta: Array, some: NDArray[np.intp]) -> tuple[Array, Array, Array]:
        """Of k profiles the cost (k,), the normal matrix (k, 4, 4) and its right side (k, 4)."""
        model, slopes = _model(theta, positions, far[some])
        residual = (profiles[some] - model) * root_weights[some]
        slopes *= root_weights[some, None, :]
        normal = slopes @ np.swapaxes(slopes, 1, 2) * (free * free[:, None])
        pull = (slopes @ residual[:, :, None])[..., 0] * free
        return np.sum(residual**2, axis=1), normal, pull

    going = np.arange(n)
    cost, normal, pull = linearised(theta, going)
    damping = np.full(n, 1e-3)
    diagonal = np.arange(4)
    for _ in range(ITERATIONS):
        damped = normal[going]
        damped[:, diagonal, diagonal] *= 1 + damping[going, None]
        damped[:, diagonal, diagonal] += 1e-12
        step = np.linalg.solve(damped, pull[going, :, None])[..., 0]
        step[:, 0] = np.clip(step[:, 0], -blur, blur)
        step[:, 1] = np.clip(step[:, 1], -0.5, 0.5)
        tried = theta[going] + step
        tried[:, 0] = np.clip(tried[:, 0], -reach, reach)
        tried[:, 1] = np.clip(tried[:, 1], lowest, highest)
        tried_cost, tried_normal, tried_pull = linearised(tried, going)
        better = tried_cost <= cost[going]
        moved = np.abs(tried - theta[going]) > SETTLED * np.array([blur, 1.0, 1.0, 1.0])
        taken = going[better]
        theta[taken], cost[taken] = tried[better], tried_cost[better]
        normal[taken], pull[taken] = tried_normal[better], tried_pull[better]
        damping[going] = np.clip(damping[going] * np.where(better, 0.25, 5.0), 1e-7, 1e7)
        going = going[moved.any(axis=1)]
        if not len(going):
            break

    variance = cost / max(m - 4, 1)
    offset_variance = np.linalg.inv(normal + 1e-12 * np.eye(4))[:, 0, 0] * variance
    height = theta[:, 3]
    lost = (np.abs(theta[:, 0]) >= reach) | (np.abs(height) < 1e-6)
    misfit = np.sqrt(variance) / np.maximum(np.abs(height), 1e-6)
    return StepFit(
        offset=theta[:, 0],
        offset_sd=np.where(lost, np.inf, np.sqrt(np.maximum(offset_variance, 0))),
        blur=np.exp(theta[:, 1]),
        level=theta[:, 2],
        rise=height,
        misfit=misfit,
    )


def _mean(profiles: Array, chosen: NDArray[np.bool_], root_weights: Array) -> Array:
    """Weighted mean of the chosen samples of each profile; of all, where none is chosen."""
    weights = np.broadcast_to(chosen, profiles.shape) * root_weights**2
    weights = np.where(weights.sum(axis=1, keepdims=True) > 0, weights, 1.0)
    return np.asarray(np.sum(profiles * weights, axis=1) / np.sum(weights, axis=1))


def _model(theta: Array, positions: Array, far: Array) -> tuple[Array, Array]:
    """Return the modelled profiles (n, m) and their derivatives (n, 4, m)."""
    offset, log_blur, level, rise = (theta[:, i, None] for i in range(4))
    blur = np.exp(log_blur)
    near_z = (positions - offset) / blur
    density = np.exp(-0.5 * near_z**2)
    shape, by_blur = ndtr(near_z), density * near_z
    banded = np.isfinite(far[:, 0])
    far_z = near_z[banded] - far[banded] / blur[banded]
    far_density = np.exp(-0.5 * far_z**2)
    shape[banded] -= ndtr(far_z)
    density[banded] -= far_density
    by_blur[banded] -= far_density * far_z
    light = level + rise * shape
    slopes = np.empty((len(theta), 4, len(positions)))
    height = rise / np.sqrt(2 * np.pi)
    np.multiply(-height / blur, density, out=slopes[:, 0])
    np.multiply(-height, by_blur, out=slopes[:, 1])
    slopes[:, 2] = 1.0
    slopes[:, 3] = shape
    if np.any(clipped := light > CEILING):
        light = np.where(clipped, CEILING, light)
        slopes *= ~clipped[:, None, :]
    return light, slopes
