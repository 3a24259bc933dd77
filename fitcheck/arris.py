"""Where a side truly ends, when its arris is rounded.

No arris is sharp. Over the radius of its rounding the surface turns away from the face, and
what light it returns turns with it, so that a blurred step fitted there lies up to a third of
the radius inside the side. The width of a part is measured to its wall, so the light across
the edge is modelled as it comes about:

- the face, and the quarter round that goes over into the wall, with the light of a matt
  surface under a wide sky and one lamp or window: a share of the face's light goes with
  ``(1 + cos φ) / 2``, the rest with ``max(0, cos φ + t · sin φ)``, where t is the tangent of
  the lamp's angle from the face's normal, negative where the lamp stands on the other side and
  leaves the round in its own shadow; besides some light from the ground, with ``sin φ``;
- what lies beyond: the ground or, where the camera sees it, the wall;
- the camera's blur.

The mean profile of a whole edge is fitted at once, in three colours that share the place, the
radius, the blur and the lamp's angle; levels and gentle slopes of light follow linearly.
The blur is known from the card's edges beside the part. The radius has a broad prior from
common practice. Lambert's cosine law is all that is assumed of the surface; what a gloss adds
stays in the misfit and so in the uncertainty.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d
from scipy.optimize import least_squares

Array = NDArray[np.float64]

GRID_MM = 0.02
RADIUS_PRIOR_MM = 0.3  # a lightly eased edge; common practice, no source
RADIUS_PRIOR_LOG_SD = 0.5
RADIUS_LIMITS_MM = (0.03, 1.2)
SKY_SHARE = 0.35  # of the face's light that comes from everywhere
MOST_TOWARD = 2.5
STARTS = ((0.0, 0.3), (0.15, -0.7))  # place and lamp's tangent: either side may be lit
TOWARD_PRIOR_SD = 0.8  # of the tangent of the lamp's angle: from the other side as from this one
# Light that the wall gets from the ground, over that of the face.
WALL_PRIOR = 0.1
WALL_PRIOR_SD = 0.15
BLUR_PRIOR_LOG_SD = 0.12
SLOPE_PRIOR_PER_MM = 0.12  # of the step, inside and outside: light changes slowly beside an edge
GRAIN_MM = 0.15  # distance over which grain keeps its shade
MISFIT_FLOOR = 0.01  # of the step: no model of light is better
MODEL_SD_MM = 0.008  # what the model leaves out: gloss, burrs, sharpening


@dataclass(frozen=True, eq=False)
class ArrisFit:
    """Where a side ends.

    Attributes
    ----------
    offset_mm
        Place of the wall in the profile's coordinate.
    offset_sd_mm
        Its standard uncertainty, radius and blur included.
    radius_mm
        Radius of the rounding, as far as the photograph tells it.
    toward
        Tangent of the lamp's angle, positive where it stands on this side.
    misfit
        Root mean square residual over the largest step of the three colours.
    light
        The fitted light, shape (m, 3).
    levels
        What it is made of for each block of rows anew: the face and what lies beyond,
        shape (m, 2), one where only that is seen.
    """

    offset_mm: float
    offset_sd_mm: float
    radius_mm: float
    toward: float
    misfit: float
    light: Array
    levels: Array


@dataclass(frozen=True, eq=False)
class EdgeProfile:
    """Mean light across an edge, and what is needed to fit it.

    Attributes
    ----------
    outward_mm
        Places across the edge, evenly spaced, away from the part, shape (m,), mm.
    light
        Linear light there, shape (m, 3).
    noise
        How far the three colours wander where there is no edge, shape (3,): grain that runs
        with the edge does not average out along it.
    blur_mm
        Blur of the photograph there (standard deviation), from the card, mm.
    ray_slope
        How far the ray moves outward as it goes one down: positive where the camera looks
        at the face from the inside and does not see the wall.
    """

    outward_mm: Array
    light: Array
    noise: Array
    blur_mm: float
    ray_slope: float


def fit_arris(profile: EdgeProfile) -> ArrisFit:
    """Fit the mean profile across an edge.

    Parameters
    ----------
    profile
        The light across the edge.

    Returns
    -------
    The fit.

    Raises
    ------
    ValueError
        If shapes do not match.
    """
    outward_mm, light, noise = profile.outward_mm, profile.light, profile.noise
    blur_mm, ray_slope = profile.blur_mm, profile.ray_slope
    m = len(outward_mm)
    if light.shape != (m, 3) or noise.shape != (3,):
        raise ValueError(
            f"expected light ({m}, 3) and noise (3,), got {light.shape}, {noise.shape}"
        )
    n = max(2, m // 6)
    steps = np.abs(light[-n:].mean(axis=0) - light[:n].mean(axis=0))
    step = float(max(np.max(steps), 1e-4))
    sd = np.maximum(noise, MISFIT_FLOOR * step)

    face = light[:n].mean(axis=0)
    # Priors on the linear levels enter as rows of their own.
    ridge = np.zeros((3, 5, 5))
    ridge[:, 0, 1] = sd / (WALL_PRIOR_SD * face)
    ridge[:, 1, 3] = ridge[:, 2, 4] = sd / (SLOPE_PRIOR_PER_MM * step)
    wanted = np.zeros((3, 5))
    wanted[:, 0] = sd * WALL_PRIOR / WALL_PRIOR_SD

    def explained(theta: Array) -> tuple[Array, Array, Array]:
        """The design, and for each colour the best levels and what the priors leave."""
        place, log_radius, log_blur, toward = theta
        away = outward_mm - place
        shapes = _shapes(away, np.exp(log_radius), np.exp(log_blur), toward, ray_slope)
        design = np.stack([*shapes, shapes[0] * np.minimum(away, 0), shapes[2] * away], axis=1)
        normal = design.T @ design + np.swapaxes(ridge, 1, 2) @ ridge + 1e-9 * np.eye(5)
        right = design.T @ light + np.einsum("cij,ci->jc", ridge, wanted)
        levels = np.linalg.solve(normal, right.T[..., None])[..., 0]
        return design, levels, wanted - np.einsum("cij,cj->ci", ridge, levels)

    def residuals(theta: Array) -> Array:
        design, levels, left = explained(theta)
        _, log_radius, log_blur, toward = theta
        known = [
            (log_radius - np.log(RADIUS_PRIOR_MM)) / RADIUS_PRIOR_LOG_SD,
            (log_blur - np.log(blur_mm)) / BLUR_PRIOR_LOG_SD,
            toward / TOWARD_PRIOR_SD,
        ]
        misfit = (light - design @ levels.T) / sd
        return np.concatenate([misfit.ravel(), (left[:, :3] / sd[:, None]).ravel(), known])

    low, high = outward_mm[0] * 0.6, outward_mm[-1] * 0.8
    bounds = (
        [low, np.log(RADIUS_LIMITS_MM[0]), np.log(blur_mm / 3), -MOST_TOWARD],
        [high, np.log(RADIUS_LIMITS_MM[1]), np.log(blur_mm * 3), MOST_TOWARD],
    )
    best = None
    for start, toward in STARTS:
        theta = [np.clip(start, low, high), np.log(RADIUS_PRIOR_MM), np.log(blur_mm), toward]
        found = least_squares(
            residuals,
            theta,
            bounds=bounds,
            x_scale=[0.05, 0.5, 0.1, 0.5],
            xtol=1e-5,
            ftol=1e-6,
            max_nfev=60,
        )
        if best is None or found.cost < best.cost:
            best = found
    assert best is not None  # noqa: S101 - the loop ran
    theta = best.x
    design, levels, _ = explained(theta)
    fitted = design @ levels.T
    misfit = (light - fitted) / sd
    # Neighbouring samples share blur and grain, and the colours share most of the grain:
    # count what is independent, three colours as two.
    span = float(outward_mm[-1] - outward_mm[0])
    independent = 2 * max(4.0, span / max(1.5 * blur_mm, GRAIN_MM))
    chi2 = max(1.0, float(np.mean(misfit**2)))
    information = best.jac.T @ best.jac
    prior_sd = [RADIUS_PRIOR_LOG_SD, BLUR_PRIOR_LOG_SD, TOWARD_PRIOR_SD]
    priors = np.diag([0.0, *np.power(prior_sd, -2)])
    data = (information - priors) * (independent / (3 * m)) / chi2
    covariance = np.linalg.inv(data + priors + 1e-9 * np.eye(4))
    return ArrisFit(
        offset_mm=float(theta[0]),
        offset_sd_mm=float(np.hypot(np.sqrt(max(covariance[0, 0], 0.0)), MODEL_SD_MM)),
        radius_mm=float(np.exp(theta[1])),
        toward=float(theta[3]),
        misfit=float(np.sqrt(np.mean((misfit * sd) ** 2)) / step),
        light=fitted,
        levels=design[:, [0, 2]],
    )


def _shapes(
    places: Array, radius: float, blur: float, toward: float, ray_slope: float
) -> tuple[Array, Array, Array]:
    """Blurred light of a part, of its wall lit from the ground, and of the ground.

    At places outward of the wall, of any shape.
    """
    margin = 5 * blur
    grid = np.arange(places.min() - margin, places.max() + margin + GRID_MM, GRID_MM)
    last = np.arctan2(1.0, ray_slope) if ray_slope > 0 else np.pi / 2
    angle = np.linspace(0.0, last, 60)
    # A point of the round lies r(1 − cos φ) down; its ray meets the face's plane elsewhere.
    seen = -radius + radius * (np.sin(angle) - (1 - np.cos(angle)) * ray_slope)
    # Cells at the end count by the share of them that is still the part.
    covered = np.clip((seen[-1] - grid) / GRID_MM + 0.5, 0.0, 1.0)
    lit = SKY_SHARE * (1 + np.cos(angle)) / 2 + (1 - SKY_SHARE) * np.maximum(
        np.cos(angle) + toward * np.sin(angle), 0.0
    )
    from_face = np.where(grid < seen[0], 1.0, np.interp(grid, seen, lit))
    from_side = np.where(grid < seen[0], 0.0, np.interp(grid, seen, np.sin(angle)))
    sigma = blur / GRID_MM
    face, wall, beyond = (
        np.interp(places, grid, gaussian_filter1d(light, sigma, mode="nearest"))
        for light in (from_face * covered, from_side * covered, 1 - covered)
    )
    return face, wall, beyond
