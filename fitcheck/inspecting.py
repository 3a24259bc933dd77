"""A whole inspection: from the file and its photographs to findings, record and report."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from fitcheck.errors import BadInput
from fitcheck.findings.record import findings_to_json
from fitcheck.findings.same_photo import count_once
from fitcheck.findings.whole import Findings, find
from fitcheck.inspection import Inspection
from fitcheck.inspection_file import read_inspection
from fitcheck.measurement import Measurement, note_of
from fitcheck.photo import Photo, load_photo
from fitcheck.pipeline import Shot, measure_shots
from fitcheck.plain_text import visible_text
from fitcheck.reporting.build import build_report
from fitcheck.reporting.earlier import Kept, kept_of, read_report
from fitcheck.reporting.language import Language
from fitcheck.reporting.model import Report
from fitcheck.reporting.written_report import JSON, Wishes, write_forms

FINDINGS_FILE, MEASUREMENTS_FILE = "findings.json", "measurements.json"


@dataclass(frozen=True)
class Inspected:
    """What an inspection came to, and where it was written.

    Attributes
    ----------
    report
        With all findings.
    files
        Findings, measurements and the report in every form.
    unreadable
        Files of photographs that could not be read.
    refused
        Files of photographs that were read and could not be measured.
    """

    report: Report
    files: tuple[Path, ...]
    unreadable: tuple[str, ...]
    refused: tuple[str, ...]

    @property
    def findings(self) -> Findings:
        """All findings."""
        return self.report.findings


def inspect(
    path: Path,
    out: Path,
    told: Callable[[str], None] = lambda _: None,
    wishes: Wishes | None = None,
    before: Path | None = None,
    progress: Callable[[float], None] = lambda _: None,
) -> Inspected:
    """Do a whole inspection.

    Parameters
    ----------
    path
        Inspection file, or the folder that holds ``inspection.json``; photographs lie in the
        same folder or below it.
    out
        Folder for findings, measurements and report; made if needed. A report of the same
        inspection that is there already is reissued: its number goes on.
    told
        Is told what is being done.
    wishes
        How the report is wanted.
    before
        An earlier inspection of the same bow: its folder or file, or its ``report.json``.
    progress
        As for :func:`fitcheck.pipeline.measure_shots`.

    Returns
    -------
    The report and the files.

    Raises
    ------
    BadInput
        If the inspection cannot be read or nothing can be written. A photograph that cannot be
        read or measured does not keep the others from it; it is named in the findings.
    """
    wishes = wishes or Wishes()
    words = Language(wishes.language, wishes.units)  # refused before anything is measured
    inspection = read_inspection(path)
    last = read_report(out / JSON) if (out / JSON).is_file() else None
    earlier = None if before is None else _earlier(before, told)
    folder = path if path.is_dir() else path.parent
    photos, problems = load_photos(inspection, folder)
    told(f"Measuring {len(photos)} photographs.")
    measurements = measure_inspection(inspection, photos, problems, progress)
    findings = find(inspection, measurements)
    report = build_report(
        findings,
        photos,
        shop=wishes.shop,
        number=wishes.number,
        last=last,
        before=earlier or wishes.before,
        unreadable=problems,
        say=words.picture_words,
    )
    files = {i + 1: _bytes(folder / inspection.photos[i].file) for i in photos}
    written = write_inspected(out, report, wishes, files)
    return Inspected(
        report,
        written,
        tuple(inspection.photos[i].file for i in problems),
        tuple(
            entry.file
            for i, (entry, found) in enumerate(zip(inspection.photos, measurements, strict=True))
            if found is not None and found.refused is not None and i not in problems
        ),
    )


def _earlier(path: Path, told: Callable[[str], None]) -> Kept:
    """What an earlier inspection came to: from its report, or measured from its photographs."""
    if path.is_file() and path.name == JSON:
        return read_report(path)
    inspection = read_inspection(path)
    photos, problems = load_photos(inspection, path if path.is_dir() else path.parent)
    told(f"Measuring {len(photos)} photographs of the earlier inspection.")
    findings = find(inspection, measure_inspection(inspection, photos, problems))
    report = build_report(findings, {}, number=inspection.reference)
    return kept_of(report)


def _bytes(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError as error:
        raise BadInput(
            "photo_changed",
            f"The photograph {path.name} cannot be read any more: {error.strerror or error}.",
            "Inspect once more.",
        ) from error


def load_photos(
    inspection: Inspection, folder: Path
) -> tuple[dict[int, Photo], dict[int, BadInput]]:
    """Load the photographs of an inspection.

    Returns
    -------
    Photographs by their place in the inspection, and what was wrong with those that could not
    be read. One that was measured before and has no file here is neither.
    """
    photos: dict[int, Photo] = {}
    problems: dict[int, BadInput] = {}
    root = folder.resolve()
    for i, entry in enumerate(inspection.photos):
        file = folder / entry.file
        if entry.measurement is not None and not (entry.file and file.is_file()):
            continue
        try:
            if not file.resolve().is_relative_to(root):  # a link that leads out
                raise BadInput(
                    "outside_folder",
                    f"The photograph {entry.file} lies outside the inspection’s folder.",
                    "Copy it into the folder.",
                )
            photos[i] = load_photo(file)
        except BadInput as error:
            problems[i] = _as_named(error, file, entry.file)
    return photos, problems


def _as_named(error: BadInput, file: Path, name: str) -> BadInput:
    """The same error with the photograph's name as in the inspection: a report is given away."""
    if error.code == "file_missing":
        return BadInput(error.code, f"There is no file {visible_text(name)}.", error.advice)
    return BadInput(error.code, error.message.replace(str(file), name), error.advice)


