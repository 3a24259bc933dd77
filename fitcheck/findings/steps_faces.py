"""Steps on the faces that bear: pad and butt, each proved with a shim first."""

from __future__ import annotations

import math
from dataclasses import replace

from fitcheck.findings.decisions import deciding_gap, judge_value, with_deciding_gap
from fitcheck.findings.faults import Cause, Faults
from fitcheck.findings.frames import side_of
from fitcheck.findings.score import score_seat
from fitcheck.findings.seat import Value, gap_words, pad_size_mm
from fitcheck.findings.steps import (
    DUST,
    HALF_WORDS,
    LEAST_DEPTH_MM,
    NEVER,
    PAD_STOP_MM,
    STOP_WORDS,
    WORTH_WORKING,
    LeftAlone,
    OutOfReach,
    Plan,
    Step,
    cause_of,
    improves,
    past_good,
)
from fitcheck.findings.string_line import Poses
from fitcheck.findings.sums import Part
from fitcheck.findings.words import (
    bound_text,
    depth_text,
    high_side,
    listed,
    low_side,
    magnitude,
    part_words,
    taper_mm,
)
from fitcheck.inspection import End

# An overlay lapped thinner than this no longer shields the glass; from memory, no source.
LEAST_OVERLAY_MM = 0.3
# A thin overlay between the jaws, over its glue line; from memory, no source.
OVERLAY_SD_MM = 0.05


def lap_pad(plan: Plan, faults: Faults, end: End) -> None:
    """Off square: shim, then lap the high side."""
    cause = cause_of(faults, Part("pad", end))
    if cause is None or not past_good(cause):
        return
    seat, roll, u = plan.seats[end], cause.value, cause.standard_uncertainty
    if not _worth_lapping(plan, faults, end, cause):
        return
    width, _, assumed = pad_size_mm(plan.inspection, seat)
    depth, spread = taper_mm(width, roll), width * math.radians(u)
    if depth < LEAST_DEPTH_MM:
        return
    remaining = plan.remaining_mm(end)
    good = plan.limits["pad_squareness"].good[1]
    least = taper_mm(width, max(abs(roll) - good, 0.0)) + 1.64 * spread
    high, low = high_side(roll), low_side(roll)
    if remaining < least:
        plan.out_of_reach.append(
            OutOfReach(
                f"The pad at the {end} end is {magnitude(roll, u, 'deg')} out of square.",
                f"{depth_text(depth)} would have to come off its {high} edge, and only "
                f"{bound_text(remaining)} may. Building up the {low} side with a hard overlay is "
                "a rebuild of the pad: ask the maker or a qualified bowyer.",
                "maker",
                end,
                ("pad_squareness", "twist", "wind"),
            )
        )
        return
    _shim(plan, end, depth, roll, "pad")
    cut = min(depth, remaining)
    rest = math.copysign(abs(roll) - math.degrees(math.atan(cut / width)), roll)
    changed = {"pad_squareness": Value(rest, u, "deg", "predicted")}
    twist = seat.values.get("twist")
    if twist is not None and seat.twist_from_riser:
        changed["twist"] = replace(twist, value=twist.value - (roll - rest), tool="predicted")
    step = Step(
        "lap",
        f"Lap the pad at the {end} end",
        f"Hatch the pad in pencil and lap it on a hard, flat block: {depth_text(cut)} off at the "
        f"{high} edge, running out to nothing at the {low} edge, {width:.1f} mm away. "
        f"The limb comes down by about half of it in the middle."
        + (f" Reckoned with {listed(list(assumed[:1]))}." if "width" in "".join(assumed) else ""),
        part=part_words(Part("pad", end)),
        edge=f"{high} edge",
        depth_mm=cut,
        depth_sd_mm=spread,
        bound=_most_off(remaining),
        stop=f"{HALF_WORDS}. {STOP_WORDS}. Look whether pin and bolt still fit: lapping changes "
        "how far the pin stands out and how deep the bolt goes.",
        cautions=(NEVER, DUST),
    )
    plan.removed_mm[end] = plan.removed_mm.get(end, 0.0) + cut
    plan.do(step, end, seat.with_values(**changed), plan.moved(end, 0, rest - roll, u))


