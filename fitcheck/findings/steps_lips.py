"""What stands proud at a seat: the riser's sides may be dressed, a limb's never.

A lip has two causes that add up: the limb's width against the riser's, alike on both sides,
and the limb's place, out on one side by as much as in on the other. Only the width tells
whether a limb belongs on a riser; the place is a matter of holes, and nothing is dressed for it
while it is in doubt or waits to be put right.
"""

from __future__ import annotations

from typing import Literal

from fitcheck.findings.faults import Cause, Faults
from fitcheck.findings.limits import decide
from fitcheck.findings.seat import Seat, Value
from fitcheck.findings.steps import (
    DUST,
    SIDE_STOP_MM,
    OutOfReach,
    Plan,
    Step,
    cause_of,
    past_good,
)
from fitcheck.findings.sums import Part
from fitcheck.findings.words import bound_text, depth_text, magnitude, sentence
from fitcheck.inspection import SIDES, End, Side

# A photograph is waited for that settles the doubt in at least so many of 100 cases.
WORTH_WAITING = 0.05
GLASS = "A limb’s side is not dressed: its glass runs to the edge."


def dress_lips(plan: Plan, faults: Faults, end: End) -> None:
    """Dress what may be dressed, and say what stays proud and why."""
    place = _place(plan, faults, end)
    riser = cause_of(faults, Part("riser_holes", end))
    # How parts fitted in pairs share what is left over, no photograph tells.
    photo_tells = not (riser is not None and riser.paired) and any(
        photo.view == "seat" and photo.gain.settles >= WORTH_WAITING
        for photo in faults.next_photos
    )
    seat = plan.seats[end]
    wide = width_share(seat)
    too_wide = wide is not None and (
        decide(wide.value, wide.standard_uncertainty, plan.limits["overhang"]).rework == "needed"
    )
    if wide is not None and too_wide:
        plan.out_of_reach.append(_not_this_risers(seat, wide))
    for side in SIDES:
        seat = plan.seats[end]
        lip = seat.values.get(f"overhang_{side}")
        if lip is None or (wide is not None and too_wide and wide.value * lip.value > 0):
            continue
        judged = decide(lip.value, lip.standard_uncertainty, plan.limits["overhang"])
        if judged.conformity != "does not conform":
            continue
        if place == "at fault" or wide is None or (place == "in doubt" and photo_tells):
            continue  # told already, or photographed first: the lip goes with it, or is then known
        if lip.value < 0 and place == "right":
            _dress(plan, end, side, lip)
        elif judged.rework != "needed":
            plan.out_of_reach.append(_felt_and_seen(seat, side, lip))
        else:
            plan.out_of_reach.append(_adds_up(seat, side, lip, wide))


def width_share(seat: Seat) -> Value | None:
    """Return how far a limb would stand out on either side if it sat in the middle, mm.

    Half the sum of the overhangs is half the difference of the widths. The errors of the two
    sides are taken as fully common, which is never too small.
    """
    left, right = (seat.values.get(f"overhang_{side}") for side in SIDES)
    if left is None or right is None:
        return None
    u = (left.standard_uncertainty + right.standard_uncertainty) / 2
    return Value((left.value + right.value) / 2, u, "mm", left.tool)


def _place(plan: Plan, faults: Faults, end: End) -> Literal["right", "in doubt", "at fault"]:
    """Say what is known of a limb's place after the steps so far."""
    own = Part("riser_holes", end), Part("limb_holes", limb=plan.seats[end].limb)
    riser, limb = (cause_of(faults, part) for part in own)
    moved = any(step.act == "move_holes" and step.end == end for step in plan.steps)
    if past_good(limb) or (past_good(riser) and not moved):
        return "at fault"
    doubted = any(set(own) & set(doubt.parts) for doubt in faults.doubts)
    if doubted or _may_be(limb) or (_may_be(riser) and not moved):
        return "in doubt"
    return "right"


