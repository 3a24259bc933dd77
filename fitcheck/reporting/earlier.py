"""A report that was written before, read back from its JSON: what a later one goes on from."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from fitcheck.errors import BadInput
from fitcheck.inspection import ARRANGEMENTS, ENDS, Inspection
from fitcheck.inspection_file import inspection_to_json
from fitcheck.json_fields import parse_json
from fitcheck.reporting.model import Issue, Line, Report

FORMAT = "fitcheck report"
VERSION = 1
MOST_BYTES = 32_000_000
ADVICE = "Give the report.json of a report that this program wrote, or choose another folder."


@dataclass(frozen=True)
class Kept:
    """What of an earlier report counts for a later one.

    Attributes
    ----------
    number, date, stage
        Of the report and its inspection.
    issues
        All of its issues, the last one last.
    use, score
        What the bow was fit for, and its score in words.
    lines
        Every characteristic.
    photos
        SHA-256 of each photograph, to its file name.
    identity
        Reference, the bow's name and its serial number.
    given
        The inspection as its file has it.
    """

    number: str
    date: str
    stage: str
    issues: tuple[Issue, ...]
    use: str
    score: str
    lines: tuple[Line, ...]
    photos: Mapping[str, str]
    identity: tuple[str, str, str]
    given: Mapping[str, Any] = field(default_factory=dict)


def read_report(path: Path) -> Kept:
    """Read an earlier report's JSON.

    Raises
    ------
    BadInput
        ``report_unreadable`` if it cannot be read or is none.
    """
    try:
        if path.stat().st_size > MOST_BYTES:
            raise _refused(path, "it is too large to be one")
        text = path.read_text(encoding="utf-8")
    except OSError as error:
        raise _refused(path, error.strerror or str(error)) from error
    except UnicodeDecodeError as error:
        raise _refused(path, "it is no text in UTF-8") from error
    return kept_from_json(parse_json(text, "the report"), path)


def kept_from_json(raw: Any, path: Path, advice: str = ADVICE) -> Kept:
    """Take what counts from a report's JSON; errors as in :func:`read_report`, with ``advice``."""
    if not isinstance(raw, dict) or raw.get("format") != FORMAT:
        raise _refused(path, "it is no report of this program", advice)
    if raw.get("version") != VERSION:
        raise _refused(path, "it is of another version of the format", advice)
    try:
        if not raw["issues"]:
            raise ValueError("a report has an issue at least")
        return Kept(
            _text(raw["number"]),
            _text(raw["inspection"].get("date", "")) or _text(raw["issues"][-1]["date"]),
            _text(raw["inspection"].get("stage", "")),
            tuple(_issue(one) for one in raw["issues"]),
            _text(raw["findings"]["fit_for"]["use"]),
            _text(raw["score"]),
            tuple(_line(one) for one in raw["characteristics"]),
            {_text(p["sha256"]): _text(p["file"]) for p in raw["photographs"] if p["sha256"]},
            (
                _text(raw["inspection"].get("reference", "")),
                _text(raw["inspection"].get("bow", {}).get("name", "")),
                _text(raw["inspection"].get("bow", {}).get("serial", "")),
            ),
            dict(raw["inspection"]),
        )
    except (KeyError, TypeError, IndexError, AttributeError, ValueError) as error:
        raise _refused(path, "a part of it is missing or of another kind", advice) from error


def kept_of(report: Report) -> Kept:
    """Take from a report what counts for a later one."""
    findings = report.findings
    score = findings.bow_score
    return Kept(
        report.number,
        findings.inspection.date or report.issue.date,
        findings.inspection.stage,
        report.issues,
        findings.fitness.use,
        "" if score is None else score.text,
        report.lines,
        {page.sha256: page.entry.file for page in report.photos if page.sha256},
        identity_of(findings.inspection),
        inspection_to_json(findings.inspection),
    )


def identity_of(inspection: Inspection) -> tuple[str, str, str]:
    """What tells one bow's inspection from another's: reference, name and serial number."""
    return inspection.reference, inspection.bow.name, inspection.bow.serial


def _issue(raw: Mapping[str, Any]) -> Issue:
    changes = tuple(_text(one) for one in raw["changes"])
    if not isinstance(raw["revision"], int) or not raw["digest"]:
        raise ValueError("an issue has a number and a fingerprint")
    return Issue(
        raw["revision"], _text(raw["date"]), _text(raw["program"]), _text(raw["digest"]), changes
    )


def _line(raw: Mapping[str, Any]) -> Line:
    names = {f.name for f in dataclasses.fields(Line)}
    values = {name: value for name, value in raw.items() if name in names}
    values["photos"] = tuple(int(n) for n in values["photos"])
    line = Line(**values)
    if line.arrangement not in ARRANGEMENTS or line.end not in (None, *ENDS):
        raise ValueError("a characteristic lies at no known place")
    numbers = (line.value, line.standard_uncertainty)
    if not all(isinstance(n, int | float) for n in numbers) or line.standard_uncertainty <= 0:
        raise ValueError("a characteristic has a value and an uncertainty")
    if line.unit not in ("mm", "deg"):
        raise ValueError("a characteristic is in mm or degrees")
    return line


def _text(raw: object) -> str:
    if not isinstance(raw, str):
        raise TypeError("text was expected")
    return raw


def _refused(path: Path, why: str, advice: str = ADVICE) -> BadInput:
    return BadInput(
        "report_unreadable", f"The report {path.name} cannot be taken up: {why}.", advice
    )
