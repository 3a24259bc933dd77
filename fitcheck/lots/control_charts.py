"""Control charts: individuals and moving range, means with ranges or deviations, EWMA.

Limits are three standard deviations from the centre line, estimated from the points
themselves. NIST/SEMATECH e-Handbook, 6.3.2.1 (means), 6.3.2.2 (individuals), 6.3.2.4 (EWMA).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from fitcheck.lots.chart_constants import LARGEST_SUBGROUP, c4, chart_constants
from fitcheck.lots.run_rules import Signal, signals

Array = NDArray[np.float64]
Kind = Literal["individuals", "moving range", "means", "ranges", "deviations", "ewma"]
OF_SUBGROUPS: tuple[Kind, ...] = ("means", "ranges", "deviations")

# Ranges waste what more values tell; common practice.
LARGEST_FOR_RANGES = 10
EWMA_WEIGHT = 0.3  # of the newest point: e-Handbook 6.3.2.4 names 0.2 to 0.3


@dataclass(frozen=True)
class Chart:
    """One control chart.

    Attributes
    ----------
    kind
        What its points are.
    points, lower, upper
        Points in order, and the limits at each; the first moving range belongs to the second
        value.
    centre
        Height of the centre line.
    signals
        Where points break a rule.
    """

    kind: Kind
    points: tuple[float, ...]
    centre: float
    lower: tuple[float, ...]
    upper: tuple[float, ...]
    signals: tuple[Signal, ...]

    @property
    def out(self) -> tuple[int, ...]:
        """Places of the points that break a rule, in order."""
        return tuple(sorted({signal.at for signal in self.signals}))


def individuals_charts(values: Sequence[float]) -> tuple[Chart, Chart]:
    """Return the charts of individuals and of moving ranges.

    Parameters
    ----------
    values
        In the order they came, at least 2, finite.

    Raises
    ------
    ValueError
        If they are fewer or not finite.
    """
    x = _checked(values)
    ranges = np.abs(np.diff(x))
    constants = chart_constants(2)
    mean_range = float(np.mean(ranges))
    sigma = mean_range / constants.d2
    n = len(x)
    return (
        _chart("individuals", x, float(np.mean(x)), np.full(n, sigma)),
        _of_spread(
            "moving range",
            ranges,
            mean_range,
            np.zeros(n - 1),
            np.full(n - 1, constants.d4_limit * mean_range),
        ),
    )


def sigma_within(values: Sequence[float]) -> float:
    """Short-term standard deviation of single values, from their moving ranges."""
    return float(np.mean(np.abs(np.diff(_checked(values))))) / chart_constants(2).d2


def subgroup_charts(subgroups: Sequence[Sequence[float]]) -> tuple[Chart, Chart]:
    """Return the chart of subgroups' means and that of their spread.

    Ranges where all subgroups have one size of up to 10; else standard deviations, pooled by
    their degrees of freedom, with limits for each size.

    Parameters
    ----------
    subgroups
        At least 2, of at least 2 finite values each.

    Raises
    ------
    ValueError
        If there are fewer, or a value is not finite.
    """
    groups = [_checked(group) for group in subgroups]
    if len(groups) < 2:
        raise ValueError(f"a chart of subgroups needs at least 2, got {len(groups)}")
    sizes = np.array([len(g) for g in groups])
    means = np.array([np.mean(g) for g in groups])
    if np.all(sizes == sizes[0]) and sizes[0] <= LARGEST_SUBGROUP:
        k = chart_constants(int(sizes[0]))
        kind: Kind = "ranges" if k.n <= LARGEST_FOR_RANGES else "deviations"
        if kind == "ranges":
            points = np.array([np.ptp(g) for g in groups])
            usual, low, high = k.d2, k.d3_limit, k.d4_limit
        else:
            points = np.array([np.std(g, ddof=1) for g in groups])
            usual, low, high = k.c4, k.b3, k.b4
        middle = float(np.mean(points))
        sigma = middle / usual
        spread = _of_spread(
            kind,
            points,
            middle,
            np.full(len(groups), low * middle),
            np.full(len(groups), high * middle),
        )
    else:
        deviations = np.array([np.std(g, ddof=1) for g in groups])
        sigma = math.sqrt(float(np.sum((sizes - 1) * deviations**2) / np.sum(sizes - 1)))
        own = np.array([c4(int(n)) for n in sizes])
        half = 3 * np.sqrt(np.maximum(1 - own**2, 0.0))
        spread = _of_spread(
            "deviations",
            deviations,
            sigma * float(np.mean(own)),
            sigma * np.maximum(own - half, 0.0),
            sigma * (own + half),
        )
    centre = float(np.sum(sizes * means) / np.sum(sizes))
    return _chart("means", means, centre, sigma / np.sqrt(sizes)), spread


def ewma_chart(
    values: Sequence[float],
    weight: float = EWMA_WEIGHT,
    start: float | None = None,
    sigma: float | None = None,
    settled: bool = False,
) -> Chart:
    """Return the chart of exponentially weighted moving averages: small lasting shifts.

    Parameters
    ----------
    values
        In order, at least 2, finite.
    weight
        Of the newest value, above 0 and at most 1.
    start
        Where the average begins and the centre line lies: a target or a mean known before;
        the values' own mean if None.
    sigma
        Standard deviation of a single value; from the moving ranges if None.
    settled
        Take the limits that are reached after many points for all of them, as the e-Handbook
        does; else each point has its own, narrower at first.

    Raises
    ------
    ValueError
        If a value is not finite, or weight or sigma is out of range.
    """
    x = _checked(values)
    if not 0 < weight <= 1:
        raise ValueError(f"the weight lies above 0 and is at most 1, got {weight}")
    if sigma is not None and not (math.isfinite(sigma) and sigma >= 0):
        raise ValueError(f"sigma is finite and not below zero, got {sigma}")
    centre = float(np.mean(x)) if start is None else start
    sigma = sigma_within(values) if sigma is None else sigma
    points = np.empty(len(x))
    average = centre
    for i, value in enumerate(x):
        average = weight * float(value) + (1 - weight) * average
        points[i] = average
    share = np.full(len(x), weight / (2 - weight))
    if not settled:
        share *= 1 - (1 - weight) ** (2 * np.arange(1, len(x) + 1))
    return _chart("ewma", points, centre, sigma * np.sqrt(share), only_limits=True)


def _chart(
    kind: Kind, points: Array, centre: float, sigma: Array, only_limits: bool = False
) -> Chart:
    off = points - centre
    # Values that are all alike have no spread; rounding must not make signals of them.
    noise = 1e-9 * max(abs(centre), float(np.max(np.abs(points))), 1e-300)
    off = np.where(np.abs(off) <= noise, 0.0, off)
    far = np.where(off == 0, 0.0, np.copysign(np.inf, off))
    z = np.divide(off, sigma, out=far, where=sigma > 0)
    return Chart(
        kind,
        tuple(map(float, points)),
        centre,
        tuple(map(float, centre - 3 * sigma)),
        tuple(map(float, centre + 3 * sigma)),
        signals(z, only_limits),
    )


def _of_spread(kind: Kind, points: Array, centre: float, lower: Array, upper: Array) -> Chart:
    slack = 1e-12 * max(centre, 1e-300)
    out = np.flatnonzero((points > upper + slack) | (points < lower - slack))
    return Chart(
        kind,
        tuple(map(float, points)),
        centre,
        tuple(map(float, lower)),
        tuple(map(float, upper)),
        tuple(Signal("limits", int(i)) for i in out),
    )


def _checked(values: Sequence[float]) -> Array:
    x = np.asarray(values, dtype=np.float64)
    if x.ndim != 1 or len(x) < 2:
        raise ValueError(f"a chart needs at least 2 values, got {x.size}")
    if not np.all(np.isfinite(x)):
        raise ValueError("a chart takes finite values only")
    return x
