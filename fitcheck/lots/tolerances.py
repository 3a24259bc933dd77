"""Which tolerance a characteristic of a lot is held against, unless the user gives one."""

from __future__ import annotations

import math
from collections.abc import Mapping

from fitcheck.findings.combine import CUT_AT_ZERO
from fitcheck.judgement import DEFAULT_LIMITS
from fitcheck.lots.acceptance import Tolerance

OWN = "given for this lot"


def tolerance_of(name: str, own: Mapping[str, Tolerance]) -> Tolerance | None:
    """Return the user's own tolerance, else the rework limit both ways about zero.

    What cannot be below zero has an upper limit only. None where there is no limit at all.
    """
    if name in own:
        return own[name]
    limit = DEFAULT_LIMITS.get(name)
    if limit is None:
        return None
    source = f"the rework limit, {limit.note}"
    if name in CUT_AT_ZERO:
        return Tolerance(-math.inf, limit.rework, None, source)
    return Tolerance(-limit.rework, limit.rework, 0.0, source)


def own_tolerance(low: float, high: float, target: float | None = None) -> Tolerance:
    """A user's tolerance; the target is its middle unless another is given."""
    both = math.isfinite(low) and math.isfinite(high)
    middle = (low + high) / 2 if both and target is None else target
    return Tolerance(low, high, middle, OWN)
