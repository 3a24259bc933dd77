"""Propagation of distributions by Monte Carlo, with a budget by source.

After JCGM 101:2008, "Propagation of distributions using a Monte Carlo method". A model maps
quantities to results; every source of uncertainty adds draws to one or more quantities. All
sources together give the result's distribution, each source alone gives its line of the
budget. A quantity that two results share is drawn once, so that their correlation stays.
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

    values = model({name: np.asarray(value)[None] for name, value in best.items()})
    everything = model(_moved(best, sources))
    alone = {source.name: model(_moved(best, [source], BUDGET_DRAWS)) for source in sources}
    tail = (1 - COVERAGE) / 2
    results = {}
    for name, draws in everything.items():
        value = float(values[name][0])
        uncertainty = max(float(np.std(draws, ddof=1)), SMALLEST_UNCERTAINTY)
        low, high = np.quantile(draws, [tail, 1 - tail])
        least = 1.96 * SMALLEST_UNCERTAINTY
        results[name] = Distribution(
            value,
            uncertainty,
            (min(float(low), value - least), max(float(high), value + least)),
            {source: float(np.std(moved[name], ddof=1)) for source, moved in alone.items()},
        )
    return results


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
