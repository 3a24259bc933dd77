"""Limits for every characteristic that is judged, and the three-way decision against them.

A limit has a good range and a wider range past which rework is due. A value is taken as
normally distributed about its estimate; a decision is made where its probability is at least
95 % (JCGM 106:2012, clause 7; ISO 14253-1:2017), and between lies *undecided*. No published
tolerance exists for the fit of limbs: the defaults carry the mark of where they come from,
they can be edited, and an inspection keeps those that were in force.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

from fitcheck.inspection import BANDS, LIMIT_UNITS, LimitEntry
from fitcheck.judgement import (
    DEFAULT_LIMITS,
    REQUIRED_PROBABILITY,
    Conformity,
    Rework,
    probability_within,
)
from fitcheck.units import MINUS, limit_inch_text, limit_text

MARKS = {
    "P": "published",
    "C": "common practice",
    "M": "from memory",
    "D": "derived",
    "": "no source given",
}


@dataclass(frozen=True)
class Tolerance:
    """Good range and rework-free range of one characteristic.

    Attributes
    ----------
    name
        As in :data:`fitcheck.inspection.LIMIT_UNITS`.
    good
        Lowest and highest good value, in ``unit``.
    rework
        Values at or past these need rework, in ``unit``.
    unit
        ``"mm"`` or ``"deg"``.
    mark
        Where it comes from: P published, C common practice, M from memory, D derived.
    note
        The same in words.
    edited
        Whether it is the user's own and not the default.

    Raises
    ------
    ValueError
        Unless all four are finite and in order.
    """

    name: str
    good: tuple[float, float]
    rework: tuple[float, float]
    unit: str
    mark: str
    note: str
    edited: bool = False

    def __post_init__(self) -> None:
        low, low_good, high_good, high = self.rework[0], *self.good, self.rework[1]
        if not all(map(math.isfinite, (low, low_good, high_good, high))):
            raise ValueError(f"the limits of {self.name} must be finite")
        if not low < low_good < high_good < high:
            raise ValueError(
                f"the limits of {self.name} must be in order, got {self.good} in {self.rework}"
            )

    @property
    def band(self) -> bool:
        """Whether the sign matters, as for tiller; else both limits are of the magnitude."""
        return self.name in BANDS

    @property
    def good_text(self) -> str:
        """The good range in words: ``up to 0.40 mm (1/64 in)``."""
        if not self.band:
            return f"up to {_both(self.good[1], self.unit)}"
        low, high = (_signed(end, self.unit) for end in self.good)
        return f"{low} to {high}"

    @property
    def rework_text(self) -> str:
        """From where rework is due, in words."""
        if not self.band:
            return f"from {_both(self.rework[1], self.unit)}"
        low, high = (_signed(end, self.unit) for end in self.rework)
        return f"under {low} or over {high}"


def _both(value: float, unit: str) -> str:
    inches = f" ({limit_inch_text(value)})" if unit == "mm" else ""
    return limit_text(value, unit) + inches


def _signed(value: float, unit: str) -> str:
    return limit_text(value, unit).replace("-", MINUS)


def _magnitude(name: str, good: float, rework: float, mark: str, note: str) -> Tolerance:
    return Tolerance(name, (-good, good), (-rework, rework), LIMIT_UNITS[name], mark, note)


def _of_photograph(name: str, characteristic: str, more: str = "") -> Tolerance:
    """The limit against which a single photograph is judged: one number in one place."""
    limit = DEFAULT_LIMITS[characteristic]
    return _magnitude(name, limit.good, limit.rework, limit.mark, limit.note + more)


_MEMORY = "from memory; common practice, no published limit exists"

DEFAULTS: dict[str, Tolerance] = {
    t.name: t
    for t in (
        _of_photograph("overhang", "overhang_left"),
        _of_photograph("pad_squareness", "pad_squareness"),
        _of_photograph("seat_gap", "gap_butt", "; bolt snug"),
        _magnitude("wind", 0.25, 0.5, "M", _MEMORY),
        _of_photograph("twist", "twist", "; a twist that changes is rejected"),
        # One tip 1.26 mm off puts the string 0.8 mm off at its pad, 508 mm from the pivot.
        _magnitude(
            "lateral_angle", 0.14, 0.28, "D", "derived from the limit of the string at a pad"
        ),
        _magnitude("string_pad", 0.8, 1.6, "M", _MEMORY),
        _magnitude("string_grip", 1.6, 3.2, "M", _MEMORY),
        _magnitude("pin_play", 0.05, 0.15, "M", _MEMORY),
        Tolerance(
            "tiller",
            (3.0, 6.0),
            (0.0, 10.0),
            "mm",
            "C",
            "the start is published, the limits are common practice; split fingers",
        ),
    )
}
# Three fingers under the arrow pull lower on the string; from memory, no source.
TILLER_THREE_UNDER = Tolerance(
    "tiller", (0.0, 3.0), (-3.0, 6.0), "mm", "M", "from memory; three fingers under"
)


def limits_in_force(edited: Mapping[str, LimitEntry], fingers: str = "") -> dict[str, Tolerance]:
    """Return the defaults with the inspection's own limits in their place.

    Parameters
    ----------
    edited
        Limits that the inspection file holds.
    fingers
        ``"three under"`` shifts the default band of the tiller.
    """
    limits = dict(DEFAULTS)
    if fingers == "three under":
        limits["tiller"] = TILLER_THREE_UNDER
    for name, entry in edited.items():
        default = limits[name]
        good = tuple(q.value for q in entry.good)
        rework = tuple(q.value for q in entry.rework)
        if not default.band:
            good, rework = (-good[0], good[0]), (-rework[0], rework[0])
        limits[name] = replace(
            default,
            good=(good[0], good[1]),
            rework=(rework[0], rework[1]),
            mark=entry.mark,
            note=entry.note or "set for this inspection",
            edited=True,
        )
    return limits


@dataclass(frozen=True)
class Judged:
    """One value against its limit.

    Attributes
    ----------
    tolerance
        What it was held against.
    value, standard_uncertainty
        In the tolerance's unit.
    p_good, p_rework_free
        Probability of lying in the good range, and in the rework-free range.
    conformity
        Against the good range.
    rework
        Against the rework-free range.
    """

    tolerance: Tolerance
    value: float
    standard_uncertainty: float
    p_good: float
    p_rework_free: float
    conformity: Conformity
    rework: Rework

    @property
    def undecided(self) -> bool:
        """Whether anything is open."""
        return "undecided" in (self.conformity, self.rework)

    @property
    def sentence(self) -> str:
        """The decision in words, to follow the value."""
        good, bad = self.tolerance.good_text, self.tolerance.rework_text
        if self.conformity == "conforms":
            return f"good ({good})"
        if self.rework == "needed":
            return f"past the rework limit ({bad})"
        if self.conformity == "does not conform":
            if self.rework == "not needed":
                return f"past the good limit ({good}), short of the rework limit ({bad})"
            return f"past the good limit ({good}); whether rework is due ({bad}) is open"
        if self.rework == "not needed":
            return f"too near the good limit ({good}) to say; short of the rework limit ({bad})"
        return f"too uncertain to place against the limits (good {good}; rework {bad})"


def decide(value: float, standard_uncertainty: float, tolerance: Tolerance) -> Judged:
    """Hold a value against its limit.

    Parameters
    ----------
    value, standard_uncertainty
        In the tolerance's unit.
    tolerance
        Good range and rework-free range.

    Returns
    -------
    The decision: past a limit only where the value lies past one certain end of it with 95 %
    (a value so uncertain that it might be past either end is undecided).

    Raises
    ------
    ValueError
        If the value is not finite or the uncertainty not above zero.
    """

    def within(low: float, high: float) -> float:
        return probability_within(value, standard_uncertainty, low, high)

    def past(ends: tuple[float, float]) -> float:
        return max(within(-math.inf, ends[0]), within(ends[1], math.inf))

    p_good, p_free = within(*tolerance.good), within(*tolerance.rework)
    conformity: Conformity = "undecided"
    if p_good >= REQUIRED_PROBABILITY:
        conformity = "conforms"
    elif past(tolerance.good) >= REQUIRED_PROBABILITY:
        conformity = "does not conform"
    rework: Rework = "undecided"
    if p_free >= REQUIRED_PROBABILITY:
        rework = "not needed"
    elif past(tolerance.rework) >= REQUIRED_PROBABILITY:
        rework = "needed"
    return Judged(tolerance, value, standard_uncertainty, p_good, p_free, conformity, rework)
