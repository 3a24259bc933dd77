"""Step "Findings": to look at rather than to read."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial

import streamlit as st

from fitcheck.findings.decisions import Finding
from fitcheck.findings.plain import (
    cause_sentences,
    found_sentences,
    verdict_words,
)
from fitcheck.findings.score import Score
from fitcheck.findings.seat import Seat
from fitcheck.findings.string_line import StringLine
from fitcheck.findings.whole import Findings
from fitcheck.findings.words import MEASURES, sentence
from fitcheck.inspection import ARRANGEMENTS, Arrangement, End
from fitcheck.page import measuring, words
from fitcheck.page.drawings import seat_svg, string_svg, tip_offsets, twist_svg
from fitcheck.page.inspection import Inspection
from fitcheck.page.measuring import Outcome
from fitcheck.page.navigation import PHOTOGRAPHS_STEP, go
from fitcheck.page.rework_view import next_step, rework, value_text
from fitcheck.page.shots import shot_asked_for, words_of
from fitcheck.page.units_shown import length_text
from fitcheck.reporting.lines import lines_of

# Sign and colour: colour is never the only sign.
USES = {
    "return as is": ("✓", "good"),
    "rework": ("✗", "rework"),
    "do not shoot, reject": ("■", "rework"),
    "cannot be said yet": ("?", "undecided"),
}
SIGNS = {"good": "✓", "acceptable": "~", "rework": "✗", "undecided": "?"}
# The worst of a seat's decisions, as the seat's verdict.
WORST = {
    "good": "good",
    "acceptable": "acceptable",
    "rework": "needs work",
    "undecided": "not decided yet",
}
MEANINGS = {
    "Left and right": "as you face the limb’s outer face with its tip up, for the upper and the "
    "lower limb alike.",
    "⚠": "rests on a photograph with a warning: it may be further off than its ± says.",
    "±": "how far the true value may lie off; it lies within in 95 of 100 cases.",
    "Good, rework": "limits. Up to the good limit nothing is done; from the rework limit on it "
    "is worked on; between them it can stay.",
    "Undecided": "a limit lies within the ±: the value may lie on either side of it.",
    "Overhang, lip": "how far one part stands out beyond the other at the side.",
    "Pad squareness": "how far the pad’s line across leans against square to the riser’s sides.",
    "Twist": "how far the limb is turned about its own length.",
    "Seat gap": "the opening of the seam between limb and pad.",
    "Index pin": "the pin that keeps the limb from turning on its pad.",
    "Winding sticks": "two straight sticks across the bow: sighted over each other, they show "
    "twist.",
}
Named = tuple[str, End | None, str | None]
WARNED = (
    ' <span role="img" title="rests on a photograph with a warning" '
    'aria-label="rests on a photograph with a warning">⚠</span>'
)
MOST_REASONS = 3  # at the top; the rest can be opened
FEW_SENTENCES = 3
MOST_NAMED = 3  # photographs, in a sentence


def findings(inspection: Inspection) -> None:
    """Show the step."""
    found = measuring.outcomes_behind_a_bar(inspection)
    if not any(o.measurement is not None for o in found):
        words.show(
            words.box(
                "say",
                "<strong>There is no photograph yet that says what it shows.</strong>",
                "The findings come from the photographs; what is written at the bench is judged "
                "with them.",
            )
        )
    with st.spinner("Working out the findings …"):
        f = measuring.findings_of(inspection, found)
    _in_short(f)
    _stops(f)
    _cautions(f)
    _warned_of(found)
    _first(inspection, f)
    _seats(f)
    rework(inspection, f)
    _causes(f)
    _string_lines(f)
    _bench(f)
    if f.fitness.missing:
        words.show(
            f"<p><strong>Not looked at:</strong> {words.text('; '.join(f.fitness.missing))}.</p>"
        )


def _in_short(f: Findings) -> None:
    sign, kind = USES[f.fitness.use]
    words.show(
        f'<p><strong class="fc-badge fc-{kind} fc-large"><span aria-hidden="true">{sign}</span> '
        f"{words.text(sentence(f.fitness.use))}</strong></p>",
        f'<p class="fc-headline">{words.text(f.fitness.headline)}</p>',
        words.listed(f.fitness.reasons[:MOST_REASONS]),
    )
    if len(f.fitness.reasons) > MOST_REASONS:
        with st.expander(f"{len(f.fitness.reasons) - MOST_REASONS} more reasons"):
            words.show(words.listed(f.fitness.reasons[MOST_REASONS:]))


def _stops(f: Findings) -> None:
    stops = [one.sentence for one in f.condition.stops]
    if stops:
        words.show(
            words.box(
                "error",
                "<strong>Found, and first of all:</strong>",
                *(words.text(s) for s in stops),
                role="alert",
            )
        )


def _cautions(f: Findings) -> None:
    """What may hurt somebody stands beside the verdict, not at the foot of a long page."""
    if f.fitness.cautions:
        words.show(words.box("caution", *(words.text(text) for text in f.fitness.cautions)))


def _warned_of(found: Sequence[Outcome]) -> None:
    """Name the photographs whose numbers may be further off than they say."""
    warned = [
        o.photo
        for o in found
        if o.measurement is not None and o.measurement.warnings and not o.measurement.refused
    ]
    if not warned:
        return
    shown = list(dict.fromkeys(words_of(photo.fields) for photo in warned))
    names = "; ".join(shown[:MOST_NAMED])
    if len(shown) > MOST_NAMED:
        names += f"; and {len(shown) - MOST_NAMED} more"
    words.show(
        words.box(
            "warning",
            f"<strong>⚠ {len(warned)} of the photographs "
            f"{'carries' if len(warned) == 1 else 'carry'} a warning:</strong> "
            f"{words.text(names)}.",
            "What rests on them may be further off than its ± says; it is marked ⚠. Each "
            "photograph says what to do about it, at step 3.",
        )
    )


def _first(inspection: Inspection, f: Findings) -> None:
    """What to do first; and the photograph that would tell most, if that is not the same."""
    step = next_step(inspection, f)
    if step is not None:
        more = len(f.rework.steps) - 1
        rest = f" The whole list of {more + 1} steps is below." if more else ""
        words.show(
            words.box(
                "say", f"<strong>Do first: {words.text(step.title.rstrip('.'))}.</strong>{rest}"
            )
        )
    if f.faults.next_photos:
        best = shot_asked_for(f.faults.next_photos[0])
        settles = (
            ""  # of pads alone nobody asks whose fault it is
            if f.inspection.pads_alone
            else " It would settle whose fault it is with a probability of "
            f"{100 * f.faults.next_photos[0].gain.settles:.0f} %."
        )
        words.show(
            words.box(
                "say",
                f"<strong>What would tell most: {words.text(best.words)}.</strong>{settles}",
            )
        )
        st.button(
            "Take that photograph",
            key="take-next",
            on_click=partial(_take, best.view, best.end, best.limb),
        )


def _seats(f: Findings) -> None:
    """Each seat folded, with its verdict in its heading; the worst is open."""
    seats = f.seats["as received"]
    shown = [end for end in seats if any(_drawn(seats[end])) or _rows(f.findings, end)]
    if not shown:
        return
    bare = all(seats[end].limb is None for end in shown)
    st.subheader("The pads" if bare else "How the limbs sit", anchor=False)
    worst = min(shown, key=lambda end: f.scores["as received"][end].share)
    for end in shown:
        _seat(f, "as received", end, opened=bare or end == worst)
    whole = [one for one in f.findings if one.end is None]
    if whole:
        with st.expander(f"The whole bow: {_in_words(whole)}"):
            words.show(decision_table(whole, warned=resting_on_warned(f, "as received")))
    exchanged = f.seats["exchanged"]
    known = [
        end
        for end, seat in exchanged.items()
        if any(_drawn(seat)) and any(v.tool == "photograph" for v in seat.values.values())
    ]
    if known and not bare:
        opened = f.rework.arrangement == "exchanged"
        with st.expander("How they would sit with the limbs exchanged", expanded=opened):
            for end in known:
                _seat(f, "exchanged", end, opened=False)
    with st.expander("The same in words; what each word means, which side is left"):
        words.show(
            words.listed(found_sentences(f)),
            words.meanings(MEANINGS),
        )


def _seat(f: Findings, arrangement: Arrangement, end: End, opened: bool) -> None:
    """One seat: drawn, judged, scored."""
    seat = f.seats[arrangement][end]
    score = f.scores[arrangement][end]
    rows = _rows(f.findings if arrangement == "as received" else f.findings_exchanged, end)
    limb = "bare pad" if seat.limb is None else f"limb {words.markdown(seat.limb)}"
    points = f", {score.points:.1f} of {score.out_of} points" if score.out_of else ""
    title = f"{sentence(f'{end} end, {limb}')}: {_in_words(rows)}{points}"
    with st.expander(title, expanded=opened):
        _beside_each_other(*_drawn(seat))
        if rows:
            with st.expander("Every number against its limit"):
                warned = resting_on_warned(f, arrangement)
                words.show(decision_table(rows, with_place=False, warned=warned))
        if score.out_of:
            _score(score, f.inspection.pads_alone)


def _rows(findings: Sequence[Finding], end: End) -> list[Finding]:
    return [one for one in findings if one.end == end]


def _in_words(rows: Sequence[Finding]) -> str:
    """The worst of some decisions, with its sign."""
    found = {verdict_words(one) for one in rows}
    worst = next((w for w in ("rework", "undecided", "acceptable") if w in found), "good")
    return f"{SIGNS[worst]} {WORST[worst]}" if rows else "nothing to judge"


def _drawn(seat: Seat) -> tuple[str, str]:
    return seat_svg(seat), twist_svg(seat)


def _beside_each_other(seat: str, sticks: str) -> None:
    """A seat's drawings; on a narrow screen below each other."""
    drawn = [
        (svg, name)
        for svg, name in ((seat, "Drawing of the seat"), (sticks, "Drawing of pad and twist"))
        if svg
    ]
    for place, (svg, name) in zip(st.columns(2), drawn, strict=False):
        with place:
            words.drawing(svg, name)


