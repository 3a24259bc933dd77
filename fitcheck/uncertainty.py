"""Propagation of distributions by Monte Carlo, with a budget by source.

After JCGM 101:2008, "Propagation of distributions using a Monte Carlo method". A model maps
quantities to results; every source of uncertainty adds draws to one or more quantities. All
sources together give the result's distribution. A quantity that two results share is drawn once,
so that their correlation stays.

Most models are all but straight over their quantities' spread. So the draws are first taken times
the model's slopes (JCGM 100:2008, 5.1.3), and a part of them goes through the model itself: where
both agree draw by draw, the slopes stand for the rest, else all draws go through the model. Each
source alone gives its line of the budget: by slopes where these give the same whole uncertainty,
by its own Monte Carlo where they do not.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Quantities = dict[str, Array]
Results = dict[str, Array]
Model = Callable[[Quantities], Results]

DRAWS = 4000
BUDGET_DRAWS = 1000  # a line of the budget is for reading: 2 % is close enough
STRAIGHT_ENOUGH = 0.05  # of the whole uncertainty: so far may slopes be off before they are left
# So many draws go through the model; where slopes give each of them to within this share of their
# standard deviation, root mean square, they give all the others too. A bend of that size moves an
# end of the interval by 0.04 of it, as much as 4000 draws scatter.
CHECK_DRAWS, AS_GOOD_AS_STRAIGHT = 300, 0.02
# The lowest and highest draws of every result are tried as well, where a model is least straight.
EXTREMES, AS_GOOD_FAR_OUT = 20, 0.25
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

    values, effects = _by_slopes(model, best, sources)
    straight = {
        name: np.sum([one[name] for one in effects.values()], axis=0) + value
        for name, value in values.items()
    }
    everything = _drawn(model, best, sources, straight)
    whole = {name: float(np.std(draws, ddof=1)) for name, draws in everything.items()}
    alone = _standard_deviations(effects)
    if not all(_agrees([lines[n] for lines in alone.values()], u) for n, u in whole.items()):
        alone = _standard_deviations(
            {s.name: model(_moved(best, [s], slice(BUDGET_DRAWS))) for s in sources}
        )
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


def _drawn(model: Model, best: Quantities, sources: list[Source], straight: Results) -> Results:
    """The results' draws: by slopes where the model itself gives the same, else by the model."""
    count = len(next(iter(straight.values())))
    spread = {name: float(np.std(draws)) for name, draws in straight.items()}
    if count < CHECK_DRAWS or not all(spread.values()):
        return model(_moved(best, sources))
    ends = [*range(EXTREMES), *range(-EXTREMES, 0)]
    furthest = [np.argsort(draws)[ends] for draws in straight.values()]
    few = np.concatenate([np.arange(CHECK_DRAWS), *furthest])
    for name, found in model(_moved(best, sources, few)).items():
        bent = np.abs(found - straight[name][few]) / spread[name]
        usual = float(np.sqrt(np.mean(bent[:CHECK_DRAWS] ** 2)))
        if not (usual <= AS_GOOD_AS_STRAIGHT and np.max(bent) <= AS_GOOD_FAR_OUT):
            return model(_moved(best, sources))
    return straight


def _standard_deviations(effects: Mapping[str, Results]) -> dict[str, dict[str, float]]:
    return {
        source: {name: float(np.std(draws, ddof=1)) for name, draws in of_source.items()}
        for source, of_source in effects.items()
    }


def _agrees(lines: list[float], whole: float) -> bool:
    """Whether independent contributions make up a whole uncertainty."""
    return abs(float(np.linalg.norm(lines)) - whole) <= STRAIGHT_ENOUGH * whole


def _by_slopes(
    model: Model, best: Quantities, sources: list[Source]
) -> tuple[dict[str, float], dict[str, Results]]:
    """The model at the best estimates, and what each source's draws add to each result.

    The slopes are central differences over one standard deviation to either side of each number.
    """
    sizes = {name: int(np.size(value)) for name, value in best.items()}
    variance = {name: np.zeros(size) for name, size in sizes.items()}
    for source in sources:
        for name, draws in source.draws.items():
            variance[name] += np.var(draws, axis=0, ddof=1).ravel()
    steps = [
        (name, place, float(np.sqrt(variance[name][place])))
        for name in best
        for place in np.flatnonzero(variance[name])
    ]
    moved = {
        name: np.repeat(np.ravel(np.asarray(value, dtype=np.float64))[None], 1 + 2 * len(steps), 0)
        for name, value in best.items()
    }
    for i, (name, place, step) in enumerate(steps):
        moved[name][1 + 2 * i, place] += step
        moved[name][2 + 2 * i, place] -= step
    found = model({name: rows.reshape(-1, *np.shape(best[name])) for name, rows in moved.items()})
    there = np.stack(list(found.values()), axis=1)
    slopes = {name: np.zeros((size, len(found))) for name, size in sizes.items()}
    for i, (name, place, step) in enumerate(steps):
        slopes[name][place] = (there[1 + 2 * i] - there[2 + 2 * i]) / (2 * step)
    effects = {}
    for source in sources:
        added = sum(
            draws.reshape(len(draws), -1) @ slopes[name] for name, draws in source.draws.items()
        )
        effects[source.name] = dict(zip(found, np.transpose(added), strict=True))
    return dict(zip(found, there[0].tolist(), strict=True)), effects


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


def _moved(
    best: Quantities, sources: list[Source], which: NDArray[np.intp] | slice = slice(None)
) -> Quantities:
    """Best estimates with some of the sources' draws added; all get the axis of draws."""
    moved = {name: np.asarray(value, dtype=np.float64)[None] for name, value in best.items()}
    count = 1
    for source in sources:
        for name, draws in source.draws.items():
            moved[name] = moved[name] + draws[which]
            count = len(moved[name])
    return {name: np.broadcast_to(v, (count, *v.shape[1:])) for name, v in moved.items()}
