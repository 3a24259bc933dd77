"""Asks the package for measurements and pictures, and remembers the answers."""

from __future__ import annotations

import hashlib
import io
import json
import logging
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import streamlit as st

from fitcheck import __version__
from fitcheck.card_sheet import sheet_pdf
from fitcheck.corners import find_cards
from fitcheck.errors import FitcheckError
from fitcheck.findings.whole import Findings, find
from fitcheck.measurement import Measurement, Note, Point
from fitcheck.page.document import inspection_of
from fitcheck.page.drawings import overlay_svg
from fitcheck.page.inspection import Inspection, Line, PhotoFile
from fitcheck.page.picture_frame import PictureFrame
from fitcheck.page.pictures import ONE_AT_A_TIME, picture_of, preview
from fitcheck.pipeline import Shot, measure_shots
from fitcheck.setup import Setup

THUMBNAIL_PX, OVERLAY_PX = 240, 900

_log = logging.getLogger("fitcheck.page")

_Hints = tuple[tuple[str, Line], ...]


@dataclass(frozen=True)
class Outcome:
    """One photograph and what it gave; None while it does not say what it shows."""

    photo: PhotoFile
    measurement: Measurement | None


def measured(inspection: Inspection, photo: PhotoFile, by_hand: bool = True) -> Measurement:
    """Measure a photograph as the inspection says; at once if it was measured so before.

    Parameters
    ----------
    inspection
        Gives the readings.
    photo
        One of its photographs, that says what it shows.
    by_hand
        Whether the edges marked by hand count.

    Returns
    -------
    The measurement. A file that cannot be read at all comes back as a refused photograph.

    Raises
    ------
    BadInput
        If the user's readings cannot be right.
    """
    hints = photo.hints if by_hand else {}
    setup = inspection.setup(photo)
    given = photo.as_it_is if by_hand else frozenset()
    asked = _asked(photo.view, setup, hints, given)
    if by_hand and (known := inspection.measured.get(photo.sha256)) and known[1] == asked:
        return replace(known[0], photo=photo.name)
    try:
        found = _measured(photo, photo.view, setup, tuple(sorted(hints.items())), given)
    except FitcheckError as error:  # its file is gone; not remembered, it may come back
        return Measurement(photo.name, photo.view, refused=_note(error, photo.name))
    if by_hand and (found.refused is None or found.refused.code != "internal_error"):
        inspection.measured[photo.sha256] = (found, asked)
    return found


def is_measured(inspection: Inspection, photo: PhotoFile) -> bool:
    """Tell whether :func:`measured` will answer at once; raises as that does."""
    known = inspection.measured.get(photo.sha256)
    asked = _asked(photo.view, inspection.setup(photo), photo.hints, photo.as_it_is)
    return known is not None and known[1] == asked


def _asked(view: str, setup: Setup, hints: dict[str, Line], given: frozenset[str]) -> str:
    """What a measurement depends on besides the picture, as a short text."""
    said = json.dumps([__version__, view, setup.to_json(), sorted(hints.items()), sorted(given)])
    return hashlib.sha256(said.encode("utf-8")).hexdigest()[:24]


def outcomes(
    inspection: Inspection, told: Callable[[int, int], object] = lambda *_: None
) -> list[Outcome]:
    """Measure all photographs; ``told`` hears which one of how many is under way."""
    photos = list(inspection.photos.values())
    found = []
    for number, photo in enumerate(photos, start=1):
        if not photo.placed:
            found.append(Outcome(photo, None))
            continue
        if not is_measured(inspection, photo):
            told(number, len(photos))
        found.append(Outcome(photo, measured(inspection, photo)))
    return found


def outcomes_behind_a_bar(inspection: Inspection) -> list[Outcome]:
    """Measure all photographs; a bar shows how far that is while it lasts."""
    bar = st.empty()
    found = outcomes(
        inspection,
        lambda number, of: bar.progress(
            (number - 1) / of, f"Measuring photograph {number} of {of} …"
        ),
    )
    bar.empty()
    return found


def findings_of(inspection: Inspection, found: Sequence[Outcome]) -> Findings:
    """Return all findings; remembered for as long as nothing changes.

    Raises
    ------
    BadInput
        If what was typed is not an inspection: a reading that is no length, say.
    """
    whole, hashes = inspection_of(inspection.document)
    by_hash = {o.photo.sha256: o.measurement for o in found}
    measurements = [by_hash.get(sha256) for sha256 in hashes]
    measurements = [
        None if m is None else replace(m, photo=photo.file)
        for m, photo in zip(measurements, whole.photos, strict=True)
    ]
    state = repr((whole, [None if m is None else m.to_json() for m in measurements]))
    known: tuple[str, Findings] | None = st.session_state.get("findings")
    if known is not None and known[0] == state:
        return known[1]
    made = find(whole, measurements)
    st.session_state["findings"] = (state, made)
    return made


