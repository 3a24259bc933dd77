"""The findings in plain words, for whoever owns the bow: what, whose fault, what is proposed."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from fitcheck.findings.decisions import Finding
from fitcheck.findings.exchange import WORTH_IT, Exchange
from fitcheck.findings.faults import Cause, Doubt
from fitcheck.findings.readings import believable
from fitcheck.findings.steps import Step
from fitcheck.findings.sums import Part
from fitcheck.findings.tiller import source_sentences, tiller_sources
from fitcheck.findings.whole import Findings
from fitcheck.findings.words import (
    MEASURES,
    cause_sentence,
    listed,
    magnitude,
    part_words,
    percent,
    photo_words,
    sentence,
)
from fitcheck.inspection import End
from fitcheck.views import VIEWS

# Steps that the owner hears of; the rest is how a bowyer goes about them.
PROPOSED = (
    "repair",
    "reread",
    "photograph",
    "exchange",
    "lap",
    "bed",
    "move_holes",
    "dress",
    "hold",
    "find_out",
    "tiller",
)


def found_sentences(findings: Findings) -> tuple[str, ...]:
    """Say what lies past its limits, the worst first; or that nothing does."""
    exchanged = findings.rework.arrangement == "exchanged"
    judged = _once_on_the_string(findings.at_home)
    worst = [f for f in judged if f.judged.rework == "needed"]
    past = [f for f in judged if f.judged.conformity == "does not conform" and f not in worst]
    said = [_as_it_came(findings)] if exchanged else []
    said += [f"{f.said}: {_to_do(findings, f)}." for f in worst]
    here = "tiller exchanged" if exchanged else "tiller as received"
    tiller = [(b, b.judged) for b in findings.bench if b.judged is not None and b.name == here]
    said += [
        f"{b.title}: {b.meaning}" for b, held in tiller if held.conformity == "does not conform"
    ]
    for f in past:
        work = (
            "short of needing work"
            if f.judged.rework == "not needed"
            else "whether it needs work is open"
        )
        said.append(f"{f.said}: more than is good, {work}.")
    if said:
        return tuple(said)
    open_ones = [f for f in findings.findings if f.judged.undecided]
    if open_ones or any(held.undecided for _, held in tiller):
        return ("Nothing is past its limit for certain; some measures are too near it to say.",)
    if findings.condition.stops:
        return ("How the limbs fit decides nothing while what was found on the bow stands.",)
    if findings.findings:
        return ("All that was measured lies within its good limits.",)
    if findings.findings_exchanged:
        return (
            "Only with the limbs on each other’s ends was anything measured that has a limit: of "
            "the bow as it came nothing can be said.",
        )
    return ("Nothing was measured that has a limit.",)


def _to_do(findings: Findings, finding: Finding) -> str:
    """What a finding past its rework limit asks for."""
    for item in findings.rework.left_alone:
        if item.made_to_suit and finding.end in (None, item.end) and finding.name in item.names:
            return "past its limit, but pad and limb are made to suit each other and stay so"
    return "that needs work"


def _once_on_the_string(judged: Iterable[Finding]) -> tuple[Finding, ...]:
    """The string line once, where it lies worst against its limit: its places go together."""
    kept = list(judged)
    on_it = [f for f in kept if f.name.startswith("string")]
    worst = max(map(_against_limit, on_it), default=0.0)
    return tuple(f for f in kept if f not in on_it or f.doubt or _against_limit(f) == worst)


def _against_limit(finding: Finding) -> float:
    return round(abs(finding.value.value) / finding.judged.tolerance.rework[1], 6)


def _as_it_came(findings: Findings) -> str:
    """What was past its limits with the limbs on the wrong ends, the worst of each, in one go."""
    worst: dict[str, Finding] = {}
    for f in findings.findings:
        name = f.judged.tolerance.name
        if f.judged.rework != "needed" or f.name in ("pad_squareness", "wind"):
            continue
        # Without what MEASURES says after a comma: "overhang, either side".
        name = "string line" if name.startswith("string") else MEASURES[name].split(",")[0]
        if name not in worst or _against_limit(f) > _against_limit(worst[name]):
            worst[name] = f
    sizes = [
        f"{name} {magnitude(f.value.value, f.value.standard_uncertainty, f.value.unit)}"
        for name, f in worst.items()
    ]
    wrong = f": {listed(sizes)} at the worst place" if sizes else ""
    known = any(f.limb and f.value.tool != "predicted" for f in findings.findings_exchanged)
    rest = (
        "What follows is for the limbs on their own ends."
        if known
        else "How they sit on their own ends was not photographed."
    )
    return f"As received, the limbs sat on the wrong ends{wrong}. {rest}"


def cause_sentences(findings: Findings) -> tuple[str, ...]:
    """Say whose fault it is, with probabilities, and what cannot be told apart."""
    faults = findings.faults
    said = [f"At fault by the check list: {one.words}." for one in findings.condition.stops]
    said += exchange_sentences(faults.exchange)
    for cause in _told(findings):
        more = " Its partner is made to suit: leave both." if _made_up(findings, cause) else ""
        said.append(cause_sentence(cause) + more)
    said += [doubt_sentence(doubt) for doubt in faults.doubts]
    said += _by_seam_and_pin(findings)
    line = findings.string[findings.rework.arrangement]
    if line is not None and any(place.agrees is False for place in line.places):
        said.append(
            "Rule and photographs disagree about where the string lies: which of them is wrong "
            "cannot be told yet."
        )
    said += [check.sentence for check in faults.closures if not check.holds]
    tiller = tiller_sources(
        believable(findings.inspection), findings.rework.arrangement, findings.limits
    )
    if tiller is not None:
        said += source_sentences(tiller, may_be_braced=not findings.condition.stops)
    if faults.next_photos:
        photos = [photo_words(photo) for photo in faults.next_photos]
        said.append(f"One more photograph would tell most: {listed(photos, 'or')}.")
    return tuple(said) or ("No part was found at fault past its good limit.",)


def _by_seam_and_pin(findings: Findings) -> Iterable[str]:
    """What an open seam and a loose pin say of whose fault it is."""
    for f in findings.at_home:
        if f.judged.conformity != "does not conform":
            continue
        if f.name == "seat_gap":
            yield (
                f"The seam at the {f.end} end does not tell whether the pad or the butt of limb "
                f"{f.limb} is not flat: a straightedge on the pad and the butt on a flat plate do."
            )
        elif f.name == "pin_play":
            yield f"The index pin at the {f.end} end or its hole is worn or was never a fit."


def _told(findings: Findings) -> Iterable[Cause]:
    """Named causes that matter; a limb's width only against the end where it belongs."""
    at = findings.inspection.limbs_at(findings.rework.arrangement)
    for cause in findings.faults.named:
        # A share within its good limit is nobody's fault; it stands in the table.
        if cause.p_past_good > 0.05 and (cause.part.kind != "width" or _at_home(cause.part, at)):
            yield cause


