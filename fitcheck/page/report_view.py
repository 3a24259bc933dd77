"""Step "Report": the written report, the numbers, and the inspection as a file."""

from __future__ import annotations

import hashlib
import json

import streamlit as st

from fitcheck.findings.record import findings_to_json
from fitcheck.page import measuring, words
from fitcheck.page.document import inspection_file
from fitcheck.page.inspection import Inspection, Written
from fitcheck.page.navigation import BOW_STEP, go

FIT_IS_NOT_STRENGTH = words.box(
    "caution",
    "<strong>This is about fit. Fit is no proof of strength.</strong> Do not shoot a bow that has "
    "a crack, lifting glass or a delamination, however well its limbs sit. The maker’s own "
    "limits, local rules and the judgement of a qualified bowyer come first.",
)


def report(inspection: Inspection) -> None:
    """Show the step."""
    words.show(
        "<p>One file for the customer or the drawer: it opens in any browser, prints, and needs "
        "no network.</p>"
    )
    missing = [
        name
        for name, path in (("customer", "/customer"), ("bow", "/bow/name"), ("shop", "/shop"))
        if not inspection.text(path)
    ]
    if missing:
        words.show(f"<p>Not written yet, and left out: {', '.join(missing)}.</p>")
        st.button("Write it in", key="to-bow", on_click=go, args=(BOW_STEP,))
    bar = st.empty()
    found = measuring.outcomes(
        inspection,
        lambda number, of: bar.progress(
            (number - 1) / of, f"Measuring photograph {number} of {of} …"
        ),
    )
    bar.empty()
    if not any(o.measurement is not None for o in found):
        words.show(words.box("say", "There is no photograph yet to report on."))
        return
    written = _written(inspection, found)
    for label, data, name, kind, key in (
        ("Download the report (HTML)", written.page, "fitcheck-report.html", "text/html", "html"),
        (
            "Download the numbers (JSON)",
            written.numbers,
            "fitcheck-measurements.json",
            "application/json",
            "json",
        ),
        (
            "Download the inspection file (JSON)",
            _inspection_file(inspection),
            "inspection.json",
            "application/json",
            "inspection",
        ),
    ):
        st.download_button(
            label,
            data,
            name,
            kind,
            key=f"report-{key}",
            type="primary" if key == "html" else "secondary",
            on_click="ignore",
            width="stretch",
        )
    words.show(FIT_IS_NOT_STRENGTH)


def _inspection_file(inspection: Inspection) -> bytes:
    raw, _ = inspection_file(inspection.document)
    return json.dumps(raw, indent=1, ensure_ascii=False).encode("utf-8")


def _written(inspection: Inspection, found: list[measuring.Outcome]) -> Written:
    """The report's files, written anew when anything that goes into them has changed."""
    findings = measuring.findings_of(inspection, found)
    numbers = measuring.numbers_file(found)
    said = json.dumps(findings_to_json(findings), sort_keys=True) + json.dumps(
        inspection.document, sort_keys=True
    )
    state = hashlib.sha256(numbers + said.encode("utf-8")).hexdigest()
    written = inspection.written
    if written is None or written.state != state:
        with st.spinner("Writing the report …"):
            page = measuring.report_file(inspection, found, findings)
        written = inspection.written = Written(state, page, numbers)
    return written
