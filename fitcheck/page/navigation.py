"""Getting from one step of the page to another.

The step stands in the page's address, so that the browser's back button and a reload work.
"""

from __future__ import annotations

import streamlit as st

READINGS_STEP, PHOTO_STEP, EDGES_STEP = 2, 3, 4

# Key of what the edge editor was opened with; leaving the step closes the editor.
EDITING = "editing"


def go(step: int) -> None:
    """Have the next run show another step."""
    st.query_params["step"] = str(step)
    st.session_state.pop(EDITING, None)


def asked_step(steps: int) -> int:
    """Step that the page's address asks for, the first one if it asks for none there is."""
    asked = st.query_params.get("step", "1")
    return int(asked) if asked in map(str, range(1, steps + 1)) else 1
