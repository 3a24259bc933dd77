"""Measured values against limits: what conforms, what does not, and what is undecided.

A measured value is taken as normally distributed about its estimate with its standard
uncertainty (JCGM 106:2012, clause 7), and a decision is made only where its probability is
at least 95 %, the default of ISO 14253-1:2017: of lying within both limits, or of lying past
one of them. Between lies *undecided*, with what would decide it. No verdict says that a bow
is fit to shoot: fit is not strength.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from scipy.special import ndtr

from fitcheck.measurement import Characteristic, Measurement
from fitcheck.units import limit_text, uncertainty_text, value_text

Conformity = Literal["conforms", "does not conform", "undecided"]
Rework = Literal["not needed", "needed", "undecided"]
Level = Literal["good", "acceptable", "rework", "undecided", "not judged"]

# ISO 14253-1:2017, default probability of conformity; its guard band is 1.65 u.
REQUIRED_PROBABILITY = 0.95


@dataclass(frozen=True)
class Limit:
    """The good limit and the rework limit of one characteristic, for values of either sign.

    Attributes
    ----------
    characteristic
        As in the table of characteristics, for instance ``overhang_left``.
    good
        A magnitude at or under this is good, in ``unit``.
    rework
        A magnitude at or over this needs rework, in ``unit``.
    unit
        ``"mm"`` or ``"deg"``.
    mark
        Where the limit comes from: P published, C common practice, M from memory, D derived.
    note
        The same in words, for the reader.

    Raises
    ------
    ValueError
        Unless both limits are finite and 0 < good < rework.
    """

    characteristic: str
    good: float
    rework: float
    unit: str
    mark: str
    note: str

    def __post_init__(self) -> None:
        if not (math.isfinite(self.good) and math.isfinite(self.rework)):
            raise ValueError(
                f"the limits of {self.characteristic} must be finite, "
                f"got {self.good} and {self.rework}"
            )
        if not 0 < self.good < self.rework:
            raise ValueError(
                f"the limits of {self.characteristic} must be above zero and the good limit "
                f"below the rework limit, got {self.good} and {self.rework}"
            )


_FROM_MEMORY = "from memory; common practice, no published limit exists"

# As the trade says them: 0.4 mm is 1/64 in and 0.8 mm 1/32 in; 0.10° and 0.26° are 0.003 and
# 0.008 in over a 1 3/4 in pad; a feeler blade of 0.05 mm does not enter.
DEFAULT_LIMITS: dict[str, Limit] = {
    name: Limit(name, good, rework, unit, "M", _FROM_MEMORY)
    for name, good, rework, unit in (
        ("overhang_left", 0.4, 0.8, "mm"),
        ("overhang_right", 0.4, 0.8, "mm"),
        ("pad_squareness", 0.10, 0.26, "deg"),
        ("twist", 1.0, 2.0, "deg"),
        ("gap_butt", 0.05, 0.13, "mm"),
        ("gap_end", 0.05, 0.13, "mm"),
    )
}


@dataclass(frozen=True)
class Decision:
    """One characteristic against its limit.

    Attributes
    ----------
    characteristic
        The measured value with its uncertainty.
    limit
        What it was held against.
    p_good, p_rework_free
        Probability that the magnitude is within the good limit, and within the rework limit.
    conformity
        Against the good limit.
    rework
        Against the rework limit.
    sentence
        The finding in plain words.
    what_decides
        What would settle an undecided finding; empty where both are settled.
    warning_codes
        Codes of the warnings that the photograph carries.
    """

    characteristic: Characteristic
    limit: Limit
    p_good: float
    p_rework_free: float
    conformity: Conformity
    rework: Rework
    sentence: str
    what_decides: str
    warning_codes: tuple[str, ...]

    @property
    def name(self) -> str:
        """Name of the characteristic."""
        return self.characteristic.name


@dataclass(frozen=True)
class Verdict:
    """All decisions on one seat together: the level, and a sentence that says it."""

    level: Level
    sentence: str


def probability_within(
    value: float, standard_uncertainty: float, low: float, high: float
) -> float:
    """Probability that a normally distributed measurand lies between two limits.

    Parameters
    ----------
    value, standard_uncertainty
        Mean and standard deviation, in one unit.
    low, high
        The limits in the same unit; an infinite one makes the interval one-sided.

    Returns
    -------
    The probability, 0 to 1. JCGM 106:2012, 7.2 and 7.3.

    Raises
    ------
    ValueError
        If the value is not finite, the uncertainty is not finite and above zero, or ``low`` is
        not below ``high``.
    """
    if not math.isfinite(value):
        raise ValueError(f"the value must be finite, got {value}")
    if not math.isfinite(standard_uncertainty) or standard_uncertainty <= 0:
        raise ValueError(
            f"the standard uncertainty must be finite and above zero, got {standard_uncertainty}"
        )
    if not low < high:
        raise ValueError(f"the lower limit must be below the upper, got {low} and {high}")
    below, above = (low - value) / standard_uncertainty, (high - value) / standard_uncertainty
    if below > 0:  # both limits in the upper tail: differences of 1 - tiny would lose the digits
        return float(ndtr(-below) - ndtr(-above))
    return float(ndtr(above) - ndtr(below))


def judge(
    measurement: Measurement, limits: Mapping[str, Limit] = DEFAULT_LIMITS
) -> tuple[Decision, ...]:
    """Hold every measured characteristic that has a limit against it.

    Parameters
    ----------
    measurement
        What one photograph gave. A refused one gives no decision.
    limits
        Limits by the name of their characteristic.

    Returns
    -------
    One decision per judged characteristic, in the order of the measurement.

    Raises
    ------
    ValueError
        If a limit is in another unit than its characteristic.
    """
    if measurement.refused is not None:
        return ()
    codes = tuple(note.code for note in measurement.warnings)
    return tuple(
        _decide(found, limits[found.name], codes)
        for found in measurement.characteristics
        if found.name in limits
    )


def overall(decisions: Sequence[Decision]) -> Verdict:
    """Sum up the decisions on one seat.

    Parameters
    ----------
    decisions
        As :func:`judge` returns them; none for a photograph that was refused.

    Returns
    -------
    ``rework`` if any characteristic is past its rework limit; ``undecided`` if that is open for
    any, or if a side is missing that would be needed; ``acceptable`` if any is past its good
    limit and none reaches its rework limit; ``good`` if all conform; ``not judged`` without
    decisions.
    """
    if not decisions:
        return Verdict("not judged", "Not judged: nothing was measured that has a limit.")
    missing = [f"{words_of(name)} was not measured" for name in _missing_sides(decisions)]
    past = [d for d in decisions if d.rework == "needed"]
    if past:
        level: Level = "rework"
        reasons = [f"{_list_of(past)} past the rework limit", *missing]
        sentence = f"Needs rework: {'; '.join(reasons)}."
    elif missing or any(d.rework == "undecided" for d in decisions):
        level = "undecided"
        open_ones = [d for d in decisions if d.rework == "undecided"]
        reasons = [f"{_list_of(open_ones)} too near the rework limit to say"] if open_ones else []
        reasons += missing
        sentence = f"Undecided: {'; '.join(reasons)}."
    elif any(d.conformity == "does not conform" for d in decisions):
        level = "acceptable"
        beyond = [d for d in decisions if d.conformity == "does not conform"]
        sentence = (
            f"Acceptable: {_list_of(beyond)} past the good limit, "
            "and nothing reaches the rework limit."
        )
    elif all(d.conformity == "conforms" for d in decisions):
        level = "good"
        sentence = f"Good: {_list_of(decisions)} within the good limit."
    else:
        level = "undecided"
        near = [d for d in decisions if d.conformity == "undecided"]
        sentence = (
            f"Undecided between good and acceptable: {_list_of(near)} too near the good limit "
            "to say. No rework is needed."
        )
    warnings = max(len(d.warning_codes) for d in decisions)
    if warnings:
        sentence += (
            f" Less certain than the numbers say: the photograph carries {_count(warnings)}, "
            "to be read first."
        )
    return Verdict(level, sentence)


def words_of(characteristic: str) -> str:
    """Say a characteristic's name in the middle of a sentence: ``the overhang on the left``."""
    stem, _, side = characteristic.rpartition("_")
    if side in _OTHER_SIDE:
        return f"the {stem.replace('_', ' ')} on the {side}"
    return f"the {characteristic.replace('_', ' ')}"


