"""The report as JSON, after the schema ``report.schema.json`` that ships with the program."""

from __future__ import annotations

import dataclasses
import json
import math
from importlib.resources import files
from typing import Any

from fitcheck.findings.record import findings_to_json
from fitcheck.inspection_file import inspection_to_json
from fitcheck.reporting.blocks import Document
from fitcheck.reporting.earlier import FORMAT, VERSION
from fitcheck.reporting.model import Change, Line, PhotoPage, Report
from fitcheck.reporting.photographs import picture_key

DIGITS = 6


def report_json(report: Report, document: Document) -> dict[str, Any]:
    """Return everything that the report holds, as JSON types; no NaN, no infinity.

    Parameters
    ----------
    report
        The numbers.
    document
        The same in words of a language, in reading order.
    """
    issue, shop, earlier = report.issue, report.shop, report.earlier
    inspection = inspection_to_json(report.findings.inspection)
    for photo in inspection.get("photos", []):
        photo.pop("measurement", None)  # under photographs
    score = report.findings.bow_score
    return {
        "format": FORMAT,
        "version": VERSION,
        "number": report.number,
        "revision": issue.revision,
        "issued": issue.date,
        "program": issue.program,
        "digest": issue.digest,
        "issues": [_plain(one) for one in report.issues],
        "shop": {
            "name": shop.name,
            "address": shop.address,
            "contact": shop.contact,
            "inspector": shop.inspector,
        },
        "inspection": inspection,
        "score": "" if score is None else score.text,
        "characteristics": [_line(line) for line in report.lines],
        "photographs": [_photo(page, report) for page in report.photos],
        "before": None
        if earlier is None
        else {
            "number": earlier.number,
            "date": earlier.date,
            "stage": earlier.stage,
            "use": earlier.use,
            "score": earlier.score,
            "changes": [_change(change) for change in earlier.changes],
        },
        "findings": findings_to_json(report.findings),
        "text": {
            "language": document.language,
            "title": document.title,
            "blocks": [{"block": type(b).__name__.lower(), **_plain(b)} for b in document.blocks],
        },
    }


def schema() -> dict[str, Any]:
    """Return the JSON Schema (2020-12) of a report."""
    source = files("fitcheck").joinpath("reporting/report.schema.json")
    found: dict[str, Any] = json.loads(source.read_text(encoding="utf-8"))
    return found


def _plain(thing: Any) -> Any:
    """Records as JSON types."""
    return json.loads(json.dumps(dataclasses.asdict(thing), allow_nan=False))


def _line(line: Line) -> dict[str, Any]:
    record: dict[str, Any] = _plain(line)
    for name in ("value", "standard_uncertainty", "p_good", "p_rework_free", "seating_range"):
        record[name] = _number(record[name])
    record["expanded_uncertainty"] = _number(line.expanded_uncertainty)
    record["verdict"] = line.verdict
    return record


def _change(change: Change) -> dict[str, Any]:
    return {
        "before": None if change.before is None else _line(change.before),
        "after": None if change.after is None else _line(change.after),
        "difference": _number(change.difference),
        "standard_uncertainty": _number(change.standard_uncertainty),
        "verdict": change.verdict,
    }


def _photo(page: PhotoPage, report: Report) -> dict[str, Any]:
    found = page.measurement
    return {
        "number": page.number,
        "file": page.entry.file,
        "sha256": page.sha256,
        "problem": report.unreadable.get(page.entry.file),
        "pictures": [
            {
                "key": picture_key(page, i),
                "kind": picture.kind,
                "width": picture.width,
                "height": picture.height,
                "scale_bar_20_mm_in_the_plane_of": list(picture.scale_cards),
            }
            for i, picture in enumerate(page.pictures)
        ],
        "measurement": None if found is None else found.to_json(),
    }


def _number(value: float | None) -> float | None:
    if value is None:
        return None
    if not math.isfinite(value):
        raise ValueError(f"a report holds a number that is not finite: {value}")
    rounded = round(float(value), DIGITS)
    return 0.0 if rounded == 0 else rounded  # no minus zero