def _identity(photo: PhotoFile) -> tuple[str, str]:
    """What stands for a photograph in the memory: hashing its bytes at every run is slow."""
    return photo.sha256, photo.name


@st.cache_data(max_entries=96, show_spinner=False, hash_funcs={PhotoFile: _identity})
def _measured(
    file: PhotoFile, view: str, setup: Setup, hints: _Hints, given: frozenset[str]
) -> Measurement:
    data = file.data
    with ONE_AT_A_TIME:
        try:
            photo = picture_of(file.sha256, data, file.name)
            return measure_shots([Shot(photo, view, dict(hints), given)], setup)[0]
        except Exception as error:
            note = _note(error, file.name)
            return Measurement(file.name, view, refused=note, inputs=setup.to_json())


def _note(error: Exception, name: str) -> Note:
    """Why a photograph gave nothing; it must not keep the others from being measured."""
    if isinstance(error, FitcheckError):
        return Note(error.code, error.message, error.advice)
    _log.error("measuring %r failed", name, exc_info=error)
    return Note(
        "internal_error",
        "fitcheck met an error of its own in this photograph.",
        "Take another one; the window that fitcheck was started from shows what to report.",
    )


@st.cache_data(max_entries=16, show_spinner=False, hash_funcs={PhotoFile: _identity})
def frame_picture(photo: PhotoFile, frame: PictureFrame) -> bytes:
    """JPEG of the part of a photograph that a frame shows."""
    data = photo.data
    with ONE_AT_A_TIME:
        picture = picture_of(photo.sha256, data, photo.name)
        buffer = io.BytesIO()
        frame.take(picture.pixels).save(buffer, "JPEG", quality=85)
        return buffer.getvalue()


@st.cache_data(max_entries=4, show_spinner=False)
def card_sheet(paper: str) -> bytes:
    """PDF of the sheet of cards on ``"a4"`` or ``"letter"``."""
    return sheet_pdf(paper)


def numbers_file(found: Sequence[Outcome]) -> bytes:
    """JSON as the command line prints it: an object, or a list of them for several photos."""
    objects = [o.measurement.to_json() for o in found if o.measurement is not None]
    text = json.dumps(
        objects[0] if len(objects) == 1 else objects,
        indent=1,
        ensure_ascii=False,
        allow_nan=False,
    )
    return text.encode("utf-8")


def quick_look(photo: PhotoFile) -> str:
    """Say at once, before anything is measured, which cards a photograph shows."""
    try:
        data = photo.data
        with ONE_AT_A_TIME:
            cards = find_cards(picture_of(photo.sha256, data, photo.name).grey)
    except FitcheckError as error:
        return f"{error.message} {error.advice}"
    if not cards:
        return "It has arrived. No card is seen at first sight; looking closer …"
    names = " and ".join(c.card.name for c in cards)
    return f"It has arrived, card {names} is seen. Measuring …"


def edge_lines(measurement: Measurement) -> dict[str, tuple[Point, Point]]:
    """Ends of each measured edge, pixels of the upright photograph."""
    return {edge.edge: edge.pixels for edge in measurement.edges}


def thumbnail(photo: PhotoFile) -> bytes:
    """Small JPEG of a photograph; empty if its file is gone or none."""
    try:
        return _thumbnail(photo)
    except FitcheckError:
        return b""


def overlay(photo: PhotoFile, measurement: Measurement) -> bytes:
    """SVG of a photograph, reduced, with its measured edges over it; empty if its file is gone."""
    try:
        small = _overlaid(photo)
    except FitcheckError:
        return b""
    return overlay_svg(small, measurement).encode("utf-8")


@st.cache_data(max_entries=8, show_spinner=False, hash_funcs={PhotoFile: _identity})
def _overlaid(photo: PhotoFile) -> bytes:
    data = photo.data
    with ONE_AT_A_TIME:
        return preview(picture_of(photo.sha256, data, photo.name), OVERLAY_PX)


@st.cache_data(max_entries=128, show_spinner=False, hash_funcs={PhotoFile: _identity})
def _thumbnail(photo: PhotoFile) -> bytes:
    data = photo.data
    with ONE_AT_A_TIME:
        return preview(picture_of(photo.sha256, data, photo.name), THUMBNAIL_PX)
