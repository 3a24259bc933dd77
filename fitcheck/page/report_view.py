"""Step "Report": the written report, the numbers, and the inspection as a file."""

from __future__ import annotations

import hashlib
import json

import streamlit as st

from fitcheck.findings.record import findings_to_json
from fitcheck.page import measuring, words
from fitcheck.page.document import inspection_file, inspection_of
from fitcheck.page.inspection import Inspection, Written
from fitcheck.page.navigation import BOW_STEP, go
from fitcheck.page.report_files import report_forms
from fitcheck.page.shop_view import shop_details
from fitcheck.page.units_shown import unit
from fitcheck.reporting.amounts import Units
from fitcheck.reporting.language import LANGUAGES
from fitcheck.reporting.shop import Shop
from fitcheck.reporting.written_report import CSV, HTML, PDF, ZIP

LANGUAGE_NAMES = {"en": "English", "de": "Deutsch"}

FIT_IS_NOT_STRENGTH = words.box(
    "caution",
    "<strong>This is about fit. Fit is no proof of strength.</strong> Do not shoot a bow that has "
    "a crack, lifting glass or a delamination, however well its limbs sit. The maker’s own "
    "limits, local rules and the judgement of a qualified bowyer come first.",
)


def report(inspection: Inspection) -> None:
    """Show the step."""
    words.show(
        "<p>For the customer and for the drawer: the first page says in plain words what was "
        "found, the rest holds every number, photograph and step. The zip holds the photographs "
        "too, so that <code>fitcheck verify</code> can measure them again.</p>"
    )
    shop = shop_details()
    missing = [
        name
        for name, path in (("customer", "/customer"), ("bow", "/bow/name"), ("shop", "/shop"))
        if not (inspection.text(path) or (name == "shop" and shop.name))
    ]
    if missing:
        words.show(f"<p>Not written yet, and left out: {', '.join(missing)}.</p>")
        st.button("Write it in", key="to-bow", on_click=go, args=(BOW_STEP,))
    found = measuring.outcomes_behind_a_bar(inspection)
    if not any(o.measurement is not None for o in found):
        words.show(words.box("say", "There is no photograph yet to report on."))
        return
    language = report_language(shop)
    written = _written(inspection, found, language, shop)
    for label, data, name, kind, key in (
        ("Download the report (PDF)", written.forms[PDF], PDF, "application/pdf", "pdf"),
        ("Download the report (HTML)", written.forms[HTML], HTML, "text/html", "html"),
        ("Download the table (CSV)", written.forms[CSV], CSV, "text/csv", "csv"),
        (
            "Download all, photographs too (ZIP)",
            written.forms[ZIP],
            ZIP,
            "application/zip",
            "zip",
        ),
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
            type="primary" if key == "pdf" else "secondary",
            on_click="ignore",
            width="stretch",
        )
    words.show(FIT_IS_NOT_STRENGTH)


def _inspection_file(inspection: Inspection) -> bytes:
    raw, _ = inspection_file(inspection.document)
    return json.dumps(raw, indent=1, ensure_ascii=False).encode("utf-8")


def report_language(shop: Shop) -> str:
    """Show the choice of the report's language, the shop's at first; return what is chosen."""
    chosen = st.segmented_control(
        "Language of the report",
        list(LANGUAGES),
        default=shop.language if shop.language in LANGUAGES else "en",
        format_func=LANGUAGE_NAMES.__getitem__,
        key="report-language",
    )
    return str(chosen or "en")


def _written(
    inspection: Inspection, found: list[measuring.Outcome], language: str, shop: Shop
) -> Written:
    """The report's files, written anew when anything that goes into them has changed."""
    findings = measuring.findings_of(inspection, found)
    numbers = measuring.numbers_file(found)
    units: Units = "in" if unit() == "in" else "mm"
    said = json.dumps(
        [findings_to_json(findings), inspection.document, language, units], sort_keys=True
    )
    state = hashlib.sha256(numbers + said.encode("utf-8") + repr(shop).encode("utf-8")).hexdigest()
    written = inspection.written
    if written is None or written.state != state:
        by_hash = {o.photo.sha256: o.photo for o in found}
        _, hashes = inspection_of(inspection.document)
        files = [by_hash.get(sha256) for sha256 in hashes]
        with st.spinner("Writing the report …"):
            forms, inspection.reported = report_forms(
                files, findings, language, units, shop, inspection.reported
            )
        written = inspection.written = Written(state, forms, numbers)
    return written
