"""Whose fault it is: riser's pad, limb's butt, limb's own twist, holes, or limbs exchanged.

Each part's share comes from sums of shares (:mod:`fitcheck.findings.sums`), weighed in
:mod:`fitcheck.findings.shares`. What the readings cannot tell apart is said to be so.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from fitcheck.findings.combine import Evidence, Spot
from fitcheck.findings.exchange import Exchange, find_exchange
from fitcheck.findings.limits import Tolerance
from fitcheck.findings.next_photo import NextPhoto, next_photos
from fitcheck.findings.shares import (
    Closure,
    Readings,
    Shares,
    closure,
    weigh,
)
from fitcheck.findings.sums import Part, Play, weigh_roll, weigh_sideways
from fitcheck.inspection import End, Inspection

Array = NDArray[np.float64]

SURE = 0.95  # as for decisions, ISO 14253-1
PROBABLE = 0.75  # named with "probably" from here
WORTH_NAMING = 0.02  # a part less likely at fault than this is not in doubt

# Half a difference of widths that is left to every maker; from memory, no source.
WIDTH_SOUND_MM = 0.1
# Readings that do not close with less chance than this are not trusted as they stand.
CLOSURE_PROBABILITY = 0.01


@dataclass(frozen=True)
class Cause:
    """One part's share of what was found.

    Attributes
    ----------
    part
        Whose it is.
    probability
        That the part is at fault: more than a sound part's share.
    p_past_good, p_past_rework
        Probability that its share alone is past the good limit, and past the rework limit.
    value, standard_uncertainty
        Share in ``unit``, given that it is at fault; for holes the offset.
    unit
        ``"mm"`` or ``"deg"``.
    angle
        For holes, the share of the sideways angle: value and standard uncertainty, deg.
    determined
        Whether the readings alone fix the share, without weighing what is likelier.
    least_squares
        The share from the readings alone and its standard uncertainty; None if not determined.
    severity
        Largest component over its good limit.
    paired
        Whether parts were fitted to each other in pairs, so that how a share is split between
        them cannot be told from what is likelier: only the readings alone could.
    """

    part: Part
    probability: float
    p_past_good: float
    p_past_rework: float
    value: float
    standard_uncertainty: float
    unit: str
    angle: tuple[float, float] | None
    determined: bool
    least_squares: tuple[float, float] | None
    severity: float
    paired: bool = False

    @property
    def named(self) -> bool:
        """Whether it is named: at fault, or probably."""
        return self.probability >= PROBABLE and not self.paired

    @property
    def sure(self) -> bool:
        """Whether it is at fault with 95 %."""
        return self.probability >= SURE and not self.paired

    @property
    def in_question(self) -> bool:
        """Whether it may be at fault and may not, and would matter if it were."""
        open_yet = 1 - SURE < self.probability < SURE and not self.paired
        return open_yet and self.p_past_good > 1 - SURE


@dataclass(frozen=True)
class Doubt:
    """Parts of which one or more are at fault, and it cannot be told which.

    Attributes
    ----------
    parts
        The parts, all of them needed.
    probability
        That at least one is at fault.
    """

    parts: tuple[Part, ...]
    probability: float


@dataclass(frozen=True)
class ClosureCheck:
    """A closure over both seats and both limbs, of one characteristic."""

    characteristic: str
    unit: str
    result: Closure

    @property
    def holds(self) -> bool:
        """Whether the readings may be trusted as they stand."""
        return self.result.probability >= CLOSURE_PROBABILITY

    @property
    def sentence(self) -> str:
        """What speaks against the readings where it does not hold."""
        return (
            f"The readings of {self.characteristic.replace('_', ' ')} do not close over both "
            "limbs and both ends: a limb moved, a card stood askew, or a photograph is put "
            "down to the wrong limb. They were trusted less for it; take them again."
        )


@dataclass(frozen=True, eq=False)
class Faults:
    """Everything about whose fault it is.

    Attributes
    ----------
    causes
        Every part's share, most severe of the named ones first.
    doubts
        What cannot be told apart.
    closures
        Checks of the readings themselves.
    exchange
        Whether the limbs sit on the wrong ends.
    next_photos
        The one photograph that would tell most; several if they would tell the same.
    roll, sideways
        The shares behind it.
    """

    causes: tuple[Cause, ...]
    doubts: tuple[Doubt, ...]
    closures: tuple[ClosureCheck, ...]
    exchange: Exchange
    next_photos: tuple[NextPhoto, ...]
    roll: Shares
    sideways: Shares

    @property
    def named(self) -> tuple[Cause, ...]:
        """Parts at fault or probably so, most severe first."""
        return tuple(cause for cause in self.causes if cause.named)

    def cause(self, part: Part) -> Cause:
        """Return a part's share; KeyError if it has none."""
        for cause in self.causes:
            if cause.part == part:
                return cause
        raise KeyError(part)