def measure_inspection(
    inspection: Inspection,
    photos: dict[int, Photo],
    problems: dict[int, BadInput],
    progress: Callable[[float], None] = lambda _: None,
) -> list[Measurement | None]:
    """Measure the photographs of an inspection that were not measured before.

    Photographs of one phone are solved together: one lens for all. Those with a face step of
    their own are solved apart. ``progress`` is that of
    :func:`fitcheck.pipeline.measure_shots`.

    Returns
    -------
    One measurement per photograph, in order; one that cannot be read is a refused one. What is
    the same photograph as another is measured and not counted, with a warning.
    """
    results: list[Measurement | None] = [entry.measurement for entry in inspection.photos]
    for i, error in problems.items():
        if results[i] is None:
            entry = inspection.photos[i]
            results[i] = Measurement(entry.file, entry.view, refused=note_of(error))
    by_step: dict[float | None, list[int]] = {}
    for i in photos:
        if results[i] is None:
            step = inspection.photos[i].face_step
            by_step.setdefault(None if step is None else step.value, []).append(i)
    for members in by_step.values():
        entries = [inspection.photos[i] for i in members]
        shots = [
            Shot(photos[i], entry.view, entry.hints, frozenset(entry.as_given))
            for i, entry in zip(members, entries, strict=True)
        ]
        setup = inspection.setup(entries[0])
        measured = measure_shots(shots, setup, together=True, progress=progress)
        for i, found in zip(members, measured, strict=True):
            results[i] = found
    contents = {i: photo.sha256 for i, photo in photos.items()}
    return count_once(inspection.photos, results, contents)


def write_inspected(
    out: Path, report: Report, wishes: Wishes, photographs: dict[int, bytes]
) -> tuple[Path, ...]:
    """Write findings, measurements and the report in every form into a folder.

    Parameters
    ----------
    out
        The folder; made if needed.
    report, wishes
        What is written, and how.
    photographs
        Files of the photographs by their numbers from 1, for the zip.

    Raises
    ------
    BadInput
        ``findings_not_written`` or ``report_not_written``.
    """
    forms = write_forms(report, wishes, photographs)
    measurements = [None if m is None else m.to_json() for m in report.findings.measurements]
    files = [
        _write_json(out / FINDINGS_FILE, findings_to_json(report.findings)),
        _write_json(out / MEASUREMENTS_FILE, measurements),
    ]
    for name, data in forms.items():
        try:
            (out / name).write_bytes(data)
        except OSError as error:
            raise BadInput(
                "report_not_written",
                f"The report could not be written to {out / name}: {error.strerror or error}.",
                "Choose a folder that you may write to.",
            ) from error
        files.append(out / name)
    return tuple(files)


def _write_json(path: Path, thing: Any) -> Path:
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(json.dumps(thing, indent=1, allow_nan=False), encoding="utf-8")
    except OSError as error:
        raise BadInput(
            "findings_not_written",
            f"The findings could not be written to {path}: {error.strerror or error}.",
            "Choose a folder that you may write to.",
        ) from error
    return path
