"""All findings on one bow, from its inspection and the measurements of its photographs."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from fitcheck.findings.combine import Evidence, gather
from fitcheck.findings.condition import Condition, condition_of
from fitcheck.findings.decisions import (
    Finding,
    seat_findings,
    string_findings,
    wind_finding,
    with_deciding_gap,
)
from fitcheck.findings.draw import Curve, curve_of
from fitcheck.findings.faults import Faults, find_faults
from fitcheck.findings.fitness import Fitness, fitness_of
from fitcheck.findings.limits import Tolerance, limits_in_force
from fitcheck.findings.play import seat_play
from fitcheck.findings.readings import BenchFinding, believable, bench_findings, tiller_of
from fitcheck.findings.rework import plan_rework
from fitcheck.findings.score import Score, score_seat, worse
from fitcheck.findings.seat import Seat, reckon_seat, seat_of
from fitcheck.findings.steps import Rework
from fitcheck.findings.string_line import (
    Poses,
    StringLine,
    StringPlace,
    poses_of,
    read_places,
    string_line,
)
from fitcheck.findings.sums import Play
from fitcheck.inspection import ARRANGEMENTS, ENDS, Arrangement, End, Inspection
from fitcheck.measurement import Measurement


@dataclass(frozen=True, eq=False)
class Findings:
    """Everything found on one bow.

    Attributes
    ----------
    inspection
        What went in; which limb sat where is filled in from the photographs if nobody said.
    measurements
        One for each photograph, in order; None where there was none.
    evidence
        The photographs combined.
    limits
        In force.
    seats
        Both arrangements, both ends: measured, and reckoned where that follows.
    findings
        Every decision on the bow as received.
    findings_exchanged
        Every decision on the seats with the limbs exchanged, where they are known.
    faults
        Whose fault it is.
    scores
        Of each seat of both arrangements.
    bow_score
        As received: that of the worse seat.
    string
        The string line of both arrangements, where both seats are known.
    bench, curve
        Meaning of the bench readings, and the force–draw curve.
    condition
        The check list.
    rework
        What to do.
    fitness
        What the bow is fit for.
    """

    inspection: Inspection
    measurements: tuple[Measurement | None, ...]
    evidence: Evidence
    limits: Mapping[str, Tolerance]
    seats: Mapping[Arrangement, Mapping[End, Seat]]
    findings: tuple[Finding, ...]
    findings_exchanged: tuple[Finding, ...]
    faults: Faults
    scores: Mapping[Arrangement, Mapping[End, Score]]
    bow_score: Score | None
    string: Mapping[Arrangement, StringLine | None]
    bench: tuple[BenchFinding, ...]
    curve: Curve | None
    condition: Condition
    rework: Rework
    fitness: Fitness

    @property
    def at_home(self) -> tuple[Finding, ...]:
        """Decisions on the limbs where they belong: what the rework starts from."""
        exchange = self.rework.arrangement == "exchanged"
        return self.findings_exchanged if exchange else self.findings


def find(inspection: Inspection, measurements: Sequence[Measurement | None]) -> Findings:
    """Go from numbers to findings.

    Parameters
    ----------
    inspection
        What each photograph shows, bench readings, condition, limits.
    measurements
        One for each of ``inspection.photos``, in order; None where there is none.

    Returns
    -------
    The findings. What was not measured is left open and named.
    """
    given = _with_places(inspection)
    inspection = believable(given)
    evidence = gather(inspection, measurements)
    limits = limits_in_force(inspection.limits, inspection.readings.fingers)
    play = {end: seat_play(inspection.readings.ends.get(end)) for end in ENDS}
    faults = find_faults(inspection, evidence, limits, play)
    seats = {a: _seats(inspection, evidence, faults, play, limits, a) for a in ARRANGEMENTS}
    poses: dict[Arrangement, Poses | None] = {
        a: poses_of(inspection, a, evidence, faults.roll, faults.sideways, play)
        for a in ARRANGEMENTS
    }
    string = {
        a: None if p is None else string_line(inspection, a, p, limits, _strung(evidence))
        for a, p in poses.items()
    }
    asked = ("pad_squareness",) if inspection.pads_alone else None
    scores = {
        a: {end: score_seat(seat, limits, asked=asked) for end, seat in seats[a].items()}
        for a in ARRANGEMENTS
    }
    condition = condition_of(inspection)
    tiller = {a: tiller_of(inspection, a, limits) for a in ARRANGEMENTS}
    rework = plan_rework(inspection, seats, poses, faults, limits, condition, tiller)
    bench = bench_findings(given, limits, stopped=bool(condition.stops))

    def decided(
        at: Mapping[End, Seat], line: StringLine | None, arrangement: Arrangement
    ) -> tuple[Finding, ...]:
        places = read_places(inspection, arrangement, limits) if line is None else line.places
        return _decisions(at, places, limits, may_be_strung=not condition.stops)

    here = decided(seats["as received"], string["as received"], "as received")
    remaining = decided(rework.seats_after, rework.string_after, rework.arrangement)
    there = decided(seats["exchanged"], string["exchanged"], "exchanged")
    return Findings(
        given,
        tuple(measurements),
        evidence,
        limits,
        seats,
        here,
        there if seats["exchanged"] else (),
        faults,
        scores,
        worse(list(scores["as received"].values())),
        string,
        bench,
        curve_of(inspection.readings),
        condition,
        rework,
        fitness_of(
            inspection.pads_alone,
            condition,
            there if rework.arrangement == "exchanged" else here,
            remaining,
            seats["as received"],
            faults,
            rework,
            bench,
            inspection.stage,
        ),
    )


def _with_places(inspection: Inspection) -> Inspection:
    """Where nobody said which limb sat where, the first photograph of a mounted limb says it."""
    if inspection.as_received or not inspection.limbs:
        return inspection
    names = [limb.name for limb in inspection.limbs]
    for photo in inspection.photos:
        if photo.end is None or photo.limb is None:
            continue
        placed: dict[End, str] = {photo.end: photo.limb}
        others = [name for name in names if name != photo.limb]
        if others:
            placed["lower" if photo.end == "upper" else "upper"] = others[0]
        return replace(inspection, as_received={e: placed[e] for e in ENDS if e in placed})
    return inspection


def _seats(
    inspection: Inspection,
    evidence: Evidence,
    faults: Faults,
    play: Mapping[End, Play],
    limits: Mapping[str, Tolerance],
    arrangement: Arrangement,
) -> dict[End, Seat]:
    at = inspection.limbs_at(arrangement)
    if not at and arrangement == "exchanged":
        return {}
    seats = {}
    for end in ENDS:
        seat = seat_of(inspection, evidence, end, at.get(end))
        seat = reckon_seat(seat, faults.roll, faults.sideways, evidence, play[end])
        seat = with_deciding_gap(seat, limits)
        if seat.values or end in at:
            seats[end] = seat
    return seats


def _decisions(
    seats: Mapping[End, Seat],
    places: Sequence[StringPlace],
    limits: Mapping[str, Tolerance],
    may_be_strung: bool,
) -> tuple[Finding, ...]:
    wind = wind_finding(seats, limits)
    found = (
        *(finding for seat in seats.values() for finding in seat_findings(seat, limits)),
        *(() if wind is None else (wind,)),
        *string_findings(places),
    )
    return tuple(replace(one, may_be_strung=may_be_strung) for one in found)


def _strung(evidence: Evidence) -> bool | None:
    states = {c.strung for c in evidence.values.values() if c.spot.limb is not None}
    return states.pop() if len(states) == 1 else None
