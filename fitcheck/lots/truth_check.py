"""Decisions and values held against what is truly so, for lots made to try the method with."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from fitcheck.lots.acceptance import Accepted, Tolerance
from fitcheck.lots.part_values import PartValue

EXPANDED = 1.96


@dataclass(frozen=True)
class TruthCheck:
    """How many decisions were right.

    Attributes
    ----------
    parts
        How many have a known truth.
    accepted, rejected, again
        How many of these were decided so.
    false_accepts, false_rejects
        Names of parts that are outside though accepted, within though rejected.
    expected_false_accepts, expected_false_rejects
        Sums of the risks that were stated for the decisions.
    held
        How many 95 % intervals hold the truth; None where no uncertainty is stated.
    """

    parts: int
    accepted: int
    rejected: int
    again: int
    false_accepts: tuple[str, ...]
    false_rejects: tuple[str, ...]
    expected_false_accepts: float
    expected_false_rejects: float
    held: int | None


def check_truth(
    values: Sequence[PartValue],
    decisions: Mapping[str, Accepted],
    truth: Mapping[str, float],
    tolerance: Tolerance,
) -> TruthCheck | None:
    """Compare; None if the truth of no part is known."""
    known = [v for v in values if v.part in truth and v.part in decisions]
    if not known:
        return None
    taken = [v for v in known if decisions[v.part].verdict == "accept"]
    refused = [v for v in known if decisions[v.part].verdict == "reject"]

    def within(part: str) -> bool:
        return tolerance.low <= truth[part] <= tolerance.high

    errors = [v.value - truth[v.part] for v in known]
    spreads = [v.standard_uncertainty for v in known]
    held = None
    if all(u is not None for u in spreads):
        held = sum(abs(e) <= EXPANDED * (u or 0.0) for e, u in zip(errors, spreads, strict=True))
    return TruthCheck(
        len(known),
        len(taken),
        len(refused),
        len(known) - len(taken) - len(refused),
        tuple(v.part for v in taken if not within(v.part)),
        tuple(v.part for v in refused if within(v.part)),
        sum(decisions[v.part].consumers_risk or 0.0 for v in taken),
        sum(decisions[v.part].producers_risk or 0.0 for v in refused),
        held,
    )
