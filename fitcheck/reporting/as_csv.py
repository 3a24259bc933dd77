"""Every characteristic as a table for a spreadsheet, in English, decimals after a point.

A spreadsheet takes a cell that begins with ``=``, ``+``, ``-``, ``@``, a tab or a line break as
a formula. Text that begins so, after blanks too, gets an apostrophe before it; numbers are
written by us and never as text.
"""

from __future__ import annotations

import csv
import io

from fitcheck.plain_text import visible_text
from fitcheck.reporting.model import Report
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
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(COLUMNS)
    hashes = {page.number: page.sha256 for page in report.photos}
    for stop in report.findings.condition.stops:
        named = {
            "report": report.number,
            "revision": report.issue.revision,
            "bow": report.findings.inspection.bow.name,
            "limbs": "as received",
            "end": stop.end,
            "limb": stop.limb,
            "characteristic": f"condition {stop.name}",
            "verdict": "do not shoot",
            "tool": "check list",
        }
        cells = [named.get(column) for column in COLUMNS]
        writer.writerow([safe_cell(c) if isinstance(c, str) else c for c in cells])
    for line in report.lines:
        limit = report.findings.limits.get(line.limit)
        expanded, metric = line.expanded_uncertainty, line.unit == "mm"
        ends: list[float | str] = [] if limit is None else [*limit.good, *limit.rework]
        row: list[str | float | int | None] = [
            report.number,
            report.issue.revision,
            report.findings.inspection.bow.name,
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