def _string_lines(f: Findings) -> None:
    lines = [line for a in ARRANGEMENTS if (line := f.string[a]) is not None]
    if not lines:
        return
    with st.expander("Where the string runs"):
        for place, line in zip(st.columns(2), lines, strict=False):
            with place:
                words.drawing(string_svg(line), "Drawing of the string over riser and pads")
                words.show(f'<p class="soft">{words.text(_string_words(line))}</p>')


def _string_words(line: StringLine) -> str:
    said = [
        f"The {end} limb’s tip lies {length_text(value, max(spread, 1e-3))} beside the "
        "centreline, positive to the bow’s right."
        for end, (value, spread) in tip_offsets(line).items()
    ]
    said += [
        f"At the {place.at} the reading with a rule "
        + ("agrees." if place.agrees else "does not agree: look again at both.")
        for place in line.places
        if place.seen is not None
    ]
    if line.assumed:
        said.append(f"Not measured and taken as typical: {'; '.join(line.assumed)}.")
    if not line.mount_known:
        said.append(
            "Whether the limbs lie on the riser’s belly or back is not said (step 1), so the way "
            "a roll moves the tip is not known either."
        )
    return " ".join(said)


def _causes(f: Findings) -> None:
    if f.inspection.pads_alone:  # a pad is judged by itself, but numbers may contradict each other
        said = [check.sentence for check in f.faults.closures if not check.holds]
        if said:
            words.show(words.box("warning", *map(words.text, said)))
        return
    sentences = cause_sentences(f)
    if sentences:
        with st.expander("Whose fault it is", expanded=len(sentences) <= FEW_SENTENCES):
            words.show(
                words.listed(sentences),
                '<p class="soft">Reckoned from all photographs and readings together: an amount '
                "here can differ a little from what one photograph says of the same part.</p>",
            )