def find_faults(
    inspection: Inspection,
    evidence: Evidence,
    limits: Mapping[str, Tolerance],
    play: Mapping[End, Play],
) -> Faults:
    """Attribute what was measured to the parts.

    Parameters
    ----------
    inspection
        Limbs, their marks and where they sat.
    evidence
        Combined values.
    limits
        In force.
    play
        At each end.

    Returns
    -------
    The faults. Without any reading all shares are unknown and nothing is named.
    """
    names = [limb.name for limb in inspection.limbs]
    roll, roll_spots = weigh_roll(names, evidence)
    sideways, seat_spots = weigh_sideways(names, evidence, play)
    closures = tuple(_closures(names, roll, roll_spots, sideways, seat_spots))
    if any(not c.holds for c in closures if c.characteristic == "twist"):
        roll = _widened(roll, closures, ("twist",))
    if any(not c.holds for c in closures if c.characteristic != "twist"):
        sideways = _widened(sideways, closures, ("lateral_offset", "lateral_angle"))
    exchange = find_exchange(inspection, roll, sideways, limits)
    # Parts fitted in pairs cannot be told apart, and are not where that is only likely.
    fitted = exchange.verdict in ("exchanged", "marks only", "contradiction", "perhaps")
    causes = [
        *_roll_causes(roll, limits),
        *_hole_causes(sideways, limits),
        *_width_causes(evidence, limits),
    ]
    if fitted:
        causes = [cause if cause.determined else replace(cause, paired=True) for cause in causes]
    # Sure before probable, then by how far past its limit, then by how much in doubt.
    causes.sort(
        key=lambda c: (not c.named, not c.sure, -c.severity if c.named else -c.probability)
    )
    unsettled = exchange.verdict in ("contradiction", "perhaps")
    home = inspection.limbs_at("exchanged" if fitted and not unsettled else "as received")
    doubts: list[Doubt] = []
    for shares, good in (
        (roll, [limits["pad_squareness"].good[1]]),
        (sideways, [limits[n].good[1] for n in ("overhang", "lateral_angle")]),
    ):
        paired = {c.part for c in causes if c.paired}
        own = [p for p in shares.readings.parts if isinstance(p, Part) and p in paired]
        if not own:
            doubts += _doubts(shares, home)
        elif unsettled:
            doubts += _paired_doubts(shares, own)
        else:
            doubts += _left_over(shares, own, home, good)
    return Faults(
        tuple(causes),
        tuple(doubts),
        closures,
        exchange,
        tuple(
            next_photos(
                inspection,
                roll if _in_doubt(roll, causes, doubts) else None,
                sideways if _in_doubt(sideways, causes, doubts) else None,
            )
        ),
        roll,
        sideways,
    )


# Checks of the readings


def _closures(
    names: Sequence[str],
    roll: Shares,
    roll_spots: Sequence[Spot],
    sideways: Shares,
    seat_spots: Sequence[Spot],
) -> Iterable[ClosureCheck]:
    if len(names) != 2:
        return
    for characteristic, unit, shares, spots in (
        ("twist", "deg", roll, roll_spots),
        ("lateral_offset", "mm", sideways, seat_spots),
        ("lateral_angle", "deg", sideways, seat_spots),
    ):
        signs = np.zeros(len(spots))
        for i, spot in enumerate(spots):
            if spot.characteristic == characteristic and spot.end and spot.limb:
                same = (spot.end == "upper") == (spot.limb == names[0])
                signs[i] = 1.0 if same else -1.0
        if np.sum(np.abs(signs)) == 4:
            yield ClosureCheck(
                characteristic,
                unit,
                closure(shares.readings.values, shares.readings.covariance, signs),
            )


def _widened(
    shares: Shares, closures: Sequence[ClosureCheck], characteristics: Sequence[str]
) -> Shares:
    """Weigh again with errors so large that the readings close within one standard deviation."""
    ratio = max(
        abs(c.result.value) / c.result.standard_uncertainty
        for c in closures
        if c.characteristic in characteristics
    )
    r = shares.readings
    return weigh(
        Readings(r.parts, r.design, r.values, r.covariance * ratio**2, r.sound_sd, r.fault_sd)
    )


# Causes


def _roll_causes(roll: Shares, limits: Mapping[str, Tolerance]) -> Iterable[Cause]:
    for part in roll.readings.parts:
        assert isinstance(part, Part)  # noqa: S101 - the parts are ours
        limit = limits["twist" if part.kind == "own_twist" else "pad_squareness"]
        yield _cause(roll, part, [limit], "deg")


def _hole_causes(sideways: Shares, limits: Mapping[str, Tolerance]) -> Iterable[Cause]:
    for part in sideways.readings.parts:
        assert isinstance(part, Part)  # noqa: S101 - the parts are ours
        yield _cause(sideways, part, [limits["overhang"], limits["lateral_angle"]], "mm")


