"""Fields whose text outlasts the step they stand in."""

from __future__ import annotations

from collections.abc import Callable

import streamlit as st
from streamlit.delta_generator import DeltaGenerator


def kept_text(
    place: DeltaGenerator,
    label: str,
    key: str,
    kept: str,
    keep: Callable[[str], None],
    *,
    example: str = "",
    why: str | None = None,
    most: int = 200,
    long: bool = False,
) -> str:
    """Show a field for text.

    Parameters
    ----------
    place
        Where on the page.
    label, example, why
        What it is for; what might stand in it; a longer explanation.
    key
        Of the widget.
    kept
        What was typed before.
    keep
        Takes what is typed. It is called before the page runs again: whoever types and then
        presses "Next" has left the step by then.
    most
        Longest text.
    long
        Whether several lines are wanted.

    Returns
    -------
    What stands in the field.
    """
    shown = f"{key}-kept"
    # Anew where it was left and come back to, or was changed on another device meanwhile.
    if key not in st.session_state or st.session_state.get(shown) != kept:
        st.session_state[key] = kept
        st.session_state[shown] = kept
    field = place.text_area if long else place.text_input
    return field(
        label,
        key=key,
        help=why,
        placeholder=example,
        max_chars=most,
        on_change=lambda: keep(st.session_state[key]),
    )
