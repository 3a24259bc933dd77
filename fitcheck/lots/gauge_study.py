"""How well the method measures: repeatability, reproducibility, interaction, part variation.

Crossed parts × operators × repeats by analysis of variance, random effects. The interaction is
pooled with the repeats where it is not significant. AIAG, "Measurement Systems Analysis", 4th
edition (2010), chapter III, whose published 10 × 3 × 3 example the tests reproduce. With one
operator only repeatability and part variation can be told.

Intervals are generalised confidence intervals (Hamada and Weerahandi, Journal of Quality
Technology 32 (2000), 241): each mean square, over its own chi-square draw, gives one draw of
every component. With two operators the spread between operators has one degree of freedom and
its interval is as wide as that is.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.stats import bartlett, chi2

from fitcheck.errors import BadInput
from fitcheck.lots.anova import Crossed, OneWay, Source, crossed, one_way

Array = NDArray[np.float64]

# The AIAG manual pools above this (from memory); below it an interaction may well be there.
POOL_ABOVE = 0.25
DRAWS, SEED = 20_000, 9
TAILS = (0.025, 0.975)
CATEGORIES = 1.41  # as the manual prints it: the root of 2, cut
SIX = 6.0  # standard deviations that are held against a tolerance
# Shares of the tolerance; the manual's guideline (from memory).
GOOD_PERCENT, USABLE_PERCENT = 10.0, 30.0
UNLIKE_BELOW = 0.01  # probability below which operators do not scatter alike


@dataclass(frozen=True)
class Reading:
    """One value: of which part, by whom."""

    part: str
    operator: str
    value: float


@dataclass(frozen=True)
class Estimate:
    """A figure with the ends of its 95 % interval."""

    value: float
    low: float
    high: float


@dataclass(frozen=True)
class GaugeStudy:
    """What a gauge study tells of one characteristic.

    Attributes
    ----------
    repeatability, reproducibility, interaction, gauge, part, total
        Standard deviations in the readings' unit. ``reproducibility`` holds the interaction
        and is None with one operator; ``interaction`` is None where it was pooled.
    percent_of_total
        Gauge over total, percent.
    percent_of_tolerance
        Six gauge standard deviations over the tolerance's width, percent; None without one.
    categories
        How many groups of parts can be told apart.
    pooled
        Whether the interaction was pooled; None with one operator.
    analysis
        The sums of squares.
    by_operator
        Repeatability of each operator, standard deviation with its chi-square interval.
    alike
        Probability of operators' scatters so different by chance (Bartlett); None where it
        cannot be told.
    parts, operators, readings
        What went in, by name and in number.
    left_out
        Parts that not every operator measured.
    """

    repeatability: Estimate
    reproducibility: Estimate | None
    interaction: Estimate | None
    gauge: Estimate
    part: Estimate
    total: Estimate
    percent_of_total: Estimate
    percent_of_tolerance: Estimate | None
    categories: Estimate
    pooled: bool | None
    analysis: Crossed | OneWay
    by_operator: Mapping[str, Estimate]
    alike: float | None
    parts: tuple[str, ...]
    operators: tuple[str, ...]
    readings: int
    left_out: tuple[str, ...]

    @property
    def unlike_operators(self) -> bool:
        """Whether one operator scatters more than another beyond chance."""
        return self.alike is not None and self.alike < UNLIKE_BELOW


def gauge_study(
    readings: Sequence[Reading], tolerance_width: float | None = None, pool: bool | None = None
) -> GaugeStudy:
    """Analyse a gauge study.

    Parameters
    ----------
    readings
        All values of one characteristic, finite.
    tolerance_width
        Upper less lower limit; None or infinite where there is none.
    pool
        Pool the interaction with the repeats, or not; None to go by its significance.

    Raises
    ------
    BadInput
        ``no_gauge_study``: fewer than 2 parts, or no part with repeats.
    """
    cells: dict[str, dict[str, list[float]]] = {}
    names: dict[str, None] = {}
    for reading in readings:
        if not math.isfinite(reading.value):
            raise ValueError(f"a reading of {reading.part} is not finite")
        names.setdefault(reading.operator)
        cells.setdefault(reading.part, {}).setdefault(reading.operator, []).append(reading.value)
    operators = tuple(names)
    whole = {part: row for part, row in cells.items() if len(row) == len(operators)}
    left_out = tuple(part for part in cells if part not in whole)
    sizes = [len(cell) for row in whole.values() for cell in row.values()]
    if len(whole) < 2 or max(sizes, default=0) < 2:
        raise BadInput(
            "no_gauge_study",
            "A gauge study needs at least two parts that every operator measured, "
            "one of them twice.",
            "Photograph each part again, by everyone who will measure, two or three times.",
        )
    analysis: Crossed | OneWay
    pooled: bool | None = None
    if len(operators) > 1:
        analysis = crossed([[row[o] for o in operators] for row in whole.values()])
        pooled = analysis.interaction_probability > POOL_ABOVE if pool is None else pool
    else:
        analysis = one_way([row[operators[0]] for row in whole.values()])
    width = tolerance_width if tolerance_width and math.isfinite(tolerance_width) else None
    figures = _figures(_parts_of(analysis, bool(pooled)), analysis, bool(pooled), width)
    by_operator, alike = _by_operator(whole, operators)
    return GaugeStudy(
        **figures,
        pooled=pooled,
        analysis=analysis,
        by_operator=by_operator,
        alike=alike,
        parts=tuple(whole),
        operators=operators,
        readings=sum(sizes),
        left_out=left_out,
    )


def _parts_of(analysis: Crossed | OneWay, pooled: bool) -> dict[str, Source]:
    """The mean squares that the components are made of."""
    if isinstance(analysis, OneWay):
        return {"part": analysis.between, "error": analysis.within}
    lines = {"part": analysis.part, "operator": analysis.operator}
    if pooled:
        both = (analysis.interaction, analysis.error)
        lines["error"] = Source(sum(s.squares for s in both), sum(s.dof for s in both))
    else:
        lines["interaction"], lines["error"] = analysis.interaction, analysis.error
    return lines


def _figures(
    lines: Mapping[str, Source],
    analysis: Crossed | OneWay,
    pooled: bool,
    width: float | None,
) -> dict[str, Any]:
    rng = np.random.default_rng(SEED)
    # The first entry is the estimate itself, the others are draws.
    squares = {
        name: np.concatenate(
            [[s.mean_square], s.squares / chi2.rvs(s.dof, size=DRAWS, random_state=rng)]
        )
        for name, s in lines.items()
    }
    error = squares["error"]
    nothing = np.zeros_like(error)
    with_interaction = squares.get("interaction", error)
    if isinstance(analysis, OneWay):
        of_operator, of_both = nothing, nothing
        part = _above(squares["part"] - error, analysis.mean_size)
    else:
        n = analysis.size
        of_both = _above(with_interaction - error, n)
        of_operator = _above(squares["operator"] - with_interaction, n * analysis.parts)
        part = _above(squares["part"] - with_interaction, n * analysis.operators)
    gauge = error + of_operator + of_both
    total = gauge + part
    crossed_layout = isinstance(analysis, Crossed)
    return {
        "repeatability": _estimate(np.sqrt(error)),
        "reproducibility": _estimate(np.sqrt(of_operator + of_both)) if crossed_layout else None,
        "interaction": _estimate(np.sqrt(of_both)) if crossed_layout and not pooled else None,
        "gauge": _estimate(np.sqrt(gauge)),
        "part": _estimate(np.sqrt(part)),
        "total": _estimate(np.sqrt(total)),
        "percent_of_total": _estimate(100 * _share(np.sqrt(gauge), np.sqrt(total))),
        "percent_of_tolerance": None
        if width is None
        else _estimate(100 * SIX * np.sqrt(gauge) / width),
        "categories": _estimate(np.floor(CATEGORIES * _share(np.sqrt(part), np.sqrt(gauge)))),
    }


def _above(difference: Array, size: float) -> Array:
    """A component from a difference of mean squares: never below zero."""
    return np.maximum(difference, 0.0) / size


def _share(upper: Array, lower: Array) -> Array:
    """A ratio; 0 over 0 is 0, and a measurement without any scatter tells parts apart at will."""
    return np.divide(upper, lower, out=np.where(upper > 0, 1e6, 0.0), where=lower > 0)


def _estimate(draws: Array) -> Estimate:
    low, high = np.quantile(draws[1:], TAILS)
    return Estimate(float(draws[0]), float(low), float(high))


def _by_operator(
    whole: Mapping[str, Mapping[str, Sequence[float]]], operators: Sequence[str]
) -> tuple[dict[str, Estimate], float | None]:
    found: dict[str, Estimate] = {}
    samples = []
    for operator in operators:
        cells = [np.asarray(row[operator]) for row in whole.values() if len(row[operator]) > 1]
        if not cells:
            continue
        # Each cell's deviations, as many independent ones as it has degrees of freedom.
        off = np.concatenate([_independent(c) for c in cells])
        variance = float(np.mean(off**2))
        ends = [math.sqrt(len(off) * variance / float(chi2.ppf(p, len(off)))) for p in TAILS[::-1]]
        found[operator] = Estimate(math.sqrt(variance), *ends)
        samples.append(off)
    alike = None
    if len(samples) > 1 and all(len(s) > 1 and np.var(s) > 0 for s in samples):
        alike = float(bartlett(*samples).pvalue)
    return found, alike


def _independent(cell: Array) -> Array:
    """Helmert's transform: n values about their mean as n - 1 independent deviations."""
    return np.array(
        [(cell[k] - np.mean(cell[:k])) * math.sqrt(k / (k + 1)) for k in range(1, len(cell))]
    )
