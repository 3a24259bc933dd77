"""Getting from one step of the page to another.

Inspection, step and photograph stand in the page's address, so that the browser's back button
and a reload work, and so that another device can go on at the same place.
"""

from __future__ import annotations

import streamlit as st

BOW_STEP, CARDS_STEP, PHOTOGRAPHS_STEP, BENCH_STEP, FINDINGS_STEP, REPORT_STEP = range(1, 7)

# Key of what the edge editor was opened with; leaving the photograph closes the editor.
EDITING = "editing"
# Key of whether the check list of condition is open; decided anew whenever its step is come to.
CONDITION_OPEN = "condition-open"


def go(step: int) -> None:
    """Have the next run show another step."""
    st.query_params["step"] = str(step)
    st.query_params.pop("photo", None)
    st.session_state.pop(EDITING, None)
    st.session_state.pop(CONDITION_OPEN, None)


def asked_step(steps: int) -> int:
    """Step that the page's address asks for, the first one if it asks for none there is."""
    asked = st.query_params.get("step", "1")
    return int(asked) if asked in map(str, range(1, steps + 1)) else 1


def look_at(sha256: str) -> None:
    """Have the next run show one photograph."""
    go(PHOTOGRAPHS_STEP)
    st.query_params["photo"] = sha256


def asked_photo() -> str:
    """Hash of the photograph that the page's address asks for; empty if for none."""
    return str(st.query_params.get("photo", ""))


def open_inspection(identity: str, step: int = BOW_STEP) -> None:
    """Have the next run show another inspection."""
    st.query_params.clear()
    st.query_params["inspection"] = identity
    go(step)
    _forget()


def go_home() -> None:
    """Have the next run show the list of inspections."""
    st.query_params.clear()
    _forget()


def compare(before: str, after: str) -> None:
    """Have the next run show two inspections beside each other."""
    st.query_params.clear()
    st.query_params["compare"] = f"{before},{after}"
    _forget()


def _forget() -> None:
    for key in ("visit", "findings", EDITING):
        st.session_state.pop(key, None)
