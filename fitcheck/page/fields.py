"""Fields whose text outlasts the step they stand in."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

import streamlit as st
from streamlit.delta_generator import DeltaGenerator

from fitcheck.errors import FitcheckError
from fitcheck.page import units_shown, words
from fitcheck.page.document import with_unit
from fitcheck.quantities import quantity
from fitcheck.units import MINUS, MM_PER_INCH

# A bare number is meant in this unit; lengths follow the switch.
_BARE = {"deg": "deg", "lb": "lb", "gr": "gr", "fps": "fps", "gr/lb": "gr/lb"}
EXAMPLES = {
    "deg": "8 deg",
    "lb": "45 lb",
    "gr": "480 gr",
    "fps": "178 fps",
    "gr/lb": "9 gr/lb",
}


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
        help=why and units_shown.in_unit_shown(why),
        placeholder=example,
        max_chars=most,
        on_change=lambda: _keep(keep, key),
    )


def _keep(keep: Callable[[str], None], key: str) -> None:
    """A callback runs outside the page's script: its error is kept for the run that follows."""
    try:
        keep(st.session_state[key])
    except FitcheckError as error:
        st.session_state["failed"] = error
        st.session_state.pop(f"{key}-kept", None)  # the field shows again what stands


def kept_quantity(
    place: DeltaGenerator,
    label: str,
    key: str,
    kept: str,
    keep: Callable[[str], None],
    kind: str,
    *,
    example: str = "",
    why: str | None = None,
    empty: str = "",
) -> None:
    """Show a field for a quantity, and below it how it was understood.

    Parameters are those of :func:`kept_text`, and

    kind
        As in :func:`fitcheck.quantities.quantity`. A bare number gets the unit that is shown.
    empty
        What is taken where nothing is typed, in a sentence.
    """
    inside = place.container(gap=None)
    bare = units_shown.unit() if kind == "mm" else _BARE[kind]
    typed = kept_text(
        inside,
        label,
        key,
        kept,
        lambda text: keep(with_unit(text, bare)),
        example=_example(example, kind),
        why=why,
        most=40,
    )
    with inside:
        said = with_unit(typed, bare) if typed.strip() else ""
        if not said:
            if empty:
                words.show(f'<p class="soft">{words.text(empty)}</p>')
            return
        try:
            words.show_as_is(f'<p class="soft">{words.text(read_as(said, kind))}</p>')
        except FitcheckError as error:
            words.show(
                f'<p class="fc-wrong" role="alert"><span aria-hidden="true">✗</span> '
                f"{words.text(f'{label}: not understood.')} {words.text(error.advice)}</p>"
            )


def _example(example: str, kind: str) -> str:
    """What stands in an empty field; ``example`` is a length, or empty."""
    if kind != "mm":
        return f"such as {example or EXAMPLES[kind]}"
    return f"such as {units_shown.example_shown(example)}" if example else "not measured"


def read_as(typed: str, kind: str) -> str:
    """Say how a quantity was understood; raises as ``quantity``."""
    read = quantity(typed, kind, "It")
    if kind == "mm":
        lengths = (f"{read.value:.5g} mm", f"{read.value / MM_PER_INCH:.4f} in")
        ordered = lengths if units_shown.unit() == "mm" else lengths[::-1]
        return f"Read as {', '.join(ordered)}.".replace("-", MINUS)
    sign = "°" if kind == "deg" else f" {kind}"
    return f"Read as {read.value:.5g}{sign}.".replace("-", MINUS)


def kept_choice(
    place: DeltaGenerator,
    label: str,
    key: str,
    kept: str,
    keep: Callable[[str], None],
    options: Mapping[str, str],
    *,
    why: str | None = None,
    wide: bool = False,
) -> str:
    """Show a choice of few: each option's kept text, and its words. Empty: not said.

    ``wide`` shows a list to pull down, where the options are many or long.
    """
    names: Sequence[str] = list(options)
    st.session_state[key] = kept if kept in options else names[0]
    field = place.selectbox if wide else place.radio
    more = {} if wide else {"horizontal": True}
    return str(
        field(  # type: ignore[operator]
            label,
            names,
            format_func=options.__getitem__,
            key=key,
            help=why and units_shown.in_unit_shown(why),
            on_change=lambda: _keep(keep, key),
            **more,
        )
    )