def _worth_lapping(plan: Plan, faults: Faults, end: End, cause: Cause) -> bool:
    """Whether lapping the pad brings the seat nearer to true; if not, say so."""
    name = plan.seats[end].limb
    if name is None:
        return True
    chance = improves(faults.roll, cause.part, Part("butt", limb=name))
    if chance >= WORTH_WORKING:
        return True
    size = magnitude(cause.value, cause.standard_uncertainty, "deg")
    suits = chance <= 1 - WORTH_WORKING
    if suits:
        text = (
            f"The pad at the {end} end is {size} out of square, but limb {name} on it is made to "
            "suit and sits true. Lapping the pad would undo that: leave both."
        )
    else:
        text = (
            f"The pad at the {end} end is {size} out of square, and limb {name} may be made to "
            "suit it. Before it is lapped, take the sight along that limb from the riser, and "
            "from the butt."
        )
    plan.left_alone.append(LeftAlone(text, end, ("pad_squareness", "wind"), suits))
    return False


def _shim(plan: Plan, end: End, depth: float, roll: float, what: str) -> None:
    """The proof: a strip under the low edge does for a moment what lapping would do for good."""
    if plan.bare_pads:  # there is no limb to show what the strip does
        return
    seat, low = plan.seats[end], low_side(roll)
    after = seat
    twist = seat.values.get("twist")
    if twist is not None and seat.twist_from_riser:
        after = seat.with_values(twist=replace(twist, value=twist.value - roll, tool="predicted"))
    poses = plan.moved(end, 0, -roll, 0.05)
    move = _tip_words(plan, end, poses)
    plan.steps.append(
        Step(
            "shim",
            f"Prove it with a shim at the {end} end",
            f"Lay a feeler strip of {depth_text(depth)} along the {low} edge of the pad, bolt the "
            f"limb on snug and photograph the seat and the sight again.{move}",
            end=end,
            limb=seat.limb,
            part=part_words(Part("pad", end))
            if what == "pad"
            else f"the butt of limb {seat.limb}",
            edge=f"{low} edge",
            depth_mm=depth,
            bound="The strip comes out again; it is a proof, never a repair.",
            stop="If the readings do not move as foretold, stop: the cause is another one.",
            predicted=plan.outlook(end, after, poses),
            score_after=score_seat(after, plan.limits),
            cautions=("Do not draw the bow with a shim in.",),
        )
    )


def _tip_words(plan: Plan, end: End, poses: Poses | None) -> str:
    now, then = plan.string(plan.poses), plan.string(poses)
    if now is None or then is None or not now.mount_known or plan.stopped:
        return ""
    move = then.tips[end][0] - now.tips[end][0]
    if abs(move) < 0.05:
        return " The tip hardly moves: look at the sight, not at the string."
    return f" Strung, the tip would move {abs(move):.1f} mm to the {side_of(move)}."


def lap_butt(plan: Plan, faults: Faults, end: End) -> None:
    """A butt out of square: only a sacrificial overlay may be lapped."""
    name = plan.seats[end].limb
    cause = cause_of(faults, Part("butt", limb=name))
    if name is None or cause is None or not past_good(cause):
        return
    lapped = plan.removed_mm.get(end, 0.0) > 0  # then the pad is true, and the butt alone is off
    if not lapped and improves(faults.roll, cause.part, Part("pad", end)) < WORTH_WORKING:
        return
    seat, roll, u = plan.seats[end], cause.value, cause.standard_uncertainty
    limb = plan.inspection.limb(name)
    width, _, _ = pad_size_mm(plan.inspection, seat)
    depth, spread = taper_mm(width, roll), width * math.radians(u)
    if depth < LEAST_DEPTH_MM:
        return
    high, low = high_side(roll), low_side(roll)
    thick = limb.butt_overlay_thickness
    left = -math.inf
    if thick is not None:  # of which 95 % are sure, by the depth's and the overlay's uncertainty
        known, u_thick = thick.with_uncertainty(OVERLAY_SD_MM)
        left = known - depth - 1.64 * math.hypot(spread, u_thick)
    if limb.butt_overlay != "present" or thick is None or left < LEAST_OVERLAY_MM:
        have = {
            "present": "nobody measured its overlay"
            if thick is None
            else f"its overlay of {thick.typed} is too thin for that to be sure",
            "none": "it has no sacrificial overlay, and its glass is never cut",
            "unknown": "whether it has a sacrificial overlay is not known, and glass is never cut",
        }[limb.butt_overlay]
        plan.out_of_reach.append(
            OutOfReach(
                f"The butt of limb {name} is {magnitude(roll, u, 'deg')} out of square.",
                f"{depth_text(depth)} would have to come off its {high} edge, but {have}. A hard "
                "overlay glued to the butt and lapped square is work for the maker or a "
                "qualified bowyer. The pad is not cut to suit a limb.",
                "maker",
                end,
                ("twist",),
            )
        )
        return
    _shim(plan, end, depth, roll, "butt")
    changed = {}
    twist = seat.values.get("twist")
    if twist is not None and seat.twist_from_riser:
        changed["twist"] = replace(twist, value=twist.value - roll, tool="predicted")
    step = Step(
        "lap",
        f"Lap the overlay on the butt of limb {name}",
        f"On a hard, flat block: {depth_text(depth)} off at the {high} edge of the overlay, "
        f"running out to nothing at the {low} edge, {width:.1f} mm away (sides as one faces the "
        "limb’s outer face, tip up).",
        part=f"the overlay on the butt of limb {name}",
        edge=f"{high} edge",
        depth_mm=depth,
        depth_sd_mm=spread,
        bound=f"The overlay is {thick.typed} thick, of which {left:.2f} mm at least remain; its "
        "glue line is the end.",
        stop=f"{HALF_WORDS}. {STOP_WORDS}.",
        cautions=(NEVER, DUST),
    )
    plan.do(step, end, seat.with_values(**changed), plan.moved(end, 0, -roll, u))


