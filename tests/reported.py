"""The inspection report as HTML, for tests that look at what findings say."""

from __future__ import annotations

from fitcheck.findings.whole import Findings
from fitcheck.reporting.as_html import report_html
from fitcheck.reporting.build import build_report
from fitcheck.reporting.document import document_of


def findings_html(findings: Findings) -> str:
    """Return the whole report on some findings, without pictures."""
    return report_html(document_of(build_report(findings, {})), {})