def _at_home(part: Part, at: Mapping[End, str]) -> bool:
    return part.end is not None and at.get(part.end) == part.limb


def _made_up(findings: Findings, cause: Cause) -> bool:
    """Whether the other part of the seat makes up for a pad or a butt, and both are left."""
    rework = findings.rework
    at = findings.inspection.limbs_at(rework.arrangement)
    ends = {item.end for item in rework.left_alone if item.made_to_suit}
    part = cause.part
    if part.kind == "pad":
        return part.end in ends
    return part.kind == "butt" and any(at.get(end) == part.limb for end in ends)


def exchange_sentences(exchange: Exchange) -> Iterable[str]:
    """Say whether the limbs sit on the wrong ends, and what else would look the same."""
    p = exchange.probability
    chance = "" if p is None else f" (probability {percent(p)})"
    if exchange.verdict == "exchanged" and exchange.by_marks:
        yield (
            f"The limbs are exchanged: they fit better the other way round{chance}, and their "
            "marks say the same."
        )
    elif exchange.verdict == "exchanged":
        yield (
            "The limbs, which carry no marks, seem to be exchanged: they fit better the other way "
            f"round{chance}.{_by_chance(exchange)}"
        )
    elif exchange.verdict == "perhaps":
        yield (
            "The limbs may be exchanged: they fit better the other way round."
            f"{_by_chance(exchange)}"
        )
    elif exchange.verdict == "marks only":
        yield f"The limbs are exchanged, by their marks. {_fit_beside_marks(exchange)}"
    elif exchange.verdict == "contradiction":
        yield (
            "The limbs’ marks say one thing about which end each belongs to, and their fit says "
            f"the other{chance}."
        )
    elif p is not None and p >= 0.5:
        yield f"The limbs may be exchanged{chance}."


def _fit_beside_marks(exchange: Exchange) -> str:
    p, better = exchange.probability, exchange.better_by
    if p is None:
        return "How they fit the other way round is not known."
    if p < 0.5 and abs(better) < WORTH_IT:
        return "Either way round they fit about alike."
    if better < 0:
        return "They fit rather better as they sit."
    return f"That they fit better so: {percent(p)}."


def _by_chance(exchange: Exchange) -> str:
    if exchange.by_chance is None:
        return ""
    return (
        " Faults that only happen to cancel that way round would look the same (probability "
        f"{percent(exchange.by_chance)}): trying the limbs on each other’s ends tells."
    )


