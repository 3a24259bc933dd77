"""Tiller past its limits: first where it comes from, then a shim that comes out again."""

from __future__ import annotations

from fitcheck.findings.readings import written_the_other_way
from fitcheck.findings.seat import Seat, pad_size_mm
from fitcheck.findings.steps import NEVER, PAD_STOP_MM, OutOfReach, Plan, Step
from fitcheck.findings.sums import Part
from fitcheck.findings.tiller import TILLER_IN_PER_DEG, TillerSources, tiller_sources
from fitcheck.findings.words import (
    bound_text,
    depth_text,
    part_words,
    plain_quantity,
    taper_mm,
)
from fitcheck.units import MM_PER_INCH


def settle_tiller(plan: Plan) -> None:
    """Find out whose a tiller past its limits is, and try a shim where one may be laid."""
    sources = tiller_sources(plan.inspection, plan.arrangement, plan.limits)
    if sources is None:
        return
    rest = plan.inspection.readings.rest_height
    swapped = written_the_other_way(sources.judged, 0.0 if rest is None else rest.value)
    _find_out(plan, sources, swapped)
    if swapped or sources.good_exchanged:
        return  # what was read, and which end each limb belongs on, come before any wedge
    seat = plan.seats.get("upper") or Seat("upper", None)
    _, length, _ = pad_size_mm(plan.inspection, seat)
    gentle, steep = TILLER_IN_PER_DEG
    least = taper_mm(length, abs(sources.short) / MM_PER_INCH / steep)
    if sources.lies_in == "limbs" or least > PAD_STOP_MM:
        plan.out_of_reach.append(_for_the_maker(sources, least))
        return
    if not plan.inspection.bow.mount:
        return  # the same shim does the opposite on belly and back: found out first
    most = taper_mm(length, abs(sources.wanted) / MM_PER_INCH / gentle)
    _try_a_shim(plan, seat, sources, least, min(most, PAD_STOP_MM))


def _find_out(plan: Plan, sources: TillerSources, swapped: bool) -> None:
    told = []
    if swapped:
        told.append("Read both gaps again: written down the other way round they would be good.")
    if sources.good_exchanged:
        told.append(
            "Tiller was good with the limbs on each other’s ends: see by their marks and by whom "
            "they were bolted on last which end each belongs on."
        )
    if sources.angle_deg is None:
        told.append("Measure the angle of both pads against the riser with a protractor.")
    if sources.pads is None:
        told.append(
            "Put the limbs on each other’s ends, brace low and measure tiller once more: what "
            "stays with the ends comes from the pads, what goes over with the limbs from the "
            "limbs. It tells nothing where butts, pins or pads differ."
        )
    if not plan.inspection.bow.mount:
        told.append(
            "See whether the limbs lie on the belly or on the back of the riser: the same shim "
            "does the opposite on either."
        )
    if not sources.judged.tolerance.edited:
        told.append("Ask what tiller the bow was made for, and how the fingers lie on the string.")
    if not told:
        return
    plan.steps.append(
        Step(
            "find_out",
            "Find out where the tiller comes from",
            " ".join(told),
            stop="No wedge and no cut before it is known. Pads, butts and holes first: they "
            "change tiller too.",
            cautions=(
                "Unstring with a stringer before a bolt is touched.",
                "Braced low, not drawn and not shot.",
            ),
        )
    )


def _for_the_maker(sources: TillerSources, least_mm: float) -> OutOfReach:
    judged = sources.judged
    size = plain_quantity(judged.value, judged.standard_uncertainty, "mm")
    too_much = (
        f"A wedge of {depth_text(least_mm)} or more would be needed, past what a pad may take. "
    )
    if sources.lies_in == "limbs":
        why = (too_much if least_mm > PAD_STOP_MM else "") + (
            "It lies in the limbs, and a wedge under a pad would correct one fault by another: "
            "tillering limbs with glass is for the maker."
        )
    else:
        why = f"{too_much}Whether it lies in the pads or in the limbs, that is for the maker."
    return OutOfReach(f"Tiller is {size} in the shot, {judged.sentence}.", why, effect="maker")


def _try_a_shim(
    plan: Plan, seat: Seat, sources: TillerSources, strip_mm: float, most_mm: float
) -> None:
    # Positive: the upper limb has to become weaker against the lower one.
    rises = sources.wanted > 0
    weaker, stronger = "outer end", "butt end"
    if plan.inspection.bow.mount == "back":
        weaker, stronger = stronger, weaker
    edge = weaker if rises else stronger
    plan.steps.append(
        Step(
            "tiller",
            "Try the tiller with a shim",
            f"Lay a feeler strip of {depth_text(strip_mm)} under the {edge} of the upper limb, "
            f"brace and measure tiller. It should {'rise' if rises else 'fall'}; "
            f"{abs(sources.short):.1f} mm at least are wanted and {abs(sources.wanted):.1f} mm to "
            f"the middle of the good band, for which between {depth_text(strip_mm)} and "
            f"{depth_text(most_mm)} may be needed (a reckoning of low precision, for way and "
            "size only).",
            end="upper",
            limb=seat.limb,
            part=part_words(Part("pad", "upper")),
            edge=edge,
            depth_mm=strip_mm,
            bound=f"At most {bound_text(PAD_STOP_MM)}. The strip comes out again.",
            stop="If tiller does not move as foretold, stop. It shows way and size, not whose it "
            "is. What holds is a hard wedge, fitted by a qualified bowyer on the pad that is off; "
            "do the faces and the holes first.",
            cautions=("Brace only, do not draw the bow with a shim in.", NEVER),
        )
    )
