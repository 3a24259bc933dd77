"""Propagation of distributions by Monte Carlo, with a budget by source.

After JCGM 101:2008, "Propagation of distributions using a Monte Carlo method". A model maps
quantities to results; every source of uncertainty adds draws to one or more quantities. All
sources together give the result's distribution. A quantity that two results share is drawn once,
so that their correlation stays.

Each source alone gives its line of the budget: its draws times the model's slopes (JCGM 100:2008,
5.1.3), where the slopes give the same whole uncertainty as the Monte Carlo does, and its own Monte
Carlo where they do not.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Quantities = dict[str, Array]
Model = Callable[[Quantities], dict[str, Array]]

DRAWS = 4000
BUDGET_DRAWS = 1000  # a line of the budget is for reading: 2 % is close enough
STRAIGHT_ENOUGH = 0.05  # of the whole uncertainty: so far may slopes be off before they are left
COVERAGE = 0.95
# No result is stated more surely than this: the definition of a hand-made edge ends here.
SMALLEST_UNCERTAINTY = 1e-4


@dataclass(frozen=True)
class Source:
    """One cause of uncertainty: draws to add to quantities, each of shape (draws, ...)."""

    name: str
    draws: Mapping[str, Array]


@dataclass(frozen=True)
class Distribution:
    """A result: its value at the best estimates, its uncertainty, interval and budget."""

    value: float
    standard_uncertainty: float
    interval95: tuple[float, float]
    budget: dict[str, float]


def propagate(model: Model, best: Quantities, sources: list[Source]) -> dict[str, Distribution]:
    """Propagate the sources' draws through the model.

    Parameters
    ----------
    model
        Takes quantities with a leading axis of draws, returns results of shape (draws,).
    best
        Best estimate of every quantity, without the axis of draws.
    sources
        Independent sources; a source may move several quantities together.

    Returns
    -------
    Per result its distribution. The interval is the probabilistically symmetric 95 %
    interval (JCGM 101, 7.7), placed about the value at the best estimates.

    Raises
    ------
    ValueError
        If a source names an unknown quantity, draws are not finite or differ in number.
    """
    counts = set()
    for source in sources:
        for name, draws in source.draws.items():
            if name not in best:
                raise ValueError(
                    f"source {source.name} moves {name}, which the model does not have"
                )
            if not np.all(np.isfinite(draws)):
                raise ValueError(f"source {source.name} has draws of {name} that are not finite")
            counts.add(len(draws))
    if len(counts) != 1:
        raise ValueError(f"all sources need the same number of draws, got {sorted(counts)}")

    everything = model(_moved(best, sources))
    values, alone = _by_slopes(model, best, sources)
    whole = {name: float(np.std(draws, ddof=1)) for name, draws in everything.items()}
    if not all(_agrees([lines[n] for lines in alone.values()], u) for n, u in whole.items()):
        drawn = {s.name: model(_moved(best, [s], BUDGET_DRAWS)) for s in sources}
        alone = {
            source: {name: float(np.std(moved[name], ddof=1)) for name in whole}
            for source, moved in drawn.items()
        }
    tail = (1 - COVERAGE) / 2
    results = {}
    for name, draws in everything.items():
        value = values[name]
        uncertainty = max(whole[name], SMALLEST_UNCERTAINTY)
        low, high = np.quantile(draws, [tail, 1 - tail])
        least = 1.96 * SMALLEST_UNCERTAINTY
        results[name] = Distribution(
            value,
            uncertainty,
            (min(float(low), value - least), max(float(high), value + least)),
            {source: lines[name] for source, lines in alone.items()},
        )
    return results


def _agrees(lines: list[float], whole: float) -> bool:
    """Whether independent contributions make up a whole uncertainty."""
    return abs(float(np.linalg.norm(lines)) - whole) <= STRAIGHT_ENOUGH * whole


def _by_slopes(
    model: Model, best: Quantities, sources: list[Source]
) -> tuple[dict[str, float], dict[str, dict[str, float]]]:
    """The model at the best estimates, and each source's contribution to each result.

    The slopes are central differences over one standard deviation to either side of each number.
    """
    shapes = {name: np.shape(value) for name, value in best.items()}
    spread = {name: np.zeros(shape) for name, shape in shapes.items()}
    for source in sources:
        for name, draws in source.draws.items():
            spread[name] = spread[name] + np.var(draws, axis=0, ddof=1)
    steps = [
        (name, place, float(np.sqrt(variance)))
        for name in best
        for place, variance in np.ndenumerate(spread[name])
        if variance > 0
    ]
    rows = 1 + 2 * len(steps)
    moved = {
        name: np.repeat(np.asarray(value, dtype=np.float64)[None], rows, axis=0)
        for name, value in best.items()
    }
    for i, (name, place, step) in enumerate(steps):
        moved[name][(1 + 2 * i, *place)] += step
        moved[name][(2 + 2 * i, *place)] -= step
    found = model(moved)
    alone: dict[str, dict[str, float]] = {source.name: {} for source in sources}
    for result, there in found.items():
        slopes = {name: np.zeros(shape) for name, shape in shapes.items()}
        for i, (name, place, step) in enumerate(steps):
            slopes[name][place] = (there[1 + 2 * i] - there[2 + 2 * i]) / (2 * step)
        for source in sources:
            effect = sum(
                np.sum(draws * slopes[name], axis=tuple(range(1, slopes[name].ndim + 1)))
                for name, draws in source.draws.items()
            )
            alone[source.name][result] = float(np.std(effect, ddof=1))
    return {result: float(there[0]) for result, there in found.items()}, alone


def draw_correlated(rng: np.random.Generator, covariance: Array, count: int) -> Array:
    """Draw correlated normal deviations about zero.

    Parameters
    ----------
    rng
        Source of randomness.
    covariance
        Shape (p, p), symmetric, positive semidefinite up to rounding.
    count
        Number of draws.

    Returns
    -------
    Deviations, shape (count, p).
    """
    # Scaled to unit variances first, because a covariance of radians, pixels and millimetres
    # spans so many powers of ten that its small parts would drown in rounding.
    sd = np.sqrt(np.maximum(np.diag(covariance), 0.0))
    scale = np.where(sd > 0, sd, 1.0)
    values, vectors = np.linalg.eigh(covariance / np.outer(scale, scale))
    root = vectors * np.sqrt(np.maximum(values, 0.0))
    return np.asarray(rng.standard_normal((count, len(sd))) @ root.T * sd)


def _moved(best: Quantities, sources: list[Source], most: int | None = None) -> Quantities:
    """Best estimates with the sources' draws added; every quantity gets the axis of draws."""
    moved = {name: np.asarray(value, dtype=np.float64)[None] for name, value in best.items()}
    count = 1
    for source in sources:
        for name, draws in source.draws.items():
            moved[name] = moved[name] + draws[:most]
            count = len(moved[name])
    return {name: np.broadcast_to(v, (count, *v.shape[1:])) for name, v in moved.items()}