_OTHER_SIDE = {"left": "right", "right": "left"}


def _missing_sides(decisions: Sequence[Decision]) -> list[str]:
    """Names of characteristics whose partner on the other side was judged and they were not."""
    names = {d.name for d in decisions}
    partners = []
    for name in names:
        stem, _, side = name.rpartition("_")
        if side in _OTHER_SIDE:
            partners.append(f"{stem}_{_OTHER_SIDE[side]}")
    return sorted(set(partners) - names)


def _list_of(decisions: Sequence[Decision]) -> str:
    """Join names and verb: ``the overhang on the left is``, ``… and … are``."""
    names = [words_of(d.name) for d in decisions]
    if {d.name for d in decisions} == {"overhang_left", "overhang_right"}:
        return "the overhang on both sides is"
    if len(names) == 1:
        return f"{names[0]} is"
    return f"{', '.join(names[:-1])} and {names[-1]} are"


def _count(warnings: int) -> str:
    return "a warning" if warnings == 1 else f"{warnings} warnings"


def _decide(found: Characteristic, limit: Limit, codes: tuple[str, ...]) -> Decision:
    if found.unit != limit.unit:
        raise ValueError(
            f"{found.name} was measured in {found.unit}, but its limit is in {limit.unit}"
        )
    u = found.standard_uncertainty
    p_good = probability_within(found.value, u, -limit.good, limit.good)
    p_rework_free = probability_within(found.value, u, -limit.rework, limit.rework)
    conformity: Conformity = "undecided"
    if p_good >= REQUIRED_PROBABILITY:
        conformity = "conforms"
    elif _beyond(found, limit.good) >= REQUIRED_PROBABILITY:
        conformity = "does not conform"
    rework: Rework = "undecided"
    if p_rework_free >= REQUIRED_PROBABILITY:
        rework = "not needed"
    elif _beyond(found, limit.rework) >= REQUIRED_PROBABILITY:
        rework = "needed"
    return Decision(
        found,
        limit,
        p_good,
        p_rework_free,
        conformity,
        rework,
        sentence=f"{_finding(found)}: {_against_limits(limit, conformity, rework)}.",
        what_decides=_what_decides(found, conformity, rework),
        warning_codes=codes,
    )


