"""Asks the package for measurements and pictures, and remembers the answers."""

from __future__ import annotations

import io
import json
import logging
import threading
from collections.abc import Sequence
from dataclasses import dataclass, replace

import streamlit as st
from PIL import Image

from fitcheck.card_sheet import sheet_pdf
from fitcheck.errors import FitcheckError
from fitcheck.measurement import Measurement, Note, Point
from fitcheck.page.inspection import Inspection, Line, PhotoFile
from fitcheck.page.picture_frame import PictureFrame
from fitcheck.photo import read_photo
from fitcheck.pipeline import measure_photo
from fitcheck.report import ReportEntry, report_html
from fitcheck.setup import Setup
from fitcheck.written import report_entry

VIEW = "seat"
THUMBNAIL_PX = 240

# A measurement takes a second and a few hundred megabytes: one at a time for everybody.
_ONE_AT_A_TIME = threading.Lock()

_log = logging.getLogger("fitcheck.page")

_Hints = tuple[tuple[str, Line], ...]


@dataclass(frozen=True, eq=False)
class Result:
    """One photograph, measured or refused, with its pictures."""

    entry: ReportEntry
    thumbnail_jpeg: bytes

    @property
    def measurement(self) -> Measurement:
        """What the photograph gave."""
        return self.entry.measurement


def result_of(inspection: Inspection, photo: PhotoFile, by_hand: bool = True) -> Result:
    """Measure a photograph as the inspection says.

    Parameters
    ----------
    inspection
        Gives the readings, the edges marked by hand and the title.
    photo
        One of its photographs.
    by_hand
        Whether the edges marked by hand count.

    Returns
    -------
    The result. A file that cannot be read at all comes back as a refused photograph.

    Raises
    ------
    BadInput
        If the user's readings cannot be right.
    """
    hints = inspection.hints.get(photo.sha256, {}) if by_hand else {}
    setup = inspection.setup_of(photo)
    try:
        result = _measured(photo, setup, tuple(sorted(hints.items())))
    except FitcheckError as error:  # its file is gone; not remembered, it may come back
        result = _refused(photo, setup, error)
    if by_hand:
        inspection.measured[photo.sha256] = result.measurement
    title = inspection.titles.get(photo.sha256, "")
    return Result(replace(result.entry, title=title), result.thumbnail_jpeg)


def _identity(photo: PhotoFile) -> tuple[str, str]:
    """What stands for a photograph in the memory: hashing its bytes at every run is slow."""
    return photo.sha256, photo.name


@st.cache_data(max_entries=48, show_spinner=False, hash_funcs={PhotoFile: _identity})
def _measured(file: PhotoFile, setup: Setup, hints: _Hints) -> Result:
    data = file.data
    with _ONE_AT_A_TIME:
        try:
            photo = read_photo(data, file.name)
            measurement = measure_photo(photo, VIEW, setup, dict(hints))
        except Exception as error:
            return _refused(file, setup, error)
        small = Image.fromarray(photo.pixels)
        small.thumbnail((THUMBNAIL_PX, THUMBNAIL_PX), Image.Resampling.LANCZOS)
        return Result(report_entry(photo, measurement), _jpeg(small, 80))


def _refused(file: PhotoFile, setup: Setup, error: Exception) -> Result:
    note = _note(error, file.name)
    refused = Measurement(file.name, VIEW, refused=note, inputs=setup.to_json())
    return Result(ReportEntry(refused, b"", {}, (), file.sha256), b"")


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
    with _ONE_AT_A_TIME:
        return _jpeg(frame.take(read_photo(photo.data, photo.name).pixels), 85)


@st.cache_data(max_entries=4, show_spinner=False)
def card_sheet(paper: str) -> bytes:
    """PDF of the sheet of cards on ``"a4"`` or ``"letter"``."""
    return sheet_pdf(paper)


def report_file(inspection: Inspection, results: Sequence[Result]) -> bytes:
    """Write the report of all photographs as one HTML file."""
    entries = [result.entry for result in results]
    return report_html(entries, inspection.header).encode("utf-8")


def numbers_file(results: Sequence[Result]) -> bytes:
    """JSON as the command line prints it: an object, or a list of them for several photos."""
    objects = [result.measurement.to_json() for result in results]
    text = json.dumps(
        objects if len(objects) > 1 else objects[0],
        indent=1,
        ensure_ascii=False,
        allow_nan=False,
    )
    return text.encode("utf-8")


def edge_lines(measurement: Measurement) -> dict[str, tuple[Point, Point]]:
    """Ends of each measured edge, pixels of the upright photograph."""
    return {edge.edge: edge.pixels for edge in measurement.edges}


def _jpeg(picture: Image.Image, quality: int) -> bytes:
    buffer = io.BytesIO()
    picture.save(buffer, "JPEG", quality=quality)
    return buffer.getvalue()
