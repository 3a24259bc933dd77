"""Steps after the photograph: the edges, the numbers, the report."""

from __future__ import annotations

from dataclasses import replace
from functools import partial

import streamlit as st
from streamlit.delta_generator import DeltaGenerator

from fitcheck.judgement import Verdict, judge, overall
from fitcheck.measurement import Measurement
from fitcheck.page import measuring, words
from fitcheck.page.edge_editor import (
    edge_colour,
    edge_editor,
    edited_lines,
    lines_to_begin_with,
)
from fitcheck.page.fields import kept_text
from fitcheck.page.inspection import Inspection, Line, PhotoFile, Written
from fitcheck.page.measuring import Result
from fitcheck.page.navigation import EDITING
from fitcheck.page.picture_frame import PictureFrame, frame_round
from fitcheck.views import VIEWS

FIT_IS_NOT_STRENGTH = words.box(
    "caution",
    "<strong>This is about fit. Fit is no proof of strength.</strong> Do not shoot a bow that has "
    "a crack, lifting glass or a delamination, however well its limbs sit. The maker’s own "
    "limits, local rules and the judgement of a qualified bowyer come first.",
)


def edges(inspection: Inspection) -> None:
    """Step 4: the photograph with what was found, and correcting it."""
    photo = _choose(inspection, "edges")
    with st.spinner("Measuring …"):
        unaided = measuring.result_of(inspection, photo, by_hand=False).measurement
    findings = st.container()  # first of all, but below the editor while that is open
    editing = False
    if unaided.cards:  # without a card there is nothing to measure on
        editing = st.toggle(
            "Correct an edge by hand",
            key=f"by-hand-{photo.sha256}",
            help="If a drawn line does not lie on its edge, lay it there roughly: within 2 mm "
            "is near enough. The edge is then measured near your line.",
        )
    if editing:
        _edit(inspection, photo, unaided)
        findings = st.container()
    else:
        st.session_state.pop(EDITING, None)
    with findings:
        with st.spinner("Measuring …"):
            result = measuring.result_of(inspection, photo)
        if photo.sha256 in inspection.hints:
            _say_by_hand(inspection, photo, result)
        _outcome(result.measurement)
    if editing:
        _close_ups(result, [*st.columns(2)])
    else:
        _pictures(result)
    with st.expander("Cards and edges found"):
        measurement = result.measurement
        colours = {edge.edge: edge_colour(edge.edge) for edge in measurement.edges}
        words.show(words.cards_found(measurement), words.edges_found(measurement.edges, colours))


def _outcome(measurement: Measurement) -> None:
    """The findings in short, so that a corrected edge shows its effect at once."""
    if measurement.refused is not None:
        words.show(words.refusal(measurement.refused))
        return
    decisions = judge(measurement)
    found = "".join(f"<li>{words.text(decision.sentence)}</li>" for decision in decisions)
    words.show(
        words.warnings(measurement.warnings),
        f"<p>{words.badge(overall(decisions))}</p><ul>{found}</ul>",
    )


def _pictures(result: Result) -> None:
    measurement = result.measurement
    if not result.entry.annotated_jpeg:
        return
    if measurement.refused is not None:
        said = "The photograph as it was received."
        words.show(words.figure(result.entry.annotated_jpeg, said, said))
        return
    wide, narrow = st.columns([3, 2])
    with wide:
        words.show(
            words.figure(
                result.entry.annotated_jpeg,
                f"Photograph {measurement.photo}, limb tip up, with the measured edges drawn.",
                "Turned so that the limb’s tip is up: left and right are as you face the limb. "
                "Solid where an edge was measured, dashed where its line is carried on to the "
                "butt line.",
            )
        )
    _close_ups(result, [narrow, narrow])


def _close_ups(result: Result, places: list[DeltaGenerator]) -> None:
    """Both lips enlarged, one in each place."""
    for place, (side, jpeg) in zip(places, result.entry.close_up_jpegs.items(), strict=False):
        said = f"The lip on the {side}, enlarged."
        with place:
            words.show(words.figure(jpeg, said, said))