def _cause(shares: Shares, part: Part, limits: Sequence[Tolerance], unit: str) -> Cause:
    value, u = shares.share(part, at_fault=True)
    least = shares.least_squares(part)
    good = [limit.good[1] for limit in limits]
    return Cause(
        part,
        shares.probability(part),
        shares.probability_past([part], good),
        shares.probability_past([part], [limit.rework[1] for limit in limits]),
        float(value[0]),
        float(u[0]),
        unit,
        (float(value[1]), float(u[1])) if len(value) > 1 else None,
        least is not None,
        None if least is None else (float(least[0][0]), float(least[1][0])),
        float(np.max(np.abs(value) / good)),
    )


def _width_causes(evidence: Evidence, limits: Mapping[str, Tolerance]) -> Iterable[Cause]:
    """A limb wider or narrower than the riser leaves a lip on both sides, whatever its place.

    Half the sum of the overhangs is half the difference of the widths.
    """
    limit = limits["overhang"]
    for spot in list(evidence.values):
        if spot.characteristic != "overhang_left":
            continue
        left = evidence.values[spot]
        right = evidence.get("overhang_right", spot.end, spot.limb)
        if right is None:
            continue
        value = (left.value + right.value) / 2
        # The two sides' common errors are not known from the budgets: taken as fully common.
        u = (left.standard_uncertainty + right.standard_uncertainty) / 2
        yield Cause(
            Part("width", spot.end, spot.limb),
            1 - _phi((WIDTH_SOUND_MM - abs(value)) / u),
            1 - _phi((limit.good[1] - abs(value)) / u),
            1 - _phi((limit.rework[1] - abs(value)) / u),
            value,
            u,
            "mm",
            None,
            True,
            (value, u),
            abs(value) / limit.good[1],
        )


def _phi(z: float) -> float:
    return 0.5 * math.erfc(-z / math.sqrt(2))


def _doubts(shares: Shares, here: Mapping[End, str]) -> Iterable[Doubt]:
    """Smallest sets of parts of which one is surely at fault while none alone is."""
    candidates = [
        part
        for part in shares.readings.parts
        if WORTH_NAMING < shares.probability(part) < PROBABLE
    ]
    found: list[tuple[int, bool, float, tuple[Part, ...]]] = []
    for size in range(2, len(candidates) + 1):
        for some in combinations(candidates, size):
            parts = tuple(p for p in some if isinstance(p, Part))
            if any(set(smaller) <= set(parts) for *_, smaller in found):
                continue
            probability = shares.probability_of_any(parts)
            if probability >= SURE:
                found.append((size, not _one_seat(parts, here), -probability, parts))
    taken: set[Part] = set()
    for _, _, minus, parts in sorted(found, key=lambda f: f[:3]):
        if not taken.intersection(parts):
            taken.update(parts)
            yield Doubt(parts, -minus)


def _paired_doubts(shares: Shares, parts: Sequence[Part]) -> Iterable[Doubt]:
    """Of parts that may be fitted to each other all are in doubt, if any is at fault."""
    probability = shares.probability_of_any(parts)
    if probability >= SURE:
        yield Doubt(tuple(parts), probability)


def _left_over(
    shares: Shares, own: Sequence[Part], home: Mapping[End, str], good: Sequence[float]
) -> Iterable[Doubt]:
    """What pairs on their own ends leave past its good limit: one of the two parts there.

    What the two make up for is no fault.
    """
    for end, name in home.items():
        pair = [p for p in own if (p.end == end or p.limb == name) and p.kind != "own_twist"]
        pair.sort(key=lambda p: p.limb is not None)
        if len(pair) < 2:
            continue
        rows = shares.rows_of(pair)
        past = shares.probability_past(pair, good)
        if past >= SURE and shares.implied(rows):
            yield Doubt(tuple(pair), past)


def _one_seat(parts: Sequence[Part], here: Mapping[End, str]) -> bool:
    """Whether all parts belong to one seat as the bow was received."""
    ends = {p.end for p in parts if p.end}
    limbs = {p.limb for p in parts if p.limb}
    return (
        len(ends) <= 1
        and len(limbs) <= 1
        and all(here.get(end) == limb for end in ends for limb in limbs)
    )


def _in_doubt(shares: Shares, causes: Sequence[Cause], doubts: Sequence[Doubt]) -> bool:
    """Whether a further photograph of these shares is worth asking for: what matters is open.

    How parts fitted in pairs share what they leave over no photograph tells.
    """
    own = set(shares.readings.parts) - {c.part for c in causes if c.paired}
    return any(own & set(doubt.parts) for doubt in doubts) or any(
        c.in_question for c in causes if c.part in own
    )
