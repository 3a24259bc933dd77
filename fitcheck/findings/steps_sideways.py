"""Steps sideways: the riser's holes are plugged or bushed, a limb's never."""

from __future__ import annotations

import math

from fitcheck.findings.faults import Cause, Faults
from fitcheck.findings.frames import other_side, side_of
from fitcheck.findings.play import BOLT_TO_PIN_MM, clearances, play_angle_deg
from fitcheck.findings.seat import Seat, Value
from fitcheck.findings.steps import (
    BOLT_FROM_BUTT_MM,
    DUST,
    HOLE_STOP_MM,
    NEVER,
    WORTH_WORKING,
    LeftAlone,
    OutOfReach,
    Plan,
    Step,
    cause_of,
    improves,
    past_good,
)
from fitcheck.findings.sums import Part
from fitcheck.findings.words import (
    depth_text,
    listed,
    part_words,
    plain_quantity,
)
from fitcheck.inspection import End

BOLT = "bolt’s bushing"
# What holes out of place bring with them.
SIDEWAYS = ("lateral_angle", "overhang_left", "overhang_right", "string_grip", "string_pad")


def move_holes(plan: Plan, faults: Faults, end: End) -> None:
    """Sideways: plug and drill again, or bush; never slot."""
    seat = plan.seats[end]
    limb_cause = cause_of(faults, Part("limb_holes", limb=seat.limb))
    if past_good(limb_cause) and limb_cause is not None:
        plan.out_of_reach.append(_limb_holes(plan, limb_cause, end))
    cause = cause_of(faults, Part("riser_holes", end))
    if cause is None or cause.angle is None or not past_good(cause):
        return
    if seat.limb is not None:
        by_offset = abs(cause.value) / plan.limits["overhang"].good[1]
        by_angle = abs(cause.angle[0]) / plan.limits["lateral_angle"].good[1]
        worst = 0 if by_offset > by_angle else 1
        partner = Part("limb_holes", limb=seat.limb)
        if improves(faults.sideways, cause.part, partner, worst) < WORTH_WORKING:
            plan.left_alone.append(
                LeftAlone(
                    f"The holes of the riser’s {end} end are off, but those of limb {seat.limb} "
                    "may be made to suit. Photograph the seat with the limbs exchanged before "
                    "any hole is moved.",
                    end,
                    (),
                )
            )
            return
    (angle, u_angle), offset, u = cause.angle, cause.value, cause.standard_uncertainty
    readings = plan.inspection.readings.ends.get(end)
    found = clearances(readings)
    apart = BOLT_TO_PIN_MM
    bolt_at, assumed = BOLT_FROM_BUTT_MM, ["the bolt 25 mm from the butt line"]
    tipward = True
    if readings is not None:
        if readings.bolt_to_pin is not None:
            apart = readings.bolt_to_pin.value
        if readings.butt_line_to_bolt is not None:
            bolt_at, assumed = readings.butt_line_to_bolt.value, []
        tipward = readings.pin_side != "riser"
    if readings is None or readings.bolt_to_pin is None:
        assumed.append(f"bolt to pin {apart:.0f} mm")
    if found.pin is not None:
        bolt_play = found.pin[0] if found.bolt is None else found.bolt[0]
        free = play_angle_deg(max(bolt_play, 0), max(found.pin[0], 0), apart)
        if abs(angle) <= free and abs(offset) <= max(bolt_play, 0) / 2 + 1.96 * u:
            plan.left_alone.append(
                LeftAlone(
                    f"At the {end} end the play of pin and bolt alone allows ±{free:.2f}°, as "
                    "much as the sideways angle found: take up the play (a bushed hole, a new "
                    "pin), then measure again, before any hole is moved.",
                    end,
                    (),
                )
            )
            return
    slope = math.tan(math.radians(angle))
    pin_at = bolt_at + (apart if tipward else -apart)
    moves = []
    for name, at in ((BOLT, bolt_at), ("index pin", pin_at)):
        shift = offset + slope * at
        spread = math.hypot(u, at * math.radians(u_angle))
        if abs(shift) > 1.96 * spread:
            moves.append((name, shift, spread))
    if not moves:
        return
    furthest = max(abs(shift) for _, shift, _ in moves)
    if furthest > HOLE_STOP_MM:
        plan.out_of_reach.append(
            OutOfReach(
                f"At the {end} end a hole would have to move {depth_text(furthest)}.",
                f"More than {HOLE_STOP_MM:g} mm is a new layout of the riser, not a correction: "
                "ask the maker or a qualified bowyer.",
                "maker",
                end,
                SIDEWAYS,
            )
        )
        return
    words = listed(
        [
            f"the {name} {depth_text(abs(shift))} to the {other_side(side_of(shift))}"
            for name, shift, _ in moves
        ]
    )
    changed = _shifted(seat, offset, u, angle, u_angle)
    poses = plan.moved(end, 1, -offset, u)
    if poses is not None:
        plan_poses, plan.poses = plan.poses, poses
        poses = plan.moved(end, 2, -angle, u_angle)
        plan.poses = plan_poses
    step = Step(
        "move_holes",
        f"Move pin or bolt in the riser’s {end} end",
        f"{_proof([name for name, *_ in moves])} Then plug with hard wood and drill again, or "
        f"bush: {words} (sides as one faces the limb’s outer face, tip up)."
        + (f" Reckoned with {listed(assumed)}: measure that first." if assumed else ""),
        part=part_words(Part("riser_holes", end)),
        edge=listed([f"{name} to the {other_side(side_of(s))}" for name, s, _ in moves]),
        depth_mm=furthest,
        depth_sd_mm=max(spread for *_, spread in moves),
        bound=f"No hole moves more than {HOLE_STOP_MM:g} mm; clear of the pad’s edges and of the "
        "other hole.",
        stop="Drill under size, seat, photograph, then ream. Stop if the plug does not hold.",
        cautions=(NEVER, DUST),
    )
    plan.do(step, end, seat.with_values(**changed), poses)