def _closed(gap: Value) -> Value:
    """Return a gap as it is once the pad is bedded; one that was closed before stays so."""
    u = gap.standard_uncertainty
    return Value(0.0, u, gap.unit, "predicted") if gap.value > 0 else gap


def bed(plan: Plan, end: End) -> None:
    """A seam that stays open with the bolt snug: find out which face is not flat."""
    seat = plan.seats[end]
    gap = seat.values.get("seat_gap")
    if gap is None:
        return
    judged = judge_value(gap, plan.limits["seat_gap"])
    if judged.conformity != "does not conform":
        return
    at, side = deciding_gap(seat.gaps, plan.limits["seat_gap"])[0]
    closed = "riser end" if at == "butt" else "butt"
    remaining = plan.remaining_mm(end)
    text = (
        f"The seam stands open {gap_words(gap)} at the {at} "
        f"on the {side}, bolt snug. Hold a straightedge to the pad, along, across and on both "
        "diagonals, and lay the butt on a flat plate: that tells pad from butt. Then ink the pad, "
        f"bolt the limb on snug and take it off again: the ink goes where it bears, toward the "
        f"{closed}."
    )
    lapped = plan.removed_mm.get(end, 0.0)
    if remaining < gap.value <= remaining + lapped:
        text = (
            f"The seam at the {end} end stands open by {gap_words(gap)}. Lapping the pad changes "
            "it: measure it again then, before anything is done about it."
        )
        plan.left_alone.append(LeftAlone(text, end, ("seat_gap",)))
        return
    if gap.value > remaining:
        plan.out_of_reach.append(
            OutOfReach(
                f"The seam at the {end} end stands open by {gap_words(gap)}.",
                f"Only {bound_text(remaining)} may still come off this pad.",
                "maker",
                end,
                ("seat_gap",),
            )
        )
        return
    closed_up = {place: _closed(one) for place, one in seat.gaps.items()}
    after = with_deciding_gap(replace(seat, gaps=closed_up), plan.limits)
    plan.do(
        Step(
            "bed",
            f"Bed the limb at the {end} end",
            f"{text} If it is the pad, lap only where the ink is gone, {depth_text(gap.value)} at "
            "the most. If it is the butt, leave it: its glass is not cut, and the gap stays.",
            part=part_words(Part("pad", end)),
            edge=f"toward the {closed}",
            depth_mm=gap.value,
            depth_sd_mm=gap.standard_uncertainty,
            bound=_most_off(remaining),
            stop=f"Ink and feel again every few strokes. {STOP_WORDS}. Lapping one end of a pad "
            "changes its pitch and with it the tiller: measure that too.",
            cautions=(NEVER, DUST),
        ),
        end,
        after,
        plan.poses,
    )
    plan.removed_mm[end] = plan.removed_mm.get(end, 0.0) + gap.value


def _most_off(remaining_mm: float) -> str:
    return (
        f"At most {bound_text(remaining_mm)} more may come off this pad, "
        f"{bound_text(PAD_STOP_MM)} in all."
    )
