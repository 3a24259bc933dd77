"""From measurements to the written report: judges, draws, and puts it together."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from fitcheck.errors import BadInput
from fitcheck.judgement import judge
from fitcheck.measurement import Measurement
from fitcheck.overlay import annotate, close_ups, to_jpeg
from fitcheck.overlay_seam import seam_close_ups
from fitcheck.photo import Photo
from fitcheck.report import ReportEntry, ReportHeader, report_html
from fitcheck.reporting.pictures import whole_picture

CROPPED = frozenset({"seat", "pad"})  # drawn near their edges; others whole, with their cards
WHOLE_SIDE_PX = 2000


def report_entry(photo: Photo, measurement: Measurement, title: str = "") -> ReportEntry:
    """Judge one measurement and draw its pictures.

    Parameters
    ----------
    photo
        The photograph that was measured.
    measurement
        What it gave; a refused one makes an entry without decisions.
    title
        How the seat is called, for instance "Upper limb".

    Returns
    -------
    The entry for :func:`fitcheck.report.report_html`.
    """
    drawn = annotate(photo.pixels, measurement)
    if measurement.refused is None and measurement.view not in CROPPED:
        drawn, _ = whole_picture(photo.pixels, measurement, side_px=WHOLE_SIDE_PX)
    close = close_ups(photo.pixels, measurement) | seam_close_ups(photo.pixels, measurement)
    return ReportEntry(
        measurement=measurement,
        annotated_jpeg=to_jpeg(drawn),
        close_up_jpegs={place: to_jpeg(picture) for place, picture in close.items()},
        decisions=judge(measurement),
        photo_sha256=photo.sha256,
        title=title,
    )


def write_report(
    path: Path,
    entries: Sequence[ReportEntry],
    header: ReportHeader | None = None,
) -> Path:
    """Write the report as one HTML file; folders on the way are made.

    Raises
    ------
    BadInput
        ``report_not_written`` if the file cannot be written.
    """
    text = report_html(entries, header or ReportHeader())
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8")
    except OSError as error:
        raise BadInput(
            "report_not_written",
            f"The report could not be written to {path}: {error.strerror or error}.",
            "Choose a folder that you may write to.",
        ) from error
    return path
