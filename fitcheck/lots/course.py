"""Cards, print and lens over time, to be drawn: each quantity at each occasion, with its limits.

The limits at an occasion are those past which :mod:`fitcheck.lots.drift` would find a difference
from all before it large enough to matter. A point is *told* where drift tells it of that
occasion: past a limit and beyond chance.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from scipy.stats import norm
from scipy.stats import t as t_distribution

from fitcheck.lots.drift import (
    CHANCE,
    DIRECTIONS,
    DISTORTION_MATTERS,
    FOCAL_MATTERS,
    RESIDUAL_MATTERS,
    SCALE_MATTERS,
    THICKNESS,
    THICKNESS_MATTERS_MM,
    Occasion,
    Spread,
    closure_of,
    distortion_of,
    drift,
    focal_of,
    pooled,
    print_along,
    residual_of,
)
from fitcheck.setup import BAR_READING_SD, THICKNESS_GIVEN_SD_MM

MOST_OCCASIONS = 60  # the last ones; all before them still count
CONFIDENCE = 0.95
NORMAL = float(norm.ppf((1 + CONFIDENCE) / 2))
FEWEST = 2  # occasions that make a course

PX, PERCENT, MM, BARE, SPREADS = "px", "%", "mm", "", "u"


@dataclass(frozen=True)
class CoursePoint:
    """A quantity at one occasion.

    Attributes
    ----------
    date, name
        Of the occasion.
    value, low, high
        The quantity with its 95 % interval, which is as wide as nothing where one photograph
        alone tells of it.
    lower, upper
        Limits from all before; None where there are none.
    told
        Whether a change is told of it.
    """

    date: str
    name: str
    value: float
    low: float
    high: float
    lower: float | None
    upper: float | None
    told: bool


@dataclass(frozen=True)
class Course:
    """One quantity over time.

    Attributes
    ----------
    title
        What it is.
    unit
        ``"px"``, ``"%"``, ``"mm"``, ``"u"`` for standard uncertainties, or empty.
    points
        In the order of their dates.
    """

    title: str
    unit: str
    points: tuple[CoursePoint, ...]


def courses(occasions: Sequence[Occasion]) -> tuple[Course, ...]:
    """Return the quantities that at least two occasions tell of."""
    ordered = sorted(occasions, key=lambda o: o.date)
    first = max(0, len(ordered) - MOST_OCCASIONS)
    found: dict[tuple[str, str], list[CoursePoint]] = {}
    for place in range(first, len(ordered)):
        now, before = ordered[place], ordered[:place]
        told = {change.about for change in drift(ordered[: place + 1])}
        for title, unit, numbers in _quantities(now, before):
            point = CoursePoint(now.date, now.name, *numbers, title in told)
            found.setdefault((title, unit), []).append(point)
    return tuple(
        Course(title, unit, tuple(points))
        for (title, unit), points in found.items()
        if len(points) >= FEWEST
    )


def courses_of_newest(occasions: Sequence[Occasion]) -> tuple[Course, ...]:
    """Return the courses that the newest occasion goes on: those that belong beside it."""
    newest = sorted(occasions, key=lambda o: o.date)[-1:]
    last = [(o.date, o.name) for o in newest]
    return tuple(
        course
        for course in courses(occasions)
        if (course.points[-1].date, course.points[-1].name) in last
    )


Numbers = tuple[float, float, float, float | None, float | None]


def _quantities(now: Occasion, before: Sequence[Occasion]) -> Iterator[tuple[str, str, Numbers]]:
    for card, spread in now.residuals.items():
        then = pooled([o.residuals[card] for o in before if card in o.residuals])
        upper = None if then is None else RESIDUAL_MATTERS * math.exp(then.mean)
        half = _half(spread)
        value, low, high = (math.exp(spread.mean + k * half) for k in (0, -1, 1))
        yield residual_of(card), PX, (value, low, high, None, upper)
    if now.scale is not None:
        earlier = [o.scale for o in before if o.scale is not None]
        for i, direction in enumerate(DIRECTIONS):
            numbers = _about(
                now.scale[i], NORMAL * BAR_READING_SD, [s[i] for s in earlier], SCALE_MATTERS
            )
            yield print_along(direction), PERCENT, _times(100, numbers)
    if now.thickness_mm is not None:
        thick = [o.thickness_mm for o in before if o.thickness_mm is not None]
        half = NORMAL * THICKNESS_GIVEN_SD_MM
        yield THICKNESS, MM, _about(now.thickness_mm, half, thick, THICKNESS_MATTERS_MM)
    for lens, spread in now.focal.items():
        then = pooled([o.focal[lens] for o in before if lens in o.focal])
        means = [] if then is None else [then.mean]
        matters = 0.0 if then is None else FOCAL_MATTERS * then.mean
        yield focal_of(lens), PX, _about(spread.mean, _half(spread), means, matters)
    for lens, spread in now.k1.items():
        then = pooled([o.k1[lens] for o in before if lens in o.k1])
        means = [] if then is None else [then.mean]
        numbers = _about(spread.mean, _half(spread), means, DISTORTION_MATTERS)
        yield distortion_of(lens), BARE, numbers
    for name in dict.fromkeys(c.characteristic for c in now.closures):
        z = [
            c.value / c.standard_uncertainty
            for o in (*before, now)
            for c in o.closures
            if c.characteristic == name
        ]
        together, limit = sum(z) / math.sqrt(len(z)), float(norm.isf(CHANCE / 2))
        low, high = together - NORMAL, together + NORMAL
        yield closure_of(name), SPREADS, (together, low, high, -limit, limit)


def _about(value: float, half: float, before: Sequence[float], matters: float) -> Numbers:
    if not before:
        return value, value - half, value + half, None, None
    middle = math.fsum(before) / len(before)
    return value, value - half, value + half, middle - matters, middle + matters


def _times(factor: float, numbers: Numbers) -> Numbers:
    value, low, high, lower, upper = numbers
    return (
        factor * value,
        factor * low,
        factor * high,
        None if lower is None else factor * lower,
        None if upper is None else factor * upper,
    )


def _half(spread: Spread) -> float:
    """Half the 95 % interval of a mean."""
    if spread.count < 2:
        return 0.0
    quantile = float(t_distribution.ppf((1 + CONFIDENCE) / 2, spread.count - 1))
    return quantile * spread.sd / math.sqrt(spread.count)
