"""One report from findings, photographs, shop and what went before it."""

from __future__ import annotations

import datetime
import hashlib
import json
from collections.abc import Callable, Iterable, Mapping
from concurrent.futures import ThreadPoolExecutor

from fitcheck.errors import BadInput
from fitcheck.findings.record import findings_to_json
from fitcheck.findings.whole import Findings
from fitcheck.inspection_file import inspection_to_json
from fitcheck.photo import Photo
from fitcheck.reporting.comparison import before_and_after, what_changed
from fitcheck.reporting.earlier import Kept, identity_of
from fitcheck.reporting.lines import lines_of
from fitcheck.reporting.model import Issue, PhotoPage, Report
from fitcheck.reporting.pictures import pictures_of
from fitcheck.reporting.program import program
from fitcheck.reporting.shop import Shop

DRAWERS = 2  # pictures drawn at a time
LONGEST_NUMBER = 60


def build_report(
    findings: Findings,
    photos: Mapping[int, Photo],
    *,
    shop: Shop | None = None,
    issued: datetime.date | None = None,
    number: str = "",
    last: Kept | None = None,
    before: Kept | None = None,
    unreadable: Mapping[int, BadInput] | None = None,
    say: Callable[[str], str] = str,
) -> Report:
    """Put a report together.

    Parameters
    ----------
    findings
        Of the whole inspection.
    photos
        Photographs by their place in the inspection, from 0; those measured before may lack.
    shop
        Who writes it.
    issued
        Date of the issue; today if None.
    number
        Of the report; that of ``last``, or one made from the inspection, if empty.
    last
        The report that this one takes the place of: its number goes on, and what changed is
        said. With nothing changed the revision stays.
    before
        The report of an earlier inspection of the same bow, to stand beside this one.
    unreadable
        Photographs that could not be read, by their place.
    say
        Puts the words on the pictures into the report's language.

    Raises
    ------
    BadInput
        ``report_number`` if a number is given that is not that of ``last``, or is too long;
        ``another_report`` if ``last`` is of another inspection.
    """
    lines = lines_of(findings)
    pages = _pages(findings, photos, say)
    digest = _digest(findings, pages)
    if last is not None:
        _check_same_bow(last, findings, pages)
    day = (issued or datetime.date.today()).isoformat()
    number = number.strip() or (last.number if last is not None else _number(findings, digest))
    if len(number) > LONGEST_NUMBER:
        raise BadInput(
            "report_number",
            f"The report’s number has {len(number)} letters.",
            f"Give one of up to {LONGEST_NUMBER}.",
        )
    if last is not None and last.number != number:
        raise BadInput(
            "report_number",
            f"The folder holds report {last.number[:60]}, and this one is to be {number}.",
            "Choose another folder, or leave the number out.",
        )
    this = Issue(1, day, program(), digest)
    issues: tuple[Issue, ...] = (this,)
    if last is not None:
        if last.issues[-1].digest == digest:
            issues = last.issues
        else:
            changes = what_changed(last, lines, findings, pages)
            this = Issue(last.issues[-1].revision + 1, day, this.program, digest, changes)
            issues = (*last.issues, this)
    problems = {findings.inspection.photos[i].file: e for i, e in (unreadable or {}).items()}
    return Report(
        number,
        issues,
        shop or Shop(),
        findings,
        lines,
        pages,
        None if before is None else before_and_after(before, lines),
        {file: str(error) for file, error in problems.items()},
        frozenset(file for file, error in problems.items() if error.code == "file_missing"),
    )


def _pages(
    findings: Findings, photos: Mapping[int, Photo], say: Callable[[str], str]
) -> tuple[PhotoPage, ...]:
    entries = findings.inspection.photos

    def page(i: int) -> PhotoPage:
        photo, found = photos.get(i), findings.measurements[i]
        if photo is None:
            return PhotoPage(i + 1, entries[i], found, "")
        return PhotoPage(i + 1, entries[i], found, photo.sha256, pictures_of(photo, found, say))

    with ThreadPoolExecutor(DRAWERS) as pool:
        return tuple(pool.map(page, range(len(entries))))


def _digest(findings: Findings, pages: Iterable[PhotoPage]) -> str:
    """Fingerprint of what a report says, without its date, its program and its language."""
    record = findings_to_json(findings)
    record.pop("fitcheck")
    inspection = inspection_to_json(findings.inspection)
    for photo in inspection.get("photos", []):
        photo.pop("measurement", None)  # its numbers are in the findings
    content = [record, inspection, [page.sha256 for page in pages]]
    text = json.dumps(content, sort_keys=True, ensure_ascii=True, allow_nan=False)
    return hashlib.sha256(text.encode("ascii")).hexdigest()


def _check_same_bow(last: Kept, findings: Findings, pages: Iterable[PhotoPage]) -> None:
    """A report only takes the place of one of the same inspection."""
    if any(page.sha256 in last.photos for page in pages if page.sha256):
        return
    if last.identity != identity_of(findings.inspection):
        raise BadInput(
            "another_report",
            f"The folder holds report {last.number[:60]}, which is of another inspection.",
            "Choose another folder, so that neither takes the other’s place.",
        )


def _number(findings: Findings, digest: str) -> str:
    """A number for a report that nobody numbered: reference or date, and a fingerprint."""
    inspection = findings.inspection
    start = inspection.reference.strip()[:40] or inspection.date or "report"
    return f"{start}-{digest[:6]}"