def _edit(inspection: Inspection, photo: PhotoFile, unaided: Measurement) -> None:
    sha256 = photo.sha256
    opened = st.session_state.get(EDITING)
    if opened is None or opened[0] != sha256:
        # What the editor begins with stays as it is while it is open; see edge_editor.
        found = measuring.edge_lines(unaided)
        frame = frame_round(found, unaided.size_px)
        by_hand = dict(inspection.hints.get(sha256, {}))
        count = st.session_state.get("editor-count", 0) + 1
        st.session_state["editor-count"] = count
        opened = (sha256, frame, lines_to_begin_with(found, by_hand, frame), by_hand, str(count))
        st.session_state[EDITING] = opened
    _, frame, lines, by_hand, revision = opened
    key = f"editor-{revision}"
    edge_editor(
        key,
        measuring.frame_picture(photo, frame),
        frame,
        lines,
        by_hand,
        revision,
        lambda: _take_edit(inspection, sha256, key, frame, revision),
    )


def _take_edit(
    inspection: Inspection, sha256: str, key: str, frame: PictureFrame, revision: str
) -> None:
    lines = edited_lines(st.session_state.get(key), frame, revision, VIEWS["seat"].edges)
    if lines is not None:
        inspection.mark(sha256, lines)


def _say_by_hand(inspection: Inspection, photo: PhotoFile, result: Result) -> None:
    marked: dict[str, Line] = inspection.hints[photo.sha256]
    names = ", ".join(words.edge_name(edge) for edge in marked)
    if result.measurement.refused is None:
        said = f"<strong>{words.text(names)}</strong>: measured from your line."
    else:
        said = f"<strong>{words.text(names)}</strong>: set by hand."
    words.show(words.box("say", said))
    st.button(
        "Take back my lines",
        key="reset-edges",
        on_click=_take_back,
        args=(inspection, photo.sha256),
    )


def _take_back(inspection: Inspection, sha256: str) -> None:
    inspection.mark(sha256, {})
    st.session_state.pop(EDITING, None)


def numbers(inspection: Inspection) -> None:
    """Step 5: every characteristic with its uncertainty and its judgement."""
    photo = _choose(inspection, "numbers")
    with st.spinner("Measuring …"):
        measurement = measuring.result_of(inspection, photo).measurement
    if measurement.refused is not None:
        words.show(words.refusal(measurement.refused))
        return
    decisions = judge(measurement)
    verdict = overall(decisions)
    judged = {d.name for d in decisions}
    words.show(
        words.said_of(verdict),
        '<p class="soft">Each value comes with its expanded uncertainty: the true value lies '
        "within ± of it with a probability of about 95 %. Left and right are as you face the "
        "limb’s outer face with its tip up.</p>",
        words.warnings(measurement.warnings),
        '<div class="fc-judged">' + "".join(words.judged_card(d) for d in decisions) + "</div>",
    )
    words.show(
        words.numbers_table([c for c in measurement.characteristics if c.name not in judged])
    )
    _say_not_measured(measurement)
    with st.expander("Where the uncertainty comes from"):
        words.show(words.budget_table(measurement.characteristics))
    words.show(_before_work(verdict), FIT_IS_NOT_STRENGTH)


def _before_work(verdict: Verdict) -> str:
    """What to heed before anybody acts on the verdict."""
    if verdict.level not in {"rework", "acceptable", "undecided"}:
        return ""
    rework = (
        "<strong>In any rework:</strong> never cut into a limb’s glass faces, never slot a hole, "
        "never force a limb sideways. Wear eye protection, and keep wood and glass dust out of "
        "your lungs. Afterwards brace low, inspect, draw a little further each time up to the "
        "marked draw and never past it, and inspect again."
    )
    return words.box(
        "caution",
        "<strong>Before a bolt is touched:</strong> unstring the bow with a stringer. Then clean "
        "the pocket, seat the limb again and measure again, three times over: what changes from "
        "one seating to the next is play or dirt, not wood.",
        rework if verdict.level == "rework" else "",
    )


