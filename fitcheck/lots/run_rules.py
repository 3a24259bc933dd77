"""What on a control chart is hardly chance: the rules, each with its words.

The first four are the zone rules of the Western Electric handbook of 1956 as the NIST/SEMATECH
e-Handbook, 6.3.2, gives them; the trend is from its list of additional ones. A rule looks at
points in order, in standard deviations from the centre line. With five rules together a chart
of a process in order signals falsely about once in 80 points (from memory): a signal is a
reason to look, not a verdict.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]


@dataclass(frozen=True)
class Signal:
    """A rule that is broken: its name, and the point at which it is, counted from 0."""

    rule: str
    at: int


@dataclass(frozen=True)
class Rule:
    """A rule: its name, its words, and where in standardised points it is broken."""

    name: str
    words: str
    broken: Callable[[Array], Flags]


def _beyond_limits(z: Array) -> Flags:
    return np.asarray(np.abs(z) > 3)


def _of_last(z: Array, beyond: float, count: int, of: int) -> Flags:
    """Whether ``count`` of the last ``of`` points, this one among them, lie beyond a line."""
    found = np.zeros(len(z), dtype=bool)
    for side in (1.0, -1.0):
        out = side * z > beyond
        sums = np.convolve(out, np.ones(of))[: len(z)]
        found |= out & (sums >= count - 1e-9)
    return found


def _one_side(z: Array) -> Flags:
    return _of_last(z, 0.0, 8, 8)


def _trend(z: Array) -> Flags:
    found = np.zeros(len(z), dtype=bool)
    for side in (1.0, -1.0):
        rising = np.concatenate([[False], side * np.diff(z) > 0])
        found |= np.convolve(rising, np.ones(5))[: len(z)] >= 5 - 1e-9
    return found


LIMITS = "limits"
RULES = (
    Rule(LIMITS, "a point beyond the control limits (3 standard deviations)", _beyond_limits),
    Rule(
        "two_of_three",
        "two of three points beyond 2 standard deviations on one side",
        lambda z: _of_last(z, 2.0, 2, 3),
    ),
    Rule(
        "four_of_five",
        "four of five points beyond 1 standard deviation on one side",
        lambda z: _of_last(z, 1.0, 4, 5),
    ),
    Rule("one_side", "eight points in a row on one side of the centre line", _one_side),
    Rule("trend", "six points in a row, each above the last or each below it", _trend),
)
RULE_WORDS = {rule.name: rule.words for rule in RULES}


def signals(
    standardised: Sequence[float] | Array, only_limits: bool = False
) -> tuple[Signal, ...]:
    """Return where points break a rule.

    Parameters
    ----------
    standardised
        Points less the centre line, over the standard deviation of a point; shape (n,).
    only_limits
        Only the first rule: on charts of ranges, of standard deviations and of weighted
        averages neighbours are not independent or not normal, and the others do not hold.

    Returns
    -------
    Signals in the order of their points; one point may break several rules.
    """
    z = np.asarray(standardised, dtype=np.float64)
    rules = RULES[:1] if only_limits else RULES
    found = [Signal(rule.name, int(i)) for rule in rules for i in np.flatnonzero(rule.broken(z))]
    return tuple(sorted(found, key=lambda s: s.at))
