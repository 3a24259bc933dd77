"""What to do about what was found: a check list that asks for the measurement after each step."""

from __future__ import annotations

import streamlit as st

from fitcheck.findings.plain import proposal_sentences
from fitcheck.findings.seat import Value
from fitcheck.findings.steps import Step
from fitcheck.findings.whole import Findings
from fitcheck.findings.words import MEASURES, depth_text, plain_quantity, sentence
from fitcheck.page import words
from fitcheck.page.fields import kept_text
from fitcheck.page.inspection import Inspection
from fitcheck.page.navigation import PHOTOGRAPHS_STEP, go
from fitcheck.page.units_shown import in_unit_shown, length_text, unit
from fitcheck.units import fraction_text, nearest_inch_fraction

# What is photographed anew after a step, by what it works on.
_AGAIN = {"lap": "pad", "move_holes": "seat", "dress": "seat", "shim": "sight", "bed": "sight"}


def rework(inspection: Inspection, f: Findings) -> None:
    """Show the list, the next step opened."""
    steps = f.rework.steps
    if not steps:
        return
    st.subheader("What to do", anchor=False)
    if f.rework.arrangement == "exchanged":
        words.show("<p>The steps are for the limbs exchanged.</p>")
    done = sum(1 for step in steps if _is_done(inspection, step))
    st.progress(done / len(steps), f"{done} of {len(steps)} steps done")
    following = next_step(inspection, f)
    for number, step in enumerate(steps, start=1):
        _step(inspection, number, step, opened=step is following)
    _besides(f)


def next_step(inspection: Inspection, f: Findings) -> Step | None:
    """Return the first step that is not ticked off; None if there is none."""
    return next((s for s in f.rework.steps if not _is_done(inspection, s)), None)


def _besides(f: Findings) -> None:
    with st.expander("The same in a few sentences, for the owner"):
        words.show(words.listed(proposal_sentences(f)))
    if f.rework.out_of_reach or f.rework.left_alone:
        with st.expander("What is left as it is, and what no safe step reaches"):
            for said in (
                [f"{o.what} {o.why}" for o in f.rework.out_of_reach],
                [item.text for item in f.rework.left_alone],
            ):
                words.show(words.listed(said))


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
    how_much = "" if step.depth_mm is None else _depth(step.depth_mm, step.depth_sd_mm)
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


def _depth(depth_mm: float, sd_mm: float | None) -> str:
    """How much to take off or to lay under, with its uncertainty; in inches a fraction, too."""
    if not sd_mm:
        return depth_text(depth_mm)
    said = length_text(depth_mm, max(1.96 * sd_mm, 1e-3), signed=False)
    if unit() == "mm":
        return said
    fraction = nearest_inch_fraction(depth_mm)
    return f"{said}; " + (f"nearest {fraction_text(fraction)}" if fraction else "under 1/128 in")


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
        f"<td>{words.text(value_text(p.before))}</td><td>{words.text(value_text(p.after))}</td></tr>"
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


def value_text(value: Value) -> str:
    """A value with its uncertainty, or as it was reckoned."""
    return plain_quantity(value.value, value.standard_uncertainty, value.unit)