def _proof(moved: list[str]) -> str:
    """How a move is proved before a hole is touched: about the bolt a limb can only turn."""
    if BOLT in moved:
        return (
            "Prove the angle first: pin out, bolt just snug, swing the limb until it points along "
            "the riser, photograph the seat. What it stands to the side stays until the bolt’s "
            "bushing is moved."
        )
    return (
        "Prove it first: pin out, bolt just snug, swing the limb to its new place, photograph the "
        "seat."
    )


def _limb_holes(plan: Plan, cause: Cause, end: End) -> OutOfReach:
    name = cause.part.limb
    angle = "" if cause.angle is None else f", {plain_quantity(*cause.angle, 'deg')}"
    glass = name is None or plan.inspection.limb(name).glass
    return OutOfReach(
        f"The holes of limb {name} lie off its centreline "
        f"({plain_quantity(cause.value, cause.standard_uncertainty, 'mm')}{angle}).",
        "They go through glass, which is never slotted or drilled anew, and the riser’s holes are "
        "not moved to suit one limb. Bushing the limb’s hole, or another limb, is for the maker."
        if glass
        else "Plugging and drilling a limb is for the maker or a qualified bowyer: the hole "
        "carries the clamped limb.",
        "maker",
        end,
        SIDEWAYS,
    )


def _shifted(
    seat: Seat, offset: float, u: float, angle: float, u_angle: float
) -> dict[str, Value]:
    """Values of a seat after its limb is moved sideways by -offset and turned by -angle."""
    changed: dict[str, Value] = {}
    for name, by, spread in (
        ("lateral_offset", offset, u),
        ("lateral_angle", angle, u_angle),
        ("overhang_right", offset, u),
        ("overhang_left", -offset, u),
    ):
        old = seat.values.get(name)
        if old is not None:
            changed[name] = Value(
                old.value - by, max(old.standard_uncertainty, spread), old.unit, "predicted"
            )
    return changed
