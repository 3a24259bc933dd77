"""One photograph: its edges over it, moving them by hand, and how clear each of them is."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import streamlit as st

from fitcheck.errors import FitcheckError
from fitcheck.measurement import Measurement
from fitcheck.page import measuring, words
from fitcheck.page.drawings import edge_colour, profile_svg
from fitcheck.page.earlier_lines import earlier_lines
from fitcheck.page.edge_editor import (
    edge_editor,
    edited_lines,
    lines_to_begin_with,
    with_edit_taken,
)
from fitcheck.page.fields import kept_choice
from fitcheck.page.inspection import Inspection, Line, PhotoFile
from fitcheck.page.navigation import EDITING, PHOTOGRAPHS_STEP, go
from fitcheck.page.one_photo import say_what_it_shows, verdict
from fitcheck.page.picture_frame import PictureFrame, frame_round
from fitcheck.page.pictures import picture_of, profile_across
from fitcheck.page.shots import words_of
from fitcheck.views import VIEWS

PROFILE_REACH_PX = 40.0
_SENT = "editor-sent"  # the lines that stood in the editor last, by its revision


def edges(inspection: Inspection, photo: PhotoFile) -> None:
    """Show one photograph of the inspection."""
    st.button("← All photographs", key="all-photographs", on_click=go, args=(PHOTOGRAPHS_STEP,))
    st.subheader(words_of(photo.fields), anchor=False)
    if not photo.placed:
        say_what_it_shows(inspection, photo)
        return
    bar = st.empty()

    def told(share: float) -> None:
        bar.progress(share, measuring.how_far(share))

    measurement = measuring.measured(inspection, photo, told=told)
    unaided = measurement
    if photo.hints:
        unaided = measuring.measured(inspection, photo, by_hand=False, told=told)
    bar.empty()
    above = st.container()
    if unaided.size_px != (0, 0):
        _edit(inspection, photo, unaided, measurement)
    with above:
        words.show(verdict(measurement, reasons=measurement.refused is not None))
        if photo.hints:
            _say_by_hand(inspection, photo, measurement)
        if VIEWS[photo.view].edges:
            earlier_lines(inspection, photo)
    if measurement.refused is None:
        words.show(words.warnings(measurement.warnings))
        words.show(words.numbers_table(measurement.characteristics))
        with st.expander("Where the uncertainty comes from"):
            words.show(words.budget_table(measurement.characteristics))
    if VIEWS[photo.view].edges:
        with st.expander("How clear each edge is"):
            _profiles(photo, measurement)
    with st.expander("Cards and edges found"):
        colours = {edge.edge: edge_colour(edge.edge) for edge in measurement.edges}
        words.show(words.cards_found(measurement), words.edges_found(measurement.edges, colours))
    with st.expander("It shows something else?"):
        say_what_it_shows(inspection, photo)


def _edit(
    inspection: Inspection, photo: PhotoFile, unaided: Measurement, measurement: Measurement
) -> None:
    sha256 = photo.sha256
    names = VIEWS[photo.view].edges if unaided.cards or measurement.cards else ()
    opened = st.session_state.get(EDITING)
    if opened is None or opened[0] != (sha256, photo.view):
        # What the editor begins with stays as it is while it is open; see edge_editor.
        found = measuring.edge_lines(unaided)
        frame = frame_round({**found, **photo.hints}, unaided.size_px)
        count = st.session_state.get("editor-count", 0) + 1
        st.session_state["editor-count"] = count
        lines = lines_to_begin_with(names, found, photo.hints, frame, photo.view == "pad")
        opened = ((sha256, photo.view), frame, lines, photo.hints, str(count))
        st.session_state[EDITING] = opened
        st.session_state[_SENT] = {str(count): photo.hints}
    _, frame, lines, by_hand, revision = opened
    key = f"editor-{revision}"
    edge_editor(
        key,
        photo,
        frame,
        lines,
        by_hand,
        measuring.edge_lines(measurement),
        revision,
        lambda: _take_edit(inspection, photo, key, frame, revision),
    )


def _take_edit(
    inspection: Inspection, photo: PhotoFile, key: str, frame: PictureFrame, revision: str
) -> None:
    known = VIEWS[photo.view].edges
    lines = edited_lines(st.session_state.get(key), frame, revision, known)
    if lines is None:
        return
    before: Mapping[str, Line] = st.session_state[_SENT].get(revision, {})
    now = inspection.photos.get(photo.sha256, photo).hints
    st.session_state[_SENT] = {revision: lines}
    inspection.mark(photo.sha256, with_edit_taken(now, before, lines))


def _say_by_hand(inspection: Inspection, photo: PhotoFile, measurement: Measurement) -> None:
    names = ", ".join(words.edge_name(edge) for edge in photo.hints)
    how = "set by hand"
    if measurement.refused is None:
        how = words.ORIGINS["given" if photo.as_given else "hint"]
    words.show(words.box("say", f"<strong>{words.text(names)}</strong>: {how}."))
    kept_choice(
        st.container(),
        "Your lines are",
        f"as-given-{photo.sha256}",
        "as given" if photo.as_given else "near",
        lambda chosen: inspection.take_as_given(
            photo.sha256, photo.hints if chosen == "as given" else ()
        ),
        {"near": "a hint: the edge near them is measured", "as given": "taken as they lie"},
        why="A hint is enough where the program chose the wrong line: the clearest edge within "
        "about 2 mm of yours is measured. Where no edge can be told from what lies beside it, "
        "your eye may be better. A line taken as it lies is good to some tenths of a millimetre, "
        "and is warned of.",
    )
    st.button(
        "Take back my lines",
        key="reset-edges",
        on_click=_take_back,
        args=(inspection, photo.sha256),
        help="The program looks for the edges by itself again.",
    )


def _take_back(inspection: Inspection, sha256: str) -> None:
    inspection.mark(sha256, {})
    st.session_state.pop(EDITING, None)


def _profiles(photo: PhotoFile, measurement: Measurement) -> None:
    """The light across each edge: what the eye would see in a cut through it."""
    lines: dict[str, Line] = {**photo.hints, **measuring.edge_lines(measurement)}
    if not lines:
        words.show("<p>No edge was found, and none was marked.</p>")
        return
    words.show(
        '<p class="soft">The mean light along the edge, as one goes across it. One steep step at '
        "the orange line is a clear edge. A slope is a soft or blurred one; several steps mean "
        "that another line lies beside it: then look at the photograph, and move the line if it "
        "lies on the wrong one.</p>"
    )
    try:
        picture = picture_of(photo.sha256, photo.read, photo.name)
    except FitcheckError as error:
        words.show(words.refusal(error))
        return
    for place, (edge, line) in zip(_columns(len(lines)), lines.items(), strict=True):
        across, light = profile_across(picture, line, PROFILE_REACH_PX)
        name = words.edge_name(edge)
        with place:
            if not len(across):
                words.show(f"<p>{words.text(name)}: too near to the picture’s border.</p>")
                continue
            drawn = profile_svg(np.asarray(across).tolist(), np.asarray(light).tolist(), 0.0, name)
            words.show(
                words.picture(
                    drawn.encode("utf-8"),
                    "svg+xml",
                    f"Light across {name}: from {light.min():.2f} to {light.max():.2f}.",
                )
            )


def _columns(count: int) -> list[st.delta_generator.DeltaGenerator]:
    columns = st.columns(2)
    return [columns[n % 2] for n in range(count)]