def doubt_sentence(doubt: Doubt) -> str:
    """Say what cannot be told apart."""
    parts = [part_words(part) for part in doubt.parts if isinstance(part, Part)]
    holes = all(part.kind in ("riser_holes", "limb_holes") for part in doubt.parts)
    tells = " Bolt and pin measured from both sides, on riser and limb, tell." if holes else ""
    return (
        f"It cannot be told which of these is at fault (probability "
        f"{percent(doubt.probability)} that one is): {listed(parts, 'or')}.{tells}"
    )


def proposal_sentences(findings: Findings) -> tuple[str, ...]:
    """Say what is proposed and what it will change."""
    rework = findings.rework
    if findings.fitness.use == "do not shoot, reject" and not findings.condition.stops:
        return ("No work is proposed before what no safe step reaches is settled.",)
    said = [_proposal(step) for step in rework.steps if step.act in PROPOSED]
    said += [one.sentence for one in findings.condition.found if one.item.mend]
    if not said:
        if findings.fitness.use == "return as is":
            return ("No work is proposed.",)
        decides: list[str] = []
        if findings.fitness.use == "cannot be said yet":
            open_ones = [
                f.what_decides for f in findings.at_home if f.judged.rework == "undecided"
            ]
            decides = list(dict.fromkeys(one for one in open_ones if one))
        if findings.fitness.use == "rework":
            return ("No work is proposed on this bench.",)
        return tuple(decides) or ("No work is proposed.",)
    better = any(one.after.points != one.before.points for one in rework.compared)
    if better and not findings.condition.stops:
        ends = "; ".join(
            f"{one.end} end {one.after.text}, now {one.before.points:.1f}"
            for one in rework.compared
        )
        said.append(f"Expected afterwards: {ends}. What is measured then counts.")
    return tuple(said)


def _proposal(step: Step) -> str:
    if step.act in ("lap", "dress") and step.depth_mm is not None:
        return f"{step.title}: {step.depth_mm:.2f} mm off its {step.edge}."
    return f"{step.title}."


def looked_at(findings: Findings) -> tuple[str, ...]:
    """Say what was looked at, and in how many photographs."""
    words = {
        "seat": "the limbs in their seats",
        "pad": "the bare pads",
        "sight": "the twist along the limbs",
        "joint": "the seams",
    }
    measured = [
        photo.view
        for photo, found in zip(findings.inspection.photos, findings.measurements, strict=True)
        if found is not None and found.characteristics
    ]
    said = []
    for name, view in VIEWS.items():
        count = measured.count(name)
        if count:
            said.append(
                f"{words.get(name, view.title)} ({count} photograph{'s' if count > 1 else ''})"
            )
    if findings.bench:
        said.append("readings on the bench")
    if findings.condition.clear or findings.condition.found:
        said.append("condition")
    return tuple(said)


def verdict_words(finding: Finding) -> str:
    """Decision in a few words, for a table."""
    judged = finding.judged
    if judged.conformity == "conforms":
        return "good"
    if judged.rework == "needed":
        return "rework"
    if judged.conformity == "does not conform" and judged.rework == "not needed":
        return "acceptable"
    return "undecided"


def summary_lines(findings: Findings) -> tuple[str, ...]:
    """Return the findings as a few lines of text, for the command line."""
    fitness = findings.fitness
    lines = [f"{sentence(fitness.use)}. {fitness.headline}"]
    if findings.inspection.pads_alone and fitness.use == "return as is":
        lines = [fitness.headline]  # the pads alone were asked for, not the bow
    lines += [f"Stop: {one.sentence}" for one in findings.condition.stops]
    score = findings.bow_score
    if findings.condition.stops:
        lines.append("Score: not scored, something stops the bow.")
    else:
        lines.append("Score: not scored." if score is None else f"Score: {score.text}.")
    lines += [f"  {text}" for text in found_sentences(findings)]
    lines.append("Whose fault:")
    lines += [f"  {text}" for text in cause_sentences(findings)]
    lines.append("Proposed:")
    lines += [f"  {text}" for text in proposal_sentences(findings)]
    lines += [f"Out of reach: {o.what} {o.why}" for o in findings.rework.out_of_reach]
    for name, note in findings.evidence.refused:
        lines.append(f"Not measured: {name}. {note.message} {note.advice}")
    if findings.fitness.missing:
        lines.append(f"Not looked at: {'; '.join(findings.fitness.missing)}.")
    notes = [f"{note.message} {note.advice}".strip() for note in findings.evidence.notes]
    notes += [note for seat in findings.seats["as received"].values() for note in seat.notes]
    lines += [f"Note: {text}" for text in dict.fromkeys(notes)]
    lines += [f"Caution: {text}" for text in findings.fitness.cautions]
    return tuple(lines)