def _say_not_measured(measurement: Measurement) -> None:
    """Readings that would narrow the numbers."""
    readings = {
        "card_thickness_measured": "the card’s thickness",
        "print_scale_measured": "the check bars",
    }
    missing = [words_ for key, words_ in readings.items() if not measurement.inputs.get(key)]
    if missing:
        names = " and ".join(missing)
        words.show(
            words.box(
                "say",
                f"<strong>Not measured: {names}.</strong> Defaults stand in, and the numbers "
                "allow for it. With your own readings (step 2) the ± narrows.",
            )
        )


def report(inspection: Inspection) -> None:
    """Step 6: the written report."""
    words.show(
        "<p>One file for the customer or the drawer: it opens in any browser, prints, and needs "
        "no network. Everything here may stay empty.</p>"
    )
    upper, lower = st.columns(2), st.columns(2)
    for place, name, label, example in (
        (upper[0], "bow", "Bow", "maker, model, length, draw weight"),
        (upper[1], "customer", "Customer", ""),
        (lower[0], "shop", "Shop", ""),
        (lower[1], "reference", "Order or job number", ""),
    ):
        _header_field(inspection, place, name, label, example)
    body = st.container()
    _header_field(inspection, body, "note", "Note", "complaint, state on arrival, what was done")
    for number, sha256 in enumerate(inspection.photos, start=1):
        kept_text(
            body,
            f"Which seat is in photograph {number}?",
            f"title-{sha256}",
            inspection.titles.get(sha256, ""),
            partial(inspection.titles.__setitem__, sha256),
            example="upper limb, as received",
        )
    written = _written(inspection)
    st.download_button(
        "Download the report (HTML)",
        written.page,
        "fitcheck-report.html",
        "text/html",
        key="report-html",
        type="primary",
        on_click="ignore",
        width="stretch",
    )
    st.download_button(
        "Download the numbers (JSON)",
        written.numbers,
        "fitcheck-measurements.json",
        "application/json",
        key="report-json",
        on_click="ignore",
        width="stretch",
    )
    words.show(FIT_IS_NOT_STRENGTH)


def _written(inspection: Inspection) -> Written:
    """The report's files: written anew for new numbers, or when new words are to go in.

    A file that changed by itself as one types would cut off a download that has just begun,
    so what was written stays until the user asks for it to be written again.
    """
    with st.spinner("Writing the report …"):
        measured = [measuring.result_of(inspection, p) for p in inspection.photos.values()]
        numbers = measuring.numbers_file(measured)
        words_now = (inspection.header, dict(inspection.titles))
        written = inspection.written
        stale = written is None or written.numbers != numbers
        if not stale and written is not None and written.words != words_now:
            note = st.container()
            stale = st.button("Write it into the report", key="report-write", width="stretch")
            if not stale:
                with note:
                    words.show(words.box("say", "What you typed is not in the report yet."))
        if stale or written is None:
            page = measuring.report_file(inspection, measured)
            written = inspection.written = Written(words_now, page, numbers)
    return written


def _choose(inspection: Inspection, place: str) -> PhotoFile:
    """The photograph to look at; with several, the user says which."""
    photos = inspection.photos
    if inspection.chosen not in photos:
        inspection.chosen = next(iter(photos))
    if len(photos) > 1:
        names = list(photos)
        labels = {
            sha256: f"{number} · {photos[sha256].name}"
            for number, sha256 in enumerate(names, start=1)
        }
        key = f"choose-{place}"
        st.session_state[key] = inspection.chosen
        inspection.chosen = st.selectbox(
            "Photograph",
            names,
            format_func=labels.__getitem__,
            key=key,
            on_change=lambda: setattr(inspection, "chosen", st.session_state[key]),
        )
    return photos[inspection.chosen]


def _header_field(
    inspection: Inspection, place: DeltaGenerator, name: str, label: str, example: str
) -> None:
    def keep(text: str) -> None:
        inspection.header = replace(inspection.header, **{name: text})

    kept = getattr(inspection.header, name)
    is_note = name == "note"
    kept_text(
        place,
        label,
        f"report-{name}",
        kept,
        keep,
        example=example,
        most=2000 if is_note else 200,
        long=is_note,
    )
