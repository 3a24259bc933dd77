"""Two inspections of one bow beside each other: before the work and after it."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial

import streamlit as st
from streamlit.delta_generator import DeltaGenerator

from fitcheck.errors import BadInput
from fitcheck.findings.decisions import Finding
from fitcheck.findings.plain import verdict_words
from fitcheck.findings.whole import Findings
from fitcheck.findings.words import plain_quantity
from fitcheck.inspection import End
from fitcheck.page import measuring, words
from fitcheck.page.drawings import overhang_factor, seat_svg, twist_factor, twist_svg
from fitcheck.page.findings_view import (
    SIGNS,
    WARNED,
    Named,
    decision_name,
    named,
    resting_on_warned,
)
from fitcheck.page.keeping import store, visit
from fitcheck.page.navigation import FINDINGS_STEP, open_inspection


def comparison(asked: str, who: str) -> None:
    """Show the two inspections that the page's address names, separated by a comma."""
    names = asked.split(",")
    found = [store().inspections.find(name) for name in names]
    if len(names) != 2 or any(one is None for one in found):
        raise BadInput(
            "inspection_unknown",
            "One of the two inspections is not in this store.",
            "Choose them anew in the list of inspections.",
        )
    st.header("Before and after", anchor=False)
    both = []
    bar = st.empty()
    for word, name in zip(("before", "after"), names, strict=True):
        inspection = visit(store(), name, who).inspection
        outcomes = measuring.outcomes(inspection, partial(_told, bar, word))
        both.append(measuring.findings_of(inspection, outcomes))
    bar.empty()
    before, after = both
    for place, title, name, f, drawings in zip(
        st.columns(2), ("Before", "After"), names, both, drawn_alike(both), strict=True
    ):
        with place:
            st.subheader(title, anchor=False)
            date = f.inspection.date or "no date"
            score = "not scored" if f.bow_score is None else f.bow_score.text
            words.show(
                f"<p><strong>{words.text(date)}</strong></p><p>{words.text(f.fitness.headline)}"
                f"</p><p>Score: {words.text(score)}</p>"
            )
            for end, svg in drawings:
                words.drawing(svg, f"{title}, {end} end")
            st.button(
                "Open", key=f"open-{title}", on_click=open_inspection, args=(name, FINDINGS_STEP)
            )
    words.show(change_table(before, after))


def drawn_alike(both: Sequence[Findings]) -> list[list[tuple[End, str]]]:
    """Drawings of each inspection's seats, errors of all of them enlarged by one factor."""
    seats = [list(f.seats["as received"].values()) for f in both]
    every = [seat for of_one in seats for seat in of_one]
    overhangs, angles = overhang_factor(every), twist_factor(every)
    return [
        [
            (seat.end, svg)
            for seat in of_one
            for svg in (seat_svg(seat, overhangs), twist_svg(seat, angles))
            if svg
        ]
        for of_one in seats
    ]


def _told(bar: DeltaGenerator, word: str, number: int, of: int, share: float) -> None:
    bar.progress((number - 1 + share) / of, f"Measuring photograph {number} of {of} {word} …")


def change_table(before: Findings, after: Findings) -> str:
    """Every number of either inspection, before and after, and whether it has changed.

    A change counts as told from zero if it is larger than its own expanded uncertainty.
    """
    rows = {named(one): one for one in before.findings}
    later = {named(one): one for one in after.findings}
    doubts = [resting_on_warned(f, "as received") for f in (before, after)]
    body = ""
    for key in [*rows, *(k for k in later if k not in rows)]:
        one, other = rows.get(key), later.get(key)
        either = one or other
        assert either is not None  # noqa: S101 - the key came from one of them
        body += (
            f'<tr><th scope="row">{words.text(decision_name(either))}</th>'
            f'<td data-label="Before">{_cell(one, doubts[0])}</td>'
            f'<td data-label="After">{_cell(other, doubts[1])}</td>'
            f'<td data-label="Change">{_change(one, other)}'
            f"{WARNED if key in doubts[0] | doubts[1] else ''}</td></tr>"
        )
    return (
        '<table class="fc-table fc-stack fc-labelled"><thead><tr><th scope="col">Measure</th>'
        '<th scope="col">Before</th><th scope="col">After</th><th scope="col">Change</th></tr>'
        f"</thead><tbody>{body}</tbody></table>"
    )


def _cell(one: Finding | None, warned: frozenset[Named]) -> str:
    if one is None:
        return "not measured"
    verdict = verdict_words(one)
    value = plain_quantity(one.value.value, one.value.standard_uncertainty, one.value.unit)
    mark = WARNED if named(one) in warned else ""
    return f"{words.text(value)}{mark}<br>{SIGNS[verdict]} {verdict}"


def _change(one: Finding | None, other: Finding | None) -> str:
    if one is None or other is None:
        return "–"
    by = other.value.value - one.value.value
    u = (one.value.standard_uncertainty**2 + other.value.standard_uncertainty**2) ** 0.5
    if abs(by) <= 1.96 * u:
        return "none that can be told"
    return words.text(plain_quantity(by, u, one.value.unit))
