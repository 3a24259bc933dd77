"""Accept or reject a part with a guard band, and how often that is wrong.

JCGM 106:2012. A part is accepted where its value lies within the tolerance with at least 95 %,
rejected where it lies outside with at least 95 %, and measured again in between: the
acceptance interval is the tolerance less a guard band of 1.645 u at each limit
(ISO 14253-1:2017). *Consumer's risk*: accepted, yet outside. *Producer's risk*: rejected, yet
within. For a part they follow from its own value; for the process from how its parts and the
measurement are distributed (JCGM 106, 9.5).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy.optimize import brentq
from scipy.stats import multivariate_normal, norm

from fitcheck.judgement import REQUIRED_PROBABILITY, probability_within

FARTHEST = 40.0  # standard deviations: nothing lies beyond

Verdict = Literal["accept", "reject", "measure again"]


@dataclass(frozen=True)
class Tolerance:
    """Limits of a characteristic for parts of a lot.

    Attributes
    ----------
    low, high
        In the characteristic's unit; one of them may be infinite.
    target
        What is aimed at; None for a one-sided tolerance.
    source
        Where the limits come from, for the reader.
    """

    low: float
    high: float
    target: float | None = None
    source: str = ""

    def __post_init__(self) -> None:
        if math.isnan(self.low) or math.isnan(self.high) or not self.low < self.high:
            raise ValueError(f"the lower limit must be below the upper: {self.low}, {self.high}")
        if math.isinf(self.low) and math.isinf(self.high):
            raise ValueError("a tolerance needs at least one limit")

    @property
    def width(self) -> float:
        """Upper less lower limit; infinite where there is only one."""
        return self.high - self.low


@dataclass(frozen=True)
class Accepted:
    """What becomes of one part.

    Attributes
    ----------
    verdict
        Accept, reject, or measure again.
    probability_within
        That the part lies within the tolerance, from its own measurement alone.
    """

    verdict: Verdict
    probability_within: float

    @property
    def consumers_risk(self) -> float | None:
        """Probability of an accepted part to lie outside; None for one that is not accepted."""
        return 1 - self.probability_within if self.verdict == "accept" else None

    @property
    def producers_risk(self) -> float | None:
        """Probability of a rejected part to lie within; None for one that is not rejected."""
        return self.probability_within if self.verdict == "reject" else None


def accept(value: float, standard_uncertainty: float, tolerance: Tolerance) -> Accepted:
    """Decide on a part; errors as :func:`fitcheck.judgement.probability_within`."""
    p = probability_within(value, standard_uncertainty, tolerance.low, tolerance.high)
    # Past one limit: a value too uncertain to tell which side it is past is measured again.
    outside = max(
        float(norm.sf(tolerance.high, value, standard_uncertainty)),
        float(norm.cdf(tolerance.low, value, standard_uncertainty)),
    )
    if p >= REQUIRED_PROBABILITY:
        return Accepted("accept", p)
    return Accepted("reject" if outside >= REQUIRED_PROBABILITY else "measure again", p)


def acceptance_guard(standard_uncertainty: float, tolerance: Tolerance) -> float:
    """Guard band within each limit that makes accepting right with 95 %.

    1.645 u, and more where the tolerance is so narrow that a part at one guard band could be
    past the other limit; infinite where no value can be accepted.
    """
    u = standard_uncertainty
    usual = float(norm.ppf(REQUIRED_PROBABILITY)) * u
    if math.isinf(tolerance.width):
        return usual
    width = tolerance.width / u

    def lacking(guard: float) -> float:
        return float(norm.cdf(width - guard) - norm.cdf(-guard)) - REQUIRED_PROBABILITY

    if lacking(width / 2) < 0:
        return math.inf
    if lacking(usual / u) >= 0:  # the other limit is far
        return usual
    return u * float(brentq(lacking, usual / u, width / 2))


@dataclass(frozen=True)
class GlobalRisk:
    """Shares of all parts of a process.

    Attributes
    ----------
    consumers, producers
        Accepted though outside the tolerance; rejected though within.
    again
        In the guard bands: measured again.
    outside
        Outside the tolerance at all.
    """

    consumers: float
    producers: float
    again: float
    outside: float


def global_risk(
    mean: float,
    sd: float,
    standard_uncertainty: float,
    tolerance: Tolerance,
    guard: float | None = None,
) -> GlobalRisk:
    """Risks of deciding on the parts of a process.

    Parameters
    ----------
    mean, sd
        Of the parts themselves, the measurement's spread taken out; ``sd`` above zero.
    standard_uncertainty
        Of a measurement, above zero, the same for all parts.
    tolerance
        The limits.
    guard
        Width of the guard band at each limit, within and without; 0 for plain acceptance. If
        None, as :func:`accept` decides: :func:`acceptance_guard` within, 1.645 u without.

    Returns
    -------
    The shares. JCGM 106:2012, 9.5.

    Raises
    ------
    ValueError
        If a number is not finite or a spread is not above zero.
    """
    u = standard_uncertainty
    if not all(map(math.isfinite, (mean, sd, u))) or sd <= 0 or u <= 0:
        raise ValueError(f"risks need finite numbers and spreads above zero: {mean}, {sd}, {u}")
    within_guard = acceptance_guard(u, tolerance) if guard is None else guard
    guard = float(norm.ppf(REQUIRED_PROBABILITY)) * u if guard is None else guard
    low, high = tolerance.low, tolerance.high
    accept_low, accept_high = low + within_guard, high - within_guard
    spread = math.hypot(sd, u)
    # Both in their own standard deviations: a spread far larger than the other loses no digits.
    correlation = sd / spread
    true_and_read = multivariate_normal(
        [0, 0], [[1, correlation], [correlation, 1]], allow_singular=True
    )

    def both(x: tuple[float, float], y: tuple[float, float]) -> float:
        if not (x[0] < x[1] and y[0] < y[1]):
            return 0.0
        ends = (np.array([x, y]).T - mean) / [sd, spread]
        ends = np.clip(ends, -FARTHEST, FARTHEST)
        return max(0.0, float(true_and_read.cdf(ends[1], lower_limit=ends[0])))

    below, within, above = (-math.inf, low), (low, high), (high, math.inf)
    taken = (accept_low, accept_high)
    consumers = both(below, taken) + both(above, taken)
    producers = both(within, (-math.inf, low - guard)) + both(within, (high + guard, math.inf))
    accepted = max(
        0.0, float(norm.cdf(accept_high, mean, spread) - norm.cdf(accept_low, mean, spread))
    )
    rejected = float(norm.cdf(low - guard, mean, spread) + norm.sf(high + guard, mean, spread))
    return GlobalRisk(
        consumers,
        producers,
        max(0.0, 1 - min(accepted if accept_low < accept_high else 0.0, 1.0) - rejected),
        float(norm.cdf(low, mean, sd) + norm.sf(high, mean, sd)),
    )
