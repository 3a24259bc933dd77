"""Every characteristic of an inspection as one list: decided ones first, then all others."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from fitcheck.findings.combine import Combined
from fitcheck.findings.decisions import Finding
from fitcheck.findings.whole import Findings
from fitcheck.inspection import ARRANGEMENTS, Arrangement
from fitcheck.reporting.model import Line

# What the findings call a characteristic, to the characteristics of photographs it rests on.
RESTS_ON: Mapping[str, tuple[str, ...]] = {
    "seat_gap": ("gap_butt", "gap_end"),
    "wind": ("pad_squareness",),
}
OF_THE_RISER = ("pad_squareness", "pin_play")
# Which photographs bear on what was reckoned is told by the parts' shares, not here.
FROM_PHOTOGRAPHS = "photograph"


def lines_of(findings: Findings) -> tuple[Line, ...]:
    """Return every characteristic with its decision, and those that have no limit.

    Decisions come in the order of the findings, as received before exchanged; then every
    value of the photographs that no decision shows.
    """
    numbers = _numbers(findings)
    lines = [_decided(findings, one, "as received", numbers) for one in findings.findings]
    if any(_tells_of_a_limb(one) for one in findings.findings_exchanged):
        lines += [
            _decided(findings, one, "exchanged", numbers) for one in findings.findings_exchanged
        ]
    shown = {(line.name, line.end, line.limb, line.against) for line in lines}
    for one in findings.evidence.values.values():
        line = _measured(findings, one, numbers)
        if (line.name, line.end, line.limb, line.against) not in shown or line.side:
            lines.append(line)
    return tuple(lines)


def _tells_of_a_limb(one: Finding) -> bool:
    """Whether the limbs exchanged were looked at: what belongs to the riser alone is no sign."""
    return bool(one.limb) and one.name not in OF_THE_RISER and one.value.tool != "reckoned"


def _numbers(findings: Findings) -> dict[str, list[int]]:
    """Names by which the findings call photographs, to their places, from 1."""
    numbers: dict[str, list[int]] = {}
    pairs = zip(findings.inspection.photos, findings.measurements, strict=True)
    for number, (entry, found) in enumerate(pairs, start=1):
        if found is not None:
            numbers.setdefault(entry.file or found.photo, []).append(number)
    return numbers


def _photos(
    findings: Findings, values: Iterable[Combined], numbers: Mapping[str, list[int]]
) -> tuple[int, ...]:
    """Numbers of the photographs behind some values.

    Two photographs of one name in different folders are told apart by where they belong.
    """
    entries = findings.inspection.photos
    found = set()
    for value in values:
        for name in value.photos:
            for number in numbers.get(name, []):
                entry = entries[number - 1]
                if value.spot.end in (None, entry.end) and value.spot.limb in (None, entry.limb):
                    found.add(number)
    return tuple(sorted(found))


def _decided(
    findings: Findings,
    one: Finding,
    arrangement: Arrangement,
    numbers: Mapping[str, list[int]],
) -> Line:
    judged, value = one.judged, one.value
    against = None
    if one.name == "twist" and one.end is not None:
        seat = findings.seats[arrangement].get(one.end)
        against = "riser" if seat is not None and seat.twist_from_riser else "butt"
    photos: tuple[int, ...] = ()
    seatings, seating_range = 1, None
    if FROM_PHOTOGRAPHS in value.tool:  # "photograph and feeler gauge" too
        behind = list(_behind(findings, one, against))
        photos = _photos(findings, behind, numbers)
        if len(behind) == 1:
            seatings, seating_range = behind[0].seatings, behind[0].seating_range
    return Line(
        name=one.name if not one.name.startswith("string") else _string_name(one),
        arrangement=arrangement,
        end=one.end,
        limb=one.limb if one.name not in OF_THE_RISER else None,
        side=None,
        against=against,
        value=value.value,
        standard_uncertainty=value.standard_uncertainty,
        unit=value.unit,
        tool=value.tool,
        limit=judged.tolerance.name,
        conformity=judged.conformity,
        rework=judged.rework,
        p_good=judged.p_good,
        p_rework_free=judged.p_rework_free,
        what_decides=f"{one.doubt} {one.what_decides}".strip(),
        said=one.sentence,
        photos=photos,
        seatings=seatings,
        seating_range=seating_range,
    )


def _string_name(one: Finding) -> str:
    """The place on the string, which its sentence ends with: ``string_upper_pad``."""
    place = one.said.rpartition(" at the ")[2]
    return f"string_{place.replace(' ', '_')}"


def _behind(findings: Findings, one: Finding, against: str | None) -> Iterable[Combined]:
    names = RESTS_ON.get(one.name, (one.name,))
    for spot, value in findings.evidence.values.items():
        if spot.characteristic not in names:
            continue
        if one.end is not None and spot.end not in (None, one.end):
            continue
        if spot.limb is not None and one.limb is not None and spot.limb != one.limb:
            continue
        if against is not None and spot.from_riser != (against == "riser"):
            continue
        yield value


def _measured(findings: Findings, one: Combined, numbers: Mapping[str, list[int]]) -> Line:
    spot = one.spot
    return Line(
        name=spot.characteristic,
        arrangement=_arrangement(findings, one),
        end=spot.end,
        limb=spot.limb,
        side=spot.side,
        against=("riser" if spot.from_riser else "butt")
        if spot.characteristic == "twist"
        else None,
        value=one.value,
        standard_uncertainty=one.standard_uncertainty,
        unit=one.unit,
        tool=FROM_PHOTOGRAPHS,
        photos=_photos(findings, [one], numbers),
        seatings=one.seatings,
        seating_range=one.seating_range,
    )


def _arrangement(findings: Findings, one: Combined) -> Arrangement:
    """Where a seat is one of the limbs exchanged, that; else as received."""
    spot = one.spot
    if spot.end is not None and spot.limb is not None:
        for arrangement in ARRANGEMENTS:
            if findings.inspection.limbs_at(arrangement).get(spot.end) == spot.limb:
                return arrangement
    return "as received"
