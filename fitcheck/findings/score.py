"""A score out of 10 by a fixed rubric that prints its own arithmetic.

Each part is worth its full points at or under its good limit, nothing at or over its rework
limit, and falls in a straight line between. A part that was not measured is left out and
named: the score is then out of fewer points and is never scaled up.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fitcheck.findings.limits import Tolerance
from fitcheck.findings.seat import Seat, Value
from fitcheck.inspection import SIDES
from fitcheck.units import limit_text, value_text

Array = NDArray[np.float64]

# Part, full points, what it is called. Ten together.
RUBRIC: tuple[tuple[str, int, str], ...] = (
    ("overhang", 3, "overhang, the worse side"),
    ("pad_squareness", 3, "pad squareness"),
    ("twist", 2, "twist"),
    ("pin_play", 1, "index-pin fit"),
    ("seat_gap", 1, "seat gap, the widest place"),
)
FULL = sum(points for _, points, _ in RUBRIC)
# Below zero there is none of it.
ONE_SIDED = frozenset({"seat_gap", "pin_play"})
DRAWS = 1000
SEED = 10


@dataclass(frozen=True)
class PartScore:
    """Points of one part of the rubric.

    Attributes
    ----------
    name, words
        Of the part.
    full, points
        What it can give and what it gives.
    arithmetic
        How the points come about, in one line.
    """

    name: str
    words: str
    full: int
    points: float
    arithmetic: str


@dataclass(frozen=True)
class Score:
    """The score of one seat.

    Attributes
    ----------
    seat
        Which.
    parts
        What was measured, in the order of the rubric.
    missing
        Words of the parts that were not.
    points, out_of
        Their sums.
    low, high
        Ends of the 95 % interval of the points, from the uncertainties.
    """

    seat: Seat
    parts: tuple[PartScore, ...]
    missing: tuple[str, ...]
    points: float
    out_of: int
    low: float
    high: float

    @property
    def share(self) -> float:
        """Points of those that could be had; 0 where nothing was measured."""
        return self.points / self.out_of if self.out_of else 0.0

    @property
    def text(self) -> str:
        """The score in a phrase: ``2.6 of 9 points (2.2 to 3.0)``."""
        if not self.out_of:
            return "not scored: nothing was measured"
        return f"{self.points:.1f} of {self.out_of} points ({self.low:.1f} to {self.high:.1f})"

    @property
    def arithmetic(self) -> str:
        """The sum as it is printed."""
        if not self.parts:
            return "nothing to add up"
        terms = " + ".join(f"{part.points:.2f}" for part in self.parts)
        return f"{terms} = {self.points:.2f} of {self.out_of}"


def score_seat(
    seat: Seat,
    limits: Mapping[str, Tolerance],
    only: Collection[str] | None = None,
    asked: Collection[str] | None = None,
) -> Score:
    """Score one seat.

    Parameters
    ----------
    seat
        What is known of it.
    limits
        In force.
    only
        Names of the parts of the rubric that count; all where nothing is said.
    asked
        Names of the parts that are named as left out if they were not measured; all where
        nothing is said.

    Returns
    -------
    The score with its range: every value is drawn from a normal distribution, and the points
    are counted for each draw.
    """
    parts, missing, columns = [], [], []
    for name, full, words in RUBRIC:
        values = _values(seat, name) if only is None or name in only else []
        if not values:
            if asked is None or name in asked:
                missing.append(words)
            continue
        columns.append((values, limits[name], full))
        worst = max((placed.value for placed in values), key=lambda v: _size(v.value, name))
        parts.append(_part(name, words, full, worst, limits[name]))
    total = sum(part.points for part in parts)
    out_of = sum(part.full for part in parts)
    low, high = _range(columns) if columns else (0.0, 0.0)
    return Score(
        seat, tuple(parts), tuple(missing), total, out_of, min(low, total), max(high, total)
    )


def alike(
    before: Seat, after: Seat, limits: Mapping[str, Tolerance]
) -> tuple[Score, Score] | None:
    """Score two states of one end by the parts that are known of both; None if none are."""
    known = [{part.name for part in score_seat(s, limits).parts} for s in (before, after)]
    both = known[0] & known[1]
    if not both:
        return None
    return score_seat(before, limits, both), score_seat(after, limits, both)


def worse(scores: Sequence[Score]) -> Score | None:
    """Return the bow's score: that of its worse seat, for a bow shoots as its worse limb sits."""
    scored = [score for score in scores if score.out_of]
    # Of two alike, the same one whatever they are called.
    return min(scored, key=_rank) if scored else None


