"""Steps that cut nothing: clean, exchange, photograph, hold, try with a shim, prove."""

from __future__ import annotations

from collections.abc import Mapping

from fitcheck.findings.faults import Faults
from fitcheck.findings.limits import decide
from fitcheck.findings.readings import BenchFinding
from fitcheck.findings.score import score_seat, worse
from fitcheck.findings.steps import (
    DUST,
    NEVER,
    OutOfReach,
    Plan,
    Step,
    cause_of,
    past_good,
)
from fitcheck.findings.sums import Part
from fitcheck.findings.words import (
    high_side,
    listed,
    low_side,
    magnitude,
    part_words,
    percent,
    photo_words,
)
from fitcheck.inspection import ENDS, Arrangement, End, Inspection


def prepare(bare_pads: bool) -> Step:
    """Clean and seat three times: what goes away here needs no work."""
    if bare_pads:
        return Step(
            "prepare",
            "Clean, measure again",
            "Wipe the pads clean; see that no chip, burr or run of finish lies on them. Stand the "
            "card up anew and photograph each pad three times: the range of the three is dirt or "
            "the card, not wood. What disappears here needs no work.",
            stop="Go on only with what stays the same three times.",
        )
    return Step(
        "prepare",
        "Clean, seat again, measure again",
        "Take the limb off; wipe pad, butt and pin clean; see "
        "that bolt and washer belong to it. Seat it three times and photograph the seat "
        "each time: the range of the three is play or dirt, not wood. What disappears here needs "
        "no work.",
        stop="Go on only with what stays the same three times.",
        cautions=("Unstring with a stringer before a bolt is touched.",),
    )


def take_up_play(plan: Plan, end: End) -> None:
    """Pin play past its rework limit: a pin that fills the hole, or the hole bushed."""
    play = plan.seats[end].values.get("pin_play")
    if play is None:
        return
    judged = decide(play.value, play.standard_uncertainty, plan.limits["pin_play"])
    if judged.rework != "needed":
        return
    size = magnitude(play.value, play.standard_uncertainty, "mm")
    plan.steps.append(
        Step(
            "repair",
            f"Take up the play of the index pin at the {end} end",
            f"The pin has {size} of play. Measure pin and hole with a caliper, then fit a pin "
            "that fills the hole, or plug the riser’s hole and drill it again to the pin, or bush "
            "it. A limb’s hole through glass is for the maker. Then photograph the seat again.",
            end=end,
            limb=plan.seats[end].limb,
            part=f"the index pin in the riser’s {end} end",
            stop="Before any hole is moved, measure again: the play alone turns the limb.",
            cautions=("Unstring with a stringer before a bolt is touched.", NEVER, DUST),
        )
    )


def read_string_again(plan: Plan) -> None:
    """Rule and photographs disagree about the string: neither is worked by before they agree."""
    line = plan.string(plan.poses)
    if line is None or all(place.agrees is not False for place in line.places):
        return
    plan.steps.append(
        Step(
            "reread",
            "Read the string again: rule and photographs disagree",
            "Brace the bow, read with a fine rule where the string lies at the grip and at both "
            "pads, sides as one faces the limbs’ outer faces. Unstring, seat both limbs anew and "
            "photograph both seats again.",
            stop="Nothing is cut before the two agree.",
            cautions=("Stand clear of the limbs’ plane; do not draw the bow.",),
        )
    )


def contradiction(inspection: Inspection) -> Step:
    """Marks and fit disagree about the ends: nothing is cut before that is settled."""
    marks = listed(
        [
            f"limb {limb.name} for the {limb.marked_for} end"
            for limb in inspection.limbs
            if limb.marked_for
        ]
    )
    return Step(
        "photograph",
        "Marks and fit say different things",
        f"The marks say {marks}, but the limbs fit better the other way than they are marked. "
        "Read the marks again, ask who bolted them on last, and photograph both seats and both "
        "sights once more in either arrangement. Nothing is cut before this is settled.",
        stop="Nothing is cut before this is settled.",
        cautions=(
            "Do not shoot or fully draw it with the limbs on ends they are not marked for: "
            "tiller reverses if they were tillered as a pair.",
        ),
    )


def try_exchanged(plan: Plan, faults: Faults) -> Step:
    """The limbs fit better exchanged, which may be chance: tried before anything is cut."""
    chance = faults.exchange.by_chance
    why = (
        "They may belong there. Faults that only happen to cancel that way round would look the "
        f"same (probability {percent(0.0 if chance is None else chance)})."
    )
    return Step(
        "find_out",
        "Try the limbs on each other’s ends",
        f"Put {_placed(plan)}. {why} {_test(plan)} If not, put the limbs back.",
        part="both limbs",
        stop="Nothing is cut before this is settled.",
        cautions=_exchange_cautions(plan),
    )


def exchange_ends(
    plan: Plan,
    faults: Faults,
    tiller: Mapping[Arrangement, BenchFinding | None],
) -> Step:
    """Put the limbs on their right ends; all further steps are reckoned for that."""
    by_marks = faults.exchange.by_marks
    chance = faults.exchange.by_chance
    if faults.exchange.verdict == "marks only":
        why = "Their marks say so. Then photograph both seats and both sights again."
    elif by_marks:
        why = (
            "They fit better so, by the readings. Then photograph both seats and both sights "
            "again."
        )
    else:
        why = (
            "They fit better so, by the readings. Faults that only happen to cancel that way "
            f"round would look the same (probability {percent(0.0 if chance is None else chance)}"
            f"). {_test(plan)}"
        )
    own = tiller["exchanged"]
    cautions = _exchange_cautions(plan)
    if own is not None:
        cautions = cautions[:1]
        if own.judged is not None and own.judged.conformity != "conforms":
            cautions += (f"Tiller so: {own.meaning}",)
    scored = [score_seat(seat, plan.limits) for seat in plan.seats.values()]
    return Step(
        "exchange",
        "Put the limbs on their own ends" if by_marks else "Try the limbs on each other’s ends",
        f"Put {_placed(plan)}. {why}",
        part="both limbs",
        stop="Measure both seats again before any other step: what follows is reckoned for them.",
        score_after=worse(scored),
        cautions=cautions,
    )


