"""Step "Findings": to look at rather than to read."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial

import streamlit as st

from fitcheck.findings.decisions import Finding
from fitcheck.findings.plain import (
    cause_sentences,
    found_sentences,
    proposal_sentences,
    verdict_words,
)
from fitcheck.findings.score import Score
from fitcheck.findings.seat import Seat, Value
from fitcheck.findings.steps import Step
from fitcheck.findings.string_line import StringLine
from fitcheck.findings.whole import Findings
from fitcheck.findings.words import MEASURES, depth_text, plain_quantity, sentence
from fitcheck.inspection import ARRANGEMENTS
from fitcheck.page import measuring, words
from fitcheck.page.drawings import seat_svg, string_svg, tip_offsets, twist_svg
from fitcheck.page.fields import kept_text
from fitcheck.page.inspection import Inspection
from fitcheck.page.navigation import PHOTOGRAPHS_STEP, go
from fitcheck.page.shots import shot_asked_for
from fitcheck.page.units_shown import in_unit_shown, length_text

# Sign and colour: colour is never the only sign.
USES = {
    "return as is": ("✓", "good"),
    "rework": ("✗", "rework"),
    "do not shoot, reject": ("■", "rework"),
    "cannot be said yet": ("?", "undecided"),
}
SIGNS = {"good": "✓", "acceptable": "~", "rework": "✗", "undecided": "?"}
MOST_REASONS = 4  # at the top; the rest can be opened
# What is photographed anew after a step, by what it works on.
_AGAIN = {"lap": "pad", "move_holes": "seat", "dress": "seat", "shim": "sight", "bed": "sight"}


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
    _seats(f)
    _string_lines(f)
    _causes(f)
    _rework(inspection, f)
    _scores(f)
    _decisions(f)
    _bench(f)
    _next(f)
    words.show(
        words.box("caution", *(words.text(text) for text in f.fitness.cautions)),
    )
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


def _seats(f: Findings) -> None:
    for arrangement in ARRANGEMENTS:
        drawn = [
            pair
            for seat in f.seats[arrangement].values()
            if arrangement == "as received"
            or any(value.tool == "photograph" for value in seat.values.values())
            if any(pair := _drawn(seat))
        ]
        if drawn and arrangement == "as received":
            st.subheader("How the limbs sit", anchor=False)
            _in_columns(drawn)
        elif drawn:
            opened = f.rework.arrangement == "exchanged"
            with st.expander("How they would sit with the limbs exchanged", expanded=opened):
                _in_columns(drawn)
    if any(f.seats["as received"].values()):
        words.show(
            '<p class="soft">Left and right of a seat are as you face the limb’s outer face with '
            "its tip up, for the upper and the lower limb alike.</p>"
        )
        with st.expander("The same in words"):
            words.show(words.listed(found_sentences(f)))


def _drawn(seat: Seat) -> tuple[str, str]:
    return seat_svg(seat), twist_svg(seat)


def _in_columns(drawn: Sequence[tuple[str, str]]) -> None:
    """Each seat's drawings beside each other; on a narrow screen below each other."""
    for seat, sticks in drawn:
        left, right = st.columns(2)
        with left:
            if seat:
                words.drawing(seat, "Drawing of the seat")
        with right:
            if sticks:
                words.drawing(sticks, "Drawing of pad and twist")


def _string_lines(f: Findings) -> None:
    lines = [line for a in ARRANGEMENTS if (line := f.string[a]) is not None]
    if not lines:
        return
    st.subheader("Where the string runs", anchor=False)
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
    sentences = cause_sentences(f)
    if sentences:
        st.subheader("Whose fault it is", anchor=False)
        words.show(words.listed(sentences))


