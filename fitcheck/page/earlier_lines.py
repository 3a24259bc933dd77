"""The lines that were set by hand in a photograph before: each edit is kept, and can be had again.

Nothing of its own is kept for it: the store's log of changes holds every line that ever stood
there, who set it and when.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import streamlit as st

from fitcheck.errors import FitcheckError
from fitcheck.page import words
from fitcheck.page.inspection import Inspection, Line, PhotoFile
from fitcheck.page.keeping import store
from fitcheck.page.navigation import EDITING
from fitcheck.store.changes import Change
from fitcheck.store.fields import ABSENT, overlap, value_at, with_edit

MOST_LISTED = 20


@dataclass(frozen=True)
class LinesSet:
    """The lines of one photograph as they stood from an edit on.

    Attributes
    ----------
    at, who
        When and by which device; UTC, ISO 8601.
    lines
        Edge to line, pixels of the photograph; empty where the program searches by itself.
    as_given
        Those that were taken as they lay.
    moved
        Edges whose line is another one than before this edit.
    """

    at: str
    who: str
    lines: Mapping[str, Line]
    as_given: frozenset[str]
    moved: tuple[str, ...]


def lines_set(history: Iterable[Change], photo: PhotoFile) -> list[LinesSet]:
    """Return every state of a photograph's lines, the earliest first.

    Parameters
    ----------
    history
        Of its inspection, oldest first.
    photo
        The photograph.
    """
    place = f"/photos/[sha256={photo.sha256}]"
    document: object = {}
    states: list[LinesSet] = []
    last: tuple[Mapping[str, Line], frozenset[str]] = ({}, frozenset())
    for change in history:
        if not (change.taken and overlap(change.path, place)):
            continue
        try:
            document = with_edit(document, change.path, change.after)
        except FitcheckError:  # a document from anywhere may have had a text there
            continue
        fields = value_at(document, place)
        if fields is ABSENT or not isinstance(fields, dict):
            continue
        stood = PhotoFile(photo.sha256, photo.name, photo.shelf, fields)
        now = (stood.hints, stood.as_given)
        if now == last:
            continue
        names = [*last[0], *(name for name in now[0] if name not in last[0])]
        moved = tuple(name for name in names if last[0].get(name) != now[0].get(name))
        if states and states[-1].at == change.at:  # of one edit, field by field
            moved = tuple(dict.fromkeys((*states.pop().moved, *moved)))
        states.append(LinesSet(change.at, change.who, *now, moved))
        last = now
    return states


def earlier_lines(inspection: Inspection, photo: PhotoFile) -> None:
    """List the edits of a photograph's lines, the last one first, and go back to any of them."""
    try:
        history = store().inspections.history(st.session_state["visit"].identity)
    except FitcheckError:  # nothing is in the store yet, so nothing was edited
        return
    states = lines_set(history, photo)
    if not states:
        return
    with st.expander(f"Every edit of these lines: {len(states)}"):
        words.show('<p class="soft">Each edit is kept. Going back to one is an edit, too.</p>')
        for number in range(len(states), max(len(states) - MOST_LISTED, 0), -1):
            _entry(inspection, photo, number, states[number - 1])
        if len(states) > MOST_LISTED:
            words.show(f"<p>{len(states) - MOST_LISTED} earlier ones are not listed.</p>")


def _entry(inspection: Inspection, photo: PhotoFile, number: int, state: LinesSet) -> None:
    names = ", ".join(words.edge_name(edge) for edge in state.moved)
    what = f"moved: {names}" if state.lines else "all lines taken back"
    if not state.moved:
        what = "taken as they lie" if state.as_given else "measured near the lines again"
    elif state.as_given:
        what += "; taken as they lie"
    now = (photo.hints, photo.as_given) == (state.lines, state.as_given)
    with st.container(horizontal=True, vertical_alignment="center"):
        words.show(
            f"<p><strong>{number} · {words.text(words.when(state.at))}</strong>, "
            f"{words.text(state.who)}: {words.text(what)}{' (as it is now)' if now else ''}</p>"
        )
        if not now:
            st.button(
                f"Go back to {number}",
                key=f"lines-{photo.sha256}-{number}",
                on_click=_go_back,
                args=(inspection, photo.sha256, state),
            )


def _go_back(inspection: Inspection, sha256: str, state: LinesSet) -> None:
    inspection.mark(sha256, state.lines)
    inspection.take_as_given(sha256, sorted(state.as_given))
    st.session_state.pop(EDITING, None)  # the editor begins with these
