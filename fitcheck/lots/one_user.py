"""The two-minute study for one user: one seat photographed a few times, and what that tells.

Their scatter is compared with what the photographs themselves state for sources that are new
in each of them, and held against the tolerance. What is the same in all of them (print, card
thickness, the rounding of an arris) cannot show in it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.stats import chi2

from fitcheck.errors import BadInput
from fitcheck.lots.gauge_study import GOOD_PERCENT, SIX, USABLE_PERCENT, Estimate

FEWEST = 3
BEYOND_STATED = 0.01  # probability below which the scatter is larger than stated


@dataclass(frozen=True)
class OneUserStudy:
    """Repeated photographs of one thing.

    Attributes
    ----------
    count, mean
        Number and mean of the readings.
    scatter
        Standard deviation of a single reading, with its chi-square interval.
    stated
        What the photographs state for it: root mean square of what is new in each; None
        where nothing is stated.
    probability
        Of a scatter so much larger than stated by chance; None where nothing is stated.
    percent_of_tolerance
        Six standard deviations over the tolerance's width, with its interval; None without.
    """

    count: int
    mean: float
    scatter: Estimate
    stated: float | None
    probability: float | None
    percent_of_tolerance: Estimate | None

    @property
    def more_than_stated(self) -> bool:
        """Whether the photographs scatter more than they say themselves."""
        return self.probability is not None and self.probability < BEYOND_STATED

    @property
    def suits(self) -> str:
        """``yes``, ``with care``, ``no`` by the estimate; ``not judged`` without a tolerance."""
        if self.percent_of_tolerance is None:
            return "not judged"
        return suits(self.percent_of_tolerance.value)


def suits(percent: float) -> str:
    """Whether a method suits a tolerance of which it takes so many percent."""
    if percent <= GOOD_PERCENT:
        return "yes"
    return "with care" if percent <= USABLE_PERCENT else "no"


def one_user_study(
    values: Sequence[float],
    stated: Sequence[float | None] = (),
    tolerance_width: float | None = None,
) -> OneUserStudy:
    """Study repeated readings of one thing.

    Parameters
    ----------
    values
        One for each photograph, finite, at least 3.
    stated
        Standard uncertainty that each states for what is new in it; may be empty.
    tolerance_width
        Upper less lower limit, None or infinite without.

    Raises
    ------
    BadInput
        ``too_few_repeats``.
    """
    x = np.asarray(values, dtype=np.float64)
    if len(x) < FEWEST or not np.all(np.isfinite(x)):
        raise BadInput(
            "too_few_repeats",
            f"{len(x)} measured photograph{'s' * (len(x) != 1)} cannot tell how well they repeat.",
            "Photograph the same seat five times, taking phone and cards away each time.",
        )
    dof = len(x) - 1
    # Rounding of a mean must not pass for scatter where all are alike.
    variance = float(np.var(x, ddof=1)) if np.ptp(x) > 0 else 0.0
    low, high = (math.sqrt(dof * variance / float(chi2.ppf(p, dof))) for p in (0.975, 0.025))
    scatter = Estimate(math.sqrt(variance), low, high)
    known = [u for u in stated if u is not None and u > 0]
    expected = math.sqrt(float(np.mean(np.square(known)))) if len(known) == len(x) else None
    width = tolerance_width if tolerance_width and math.isfinite(tolerance_width) else None
    return OneUserStudy(
        len(x),
        float(np.mean(x)),
        scatter,
        expected,
        None if expected is None else float(chi2.sf(dof * variance / expected**2, dof)),
        None
        if width is None
        else Estimate(*(100 * SIX * s / width for s in (scatter.value, low, high))),
    )
