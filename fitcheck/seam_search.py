"""The search for a seam's edges: where it starts from, and the solutions that it finds."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fitcheck.lines import robust_line
from fitcheck.seam_model import EDGES, ROUND_LIMB, ROUND_PAD, SeamModel

Array = NDArray[np.float64]

# Where the search starts from: openings at the two ends. The line that was found runs in the
# opening, or along either edge.
OPENING_GUESSES_MM = (0.03, 0.2, 0.45, 0.8)
LINE_SHARES = (0.0, 0.5, 1.0)  # of the opening, from the pad's edge to the line
DARKEST_WITHIN_MM = 0.35
CLOSED_MM, HIDDEN_RADIUS_MM = 0.01, 0.03
NEXT_GUESS_MM = 0.18
MOST_STARTS = 3
SAME_SOLUTION_MM = 0.03
MOST_STEPS = 25
SAME_OPENING_MM = 0.08  # two solutions nearer than this are one


@dataclass(frozen=True, eq=False)
class Solution:
    """Where a search ended: parameters, half the sum of squared residuals, their derivatives."""

    theta: Array
    cost: float
    jacobian: Array


def apart_from_each_other(solutions: list[Solution]) -> list[Solution]:
    """Solutions that differ, the best first."""
    different: list[Solution] = []
    for found in sorted(solutions, key=lambda one: one.cost):
        gaps = [np.max(np.abs((found.theta - d.theta)[:EDGES])) for d in different]
        if min(gaps, default=np.inf) > SAME_SOLUTION_MM:
            different.append(found)
    return different


def starts(model: SeamModel, few: SeamModel) -> list[Array]:
    """Guesses to search from: what the profiles show, closed, and the likeliest of a grid.

    The grid is tried on few blocks.
    """
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
    return likeliest(tried, few.costs(tried), MOST_STARTS, guesses)


def likeliest(tried: Array, costs: Array, most: int, before: Sequence[Array] = ()) -> list[Array]:
    """So many guesses: those chosen before, then the cheapest that lie apart from one another."""
    guesses = list(before)
    for k in np.argsort(costs):
        if len(guesses) == most:
            break
        # A guess next to one that was chosen leads to the same solution.
        apart = [float(np.max(np.abs((tried[k] - c)[:EDGES]))) for c in guesses]
        if min(apart, default=np.inf) > NEXT_GUESS_MM:
            guesses.append(tried[k])
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


def search(model: SeamModel, theta: Array, most_steps: int = MOST_STEPS) -> Solution:
    """Search from a guess of all parameters."""
    from scipy.optimize import least_squares  # takes long to load, see adjustment

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
        max_nfev=most_steps,
    )
    return Solution(found.x, float(found.cost), found.jac)
