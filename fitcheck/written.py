"""From measurements to the written report: judges, draws, and puts it together."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from fitcheck.errors import BadInput
from fitcheck.judgement import judge
from fitcheck.measurement import Measurement
from fitcheck.overlay import annotate, close_ups, to_jpeg
from fitcheck.photo import Photo
from fitcheck.report import ReportEntry, ReportHeader, report_html


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
    return ReportEntry(
        measurement=measurement,
        annotated_jpeg=to_jpeg(annotate(photo.pixels, measurement)),
        close_up_jpegs={
            side: to_jpeg(picture)
            for side, picture in close_ups(photo.pixels, measurement).items()
        },
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
