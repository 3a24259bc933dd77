"""Every characteristic as a table for a spreadsheet, in English, decimals after a point.

A spreadsheet takes a cell that begins with ``=``, ``+``, ``-``, ``@``, a tab or a line break as
a formula. Text that begins so, after blanks too, gets an apostrophe before it; numbers are
written by us and never as text.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Mapping

from fitcheck.findings.limits import Tolerance
from fitcheck.plain_text import visible_text
from fitcheck.reporting.model import Line, Report
from fitcheck.units import MM_PER_INCH

COLUMNS = (
    "report",
    "revision",
    "bow",
    "limbs",
    "end",
    "limb",
    "side",
    "against",
    "characteristic",
    "value",
    "unit",
    "standard_uncertainty",
    "expanded_uncertainty_95",
    "value_in",
    "expanded_uncertainty_95_in",
    "good_low",
    "good_high",
    "rework_low",
    "rework_high",
    "limit_mark",
    "conformity",
    "rework",
    "verdict",
    "probability_good",
    "probability_rework_free",
    "tool",
    "photos",
    "photo_sha256",
)
FORMULA_SIGNS = frozenset("=+-@＝＋－＠−")
BOM = "\ufeff"  # by it spreadsheets know UTF-8


def report_csv(report: Report) -> str:
    """Return the characteristics as CSV (RFC 4180), one line each, with a header.

    What stops the bow stands before them, with its line of the check list and no value.
    """
    return lines_csv(
        (report.number, report.issue.revision, report.findings.inspection.bow.name),
        report.lines,
        report.findings.limits,
        {page.number: page.sha256 for page in report.photos},
        [(stop.name, stop.end, stop.limb) for stop in report.findings.condition.stops],
    )


def lines_csv(
    report: tuple[str, int, str],
    lines: Iterable[Line],
    limits: Mapping[str, Tolerance],
    hashes: Mapping[int, str],
    stops: Iterable[tuple[str, str | None, str | None]] = (),
) -> str:
    """The same from its parts: the report's number, revision and bow; photographs' SHA-256.

    ``stops`` are the lines of the check list that stop the bow: name, end and limb.
    """
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(COLUMNS)
    for name, end, limb in stops:
        named = {
            "report": report[0],
            "revision": report[1],
            "bow": report[2],
            "limbs": "as received",
            "end": end,
            "limb": limb,
            "characteristic": f"condition {name}",
            "verdict": "do not shoot",
            "tool": "check list",
        }
        cells = [named.get(column) for column in COLUMNS]
        writer.writerow([safe_cell(c) if isinstance(c, str) else c for c in cells])
    for line in lines:
        limit = limits.get(line.limit)
        expanded, metric = line.expanded_uncertainty, line.unit == "mm"
        ends: list[float | str] = [] if limit is None else [*limit.good, *limit.rework]
        row: list[str | float | int | None] = [
            *report,
            line.arrangement,
            line.end,
            line.limb,
            line.side,
            line.against,
            line.name,
            round(line.value, 6),
            line.unit,
            round(line.standard_uncertainty, 6),
            round(expanded, 6),
            round(line.value / MM_PER_INCH, 7) if metric else None,
            round(expanded / MM_PER_INCH, 7) if metric else None,
            *(ends or [""] * 4),
            None if limit is None else "own" if limit.edited else limit.mark,
            line.conformity,
            line.rework,
            line.verdict,
            None if line.p_good is None else round(line.p_good, 6),
            None if line.p_rework_free is None else round(line.p_rework_free, 6),
            line.tool,
            " ".join(str(n) for n in line.photos),
            " ".join(hashes[n] for n in line.photos if hashes.get(n)),
        ]
        writer.writerow([safe_cell(c) if isinstance(c, str) else c for c in row])
    return BOM + out.getvalue()


def safe_cell(text: str) -> str:
    """Return a text that no spreadsheet takes as a formula."""
    shown = visible_text(text)
    start = shown.lstrip()[:1]
    if shown[:1] in ("\t", "\r", "\n") or start in FORMULA_SIGNS:
        return f"'{shown}"
    return shown