def _rank(score: Score) -> tuple[object, ...]:
    return score.share, score.out_of, score.low, [part.arithmetic for part in score.parts]


def points_for(size: float, tolerance: Tolerance, full: float) -> float:
    """Points for a magnitude: full up to the good limit, none from the rework limit."""
    return float(_points(np.array(size), tolerance, full))


def _points(size: Array, tolerance: Tolerance, full: float) -> Array:
    good, rework = tolerance.good[1], tolerance.rework[1]
    return np.asarray(full * np.clip((rework - size) / (rework - good), 0.0, 1.0))


@dataclass(frozen=True)
class _Placed:
    """A value with its place for the draws: which spot of the part, and which side, if any."""

    value: Value
    spot: int = 0
    side: int | None = None


def _values(seat: Seat, name: str) -> list[_Placed]:
    if name == "overhang":
        both = [seat.values.get(f"overhang_{side}") for side in SIDES]
        found = [_Placed(v, 0, i) for i, v in enumerate(both) if v is not None]
        return found if len(found) == len(SIDES) else []
    if name == "seat_gap" and seat.gaps:
        spots = ("butt", "riser end")
        return [
            _Placed(v, spots.index(at), SIDES.index(side)) for (at, side), v in seat.gaps.items()
        ]
    return [_Placed(seat.values[name])] if name in seat.values else []


def _size(value: float, name: str) -> float:
    """How much of it counts: a gap or a play below zero is none, all else is a magnitude."""
    return max(value, 0.0) if name in ONE_SIDED else abs(value)


def _part(name: str, words: str, full: int, worst: Value, tolerance: Tolerance) -> PartScore:
    size = _size(worst.value, name)
    points = points_for(size, tolerance, full)
    good, rework = tolerance.good[1], tolerance.rework[1]
    value = value_text(size, max(worst.expanded, 1e-3), worst.unit, signed=False)
    ends = limit_text(good, worst.unit), limit_text(rework, worst.unit)
    if size <= good:
        how = f"{value} is within {ends[0]}: {full} of {full}"
    elif size >= rework:
        how = f"{value} is at or past {ends[1]}: 0 of {full}"
    else:
        # With digits enough that whoever does the sum comes to the same points.
        low, at, high = (
            f"{x:.3f}{'°' if worst.unit == 'deg' else ' mm'}" for x in (good, size, rework)
        )
        how = (
            f"{value} lies between {ends[0]} and {ends[1]}: {full} × ({high} less {at}) / "
            f"({high} less {low}) = {points:.2f} of {full}"
        )
    return PartScore(name, words, full, points, f"{words}: {how}")


def _range(columns: Sequence[tuple[Sequence[_Placed], Tolerance, int]]) -> tuple[float, float]:
    """95 % interval of the sum.

    The draws hold the mirror image and the opposite of each, so that the ranges of a seat and
    of its mirror image are the same: sides change places, rolls change sign, a play neither.
    """
    rng = np.random.default_rng(SEED)
    total = np.zeros(4 * DRAWS)
    for values, tolerance, full in columns:
        base = rng.standard_normal((DRAWS, 2, 2))  # spot, side
        sizes = []
        for placed in values:
            if placed.side is not None:
                here, mirrored = (
                    base[:, placed.spot, placed.side],
                    base[:, placed.spot, 1 - placed.side],
                )
            else:
                here = base[:, 0, 0]
                mirrored = here if tolerance.name in ONE_SIDED else -here
            z = np.concatenate([here, mirrored, -here, -mirrored])
            drawn = placed.value.value + z * placed.value.standard_uncertainty
            sizes.append(np.maximum(drawn, 0) if tolerance.name in ONE_SIDED else np.abs(drawn))
        total += _points(np.max(sizes, axis=0), tolerance, full)
    low, high = np.quantile(total, [0.025, 0.975])
    return float(low), float(high)
