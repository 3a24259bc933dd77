"""The page as numbered steps: which one is shown, and how one gets from one to the next."""

from __future__ import annotations

import logging
from collections.abc import Callable
from dataclasses import dataclass

import streamlit as st

from fitcheck.access.gate import DEVICE_HEADER
from fitcheck.access.photograph_routes import THIS_COMPUTER
from fitcheck.errors import FitcheckError
from fitcheck.page import look, prepare, results, words
from fitcheck.page.inspection import Inspection
from fitcheck.page.keeping import Visit, store, visit
from fitcheck.page.navigation import EDGES_STEP, PHOTO_STEP, READINGS_STEP, asked_step, go
from fitcheck.page.opening import add_photos_to_open
from fitcheck.page.scroll import scroll_to_top

_log = logging.getLogger("fitcheck.page")


@dataclass(frozen=True)
class Step:
    """One step: its name in the bar, its heading, and what shows it."""

    name: str
    heading: str
    show: Callable[[Inspection], None]


STEPS = (
    Step("Cards", "Print the reference cards", prepare.cards),
    Step("Readings", "What you measured", prepare.readings),
    Step("Photo", "Take the photograph", prepare.photograph),
    Step("Edges", "See the edges", results.edges),
    Step("Numbers", "The numbers", results.numbers),
    Step("Report", "Take the report with you", results.report),
)


def show_page() -> None:
    """Show the page: the whole script of one run."""
    st.set_page_config("fitcheck", look.page_icon(), layout="centered")
    asked = asked_step(len(STEPS))
    look.apply_style(st.session_state.get("shown", asked) != asked)
    st.session_state["shown"] = asked
    words.show(
        '<p class="fc-tagline"><strong>fitcheck</strong> · how each limb fits its pocket</p>'
    )
    try:
        present = _visit()
        inspection = present.inspection
        step = _step(inspection)
        _bar(step)
        st.header(f"{step} · {STEPS[step - 1].heading}", anchor=False)
        _tell_of_saving(present)
        _show(STEPS[step - 1], inspection)
        _ways_on(step, inspection)
        scroll_to_top(step)
        present.keep_results()
        present.clashes.clear()  # told by now; not if the run was broken off for another
    except FitcheckError as error:  # the store: without it there is nothing to show
        words.show(words.refusal(error))
    except Exception:
        _log.exception("the page met an error that nobody foresaw")
        words.show(
            words.box(
                "error",
                "<strong>Something went wrong inside fitcheck.</strong>",
                "Your photographs and readings are still here. Try again; if it happens again, "
                "the window that fitcheck was started from shows what to report.",
                role="alert",
            )
        )


def _show(step: Step, inspection: Inspection) -> None:
    """Show a step. The one place where an error becomes a sentence with its advice."""
    try:
        step.show(inspection)
        if "failed" in st.session_state:  # what an action before this run met with
            raise st.session_state.pop("failed")
    except FitcheckError as error:
        words.show(words.refusal(error))
        if step is not STEPS[READINGS_STEP - 1] and _readings_are_wrong(inspection):
            st.button("Correct the reading", key="correct", on_click=go, args=(READINGS_STEP,))


def _readings_are_wrong(inspection: Inspection) -> bool:
    try:
        inspection.readings.setup()
    except FitcheckError:
        return True
    return False


def _visit() -> Visit:
    """What this visitor had before, by the address; else a new inspection."""
    if "visit" not in st.session_state:
        begun = visit(store(), st.query_params.get("inspection", ""), _device())
        if begun.is_new:
            try:
                add_photos_to_open(begun.inspection)
            except FitcheckError as error:
                st.session_state["failed"] = error
            if begun.inspection.photos:
                go(EDGES_STEP)
        st.query_params["inspection"] = begun.identity
        st.session_state["inspection"] = begun.inspection
        st.session_state["visit"] = begun
    present: Visit = st.session_state["visit"]
    st.session_state.pop("unsaved", None)
    try:
        present.save()
    except FitcheckError as error:  # nothing is lost: the next run tries again
        st.session_state["unsaved"] = error
    return present


def _device() -> str:
    """What the visitor's device is called, for the log of changes."""
    return st.context.headers.get(DEVICE_HEADER) or THIS_COMPUTER


def _tell_of_saving(present: Visit) -> None:
    """Say what could not be saved, and where another device or window had been first."""
    if "unsaved" in st.session_state:
        words.show(words.refusal(st.session_state["unsaved"]))
    for clash in present.clashes:
        words.show(words.clash(clash))


def _step(inspection: Inspection) -> int:
    step = asked_step(len(STEPS))
    if step > PHOTO_STEP and not inspection.photos:
        return PHOTO_STEP
    return step


def _bar(current: int) -> None:
    inspection: Inspection = st.session_state["inspection"]
    with st.container(horizontal=True, key="step-bar"):
        for number, step in enumerate(STEPS, start=1):
            st.button(
                f"{number} {step.name}",
                key=f"bar-{number}",
                type="primary" if number == current else "secondary",
                disabled=number > PHOTO_STEP and not inspection.photos,
                on_click=go,
                args=(number,),
            )


def _ways_on(step: int, inspection: Inspection) -> None:
    with st.container(key="ways-on"):
        back, on = st.columns(2)
    if step > 1:
        back.button(
            f"Back: {STEPS[step - 2].heading.lower()}",
            key="back",
            on_click=go,
            args=(step - 1,),
            width="stretch",
        )
    if step < len(STEPS) and (step != PHOTO_STEP or inspection.photos):
        on.button(
            f"Next: {STEPS[step].heading.lower()}",
            key="next",
            type="primary",
            on_click=go,
            args=(step + 1,),
            width="stretch",
        )
