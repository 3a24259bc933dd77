"""A whole inspection: from the file and its photographs to findings, record and report."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from fitcheck.errors import BadInput
from fitcheck.findings.record import findings_to_json
from fitcheck.findings.whole import Findings, find
from fitcheck.findings.words import sentence
from fitcheck.inspection import Inspection, PhotoEntry
from fitcheck.inspection_file import read_inspection
from fitcheck.measurement import Measurement, Note
from fitcheck.photo import Photo, load_photo
from fitcheck.pipeline import Shot, measure_shots
from fitcheck.report import ReportEntry, ReportHeader
from fitcheck.written import report_entry, write_report

FINDINGS_FILE, MEASUREMENTS_FILE, REPORT_FILE = "findings.json", "measurements.json", "report.html"


@dataclass(frozen=True)
class Inspected:
    """What an inspection came to, and where it was written.

    Attributes
    ----------
    findings
        All of them.
    files
        Findings, measurements and report.
    unreadable
        Files of photographs that could not be read.
    refused
        Files of photographs that were read and could not be measured.
    """

    findings: Findings
    files: tuple[Path, ...]
    unreadable: tuple[str, ...]
    refused: tuple[str, ...]


def inspect(path: Path, out: Path, told: Callable[[str], None] = lambda _: None) -> Inspected:
    """Do a whole inspection.

    Parameters
    ----------
    path
        Inspection file, or the folder that holds ``inspection.json``; photographs lie in the
        same folder or below it.
    out
        Folder for ``findings.json``, ``measurements.json`` and ``report.html``; made if needed.
    told
        Is told what is being done.

    Returns
    -------
    The findings and the files.

    Raises
    ------
    BadInput
        If the inspection cannot be read or nothing can be written. A photograph that cannot be
        read or measured does not keep the others from it; it is named in the findings.
    """
    inspection = read_inspection(path)
    folder = path if path.is_dir() else path.parent
    photos, problems = load_photos(inspection, folder)
    told(f"Measuring {len(photos)} photographs.")
    measurements = measure_inspection(inspection, photos, problems)
    findings = find(inspection, measurements)
    entries = [
        _entry(entry, photos[i], found)
        for i, (entry, found) in enumerate(zip(inspection.photos, measurements, strict=True))
        if i in photos and found is not None
    ]
    files = write_findings(out, findings, entries)
    return Inspected(
        findings,
        files,
        tuple(inspection.photos[i].file for i in problems),
        tuple(
            entry.file
            for i, (entry, found) in enumerate(zip(inspection.photos, measurements, strict=True))
            if found is not None and found.refused is not None and i not in problems
        ),
    )


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
            problems[i] = error
    return photos, problems


def measure_inspection(
    inspection: Inspection, photos: dict[int, Photo], problems: dict[int, BadInput]
) -> list[Measurement | None]:
    """Measure the photographs of an inspection that were not measured before.

    Photographs of one phone are solved together: one lens for all. Those with a face step of
    their own are solved apart.

    Returns
    -------
    One measurement per photograph, in order; one that cannot be read is a refused one.
    """
    results: list[Measurement | None] = [entry.measurement for entry in inspection.photos]
    for i, error in problems.items():
        if results[i] is None:
            note = Note(error.code, error.message, error.advice)
            results[i] = Measurement(
                inspection.photos[i].file, inspection.photos[i].view, refused=note
            )
    by_step: dict[float | None, list[int]] = {}
    for i in photos:
        if results[i] is None:
            step = inspection.photos[i].face_step
            by_step.setdefault(None if step is None else step.value, []).append(i)
    for members in by_step.values():
        entries = [inspection.photos[i] for i in members]
        shots = [
            Shot(photos[i], entry.view, entry.hints)
            for i, entry in zip(members, entries, strict=True)
        ]
        measured = measure_shots(shots, inspection.setup(entries[0]), together=True)
        for i, found in zip(members, measured, strict=True):
            results[i] = found
    return results


def _entry(entry: PhotoEntry, photo: Photo, found: Measurement) -> ReportEntry:
    return report_entry(photo, found, title_of(entry))


def title_of(entry: PhotoEntry) -> str:
    """Say what a photograph shows, as a title: ``Upper end, limb A: seat``."""
    where = [f"{entry.end} end"] if entry.end else []
    if entry.limb:
        where.append(f"limb {entry.limb}")
    what = entry.view
    if entry.view == "sight":
        what = f"sight from the {entry.near_card_on}"
        if entry.cards_exchanged:
            what = f"{what}, cards exchanged"
    if entry.side:
        what = f"{what}, {entry.side} side"
    again = f", seating {entry.seating}" if entry.seating > 1 else ""
    return f"{sentence(', '.join(where))}: {what}{again}"


def header_of(inspection: Inspection) -> ReportHeader:
    """Return the report's header from the inspection."""
    bow = ", ".join(
        part for part in (inspection.bow.name, inspection.bow.maker, inspection.bow.serial) if part
    )
    note = "\n".join(part for part in (inspection.complaint, inspection.note) if part)
    return ReportHeader(bow, inspection.customer, inspection.shop, inspection.reference, note)


def write_findings(out: Path, findings: Findings, entries: list[ReportEntry]) -> tuple[Path, ...]:
    """Write findings, measurements and report into a folder.

    Raises
    ------
    BadInput
        ``findings_not_written`` or ``report_not_written``.
    """
    measurements = [None if m is None else m.to_json() for m in findings.measurements]
    files = (
        _write_json(out / FINDINGS_FILE, findings_to_json(findings)),
        _write_json(out / MEASUREMENTS_FILE, measurements),
    )
    report = write_report(
        out / REPORT_FILE, entries, header_of(findings.inspection), findings=findings
    )
    return (*files, report)


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
