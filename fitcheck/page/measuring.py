"""Asks the package for measurements and pictures, and remembers the answers."""

from __future__ import annotations

import hashlib
import json
import logging
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache

import streamlit as st

from fitcheck import __version__
from fitcheck.card_sheet import sheet_pdf
from fitcheck.errors import FitcheckError
from fitcheck.findings.whole import Findings, find
from fitcheck.measurement import INTERNAL_ERROR, Measurement, Note, Point, note_of
from fitcheck.page.background import MEASUREMENTS, Job, Progress
from fitcheck.page.document import inspection_of
from fitcheck.page.inspection import Inspection, Line, PhotoFile
from fitcheck.page.picture_frame import PictureFrame
from fitcheck.page.pictures import frame_jpeg, picture_of
from fitcheck.photo import Photo
from fitcheck.pipeline import Shot, measure_shots

_log = logging.getLogger("fitcheck.page")


@dataclass(frozen=True)
class Outcome:
    """One photograph and what it gave; None while it does not say what it shows."""

    photo: PhotoFile
    measurement: Measurement | None


def measured(
    inspection: Inspection,
    photo: PhotoFile,
    by_hand: bool = True,
    told: Progress = lambda _: None,
) -> Measurement:
    """Measure a photograph as the inspection says; at once if it was measured so before.

    Parameters
    ----------
    inspection
        Gives the readings.
    photo
        One of its photographs, that says what it shows.
    by_hand
        Whether the edges marked by hand count.
    told
        Hears, while one waits, the share that is done; what it raises ends only the waiting.

    Returns
    -------
    The measurement. A file that cannot be read at all comes back as a refused photograph.

    Raises
    ------
    BadInput
        If the user's readings cannot be right.
    """
    asked = _asked(inspection, photo, by_hand)
    if by_hand and (known := inspection.measured.get(photo.sha256)) and known[1] == asked:
        return replace(known[0], photo=photo.name)
    job = _job(inspection, photo, by_hand, asked, wanted=True)
    try:
        found = job.result(told)
    except FitcheckError as error:  # its file is gone; not remembered, it may come back
        MEASUREMENTS.forget((photo.sha256, asked))
        return Measurement(photo.name, photo.view, refused=_note(error, photo.name))
    if by_hand and found.refused != INTERNAL_ERROR:
        inspection.measured[photo.sha256] = (found, asked)
    return replace(found, photo=photo.name)


def begin_measuring(inspection: Inspection, photo: PhotoFile) -> None:
    """Have a photograph measured in the background, so that it is done when it is asked for."""
    if photo.placed and not is_measured(inspection, photo):
        asked = _asked(inspection, photo, by_hand=True)
        _job(inspection, photo, by_hand=True, asked=asked, wanted=False)


def take_as_measured(inspection: Inspection, photo: PhotoFile, measurement: Measurement) -> None:
    """Take over what a photograph gave when it was measured elsewhere by this same program."""
    inspection.measured[photo.sha256] = (measurement, _asked(inspection, photo, by_hand=True))


def is_measured(inspection: Inspection, photo: PhotoFile) -> bool:
    """Tell whether :func:`measured` will answer at once; raises as that does."""
    known = inspection.measured.get(photo.sha256)
    return known is not None and known[1] == _asked(inspection, photo, by_hand=True)


def _job(inspection: Inspection, photo: PhotoFile, by_hand: bool, asked: str, wanted: bool) -> Job:
    hints, given = _marked(photo, by_hand)
    setup = inspection.setup(photo)

    def work(told: Progress) -> Measurement:
        # A file that is gone is the caller's to tell; it may come back.
        picture = _picture_or_note(photo)
        if isinstance(picture, Note):
            return Measurement(photo.name, photo.view, refused=picture, inputs=setup.to_json())
        try:
            shot = Shot(picture, photo.view, hints, given)
            return measure_shots([shot], setup, progress=told)[0]
        except Exception as error:
            note = _note(error, photo.name)
            return Measurement(photo.name, photo.view, refused=note, inputs=setup.to_json())

    return MEASUREMENTS.job((photo.sha256, asked), work, wanted)


def _marked(photo: PhotoFile, by_hand: bool) -> tuple[Mapping[str, Line], frozenset[str]]:
    """Lines set by hand, and which of them are taken as they lie, as far as they count."""
    return (photo.hints, photo.as_given) if by_hand else ({}, frozenset())


def _picture_or_note(photo: PhotoFile) -> Photo | Note:
    data = photo.data
    try:
        return picture_of(photo.sha256, lambda: data, photo.name)
    except Exception as error:
        return _note(error, photo.name)


def _asked(inspection: Inspection, photo: PhotoFile, by_hand: bool) -> str:
    """What a measurement depends on besides the picture, as a short text."""
    setup = inspection.setup(photo)
    hints, given = _marked(photo, by_hand)
    asked = [__version__, photo.view, setup.to_json(), sorted(hints.items()), sorted(given)]
    return hashlib.sha256(json.dumps(asked).encode("utf-8")).hexdigest()[:24]


def outcomes(
    inspection: Inspection, told: Callable[[int, int, float], object] = lambda *_: None
) -> list[Outcome]:
    """Measure all photographs.

    ``told`` hears which one of how many is under way, and its share that is done.
    """
    photos = list(inspection.photos.values())
    found = []
    for number, photo in enumerate(photos, start=1):
        if not photo.placed:
            found.append(Outcome(photo, None))
            continue
        if not is_measured(inspection, photo):
            told(number, len(photos), 0.0)
        measurement = measured(inspection, photo, told=_of(told, number, len(photos)))
        found.append(Outcome(photo, measurement))
    return found


def _of(told: Callable[[int, int, float], object], number: int, of: int) -> Progress:
    def passed_on(share: float) -> None:
        told(number, of, share)

    return passed_on


def outcomes_behind_a_bar(inspection: Inspection) -> list[Outcome]:
    """Measure all photographs; a bar shows how far that is while it lasts."""
    bar = st.empty()
    found = outcomes(
        inspection,
        lambda number, of, share: bar.progress(
            (number - 1 + share) / of, f"Measuring photograph {number} of {of} …"
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


def _note(error: Exception, name: str) -> Note:
    """Why a photograph gave nothing; it must not keep the others from being measured."""
    if not isinstance(error, FitcheckError):
        _log.error("measuring %r failed", name, exc_info=error)
    return note_of(error)


def frame_picture(photo: PhotoFile, frame: PictureFrame) -> bytes:
    """JPEG of the part of a photograph that a frame shows."""
    return frame_jpeg(picture_of(photo.sha256, photo.read, photo.name), frame)


@cache
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


def edge_lines(measurement: Measurement) -> dict[str, tuple[Point, Point]]:
    """Ends of each measured edge, pixels of the upright photograph."""
    return {edge.edge: edge.pixels for edge in measurement.edges}


def how_far(share: float) -> str:
    """Say what is being done of a measurement, by the share that is done."""
    return "The cards are found; measuring …" if share >= 0.5 else "Looking for the cards …"