def _beyond(found: Characteristic, limit: float) -> float:
    """Probability of lying past the limit on the likelier side.

    A value so uncertain that it is hardly within the limits, but might be past either, is not
    called past: that would say which part stands proud without knowing it.
    """
    u = found.standard_uncertainty
    return max(
        probability_within(found.value, u, limit, math.inf),
        probability_within(found.value, u, -math.inf, -limit),
    )


def _finding(found: Characteristic) -> str:
    """Say what was found, without its limits."""
    spread = found.expanded_uncertainty
    stem, _, side = found.name.rpartition("_")
    if stem != "overhang":
        return (
            f"{words_of(found.name).capitalize()} is {value_text(found.value, spread, found.unit)}"
        )
    if abs(found.value) <= spread:
        return (
            f"Limb and riser are level on the {side}, as far as this photograph can tell "
            f"({uncertainty_text(spread, found.unit).replace('± ', '±')})"
        )
    proud, other = ("limb", "riser") if found.value > 0 else ("riser", "limb")
    lip = value_text(abs(found.value), spread, found.unit, signed=False)
    return f"The {proud} stands proud of the {other} by {lip} on the {side}"


def _against_limits(limit: Limit, conformity: Conformity, rework: Rework) -> str:
    good, bad = limit_text(limit.good, limit.unit), limit_text(limit.rework, limit.unit)
    if conformity == "conforms":
        return f"within the good limit of {good}"
    if rework == "needed":
        return f"past the rework limit of {bad}"
    if conformity == "does not conform":
        if rework == "not needed":
            return f"past the good limit of {good}, short of the rework limit of {bad}"
        return (
            f"past the good limit of {good}; whether it reaches the rework limit of {bad} is open"
        )
    if rework == "not needed":
        return (
            f"too near the good limit of {good} to say on which side it lies, "
            f"but short of the rework limit of {bad}"
        )
    return f"too uncertain to place against the limits of {good} and {bad}"


def _what_decides(found: Characteristic, conformity: Conformity, rework: Rework) -> str:
    if "undecided" not in (conformity, rework):
        return ""
    if found.budget.get("other_line", 0.0) > 0.5 * found.standard_uncertainty:
        return "Lay the edge by hand on the line that is it; the other line no longer counts then."
    return _DECIDES.get(
        found.name,
        "A second photograph, taken straight above the seam, would narrow it; or feel the lip "
        "with a straightedge and feeler gauge.",
    )


_DECIDES = {
    "pad_squareness": "A second photograph of the bare pad would narrow it; or hold an "
    "engineer's square to the riser's side.",
    "twist": "The same sight with cards C and D exchanged would narrow it.",
    "gap_butt": "A feeler gauge at the seam, bolt snug, would decide it.",
    "gap_end": "A feeler gauge at the seam, bolt snug, would decide it.",
}