def _rework(inspection: Inspection, f: Findings) -> None:
    steps = f.rework.steps
    if not steps:
        return
    st.subheader("What to do", anchor=False)
    words.show(words.listed(proposal_sentences(f)))
    if f.rework.arrangement == "exchanged":
        words.show("<p>The steps are for the limbs exchanged.</p>")
    done = sum(1 for step in steps if _is_done(inspection, step))
    st.progress(done / len(steps), f"{done} of {len(steps)} steps done")
    following = next((s for s in steps if not _is_done(inspection, s)), None)
    for number, step in enumerate(steps, start=1):
        _step(inspection, number, step, opened=step is following)
    if f.rework.out_of_reach:
        words.show(
            "<p><strong>What no safe step reaches:</strong></p>",
            words.listed([f"{o.what} {o.why}" for o in f.rework.out_of_reach]),
        )
    if f.rework.left_alone:
        words.show(
            "<p><strong>To be left as it is:</strong></p>",
            words.listed([item.text for item in f.rework.left_alone]),
        )


def _identity(step: Step) -> str:
    return "|".join((step.act, step.end or "", step.limb or "", step.title))[:120]


def _is_done(inspection: Inspection, step: Step) -> bool:
    return inspection.record("/done", {"id": _identity(step)}).get("state") == "done"


def _step(inspection: Inspection, number: int, step: Step, opened: bool) -> None:
    identity = _identity(step)
    match = {"id": identity}
    record = inspection.record("/done", match)
    is_done = record.get("state") == "done"
    with st.container(border=True):
        key = f"done-{identity}"
        st.session_state[key] = is_done
        st.checkbox(
            f"**{number} · {words.markdown(in_unit_shown(step.title))}**",
            key=key,
            on_change=lambda: inspection.put_record(
                "/done", match, {"state": "done" if st.session_state[key] else "open"}
            ),
        )
        with st.expander("How, and how far", expanded=opened):
            _how(step)
        if is_done:
            _measured_after(inspection, step, match, record)


def _how(step: Step) -> None:
    how_much = "" if step.depth_mm is None else depth_text(step.depth_mm)
    words.show(
        f"<p>{words.text(step.text)}</p>",
        f"<p><strong>How much:</strong> {words.text(how_much)}.</p>" if how_much else "",
        f"<p><strong>Bound:</strong> {words.text(step.bound)}</p>" if step.bound else "",
        *(
            f'<p class="fc-care"><span aria-hidden="true">⚠</span> {words.text(c)}</p>'
            for c in step.cautions
        ),
        _predicted(step),
        f"<p><strong>Stop and measure:</strong> {words.text(step.stop)}</p>" if step.stop else "",
    )


def _measured_after(
    inspection: Inspection, step: Step, match: dict[str, str], record: dict[str, object]
) -> None:
    """After a step its result is asked for: a photograph, or a reading in words."""
    kept_text(
        st.container(),
        "Measured after this step",
        f"after-{match['id']}",
        str(record.get("measured") or ""),
        lambda text: inspection.put_record("/done", match, {"measured": text}),
        example="what the caliper, the feeler gauge or a new photograph says",
    )
    if not record.get("measured"):
        words.show(
            words.box(
                "say",
                "<strong>Measure before the next step.</strong> A step that did not do what was "
                "expected changes what the next one has to do.",
            )
        )
    view = _AGAIN.get(step.act)
    if view is not None:
        st.button(
            "Take a photograph of it now",
            key=f"again-{match['id']}",
            on_click=_photograph_again,
            args=(view, step),
        )


def _photograph_again(view: str, step: Step) -> None:
    st.session_state["wanted-shot"] = (view, step.end or "", step.limb or "")
    go(PHOTOGRAPHS_STEP)


def _predicted(step: Step) -> str:
    rows = "".join(
        f'<tr><th scope="row">{words.text(sentence(MEASURES.get(p.name, p.name)))}</th>'
        f"<td>{words.text(_value(p.before))}</td><td>{words.text(_value(p.after))}</td></tr>"
        for p in step.predicted
        if abs(p.after.value - p.before.value) > 0.1 * p.before.expanded
    )
    if not rows:
        return ""
    after = "" if step.score_after is None else f"; seat afterwards: {step.score_after.text}"
    return (
        f'<table class="fc-table"><caption>What it will do{words.text(after)}</caption>'
        '<thead><tr><th scope="col">Measure</th><th scope="col">before</th>'
        f'<th scope="col">after</th></tr></thead><tbody>{rows}</tbody></table>'
    )