def _placed(plan: Plan) -> str:
    there = plan.inspection.limbs_at("exchanged")
    return listed([f"limb {there[end]} on the {end} end" for end in ENDS])


def _test(plan: Plan) -> str:
    tiller = "" if plan.stopped else ", and measure tiller, braced low"
    return (
        f"It is a test: photograph both seats and both sights again{tiller}. Only if all of it is "
        "as good as foretold are they marked and stay so."
    )


def _exchange_cautions(plan: Plan) -> tuple[str, ...]:
    return (
        "Unstring with a stringer before a bolt is touched.",
        "Tiller changes with it, and reverses if the limbs were tillered as a pair"
        + ("." if plan.stopped else ": brace low and measure it before the bow is drawn."),
    )


def photograph(faults: Faults, pads_alone: bool = False) -> Step:
    """Take the photograph that tells most before anything in doubt is worked on.

    Of pads alone nobody asks whose fault it is, only what they measure.
    """
    photos = faults.next_photos
    which = listed([photo_words(photo) for photo in photos], "or")
    settles = max(photo.gain.settles for photo in photos)
    sideways = {photo.view == "seat" for photo in photos}
    doubts = "; ".join(
        f"{listed([part_words(p) for p in doubt.parts], 'or')}"
        for doubt in faults.doubts
        if (doubt.parts[0].kind in ("riser_holes", "limb_holes")) in sideways
    )
    open_words = f" In doubt: {doubts}." if doubts else ""
    if pads_alone:
        return Step(
            "photograph",
            "Photograph before anything is cut",
            f"Take {which}. It tells most about the pads.{open_words}",
            stop="Cut no pad that is in doubt until this photograph has been measured.",
        )
    return Step(
        "photograph",
        "Photograph before anything is cut",
        f"Take {which}. It tells most about whose fault it is; {_settles(settles)}.{open_words}",
        stop="Do no work on the parts in doubt until this photograph has been measured.",
    )


def _settles(chance: float) -> str:
    if chance < 0.05:
        return "alone it will hardly settle it"
    return f"it settles it in about {100 * chance:.0f} of 100 cases"


def prove(bare_pads: bool, stopped: bool = False) -> Step:
    """Seal, measure everything again, and prove the bow in small draws."""
    if bare_pads and not stopped:
        return Step(
            "prove",
            "Seal, measure everything again",
            "Seal bare wood. Photograph the pads again and keep them beside the first ones. Once "
            "limbs are fitted, photograph seats and sights before the bow is strung.",
            stop="A pad alone does not say how a limb will sit on it.",
        )
    if stopped:
        return Step(
            "prove",
            "Seal, measure everything again",
            "Seal bare wood. Photograph seats, pads and sights again and keep them beside the "
            "first ones. The bow stays unstrung.",
            stop="Whoever settles what the bow waits for also proves it.",
        )
    return Step(
        "prove",
        "Seal, measure everything again, prove",
        "Seal bare wood. Photograph seats, pads and sights again and keep them beside the first "
        "ones. Then brace low, look over, brace to height, look over, draw short and a little "
        "further each time up to the marked draw and never past it, look over again; then "
        "arrows that weigh enough for it.",
        stop="At any noise, mark or change: let down slowly, unstring, and look for its cause.",
        cautions=(
            "Wear eye protection and stand clear of the limbs’ plane. The maker’s own limits, "
            "local rules and qualified people come first.",
        ),
    )


def hold_twist(plan: Plan, faults: Faults, end: End) -> None:
    """The limb's own twist: held the other way, never cut."""
    name = plan.seats[end].limb
    cause = cause_of(faults, Part("own_twist", limb=name))
    if name is None or cause is None or not past_good(cause):
        return
    value, u = cause.value, cause.standard_uncertainty
    rework = plan.limits["twist"].rework[1]
    if cause.p_past_rework >= 0.95:
        plan.out_of_reach.append(
            OutOfReach(
                f"Limb {name} is twisted {magnitude(value, u, 'deg')} along its own length, past "
                f"{rework:g}°.",
                "So much twist is dangerous and no cut makes it good: edge work on a "
                "limb with glass cuts its load-bearing edge. The limb goes to the maker or to "
                "the rack.",
            )
        )
        return
    low = low_side(value)
    plan.steps.append(
        Step(
            "hold",
            f"Hold limb {name} against its twist",
            f"Its {high_side(value)} side stands {magnitude(value, u, 'deg')} high at the tip. "
            f"Clamp the butt flat, turn the tip gently until its {low} side stands about as much "
            "high, and hold it so overnight without heat. Let it rest a day unstrung, then "
            "photograph the sight again. How much it gives cannot be foretold.",
            end=end,
            limb=name,
            part=part_words(Part("own_twist", limb=name)),
            bound="No more than the same angle the other way; no heat; no cut.",
            stop="After three times without a change leave it: a constant twist short of "
            f"{rework:g}° can be lived with. If it grows, the limb is retired.",
            cautions=("Stand clear of the limb’s plane when it is first drawn again.",),
        )
    )
