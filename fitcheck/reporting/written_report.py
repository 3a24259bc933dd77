"""All written forms of a report, made from one document."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from fitcheck.reporting.amounts import Units
from fitcheck.reporting.as_csv import report_csv
from fitcheck.reporting.as_html import report_html
from fitcheck.reporting.as_json import report_json
from fitcheck.reporting.as_pdf import report_pdf
from fitcheck.reporting.as_zip import report_zip
from fitcheck.reporting.document import document_of
from fitcheck.reporting.earlier import Kept
from fitcheck.reporting.model import Report
from fitcheck.reporting.photographs import picture_key
from fitcheck.reporting.shop import Shop

PDF, HTML, JSON, CSV, ZIP = "report.pdf", "report.html", "report.json", "report.csv", "report.zip"
Paper = Literal["a4", "letter"]


@dataclass(frozen=True)
class Wishes:
    """How a report is wanted.

    Attributes
    ----------
    language, units, paper
        Of the written forms.
    shop
        Who writes it.
    number
        Of the report; empty: made from the inspection, or gone on with.
    before
        Report of an earlier inspection of the same bow.
    """

    language: str = "en"
    units: Units = "mm"
    paper: Paper = "a4"
    shop: Shop = field(default_factory=Shop)
    number: str = ""
    before: Kept | None = None


def write_forms(
    report: Report, wishes: Wishes, photographs: Mapping[int, bytes]
) -> dict[str, bytes]:
    """Return every form of a report by its file name: PDF, HTML, JSON, CSV, and all in a zip.

    Parameters
    ----------
    report
        What it holds.
    wishes
        Language, units, paper.
    photographs
        Files of the photographs as they came, by their numbers from 1, for the zip.
    """
    document = document_of(report, wishes.language, wishes.units)
    pictures = {
        picture_key(page, i): picture.jpeg
        for page in report.photos
        for i, picture in enumerate(page.pictures)
    }
    record = json.dumps(report_json(report, document), indent=1, allow_nan=False)
    forms = {
        PDF: report_pdf(document, pictures, wishes.paper),
        HTML: report_html(document, pictures).encode("utf-8"),
        JSON: record.encode("ascii"),
        CSV: report_csv(report).encode("utf-8"),
    }
    return {**forms, ZIP: report_zip(report, forms, photographs)}
