"""The page as a whole: the list of inspections, or one inspection as numbered steps."""

from __future__ import annotations

import logging
from collections.abc import Callable
from dataclasses import dataclass

import streamlit as st

from fitcheck.access.gate import DEVICE_HEADER
from fitcheck.access.photograph_routes import THIS_COMPUTER
from fitcheck.errors import BadInput, FitcheckError
from fitcheck.page import look, prepare, units_shown, words
from fitcheck.page.bench import bench
from fitcheck.page.bow import PURPOSES, bow
from fitcheck.page.compare_view import comparison
from fitcheck.page.findings_view import findings
from fitcheck.page.home import home
from fitcheck.page.inspection import Inspection
from fitcheck.page.keeping import Visit, store, visit
from fitcheck.page.navigation import (
    BENCH_STEP,
    BOW_STEP,
    CARDS_STEP,
    PHOTOGRAPHS_STEP,
    asked_step,
    compare,
    go,
    go_home,
    open_inspection,
)
from fitcheck.page.opening import begin_samples, photos_to_open
from fitcheck.page.photographs import photographs
from fitcheck.page.report_view import report
from fitcheck.page.scroll import scroll_to_top
from fitcheck.store.inspections import IDENTITY

_log = logging.getLogger("fitcheck.page")


@dataclass(frozen=True)
class Step:
    """One step: its name in the bar, its heading, and what shows it."""

    name: str
    heading: str
    show: Callable[[Inspection], None]


STEPS = (
    Step("Bow", "The bow", bow),
    Step("Cards", "Cards and caliper readings", prepare.cards),
    Step("Photos", "Photographs", photographs),
    Step("Bench", "Bench readings and condition", bench),
    Step("Findings", "Findings", findings),
    Step("Report", "Report", report),
)


def show_page() -> None:
    """Show the page: the whole script of one run."""
    st.set_page_config("fitcheck", look.page_icon(), layout="centered")
    place = str(sorted((k, v) for k, v in st.query_params.to_dict().items()))
    look.apply_style(st.session_state.get("shown", place) != place)
    st.session_state["shown"] = place
    try:
        _top_bar()
        failure = st.container()  # what went wrong is read first, wherever it was done
        _open_what_it_was_launched_with()
        asked = st.query_params.get("compare", "")
        lot = st.query_params.get("lot", "")
        if asked:
            comparison(asked, _device())
        elif lot:
            from fitcheck.page.lots import lots  # loads what only lots need

            lots(lot, _device())
        elif st.query_params.get("inspection", ""):
            _inspection()
        else:
            home(_device())
        with failure:
            place += _say_what_failed()
        scroll_to_top(place)
    except FitcheckError as error:
        words.show(words.refusal(error))
        st.button("To the list of inspections", key="home-after-error", on_click=go_home)
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


def _top_bar() -> None:
    if "unit-known" not in st.session_state:
        st.session_state["unit-known"] = True
        known = store().setting(units_shown.SETTING)
        units_shown.set_unit(known if isinstance(known, str) else "mm")
    with st.container(horizontal=True, key="top-bar", vertical_alignment="center"):
        words.show(
            '<p class="fc-tagline"><strong>fitcheck</strong> · how each limb fits its pocket</p>'
        )
        if {"inspection", "compare", "lot"} & set(st.query_params):
            st.button("All inspections", key="home", on_click=go_home)
        units_shown.choose_unit(
            lambda unit: store().keep_setting(units_shown.SETTING, unit, _device())
        )


def _open_what_it_was_launched_with() -> None:
    """Photographs that the page was launched with are in an inspection of their own."""
    if "launched" in st.session_state or st.query_params.get("inspection"):
        return
    st.session_state["launched"] = True
    if not photos_to_open():
        return
    try:
        identity = begin_samples(_device(), photos_to_open())
    except FitcheckError as error:
        st.session_state["failed"] = error
        return
    open_inspection(identity, PHOTOGRAPHS_STEP)


def _inspection() -> None:
    present = _visit()
    inspection = present.inspection
    step = asked_step(len(STEPS))
    _name(inspection)
    _bar(step)
    st.header(f"{step} · {STEPS[step - 1].heading}", anchor=False)
    _tell_of_saving(present)
    _show(STEPS[step - 1], inspection)
    if not st.query_params.get("photo"):
        _ways_on(step)
    present.keep_results()
    present.clashes.clear()  # told by now; not if the run was broken off for another


def _show(step: Step, inspection: Inspection) -> None:
    """Show a step. The one place where an error becomes a sentence with its advice."""
    try:
        step.show(inspection)
    except FitcheckError as error:
        words.show(words.refusal(error))
        if step is not STEPS[CARDS_STEP - 1] and _readings_are_wrong(inspection):
            st.button("Correct the reading", key="correct", on_click=go, args=(CARDS_STEP,))
        elif step.show in (findings, report):
            at_the_bow = any(f"“{name}”" in error.message for name in ("date", "bow", "limbs"))
            where = BOW_STEP if at_the_bow else BENCH_STEP
            name = "the bow" if at_the_bow else "the bench readings"
            st.button(f"Go to {name}", key="correct", on_click=go, args=(where,))


def _say_what_failed() -> str:
    """Say what an action before this run met with; returns a text of its own, or none."""
    if "failed" not in st.session_state:
        return ""
    st.session_state["failures"] = st.session_state.get("failures", 0) + 1
    words.show(words.refusal(st.session_state.pop("failed")))
    return f" failure {st.session_state['failures']}"


def _readings_are_wrong(inspection: Inspection) -> bool:
    try:
        inspection.setup()
    except FitcheckError:
        return True
    return False


def _visit() -> Visit:
    """What this visitor had before, by the address; else what the store has of it."""
    identity = str(st.query_params.get("inspection", ""))
    present: Visit | None = st.session_state.get("visit")
    if present is None or present.identity != identity:
        if not IDENTITY.fullmatch(identity) or store().inspections.find(identity) is None:
            raise BadInput(
                "inspection_unknown",
                "The inspection of this address is not in this store.",
                "It may have been emptied out of the bin, or be in another store: look for it in "
                "the list of inspections.",
            )
        present = visit(store(), identity, _device())
        st.session_state["visit"] = present
        st.session_state.pop("findings", None)
    st.session_state["inspection"] = present.inspection
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


def _name(inspection: Inspection) -> None:
    purpose = PURPOSES.get(inspection.text("/purpose"), PURPOSES["rework"])
    after = ", after the work" if inspection.text("/stage") == "after rework" else ""
    named = [inspection.text("/bow/name"), inspection.text("/customer")]
    said = " · ".join([purpose + after, *(n for n in named if n)])
    with st.container(horizontal=True, vertical_alignment="center"):
        words.show_as_is(f'<p class="fc-inspection">{words.text(said)}</p>')
        before = inspection.text("/before")
        if before and store().inspections.find(before) is not None:
            st.button(
                "Beside the one before",
                key="beside",
                on_click=compare,
                args=(before, st.session_state["visit"].identity),
            )


def _bar(current: int) -> None:
    with st.container(horizontal=True, key="step-bar"):
        for number, step in enumerate(STEPS, start=1):
            st.button(
                f"{number} {step.name}",
                key=f"bar-{number}",
                type="primary" if number == current else "secondary",
                on_click=go,
                args=(number,),
            )


def _ways_on(step: int) -> None:
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
    if step < len(STEPS):
        on.button(
            f"Next: {STEPS[step].heading.lower()}",
            key="next",
            type="primary",
            on_click=go,
            args=(step + 1,),
            width="stretch",
        )
