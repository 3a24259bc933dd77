"""One value for each part of a lot, from all its photographs.

Photographs with a warning count only for a part that has none without: their numbers may be
further off than they say. The others are combined as an inspection combines them: by what is
new in each, with what they share kept shared (:mod:`fitcheck.findings.combine`). That the cards
were set anew in each is not counted in their favour.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from fitcheck.findings.combine import gather
from fitcheck.inspection import Inspection, PhotoEntry
from fitcheck.lots.values import Value
from fitcheck.measurement import Characteristic, Measurement


@dataclass(frozen=True, slots=True)
class PartValue:
    """A part's value of one characteristic.

    Attributes
    ----------
    part, subgroup, characteristic, unit
        What it is of.
    value
        Combined.
    standard_uncertainty
        All sources together; None where nobody states one.
    independent
        What of it is new in every photograph: it adds to the spread between parts.
    count
        How many photographs it is from.
    warned
        Whether only photographs with a warning were to be had.
    disagree
        Whether they differ by more than their uncertainty allows.
    """

    part: str
    subgroup: str
    characteristic: str
    unit: str
    value: float
    standard_uncertainty: float | None
    independent: float
    count: int
    warned: bool
    disagree: bool


def part_values(values: Iterable[Value]) -> dict[str, list[PartValue]]:
    """Return the values of all parts by characteristic, in the order the parts came."""
    groups: dict[str, dict[str, list[Value]]] = {}
    for value in values:
        groups.setdefault(value.characteristic, {}).setdefault(value.part, []).append(value)
    return {
        name: [_combined(ones) for ones in by_part.values()] for name, by_part in groups.items()
    }


def used(values: Sequence[Value]) -> list[Value]:
    """The values of one part and characteristic that count for it."""
    clean = [v for v in values if not v.warnings]
    return clean or list(values)


def _combined(values: Sequence[Value]) -> PartValue:
    kept = used(values)
    one = kept[0]
    known = [v for v in kept if v.standard_uncertainty is not None]
    warned = bool(kept[0].warnings)
    if len(known) < len(kept):  # nothing stated: the plain mean, and no uncertainty
        mean = math.fsum(v.value for v in kept) / len(kept)
        return PartValue(
            one.part,
            one.subgroup,
            one.characteristic,
            one.unit,
            mean,
            None,
            0.0,
            len(kept),
            warned,
            False,
        )
    entries = tuple(PhotoEntry(f"{i}", "pad", end="upper") for i in range(len(kept)))
    evidence = gather(Inspection(photos=entries), [_as_measured(v) for v in kept])
    (combined,) = evidence.values.values()
    return PartValue(
        one.part,
        one.subgroup,
        one.characteristic,
        one.unit,
        combined.value,
        combined.standard_uncertainty,
        combined.independent,
        len(kept),
        warned,
        any(note.code == "photographs_disagree" for note in combined.notes),
    )


def _as_measured(v: Value) -> Measurement:
    u = v.standard_uncertainty or 0.0
    one = Characteristic(
        v.characteristic,
        v.value,
        v.unit,
        u,
        (v.value - 1.96 * u, v.value + 1.96 * u),
        dict(v.budget),
    )
    return Measurement(v.photo, "pad", characteristics=(one,))


def independent_share(v: Value) -> float | None:
    """What of a value's standard uncertainty is new in its photograph; None if not stated."""
    if v.standard_uncertainty is None or not v.budget:
        return None
    from fitcheck.findings.combine import INDEPENDENT, SET_ANEW

    shared = math.fsum(
        u**2 for source, u in v.budget.items() if source not in INDEPENDENT | SET_ANEW
    )
    return math.sqrt(max(v.standard_uncertainty**2 - shared, 0.0))


def mean_budget(values: Iterable[Value]) -> Mapping[str, float]:
    """Root mean square of each source over many values, largest first."""
    squares: dict[str, float] = {}
    count = 0
    for value in values:
        count += 1
        for source, u in value.budget.items():
            squares[source] = squares.get(source, 0.0) + u**2
    roots = {source: math.sqrt(s / count) for source, s in squares.items()}
    return dict(sorted(roots.items(), key=lambda pair: -pair[1]))
