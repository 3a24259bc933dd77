"""The whole report in one language, in reading order."""

from __future__ import annotations

from collections.abc import Iterator

from fitcheck.plain_text import visible_text
from fitcheck.reporting.amounts import Units
from fitcheck.reporting.bench import bench_blocks
from fitcheck.reporting.blocks import Block, Document, Paragraph, plain
from fitcheck.reporting.customer import customer_blocks, title_of
from fitcheck.reporting.language import Language
from fitcheck.reporting.model import Report
from fitcheck.reporting.photographs import before_blocks, photo_blocks, provenance_blocks
from fitcheck.reporting.shop import LONGEST


def language_for(report: Report, code: str, units: Units) -> Language:
    """Return a language that knows this report's names, and leaves them as they are."""
    inspection = report.findings.inspection
    own = [
        inspection.note,
        inspection.complaint,
        inspection.bow.name,
        *(photo.file for photo in inspection.photos),
        *(photo.file.rpartition("/")[2] for photo in inspection.photos),
        *(entry.note for entry in inspection.condition),
        *(limit.note for limit in inspection.limits.values()),
        *(arrow.name for arrow in inspection.readings.arrows),
    ]
    return Language(code, units, [limb.name for limb in inspection.limbs], own)


def document_of(report: Report, code: str = "en", units: Units = "mm") -> Document:
    """Write a report in a language.

    Parameters
    ----------
    report
        What it holds.
    code
        ``"en"`` or ``"de"``.
    units
        Which unit of length leads.

    Raises
    ------
    BadInput
        ``unknown_language``.
    """
    lang = language_for(report, code, units)
    blocks = list(blocks_of(report, lang))
    if lang.untranslated:
        blocks.append(Paragraph((plain(lang.text("untranslated")),), soft=True))
    issue, shop = report.issue, report.shop
    number = visible_text(report.number)
    return Document(
        language=code,
        title=title_of(report, lang),
        foot=lang.text(
            "foot",
            number=number,
            revision=issue.revision,
            date=issue.date,
            program=issue.program,
        ),
        sender=_sender(report),
        logo=shop.logo,
        logo_alt=plain(lang.text("logo_alt", shop=shop.name)).text
        if shop.name
        else lang.text("logo_alt_plain"),
        badge=(
            lang.text("number", number=number),
            lang.text("revision", revision=issue.revision),
            lang.text("issued", date=issue.date),
        ),
        blocks=tuple(blocks),
        page_words=lang.text("page", page="{page}", pages="{pages}"),
    )


def _sender(report: Report) -> tuple[str, ...]:
    shop = report.shop
    name = shop.name or report.findings.inspection.shop
    if len(name) > LONGEST["name"]:  # an inspection's own is not bound
        name = f"{name[: LONGEST['name']]}…"
    lines = [name, *shop.address.splitlines(), *shop.contact.splitlines()]
    return tuple(visible_text(line.strip()) for line in lines if line.strip())


def blocks_of(report: Report, lang: Language) -> Iterator[Block]:
    """Return all blocks in reading order; the language notes what it could not translate."""
    yield from customer_blocks(report, lang)
    if report.earlier is not None:
        yield from before_blocks(report.earlier, report, lang)
    yield from bench_blocks(report, lang)
    yield from photo_blocks(report, lang)
    yield from provenance_blocks(report, lang)
