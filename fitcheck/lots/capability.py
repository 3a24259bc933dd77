"""How well a process keeps its tolerance: Cp, Cpk and Cpm with 95 % intervals, and normality.

NIST/SEMATECH e-Handbook, 6.1.6. The standard deviation is that of all parts, long term: with
the short-term one of a control chart the same ratios tell what the process could do. A
measured spread holds the spread of the measurement: where that is known it is taken out,
variance from variance.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.stats import chi2, norm
from scipy.stats import t as t_distribution

CONFIDENCE = 0.95
FEWEST_FOR_NORMALITY = 8
NOT_NORMAL_BELOW = 0.05


@dataclass(frozen=True)
class Ratio:
    """A capability ratio with the ends of its 95 % confidence interval."""

    value: float
    low: float
    high: float


@dataclass(frozen=True)
class Interval:
    """The ends of a 95 % interval."""

    low: float
    high: float


@dataclass(frozen=True)
class Capability:
    """The capability ratios of one characteristic.

    Attributes
    ----------
    cp, cpk, cpm
        Width of the tolerance over six standard deviations; the same to the nearer limit; the
        same about the target. Cp is None for a one-sided tolerance, Cpm without a target.
    cpl, cpu
        To the lower and to the upper limit; None where there is none.
    off_centre
        Distance of the mean from the tolerance's middle over half its width; e-Handbook: k.
    mean, sd
        What they were reckoned from.
    count
        How many parts.
    mean_interval, sd_interval
        Confidence intervals of both: by Student's t from the measured spread, and by chi-square.
    """

    cp: Ratio | None
    cpk: Ratio
    cpm: Ratio | None
    cpl: float | None
    cpu: float | None
    off_centre: float | None
    mean: float
    sd: float
    count: int
    mean_interval: Interval
    sd_interval: Interval


def capability(
    mean: float,
    sd: float,
    count: int,
    low: float,
    high: float,
    target: float | None = None,
    measurement_sd: float = 0.0,
) -> Capability | None:
    """Return the capability of a process.

    Parameters
    ----------
    mean, sd
        Mean and standard deviation of the measured parts, one unit throughout.
    count
        How many parts, at least 2.
    low, high
        Tolerance limits; one of them may be infinite.
    target
        What is aimed at, for Cpm.
    measurement_sd
        Standard deviation that measuring adds to a part's value, to be taken out; 0 leaves the
        measured spread as it is.

    Returns
    -------
    The ratios; None where no spread is left: all values alike, or no more spread than
    measuring alone makes.

    Notes
    -----
    Intervals: Cp by the chi-square distribution; Cpk after Bissell, Applied Statistics 39
    (1990), 331; Cpm after Boyles, Journal of Quality Technology 23 (1991), 17. With
    ``measurement_sd`` the ends of the measured spread's interval have its variance taken out,
    too; where nothing is left at an end, the interval is open there.

    Raises
    ------
    ValueError
        If a number is not finite where it must be, or ``low`` is not below ``high``.
    """
    if not (math.isfinite(mean) and math.isfinite(sd) and sd >= 0 and count >= 2):
        raise ValueError(
            f"capability needs a finite mean and spread of 2 parts, got {mean}, {sd}, {count}"
        )
    if not low < high or (math.isinf(low) and math.isinf(high)):  # NaN is not below either
        raise ValueError(f"the lower limit must be below the upper, got {low} and {high}")
    square = sd**2 - measurement_sd**2
    if square <= 0:
        return None
    own = math.sqrt(square)
    dof = count - 1
    tails = (1 - CONFIDENCE) / 2

    def sd_at(probability: float) -> float:
        """End of the interval of the process's own standard deviation; 0 if nothing is left."""
        measured = sd * math.sqrt(dof / float(chi2.ppf(probability, dof)))
        return math.sqrt(max(measured**2 - measurement_sd**2, 0.0))

    narrow, wide = sd_at(1 - tails), sd_at(tails)
    reach = float(t_distribution.ppf(1 - tails, dof)) * sd / math.sqrt(count)
    of_mean, of_sd = Interval(mean - reach, mean + reach), Interval(narrow, wide)
    cpl = None if math.isinf(low) else (mean - low) / (3 * own)
    cpu = None if math.isinf(high) else (high - mean) / (3 * own)
    cpk = min(one for one in (cpl, cpu) if one is not None)
    z = float(norm.ppf(1 - tails))
    # Taking out the measurement's variance makes the rest as uncertain as fewer parts would.
    fewer = dof * (square / sd**2) ** 2
    half = z * math.sqrt(sd**2 / square / (9 * count) + cpk**2 / (2 * fewer))
    if cpl is None or cpu is None:
        return Capability(
            None,
            Ratio(cpk, cpk - half, cpk + half),
            None,
            cpl,
            cpu,
            None,
            mean,
            own,
            count,
            of_mean,
            of_sd,
        )
    width = high - low
    cp = Ratio(width / (6 * own), _over(width, 6 * wide), _over(width, 6 * narrow))
    cpm = None
    if target is not None:
        off = (mean - target) / own
        about = own * math.sqrt(1 + off**2)
        value = width / (6 * about)
        nu = (fewer + 1) * (1 + off**2) ** 2 / (1 + 2 * off**2)
        ends = [value * math.sqrt(float(chi2.ppf(p, nu)) / nu) for p in (tails, 1 - tails)]
        cpm = Ratio(value, *ends)
    return Capability(
        cp,
        Ratio(cpk, cpk - half, cpk + half),
        cpm,
        cpl,
        cpu,
        abs((low + high) / 2 - mean) / (width / 2),
        mean,
        own,
        count,
        of_mean,
        of_sd,
    )


def _over(width: float, spread: float) -> float:
    return width / spread if spread > 0 else math.inf


@dataclass(frozen=True)
class Normality:
    """The test of Anderson and Darling: statistic, probability of so large a one by chance."""

    statistic: float
    probability: float

    @property
    def doubtful(self) -> bool:
        """Whether the values hardly come from one normal distribution."""
        return self.probability < NOT_NORMAL_BELOW


def normality(values: Sequence[float]) -> Normality | None:
    """Test whether values come from a normal distribution whose mean and spread are not known.

    Statistic A² with the factor for small samples, and its probability, after D'Agostino and
    Stephens, "Goodness-of-Fit Techniques" (1986), section 4.8.5 and table 4.9.

    Returns
    -------
    None for fewer than 8 values, from which nothing can be told, and for values all alike.
    """
    x = np.sort(np.asarray(values, dtype=np.float64))
    n = len(x)
    if n < FEWEST_FOR_NORMALITY:
        return None
    sd = float(np.std(x, ddof=1))
    if sd <= 1e-12 * max(float(np.max(np.abs(x))), 1e-300):
        return None
    z = (x - np.mean(x)) / sd
    i = np.arange(1, n + 1)
    square = -n - float(np.sum((2 * i - 1) * (norm.logcdf(z) + norm.logsf(z[::-1])))) / n
    a = square * (1 + 0.75 / n + 2.25 / n**2)
    if a >= 13:  # beyond the formula's reach
        p = 0.0
    elif a >= 0.6:
        p = math.exp(1.2937 - 5.709 * a + 0.0186 * a**2)
    elif a > 0.34:
        p = math.exp(0.9177 - 4.279 * a - 1.38 * a**2)
    elif a > 0.2:
        p = 1 - math.exp(-8.318 + 42.796 * a - 59.938 * a**2)
    else:
        p = 1 - math.exp(-13.436 + 101.14 * a - 223.73 * a**2)
    return Normality(square, min(max(p, 0.0), 1.0))
