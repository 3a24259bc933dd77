"""The first page: three ways to begin, and every inspection there is."""

from __future__ import annotations

from typing import Any

import streamlit as st

from fitcheck.errors import FitcheckError
from fitcheck.inspection import PADS_ALONE
from fitcheck.page import words
from fitcheck.page.bow import PURPOSES
from fitcheck.page.document import after_rework, begun, copied, pads_alone
from fitcheck.page.keeping import store
from fitcheck.page.navigation import (
    FINDINGS_STEP,
    PHOTOGRAPHS_STEP,
    compare,
    open_inspection,
)
from fitcheck.page.opening import begin_sample_bow, begin_samples
from fitcheck.store.inspections import Listed

MOST_LISTED = 30
STARTS = {
    "rework": "Both seats, twist, pads and seams: whose fault it is, and what to do about it.",
    PADS_ALONE: "Only the riser’s two pads, before a limb is fitted.",
    "customer": "How the limbs sit, before the work and after it, on paper.",
}


def home(who: str) -> None:
    """Show the page; ``who`` is what the visitor's device is called."""
    st.header("What is on the bench?", anchor=False)
    for place, (purpose, what) in zip(st.columns(3), STARTS.items(), strict=True):
        with place.container(border=True, height="stretch"):
            st.button(
                PURPOSES[purpose],
                key=f"start-{purpose}",
                type="primary",
                width="stretch",
                on_click=_failing_in_words,
                args=(_begin, begun(purpose), who),
            )
            words.show(f"<p>{words.text(what)}</p>")
    words.show("<p>Or many parts at once, and how well your own photographs measure:</p>")
    st.button("Lots of parts, gauge study", key="lots", on_click=_open_lots)
    _history(who)


def _open_lots() -> None:
    st.query_params.clear()
    st.query_params["lot"] = "all"


def _history(who: str) -> None:
    st.subheader("Inspections", anchor=False)
    search = st.text_input(
        "Search by customer, bow, order number or date",
        key="search",
        placeholder="all of them",
        max_chars=80,
    )
    inspections = store().inspections
    listed = inspections.listed(search)
    binned = inspections.listed(search, binned=True)
    if not listed:
        words.show(f"<p>{'None has these words.' if search else 'None yet: begin one above.'}</p>")
        if not search:
            _offer_samples(who)
    for entry in listed[:MOST_LISTED]:
        with st.container(border=True):
            _entry(entry, who)
    if len(listed) > MOST_LISTED:
        words.show(
            f"<p>{len(listed) - MOST_LISTED} more: search for one by a word of its customer, bow "
            "or date.</p>"
        )
    _compare(listed)
    if binned:
        with st.expander(f"In the bin: {len(binned)}"):
            for entry in binned[:MOST_LISTED]:
                words.show(f"<p>{words.text(title_of(entry))}</p>")
                st.button(
                    "Take it out of the bin",
                    key=f"take-out-{entry.identity}",
                    on_click=_failing_in_words,
                    args=(inspections.take_out, entry.identity, who),
                )
            words.show(
                '<p class="soft">What is in the bin is kept until <code>fitcheck bin --empty'
                "</code> deletes it for good.</p>"
            )


def _offer_samples(who: str) -> None:
    words.show("<p>Rather see first what comes out?</p>")
    with st.container(horizontal=True):
        for name, key, act in (
            ("Open the sample bow", "sample-bow", _sample_bow),
            ("Open two single photographs", "sample", _samples),
        ):
            st.button(name, key=key, on_click=_failing_in_words, args=(act, who))


def title_of(entry: Listed) -> str:
    """Say which inspection it is: date, bow, customer."""
    labels = entry.labels
    date = labels.get("date") or entry.begun[:10]
    bow = labels.get("bow") or "bow without a name"
    parts = [date, bow]
    parts += [labels[name] for name in ("customer", "reference") if labels.get(name)]
    return " · ".join(parts)


def _entry(entry: Listed, who: str) -> None:
    count = entry.photographs
    purpose = PURPOSES.get(entry.labels.get("purpose", ""), "Inspection")
    stage = entry.labels.get("stage", "")
    what = purpose + (", after rework" if stage == "after rework" else "")
    words.show_as_is(
        f"<p><strong>{words.text(title_of(entry))}</strong></p>"
        f'<p class="soft">{words.text(what)}; {count} photograph{"s" * (count != 1)}; changed '
        f"{words.text(words.when(entry.changed))}</p>"
    )
    with st.container(horizontal=True):
        st.button(
            "Open", key=f"open-{entry.identity}", on_click=open_inspection, args=(entry.identity,)
        )
        if not pads_alone(entry.labels):
            st.button(
                "Begin the one after the work",
                key=f"after-{entry.identity}",
                on_click=_failing_in_words,
                args=(_begin_after, entry.identity, who),
                help="The same bow and limbs, new photographs; both are then shown side by side.",
            )
        st.button(
            "Copy",
            key=f"copy-{entry.identity}",
            on_click=_failing_in_words,
            args=(_copy, entry.identity, who),
            help="All that was typed, without the photographs.",
        )
        st.button(
            "Bin",
            key=f"bin-{entry.identity}",
            on_click=_failing_in_words,
            args=(store().inspections.bin, entry.identity, who),
            help="It can be taken out again.",
        )


def _compare(listed: list[Listed]) -> None:
    if len(listed) < 2:
        return
    with st.expander("Put two inspections beside each other"):
        names = {entry.identity: title_of(entry) for entry in listed}
        keys = list(names)
        for key in ("cmp-before", "cmp-after"):
            if st.session_state.get(key, keys[0]) not in names:
                del st.session_state[key]
        # Of the two that were changed last the one of the earlier date comes before the other.
        older, newer = sorted((1, 0), key=lambda i: names[keys[i]].partition(" ")[0])
        before = st.selectbox("Before", keys, older, names.__getitem__, key="cmp-before")
        after = st.selectbox("After", keys, newer, names.__getitem__, key="cmp-after")
        st.button(
            "Show both",
            key="compare",
            disabled=before == after,
            on_click=compare,
            args=(before, after),
        )


def _begin(document: dict[str, Any], who: str) -> None:
    open_inspection(store().inspections.begin(document, who).identity)


def _begin_after(identity: str, who: str) -> None:
    before = store().inspections.get(identity).document
    _begin(after_rework(before, identity), who)


def _copy(identity: str, who: str) -> None:
    _begin(copied(store().inspections.get(identity).document), who)


def _sample_bow(who: str) -> None:
    open_inspection(begin_sample_bow(who), FINDINGS_STEP)


def _samples(who: str) -> None:
    open_inspection(begin_samples(who), PHOTOGRAPHS_STEP)


def _failing_in_words(act: Any, *given: Any) -> None:
    """A callback runs outside the page's script: its error is kept for the run that follows."""
    try:
        act(*given)
    except FitcheckError as error:
        st.session_state["failed"] = error
