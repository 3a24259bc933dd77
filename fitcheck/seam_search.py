"""The search for a seam's edges: where it starts from, and the solutions that it finds."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fitcheck.lines import robust_line
from fitcheck.seam_model import SeamModel
from fitcheck.seam_shapes import EDGES, ROUND_LIMB, ROUND_PAD

Array = NDArray[np.float64]

# Where the search starts from: openings at the two ends. The line that was found runs in the
# opening, or along either edge.
OPENING_GUESSES_MM = (0.03, 0.2, 0.45, 0.8)
LINE_SHARES = (0.0, 0.5, 1.0)  # of the opening, from the pad's edge to the line
DARKEST_WITHIN_MM = 0.35
CLOSED_MM, HIDDEN_RADIUS_MM = 0.01, 0.03
NEXT_GUESS_MM = 0.18
ALIKE_MM = 0.12  # guesses nearer than this are one
MOST_STARTS = 3
SAME_SOLUTION_MM = 0.03
MOST_STEPS = 25
STEP_MM = 0.05  # edges move by so much where other parameters move by their own sd
LONGEST_STEP, SHORTEST_STEP = 3.0, 0.01
# Shares of a cost that are worth no step: for a first look, and for good.
ROUGHLY, FINELY = 3e-3, 3e-5
FLOOR = 4.0  # of a cost: differences below it say nothing
SAME_OPENING_MM = 0.08  # two solutions nearer than this are one


@dataclass(frozen=True, eq=False)
class Solution:
    """Where a search ended: parameters, half the sum of squared residuals, information."""

    theta: Array
    cost: float
    information: Array


def apart_from_each_other(solutions: list[Solution]) -> list[Solution]:
    """Solutions that differ, the best first."""
    different: list[Solution] = []
    for found in sorted(solutions, key=lambda one: one.cost):
        gaps = [np.max(np.abs((found.theta - d.theta)[:EDGES])) for d in different]
        if min(gaps, default=np.inf) > SAME_SOLUTION_MM:
            different.append(found)
    return different


def searched_again(model: SeamModel, rough: list[Solution], worth: float) -> list[Solution]:
    """Solutions of a first look searched again in a finer model, those that differ, best first.

    Those of which the best leaves a smaller share than ``worth`` are not.
    """
    first, *others = apart_from_each_other(rough)
    starts = [first, *(one for one in others if share_left(first.cost, one.cost) > worth)]
    return apart_from_each_other(search(model, [one.theta for one in starts], FINELY))


def share_left(cost: float, of: float) -> float:
    """Share of a cost that another one leaves."""
    return (cost + FLOOR) / (of + FLOOR)


def starts(model: SeamModel, few: SeamModel) -> list[Array]:
    """Guesses, shape (8,), mm and logarithms: what the profiles show, closed, the best of a grid.

    The grid is tried on few blocks.
    """
    closed = np.concatenate([[0.0, 0.0, CLOSED_MM, CLOSED_MM], few.known_mean])
    closed[[ROUND_PAD, ROUND_LIMB]] = np.log(HIDDEN_RADIUS_MM)
    guesses = [np.concatenate([_half_light(model), few.known_mean]), closed]
    tried = np.array(
        [
            [-share * a, -share * b, a, b, *few.known_mean]
            for a in OPENING_GUESSES_MM
            for b in OPENING_GUESSES_MM
            for share in LINE_SHARES
        ]
    )
    tried = thinned(tried)
    return likeliest(tried, few.costs(tried), MOST_STARTS, guesses)


def thinned(guesses: Array) -> Array:
    """Guesses, shape (g, 8), without those whose edges, mm, hardly differ from another's."""
    cells = np.round(guesses[:, :EDGES] / ALIKE_MM)
    return np.asarray(guesses[np.sort(np.unique(cells, axis=0, return_index=True)[1])])


def likeliest(tried: Array, costs: Array, most: int, before: Sequence[Array] = ()) -> list[Array]:
    """So many guesses, shape (8,): those of before, then the cheapest that lie apart, in mm.

    Tried are guesses of shape (g, 8) with their costs, (g,).
    """
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
    grey = model.light.mean(axis=2)
    low, high = (f.mean(axis=1)[:, None] for f in (model.rough_pad, model.rough_limb))
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


def search(
    model: SeamModel, guesses: Sequence[Array], finished: float, most_steps: int = MOST_STEPS
) -> list[Solution]:
    """Search from guesses of all parameters, shape (8,) each, mm and logarithms, all at once.

    Gauss-Newton with bounds; a step that is no better is tried again shorter. Finished is what
    changes no more than such a share of the cost; a last step that promises no more is taken
    without a look at what it brings.
    """
    scale = np.concatenate([np.full(EDGES, STEP_MM), model.known_sd])
    theta = np.clip(np.array(guesses), model.lowest, model.highest)
    fitted = model.fitted(theta)
    cost, pull, information = fitted.cost, fitted.pull, fitted.information
    longest = np.full(len(theta), LONGEST_STEP)
    going = np.arange(len(theta))
    for _ in range(most_steps):
        here = theta[going]
        room = model.lowest - here, model.highest - here
        step = _step_within(pull[going], information[going], *room)
        promised = _promised(pull[going], information[going], step)
        last = promised < finished * cost[going]
        better = last & (promised > 0)
        theta[going[better]] += step[better]
        going, here, step = going[~last], here[~last], step[~last]
        if not len(going):
            break
        moved = np.max(np.abs(step) / scale, axis=1)
        shorter = np.minimum(1.0, longest[going] / np.maximum(moved, 1e-9))
        there, moved = here + shorter[:, None] * step, shorter * moved
        found = model.fitted(there)
        saved = cost[going] - found.cost
        better = saved > 0
        chosen = going[better]
        theta[chosen], cost[chosen] = there[better], found.cost[better]
        pull[chosen], information[chosen] = found.pull[better], found.information[better]
        longest[going] = np.where(better, LONGEST_STEP, moved / 4)
        settled = (moved < SHORTEST_STEP) | better & (saved < finished * found.cost)
        going = going[~settled]
        if not len(going):
            break
    return [Solution(*one) for one in zip(theta, cost.tolist(), information, strict=True)]


def _promised(pull: Array, information: Array, step: Array) -> Array:
    """What steps, (g, 8), would take off the cost, (g,), were its slopes as they are told."""
    rise = pull + (information @ step[..., None])[..., 0] / 2
    return np.asarray(-np.sum(rise * step, axis=1))


def _step_within(pull: Array, information: Array, lowest: Array, highest: Array) -> Array:
    """Gauss-Newton steps, (g, 8), that end within bounds: what would leave them ends there."""
    own = np.arange(pull.shape[1])
    at_end, ends = np.zeros(pull.shape, dtype=bool), np.zeros(pull.shape)
    for _ in range(EDGES):
        matrix = np.where(at_end[..., None] | at_end[:, None, :], 0.0, information)
        matrix[:, own, own] += np.where(at_end, 1.0, 1e-9)
        rest = -pull - (information @ ends[..., None])[..., 0]
        step = np.linalg.solve(matrix, np.where(at_end, ends, rest)[..., None])[..., 0]
        leaves = (step < lowest) | (step > highest)
        if not np.any(leaves & ~at_end):
            break
        at_end |= leaves
        ends = np.where(at_end, np.clip(step, lowest, highest), 0.0)
    return np.clip(step, lowest, highest)
