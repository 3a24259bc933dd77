"""What the bow is fit for: back to the customer as it is, to the bench, or to the rack.

Fit is not strength. No sentence here says that a bow may be shot; where something stops
everything, no sentence says anything that could be taken for it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from fitcheck.findings.condition import ITEMS, RISER_ITEMS, Condition
from fitcheck.findings.decisions import Finding
from fitcheck.findings.faults import Faults
from fitcheck.findings.readings import BenchFinding
from fitcheck.findings.seat import Seat
from fitcheck.findings.steps import OutOfReach, Rework, past_good
from fitcheck.findings.words import cause_sentence, listed
from fitcheck.inspection import ENDS, End

Use = Literal["return as is", "rework", "do not shoot, reject", "cannot be said yet"]

# Without these a seat is not judged.
NEEDED = ("overhang_left", "overhang_right", "pad_squareness", "twist")
NEEDED_WORDS = {
    "overhang_left": "overhang",
    "overhang_right": "overhang",
    "pad_squareness": "pad squareness",
    "twist": "twist",
}


@dataclass(frozen=True)
class Fitness:
    """What the bow is fit for.

    Attributes
    ----------
    use
        One of four.
    headline
        The same as a sentence for the customer.
    reasons
        Why, the weightiest first.
    missing
        What has to be looked at before more can be said; where the pads alone were asked for,
        also what was not asked for.
    cautions
        That bear on this bow.
    """

    use: Use
    headline: str
    reasons: tuple[str, ...]
    missing: tuple[str, ...]
    cautions: tuple[str, ...]


STRENGTH = (
    "This is about fit, and fit is no proof of strength. The maker’s own limits, local rules and "
    "the judgement of qualified people come first."
)
# The order of the trade reference, common practice.
HAND_OVER = (
    "Before it is handed over: measure brace height and set it to the maker’s; look over limbs, "
    "glue lines, holes and string unstrung, braced low and braced to height.",
    "Raise it in short draws, a little further each time, up to the marked draw and never past "
    "it, and look it over after each: this strength test is for a qualified person, with eye "
    "protection and clear of the limbs’ plane.",
    "At any noise, mark or change let down slowly, unstring, and do not hand it over.",
)
NOT_DRAWN = "It is not strung, drawn or shot until a qualified person has said otherwise."


def fitness_of(
    pads_alone: bool,
    condition: Condition,
    findings: Sequence[Finding],
    remaining: Sequence[Finding],
    seats: Mapping[End, Seat],
    faults: Faults,
    rework: Rework,
    bench: Sequence[BenchFinding],
    stage: str = "as received",
) -> Fitness:
    """Say what the bow is fit for.

    Parameters
    ----------
    pads_alone
        Whether nothing but the pads is asked for.
    condition
        The check list.
    findings
        Every decision, the limbs on the ends where they belong.
    remaining
        Every decision as it is expected with all steps done.
    seats
        As received.
    faults, rework
        Whose fault, and what can be done.
    bench
        Meaning of the bench readings.
    stage
        After rework the bow is proved before it is handed over.
    """
    needed = _missing(pads_alone, condition, seats)
    missing = (*needed, *_riser_not_looked(condition)) if pads_alone else needed
    cautions = [STRENGTH]
    if condition.stops:
        reasons = [finding.sentence for finding in condition.stops]
        reject = bool(condition.rejects)
        headline = (
            "Not to be shot: a part is to be retired."
            if reject
            else "Not to be shot as it is: something has to be made good and tested first."
        )
        return Fitness(
            "do not shoot, reject", headline, tuple(reasons), missing, (NOT_DRAWN, STRENGTH)
        )
    alone = {(item.end, name) for item in rework.left_alone for name in item.names}
    looks = [o for o in rework.out_of_reach if o.effect == "looks"]
    past = [f for f in findings if f.judged.rework == "needed" and not _explained(f, alone)]
    reasons = [f.sentence for f in past]
    wrong_ends = faults.exchange.verdict in ("exchanged", "marks only", "contradiction")
    if wrong_ends:
        reasons.insert(0, _exchange_words(faults))
        cautions.insert(
            0,
            "Do not shoot or fully draw it with the limbs on the wrong ends: tiller reverses if "
            "they were tillered as a pair.",
        )
    elif faults.exchange.verdict == "perhaps":
        cautions.insert(
            0,
            "Do not shoot or fully draw it before it is settled which end each limb belongs on.",
        )
    elsewhere = "as received" if rework.arrangement == "exchanged" else "exchanged"
    bench = [b for b in bench if b.name != f"tiller {elsewhere}"]
    cautions += [
        f"{b.title}. {b.meaning}"
        for b in bench
        if b.level == "caution" and b.name.startswith("arrow")
    ]
    known = [f"{o.what} {o.why}" for o in looks] + [item.text for item in rework.left_alone]

    def answer(use: Use, headline: str, why: list[str], first: tuple[str, ...] = ()) -> Fitness:
        told = tuple(dict.fromkeys([*why, *known]))
        return Fitness(use, headline, told, missing, (*first, *cautions))

    looked_after = [
        one for one in remaining if one.judged.rework == "needed" and not _explained(one, alone)
    ]
    hard = [o for o in rework.out_of_reach if o.effect == "rack"]
    maker = [o for o in rework.out_of_reach if o.effect == "maker"]
    told = [f"{o.what} {o.why}" for o in (*hard, *maker)]
    stays = [f for f in looked_after if any(_kept_by(f, o) for o in maker)]
    if hard or stays:
        return answer(
            "do not shoot, reject",
            "To the rack: what is wrong cannot be made good safely on this bench.",
            [*reasons, *told],
            (NOT_DRAWN,),
        )
    cautions += [f.sentence for f in condition.found if not f.item.mend]
    to_do = [b for b in bench if b.judged is not None and b.judged.rework == "needed"]
    alarms = [b for b in bench if b.level == "caution" and b not in to_do]
    mend = [f.sentence for f in condition.found if f.item.mend]
    if wrong_ends or rework.works_on_fit or to_do or maker or mend:
        # Arrows are told as cautions already.
        here = [b for b in alarms if not b.name.startswith("arrow")]
        reasons += [*(f"{b.title}: {b.meaning}" for b in (*to_do, *here)), *mend]
        beyond_good = [f.sentence for f in findings if f.judged.conformity == "does not conform"]
        beyond_good += [
            f"{b.title}: {b.meaning}"
            for b in bench
            if b.judged is not None and b.judged.conformity == "does not conform"
        ]
        headline = _work_headline(faults, rework, bool(maker), bool(mend))
        return answer(
            "rework",
            headline,
            [*(reasons or beyond_good or _causes_worked_on(faults)), *told],
        )
    undecided = [
        f for f in findings if f.judged.rework == "undecided" and not _explained(f, alone)
    ]
    contrary = [f for f in findings if f.doubt and f not in past]
    # Which of two parts made to suit each other is off says nothing where no limit is passed.
    off = [f for f in findings if f.judged.conformity != "conforms"]
    doubts = faults.doubts if off else ()
    open_ends = [check.sentence for check in faults.closures if not check.holds]
    if needed or undecided or past or doubts or alarms or contrary or open_ends:
        reasons += [*(f"{b.title}: {b.meaning}" for b in alarms), *open_ends]
        reasons += [f.sentence for f in dict.fromkeys([*undecided, *contrary])]
        if doubts and not reasons:
            reasons += [f.sentence for f in off]
        if needed:
            reasons.append(f"Not looked at: {listed(needed)}.")
        return answer(
            "cannot be said yet",
            _open_headline(
                bool(alarms) or (bool(past) and all(f.doubt for f in past)), bool(past)
            ),
            reasons,
        )
    if stage == "after rework":
        cautions = [*HAND_OVER, *cautions]
    near = [f.sentence for f in findings if f.judged.conformity != "conforms"]
    near += [
        f"{b.title}: {b.meaning}"
        for b in bench
        if b.name.startswith("tiller") and b.judged and b.judged.conformity != "conforms"
    ]
    good = "Nothing needs rework." if near else "All that was measured is within its good limit."
    if any(f.judged.rework != "not needed" for f in findings):
        good = (
            "Nothing is reworked: what is past its limit is made to suit its partner, and stays."
        )
    return answer(
        "return as is",
        "The pads need no rework. Nothing else of the bow was judged."
        if pads_alone
        else "Back to its owner as it is: as far as its fit goes, nothing needs rework.",
        [good, *near, *(f.sentence for f in condition.found)],
    )


def _causes_worked_on(faults: Faults) -> list[str]:
    """Say which parts are past their good limits where no measure of the seat is."""
    return [cause_sentence(cause) for cause in faults.named if past_good(cause)]


def _work_headline(faults: Faults, rework: Rework, maker: bool, mend: bool) -> str:
    """Say where the bow goes, as the list of work has it."""
    if faults.exchange.verdict == "contradiction":
        return "To the bench: which limb belongs on which end has to be settled first."
    here = rework.works_here or mend
    looked = any(step.act == "photograph" for step in rework.steps)
    if maker and here:
        return "To the bench, and in part to the maker: there is work to do."
    if maker and looked:
        return "In part to the maker, and more has to be looked at first."
    if maker:
        return "To the maker: what is wrong is no work for this bench."
    return "To the bench: there is work to do, and it can be done."


def _open_headline(alarms: bool, past: bool) -> str:
    if alarms:
        return (
            "It is not to be given back yet: what was read on the bench has to be settled first."
        )
    if past:
        return (
            "It is not to be given back as it is: which part is at fault has to be found out "
            "first."
        )
    return "It cannot be said yet: more has to be looked at first."


def _kept_by(finding: Finding, item: OutOfReach) -> bool:
    """Whether a finding stays past its limit because of something that is out of reach."""
    return finding.name in item.names and finding.end in (None, item.end)


def _explained(finding: Finding, alone: set[tuple[End, str]]) -> bool:
    """Whether a finding past its limit is one that is left as it is, and said to be."""
    if finding.name == "wind":
        return any(name == "wind" for _, name in alone)
    return finding.end is not None and (finding.end, finding.name) in alone


def _exchange_words(faults: Faults) -> str:
    return {
        "exchanged": "The limbs sit on the wrong ends: they fit better the other way round."
        if faults.exchange.by_marks
        else "The limbs seem to sit on the wrong ends: they fit better the other way round.",
        "marks only": "By their marks the limbs sit on the wrong ends.",
    }.get(
        faults.exchange.verdict,
        "The limbs’ marks and their fit say different things about which end each belongs to.",
    )


def _riser_not_looked(condition: Condition) -> tuple[str, ...]:
    """What was not looked for on the riser, where the pads alone were asked for."""
    if not (condition.clear or condition.found):
        return ("condition",)
    words = [ITEMS[name].words for name in RISER_ITEMS]
    missing = [one for one in condition.core_missing if one in words]
    return (f"of the check list of condition: {', '.join(missing)}",) if missing else ()


def _missing(pads_alone: bool, condition: Condition, seats: Mapping[End, Seat]) -> tuple[str, ...]:
    needed = ("pad_squareness",) if pads_alone else NEEDED
    missing = [
        f"{NEEDED_WORDS[name]} at the {end} end"
        for end, seat in seats.items()
        for name in needed
        if name not in seat.values
    ]
    what = "pad" if pads_alone else "seat"
    missing += [f"{end} {what}" for end in ENDS if end not in seats]
    if not pads_alone and condition.core_missing:
        missing.append(f"of the check list of condition: {', '.join(condition.core_missing)}")
    return tuple(dict.fromkeys(missing))
