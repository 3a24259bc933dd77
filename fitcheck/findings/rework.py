"""The rework list: ordered steps, each bounded, with what it will do and when to stop.

The order is the trade's: clean and seat again; the limbs on their right ends; what is still in
doubt photographed before anything is cut; every cut proved with a temporary shim first; the
end that is farther off before the other, and at each end what the rest depends on first: the
faulty face, then the holes, then what stands proud, then the limb's own twist. A step takes
half of what is reckoned, and is measured again. No step cuts glass, a fade-out, or past the
stop. What no such step can reach is said, with the reason.
"""

from __future__ import annotations

from collections.abc import Mapping

from fitcheck.findings.condition import Condition
from fitcheck.findings.faults import Faults
from fitcheck.findings.limits import Tolerance
from fitcheck.findings.readings import BenchFinding
from fitcheck.findings.score import alike, score_seat, worse
from fitcheck.findings.seat import Seat
from fitcheck.findings.steps import (
    Compared,
    Plan,
    Rework,
    Step,
)
from fitcheck.findings.steps_faces import bed, lap_butt, lap_pad
from fitcheck.findings.steps_lips import dress_lips
from fitcheck.findings.steps_sideways import move_holes
from fitcheck.findings.steps_tiller import settle_tiller
from fitcheck.findings.steps_uncut import (
    contradiction,
    exchange_ends,
    hold_twist,
    photograph,
    prepare,
    prove,
    read_string_again,
    take_up_play,
    try_exchanged,
)
from fitcheck.findings.string_line import Poses
from fitcheck.inspection import ENDS, Arrangement, End, Inspection


def plan_rework(
    inspection: Inspection,
    seats: Mapping[Arrangement, Mapping[End, Seat]],
    poses: Mapping[Arrangement, Poses | None],
    faults: Faults,
    limits: Mapping[str, Tolerance],
    condition: Condition,
    tiller: Mapping[Arrangement, BenchFinding | None],
) -> Rework:
    """Plan the rework.

    Parameters
    ----------
    inspection
        Bench readings, limbs, mount.
    seats, poses
        What is known of both arrangements of the limbs.
    faults
        Whose fault it is.
    limits
        In force.
    condition
        What stops everything comes first, and a part that is retired is not worked on.
    tiller
        As measured in each arrangement.
    """
    exchange = faults.exchange.verdict in ("exchanged", "marks only")
    start = seats["as received"]
    before = worse([score_seat(seat, limits) for seat in start.values()])
    arrangement: Arrangement = "exchanged" if exchange else "as received"
    plan = Plan(
        inspection,
        limits,
        arrangement,
        dict(seats[arrangement]),
        poses[arrangement],
        bool(condition.stops),
    )
    for finding in condition.stops:
        plan.steps.append(
            Step(
                "repair",
                finding.to_do,
                finding.sentence,
            )
        )
    if condition.rejects:
        return Rework("as received", tuple(plan.steps), (), (), before, None)
    if faults.exchange.verdict == "contradiction":
        plan.steps.append(contradiction(inspection))
        return Rework("as received", tuple(plan.steps), (), (), before, None)
    for end in plan.by_size():
        take_up_play(plan, end)
    if not plan.stopped:  # it is read with the bow strung
        read_string_again(plan)
    if faults.exchange.verdict == "perhaps":
        plan.steps.append(try_exchanged(plan, faults))
        return Rework("as received", tuple(plan.steps), (), (), before, None)
    if exchange:
        plan.steps.append(exchange_ends(plan, faults, tiller))
    if faults.next_photos:
        plan.steps.append(photograph(faults, inspection.pads_alone))
    for end in plan.by_size():
        lap_pad(plan, faults, end)
        lap_butt(plan, faults, end)
        bed(plan, end)
        move_holes(plan, faults, end)
        dress_lips(plan, faults, end)
        hold_twist(plan, faults, end)
    if not plan.stopped:  # nothing is braced before what stops the bow is settled
        settle_tiller(plan)
    after, compared = None, list[Compared]()
    first = ("repair", "reread")
    if any(step.act not in (*first, "photograph", "find_out") for step in plan.steps):
        at = next((i for i, step in enumerate(plan.steps) if step.act not in first))
        plan.steps.insert(at, prepare(plan.bare_pads))
        # What waits for the maker or the rack is not strung, whatever else was done to it.
        waits = any(
            o.effect == "rack" or (o.effect == "maker" and o.names) for o in plan.out_of_reach
        )
        plan.steps.append(prove(plan.bare_pads, plan.stopped or waits))
        after = worse([score_seat(seat, limits) for seat in plan.seats.values()])
        for end in ENDS:
            if end in start and end in plan.seats:
                pair = alike(start[end], plan.seats[end], limits)
                if pair is not None:
                    compared.append(Compared(end, *pair))
    return Rework(
        arrangement,
        tuple(plan.steps),
        tuple(plan.out_of_reach),
        tuple(plan.left_alone),
        before,
        after,
        plan.seats,
        plan.string(plan.poses),
        tuple(compared),
    )