def _score(score: Score, pads_alone: bool) -> None:
    """The score with its arithmetic."""
    bars = "".join(
        f'<div class="fc-part"><span>{words.text(part.words)}</span>'
        '<span class="fc-bar" aria-hidden="true">'
        f'<i style="width:{100 * part.points / part.full:.0f}%"></i></span>'
        f"<span>{part.points:.1f} of {part.full}</span></div>"
        for part in score.parts
    )
    missing = (
        f'<p class="soft">Left out, not measured: {words.text("; ".join(score.missing))}.</p>'
        if score.missing
        else ""
    )
    words.show(f"<h4>Score: {words.text(score.text)}</h4>{bars}{missing}")
    with st.expander("How the score is reckoned"):
        words.show(
            f"<p>{score.out_of} points are to be had for what was measured here; a square pad "
            "alone gives 3 of them.</p>"
            if pads_alone
            else "<p>Ten points are to be had for a limb that sits without a lip, on a square "
            "pad, untwisted, on a tight pin, without a gap. What was not measured is left out "
            "and named.</p>",
            words.listed([*(p.arithmetic for p in score.parts), f"together {score.arithmetic}"]),
        )


def resting_on_warned(f: Findings, arrangement: Arrangement) -> frozenset[Named]:
    """Names of the decisions that rest on a photograph with a warning."""
    decided = f.findings if arrangement == "as received" else f.findings_exchanged
    lines = [line for line in lines_of(f) if line.arrangement == arrangement and line.limit]
    by_number = dict(enumerate(f.measurements, start=1))
    return frozenset(
        named(one)
        for one, line in zip(decided, lines, strict=False)
        if any((m := by_number[n]) is not None and m.warnings for n in line.photos)
    )