def _may_be(cause: Cause | None) -> bool:
    return cause is not None and cause.in_question


def _not_this_risers(seat: Seat, wide: Value) -> OutOfReach:
    """Too wide or too narrow for this riser wherever the limb sits."""
    size = magnitude(wide.value, wide.standard_uncertainty, "mm")
    limb, riser = f"limb {seat.limb}", f"the riser’s {seat.end} end"
    proud, other = (limb, riser) if wide.value > 0 else (riser, limb)
    what = (
        f"{sentence(proud)} is too wide for {other}: centred, it stands out {size} on either side."
    )
    if wide.value > 0:
        why = (
            f"{GLASS} By its width alone it is past the limit, wherever it sits: it is not this "
            "riser’s limb, or one for the maker to make over."
        )
    else:
        why = (
            f"At most {bound_text(SIDE_STOP_MM)} may be dressed off a riser’s side here. By its "
            "width alone the limb is too narrow, wherever it sits: it is not this riser’s limb, "
            "or the riser is one for the maker."
        )
    return OutOfReach(what, why, effect="maker", end=seat.end)


def _what(seat: Seat, side: Side, lip: Value) -> str:
    size = magnitude(lip.value, lip.standard_uncertainty, "mm")
    if lip.value > 0:
        return (
            f"Limb {seat.limb} stands {size} proud of the riser on the {side}, "
            f"at the {seat.end} end."
        )
    return f"The riser stands {size} proud of the limb on the {side}, at the {seat.end} end."


def _felt_and_seen(seat: Seat, side: Side, lip: Value) -> OutOfReach:
    if lip.value > 0:
        why = (
            f"{GLASS} It can be felt and seen; break no arris that is glass, and tell the "
            "customer."
        )
    else:
        why = (
            "Whether width or place makes it is open, and no side is dressed before. It can be "
            "felt and seen; tell the customer."
        )
    return OutOfReach(_what(seat, side, lip), why, effect="looks")


def _adds_up(seat: Seat, side: Side, lip: Value, wide: Value) -> OutOfReach:
    """Neither width nor place alone is known to make it."""
    size = magnitude(wide.value, wide.standard_uncertainty, "mm")
    proud = "the limb" if wide.value > 0 else "the riser"
    return OutOfReach(
        _what(seat, side, lip),
        f"Width and place add up to it: centred, {proud} would stand out {size} on "
        "either side. Before that is settled no side is dressed and no hole is moved; what stays "
        "then is for the maker or a qualified bowyer.",
        effect="maker",
        end=seat.end,
    )


def _dress(plan: Plan, end: End, side: Side, lip: Value) -> None:
    seat, depth = plan.seats[end], abs(lip.value)
    if depth > SIDE_STOP_MM:
        plan.out_of_reach.append(
            OutOfReach(
                _what(seat, side, lip),
                f"At most {bound_text(SIDE_STOP_MM)} may be dressed off a riser’s side here. More "
                "than that is for the maker.",
                effect="maker",
                end=end,
            )
        )
        return
    name: Literal["overhang_left", "overhang_right"] = (
        "overhang_left" if side == "left" else "overhang_right"
    )
    step = Step(
        "dress",
        f"Dress the riser’s {side} side at the {end} end",
        f"Scrape or sand {depth_text(depth)} off the riser’s {side} side at the butt line, and "
        "fair it into the riser over some 50 mm, limb taken off.",
        part="the riser’s side",
        edge=f"{side} side",
        depth_mm=depth,
        depth_sd_mm=lip.standard_uncertainty,
        bound=f"At most {bound_text(SIDE_STOP_MM)}, clear of the bushing; never the limb.",
        stop="Seat the limb and feel with a straightedge every few strokes.",
        cautions=(DUST,),
    )
    after = seat.with_values(**{name: Value(0.0, lip.standard_uncertainty, "mm", "predicted")})
    plan.do(step, end, after, plan.poses)