def _value(value: Value) -> str:
    return plain_quantity(value.value, value.standard_uncertainty, value.unit)


def _scores(f: Findings) -> None:
    scores = [(a, s) for a in ARRANGEMENTS for s in f.scores[a].values() if s.out_of]
    if not scores:
        return
    st.subheader("Score", anchor=False)
    words.show(
        "<p>Ten points are to be had for a limb that sits without a lip, on a square pad, "
        "untwisted, on a tight pin, without a gap. What was not measured is left out and "
        "named.</p>"
    )
    for arrangement, score in scores:
        _score(arrangement, score)


def _score(arrangement: str, score: Score) -> None:
    limb = "bare pad" if score.seat.limb is None else f"limb {score.seat.limb}"
    where = sentence(f"{score.seat.end} end, {limb}")
    if arrangement == "exchanged":
        where = f"{where}, limbs exchanged"
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
    words.show(f"<h4>{words.text(where)}: {words.text(score.text)}</h4>{bars}{missing}")
    with st.expander(f"The arithmetic: {where}"):
        words.show(
            words.listed([*(p.arithmetic for p in score.parts), f"together {score.arithmetic}"])
        )


def _decisions(f: Findings) -> None:
    tables = [("As received", f.findings)]
    if any(one.value.tool == "photograph" and one.limb for one in f.findings_exchanged):
        tables.append(("With the limbs exchanged", f.findings_exchanged))
    for title, rows in tables:
        if rows:
            with st.expander(f"Every number against its limit: {title.lower()}"):
                words.show(decision_table(rows))


def decision_table(rows: Sequence[Finding]) -> str:
    """Every decision as a table: value, limits, decision."""
    body = "".join(
        f'<tr><th scope="row">{words.text(decision_name(one))}</th>'
        f"<td>{words.text(_value(one.value))}</td>"
        f"<td>good {words.text(one.judged.tolerance.good_text)}, rework "
        f"{words.text(one.judged.tolerance.rework_text)}</td>"
        f"<td>{SIGNS[verdict_words(one)]} {verdict_words(one)}"
        + (
            f'<span class="meaning">{words.text(one.what_decides)}</span>'
            if one.what_decides
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
    return sentence(f"{where}: {MEASURES.get(one.name, one.name.replace('_', ' '))}")


def _bench(f: Findings) -> None:
    if not f.bench:
        return
    st.subheader("What the bench readings mean", anchor=False)
    rows = "".join(
        f'<tr><th scope="row">{words.text(b.title)}</th><td>{words.text(b.reading)}</td><td>'
        + ('<strong><span aria-hidden="true">⚠</span></strong> ' if b.level == "caution" else "")
        + f"{words.text(b.meaning)}</td></tr>"
        for b in f.bench
    )
    words.show(
        '<table class="fc-table fc-stack"><thead><tr><th scope="col">Reading</th>'
        '<th scope="col">Read as</th><th scope="col">What it means</th></tr></thead>'
        f"<tbody>{rows}</tbody></table>"
    )


def _next(f: Findings) -> None:
    if f.faults.next_photos:
        best = shot_asked_for(f.faults.next_photos[0])
        words.show(
            words.box(
                "say",
                f"<strong>What would tell most: {words.text(best.words)}.</strong> It would "
                "settle whose fault it is with a probability of "
                f"{100 * f.faults.next_photos[0].gain.settles:.0f} %.",
            )
        )
        st.button(
            "Take that photograph",
            key="take-next",
            on_click=partial(_take, best.view, best.end, best.limb),
        )


def _take(view: str, end: str, limb: str) -> None:
    st.session_state["wanted-shot"] = (view, end, limb)
    go(PHOTOGRAPHS_STEP)