def named(one: Finding) -> Named:
    """What tells a decision from the others."""
    return f"{one.name} {_string_place(one)}", one.end, one.limb


def _string_place(one: Finding) -> str:
    """Where on the string, which its sentence ends with: ``upper pad``; empty for all else."""
    return one.said.rpartition(" at the ")[2] if one.name.startswith("string") else ""


def decision_table(
    rows: Sequence[Finding], with_place: bool = True, warned: frozenset[Named] = frozenset()
) -> str:
    """Every decision as a table: value, limits, decision.

    Parameters
    ----------
    rows
        The decisions.
    with_place
        Whether to say of which seat each is.
    warned
        Names of those that rest on a photograph with a warning.
    """
    name = decision_name if with_place else _measure
    body = "".join(
        f'<tr><th scope="row">{words.text(name(one))}</th>'
        f'<td class="value">{words.text(value_text(one.value))}'
        f"{WARNED if named(one) in warned else ''}</td>"
        f"<td>good {words.text(one.judged.tolerance.good_text)}, rework "
        f"{words.text(one.judged.tolerance.rework_text)}</td>"
        f"<td>{SIGNS[verdict_words(one)]} {verdict_words(one)}"
        + (
            f'<span class="meaning">{words.text(more)}</span>'
            if (more := f"{one.doubt} {one.what_decides}".strip())
            else ""
        )
        + "</td></tr>"
        for one in rows
    )
    return (
        '<table class="fc-table fc-stack"><thead><tr><th scope="col">Measure</th>'
        '<th scope="col">Value</th><th scope="col">Limits</th><th scope="col">Decision</th>'
        f"</tr></thead><tbody>{body}</tbody></table>"
    )


def decision_name(one: Finding) -> str:
    """Say what a decision is about: ``Upper end, limb 1: overhang on the left``."""
    where = "whole bow" if one.end is None else f"{one.end} end"
    if one.limb is not None:
        where = f"{where}, limb {one.limb}"
    return sentence(f"{where}: {_measure_name(one)}")


def _measure(one: Finding) -> str:
    return sentence(_measure_name(one))


def _measure_name(one: Finding) -> str:
    place = _string_place(one)
    return (
        f"string at the {place}" if place else MEASURES.get(one.name, one.name.replace("_", " "))
    )


def _bench(f: Findings) -> None:
    if not f.bench:
        return
    rows = "".join(
        f'<tr><th scope="row">{words.text(b.title)}</th><td>{words.text(b.reading)}</td><td>'
        + ('<strong><span aria-hidden="true">⚠</span></strong> ' if b.level == "caution" else "")
        + f"{words.text(b.meaning)}</td></tr>"
        for b in f.bench
    )
    warned = sum(1 for b in f.bench if b.level == "caution")
    heading = "What the bench readings mean" + (f": ⚠ {warned} to look at" if warned else "")
    with st.expander(heading):
        words.show(
            '<table class="fc-table fc-stack"><thead><tr><th scope="col">Reading</th>'
            '<th scope="col">Read as</th><th scope="col">What it means</th></tr></thead>'
            f"<tbody>{rows}</tbody></table>"
        )


def _take(view: str, end: str, limb: str) -> None:
    st.session_state["wanted-shot"] = (view, end, limb)
    go(PHOTOGRAPHS_STEP)
