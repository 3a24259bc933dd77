"""Constants of control charts, by integration: printed tables round, and some have misprints.

For subgroups of n independent values of one normal distribution with standard deviation 1, d2
and d3 are mean and standard deviation of their range, and c4 is the mean of their standard
deviation. All other constants follow from these three. NIST/SEMATECH e-Handbook, 6.3.2.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy.special import gammaln, ndtr

SMALLEST_SUBGROUP, LARGEST_SUBGROUP = 2, 100
_NODES = 160  # of Gauss and Legendre: more change nothing before the tenth digit
_FARTHEST = 9.0  # standard deviations; beyond lies less than 1e-18
_WIDEST = 14.0


@dataclass(frozen=True)
class ChartConstants:
    """All constants for subgroups of one size.

    Attributes
    ----------
    n
        Size of a subgroup.
    d2, d3
        Mean and standard deviation of the range, in standard deviations of a single value.
    c4
        Mean of the standard deviation, the same.
    """

    n: int
    d2: float
    d3: float
    c4: float

    @property
    def a2(self) -> float:
        """Half width of the limits of means, in mean ranges."""
        return 3 / (self.d2 * math.sqrt(self.n))

    @property
    def a3(self) -> float:
        """Half width of the limits of means, in mean standard deviations."""
        return 3 / (self.c4 * math.sqrt(self.n))

    @property
    def d3_limit(self) -> float:
        """Lower limit of ranges in mean ranges; tables call it D3."""
        return max(0.0, 1 - 3 * self.d3 / self.d2)

    @property
    def d4_limit(self) -> float:
        """Upper limit of ranges in mean ranges; tables call it D4."""
        return 1 + 3 * self.d3 / self.d2

    @property
    def b3(self) -> float:
        """Lower limit of standard deviations in mean standard deviations."""
        return max(0.0, 1 - self._b)

    @property
    def b4(self) -> float:
        """Upper limit of standard deviations in mean standard deviations."""
        return 1 + self._b

    @property
    def _b(self) -> float:
        return 3 * math.sqrt(1 - self.c4**2) / self.c4


@lru_cache(maxsize=LARGEST_SUBGROUP)
def chart_constants(n: int) -> ChartConstants:
    """Return the constants for subgroups of n.

    Raises
    ------
    ValueError
        Unless 2 ≤ n ≤ 100.
    """
    if not SMALLEST_SUBGROUP <= n <= LARGEST_SUBGROUP:
        raise ValueError(
            f"a subgroup has {SMALLEST_SUBGROUP} to {LARGEST_SUBGROUP} values, got {n}"
        )
    nodes, weights = np.polynomial.legendre.leggauss(_NODES)
    x, x_weights = nodes * _FARTHEST, weights * _FARTHEST
    w, w_weights = (nodes + 1) * _WIDEST / 2, weights * _WIDEST / 2
    # The range is below w if all lie within w above the smallest, which lies at x.
    density = np.exp(-(x**2) / 2) / math.sqrt(2 * math.pi)
    within = ndtr(x[None, :] + w[:, None]) - ndtr(x)[None, :]
    below = n * np.sum(density * within ** (n - 1) * x_weights, axis=1)
    mean = float(np.sum((1 - below) * w_weights))
    square = float(np.sum(2 * w * (1 - below) * w_weights))
    return ChartConstants(n, mean, math.sqrt(square - mean**2), c4(n))


def c4(n: int) -> float:
    """Mean of the standard deviation of n values of a normal distribution whose own is 1."""
    return float(math.sqrt(2 / (n - 1)) * math.exp(gammaln(n / 2) - gammaln((n - 1) / 2)))
