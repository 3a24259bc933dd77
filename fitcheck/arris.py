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
- what a gloss adds or takes: it mirrors one part of the room from the face and, within some
  15 degrees of the round, another; how bright that is, more or less, is not known;
- what lies beyond: the ground or, where the camera sees it, the wall;
- the camera's blur.

The mean profile of a whole edge is fitted at once, in three colours that share the place, the
radius, the blur and the lamp's angle; levels and gentle slopes of light follow linearly.
The blur is known from the card's edges beside the part. The radius has a broad prior from
common practice. What no such model catches, the camera's own sharpening and colour, counts as
a share of a pixel; where the fit leaves much of the step unexplained, as a share of the radius.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from fitcheck.descent import descended

Array = NDArray[np.float64]

CELLS = 24  # of the round
DIFFERENCE = 1e-6  # for derivatives: small against every prior, large against rounding
RADIUS_PRIOR_MM = 0.3  # a lightly eased edge; common practice, no source
RADIUS_PRIOR_LOG_SD = 0.5
RADIUS_LIMITS_MM = (0.03, 1.2)
SKY_SHARE = 0.35  # of the face's light that comes from everywhere
MOST_TOWARD = 2.5
# Mean square of the residuals, in the noise's, at which a fit leaves nothing for a second start.
EXPLAINED = 0.25
TOLERANCE, MOST_STEPS = 1e-7, 60  # of the squares' sum
DAMPING = 1.0  # of the first step: a radius too large explains many an edge nearly as well
STARTS = ((0.0, 0.3), (0.15, -0.7))  # place and lamp's tangent: either side may be lit
TOWARD_PRIOR_SD = 0.8  # of the tangent of the lamp's angle: from the other side as from this one
# Light that the wall gets from the ground, over that of the face.
WALL_PRIOR = 0.1
WALL_PRIOR_SD = 0.15
BLUR_PRIOR_LOG_SD = 0.12
SLOPE_PRIOR_PER_MM = 0.12  # of the step, inside and outside: light changes slowly beside an edge
GRAIN_MM = 0.15  # distance over which grain keeps its shade
LEAST_LIGHT = 1e-4  # linear: a third of the lowest grey level
MISFIT_FLOOR = 0.01  # of the step: no model of light is better
GLOSS_LOBE = 0.2  # radians of the round over which a gloss goes from one mirrored place on
GLOSS_PRIOR_SD = 0.3  # of the face's light
# What the model leaves out, chosen on rendered edges with known truth (glossy and matt,
# 4 to 10 px/mm): burrs; sharpening and colour, of a pixel; and of the radius, so many times
# the misfit.
MODEL_SD_MM = 0.008
MODEL_SD_PX = 0.2
MODEL_MISFIT_SHARE, MODEL_MOST_SHARE = 3.0, 0.6


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
    pixel_mm
        What a pixel of the photograph is wide there, mm.
    """

    outward_mm: Array
    light: Array
    noise: Array
    blur_mm: float
    ray_slope: float
    pixel_mm: float


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

    face = np.maximum(light[:n].mean(axis=0), LEAST_LIGHT)
    # Priors on the linear levels enter as rows of their own.
    ridge = np.zeros((3, 6, 6))
    ridge[:, 0, 1] = sd / (WALL_PRIOR_SD * face)
    ridge[:, 1, 4] = ridge[:, 2, 5] = sd / (SLOPE_PRIOR_PER_MM * step)
    ridge[:, 3, 3] = sd / (GLOSS_PRIOR_SD * face)
    wanted = np.zeros((3, 6))
    wanted[:, 0] = sd * WALL_PRIOR / WALL_PRIOR_SD

    known = np.swapaxes(ridge, 1, 2) @ ridge + 1e-9 * np.eye(6)
    pulled = np.einsum("cij,ci->cj", ridge, wanted)
    round_ = _Round.seen_along(ray_slope)

    def explained(thetas: Array) -> tuple[Array, Array, Array]:
        """The designs of several guesses, shape (k, 4), and for each colour the best levels
        and what the priors leave.
        """
        away = outward_mm - thetas[:, :1]
        radius, blur = np.exp(thetas[:, 1:3]).T
        design = _design(away, radius, blur, thetas[:, 3], round_)
        across = np.swapaxes(design, 1, 2)
        normal = (across @ design)[:, None] + known
        right = np.swapaxes(across @ light, 1, 2) + pulled
        levels = np.linalg.solve(normal, right[..., None])[..., 0]
        return design, levels, wanted - (ridge @ levels[..., None])[..., 0]

    def residuals_of(thetas: Array) -> Array:
        design, levels, left = explained(thetas)
        _, log_radius, log_blur, toward = thetas.T
        priors = np.stack(
            [
                (log_radius - np.log(RADIUS_PRIOR_MM)) / RADIUS_PRIOR_LOG_SD,
                (log_blur - np.log(blur_mm)) / BLUR_PRIOR_LOG_SD,
                toward / TOWARD_PRIOR_SD,
            ],
            axis=1,
        )
        misfit = (light - design @ np.swapaxes(levels, 1, 2)) / sd
        return np.concatenate([_flat(misfit), _flat(left[:, :, :4] / sd[:, None]), priors], axis=1)

    low, high = outward_mm[0] * 0.6, outward_mm[-1] * 0.8
    bounds = np.array(
        [
            [low, np.log(RADIUS_LIMITS_MM[0]), np.log(blur_mm / 3), -MOST_TOWARD],
            [high, np.log(RADIUS_LIMITS_MM[1]), np.log(blur_mm * 3), MOST_TOWARD],
        ]
    )

    def about(theta: Array) -> _Linearised:
        """The residuals and, all four in one go, their derivatives."""
        found = residuals_of(theta + np.vstack([np.zeros(4), DIFFERENCE * np.eye(4)]))
        return _Linearised(theta, bounds, found[0], (found[1:] - found[0]).T / DIFFERENCE)

    best: _Linearised | None = None
    for start, toward in STARTS:
        theta = np.array([start, np.log(RADIUS_PRIOR_MM), np.log(blur_mm), toward])
        found = descended(about, np.clip(theta, *bounds), TOLERANCE, MOST_STEPS, DAMPING)
        if best is None or found.cost < best.cost:
            best = found
        if best.cost < EXPLAINED * m * 3 / 2:
            break
    assert best is not None  # noqa: S101 - the loop ran
    theta = best.parameters
    designs, solved, _ = explained(theta[None])
    design, levels = designs[0], solved[0]
    fitted = design @ levels.T
    misfit = (light - fitted) / sd
    # Neighbouring samples share blur and grain, and the colours share most of the grain:
    # count what is independent, three colours as two.
    span = float(outward_mm[-1] - outward_mm[0])
    independent = 2 * max(4.0, span / max(1.5 * blur_mm, GRAIN_MM))
    chi2 = max(1.0, float(np.mean(misfit**2)))
    information = best.matrix
    prior_sd = [RADIUS_PRIOR_LOG_SD, BLUR_PRIOR_LOG_SD, TOWARD_PRIOR_SD]
    priors = np.diag([0.0, *np.power(prior_sd, -2)])
    data = (information - priors) * (independent / (3 * m)) / chi2
    covariance = np.linalg.inv(data + priors + 1e-9 * np.eye(4))
    radius = float(np.exp(theta[1]))
    left_share = float(np.sqrt(np.mean((misfit * sd) ** 2)) / step)
    unexplained = min(MODEL_MISFIT_SHARE * left_share, MODEL_MOST_SHARE) * radius
    model_variance = MODEL_SD_MM**2 + (MODEL_SD_PX * profile.pixel_mm) ** 2 + unexplained**2
    return ArrisFit(
        offset_mm=float(theta[0]),
        offset_sd_mm=float(np.sqrt(max(covariance[0, 0], 0.0) + model_variance)),
        radius_mm=radius,
        toward=float(theta[3]),
        misfit=left_share,
        light=fitted,
        levels=design[:, [0, 2]],
    )


class _Linearised:
    """The fit about one guess, with steps that end at its bounds."""

    def __init__(self, theta: Array, bounds: Array, residuals: Array, by: Array) -> None:
        """Take residuals (n,), derivatives (n, 4), and least and greatest values (2, 4)."""
        self.parameters, self._bounds = theta, bounds
        self.cost = float(residuals @ residuals) / 2
        self.matrix = by.T @ by
        self._pull = by.T @ residuals

    def step(self, damping: float) -> tuple[Array, float]:
        """The damped step; what meets a bound stays there, and the others go on without it."""
        # A place in light without any step moves nothing: then it stays.
        damped = self.matrix + np.diag(damping * np.diag(self.matrix) + 1e-12)
        least, greatest = self._bounds - self.parameters
        step, free = np.zeros(4), np.ones(4, dtype=bool)
        while free.any():
            wanted = -self._pull[free] - damped[np.ix_(free, ~free)] @ step[~free]
            step[free] = np.linalg.solve(damped[np.ix_(free, free)], wanted)
            within = np.clip(step, least, greatest)
            met = free & (within != step)
            if not met.any():
                break
            step[met] = within[met]
            free &= ~met
        return step, float(-step @ self._pull - step @ self.matrix @ step / 2)


def _flat(rows: Array) -> Array:
    """One row of numbers for each guess."""
    return rows.reshape(len(rows), -1)


@dataclass(frozen=True, eq=False)
class _Round:
    """A rounded edge in cells, as rays of one slope see it.

    Where its cells end, in radii outward of the wall, shape (cells + 1,), and sine and cosine of
    their surface's angle to the face, (cells,).
    """

    ends: Array
    sine: Array
    cosine: Array
    gloss: Array

    @staticmethod
    def seen_along(ray_slope: float) -> _Round:
        """The round as it is seen along rays that go outward by so much on their way down."""
        last = np.arctan2(1.0, ray_slope) if ray_slope > 0 else np.pi / 2
        turned = np.linspace(0.0, last, CELLS + 1)
        # A point of the round lies r(1 − cos φ) down; its ray meets the face's plane elsewhere.
        ends = np.sin(turned) - 1 - (1 - np.cos(turned)) * ray_slope
        angle = (turned[1:] + turned[:-1]) / 2
        gloss = np.exp(-((angle / GLOSS_LOBE) ** 2))
        return _Round(ends, np.sin(angle), np.cos(angle), gloss)


def _design(away: Array, radius: Array, blur: Array, toward: Array, seen: _Round) -> Array:
    """What the levels of light multiply, for k guesses of radius, blur and lamp: (k, m, 6).

    At places outward of the wall, shape (k, m): blurred light of the part, of its wall lit from
    the ground, of the ground, and of a gloss; slopes of the part's and of the ground's light.
    """
    lamp = np.maximum(seen.cosine + toward[:, None] * seen.sine, 0.0)
    lit = SKY_SHARE * (1 + seen.cosine) / 2 + (1 - SKY_SHARE) * lamp
    weights = np.stack([lit, np.broadcast_to(seen.sine, lit.shape), seen.gloss - lit], axis=-1)
    edges = radius[:, None] * seen.ends
    past = ndtr((away[:, :, None] - edges[:, None, :]) / blur[:, None, None])
    part, wall, gloss = np.moveaxis((past[:, :, :-1] - past[:, :, 1:]) @ weights, -1, 0)
    part = part + 1 - past[:, :, 0]
    ground = past[:, :, -1]
    return np.stack(
        [part, wall, ground, gloss, part * np.minimum(away, 0), ground * away], axis=-1
    )
