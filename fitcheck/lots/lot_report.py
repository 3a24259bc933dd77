"""A lot's report as a document in one language, and as a PDF."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field

from fitcheck.lots.course import Course
from fitcheck.lots.drift import Change
from fitcheck.lots.figures import Picture
from fitcheck.lots.lot_blocks import LotWriter
from fitcheck.lots.telling import Telling
from fitcheck.lots.whole import LotFindings
from fitcheck.plain_text import visible_text
from fitcheck.reporting.amounts import Units
from fitcheck.reporting.as_pdf import report_pdf
from fitcheck.reporting.blocks import Document, Paragraph, plain
from fitcheck.reporting.shop import Shop


@dataclass(frozen=True)
class LotWishes:
    """How the report of a lot is wanted.

    Attributes
    ----------
    language
        ``"en"`` or ``"de"``.
    units
        Unit of length that leads.
    paper
        ``"a4"`` or ``"letter"``.
    shop
        Who writes it.
    """

    language: str = "en"
    units: Units = "mm"
    paper: str = "a4"
    shop: Shop = field(default_factory=Shop)


def lot_pdf(
    lot: LotFindings,
    changes: Iterable[Change] = (),
    over_time: Iterable[Course] = (),
    wishes: LotWishes | None = None,
) -> bytes:
    """Set the report of a lot as a tagged PDF with vector charts.

    Parameters
    ----------
    lot
        What was found.
    changes
        What has changed of cards and lens since earlier lots.
    over_time
        Cards, print and lens at each occasion up to this lot.
    wishes
        How it is wanted; in English and millimetres on A4 if None.

    Raises
    ------
    BadInput
        ``unknown_language``.
    """
    wishes = wishes or LotWishes()
    document, pictures = lot_document(lot, changes, over_time, wishes)
    return report_pdf(document, {k: p.svg for k, p in pictures.items()}, wishes.paper)


def lot_document(
    lot: LotFindings,
    changes: Iterable[Change] = (),
    over_time: Iterable[Course] = (),
    wishes: LotWishes | None = None,
) -> tuple[Document, dict[str, Picture]]:
    """Return the report before it is set, and its charts; as :func:`lot_pdf`."""
    wishes = wishes or LotWishes()
    tell = Telling(wishes.language, wishes.units, _names_in(lot))
    writer = LotWriter(lot, tuple(changes), tuple(over_time), tell)
    blocks = list(writer.blocks())
    if tell.untranslated:
        blocks.append(Paragraph((plain(tell.own("untranslated")),), soft=True))
    shop = wishes.shop
    sender = [shop.name, *shop.address.splitlines(), *shop.contact.splitlines()]
    name = visible_text(lot.name)
    date = visible_text(lot.date)
    badge = f"{tell.text('Lot')} {name}"
    document = Document(
        language=wishes.language,
        title=f"{tell.text('Lot of parts')}: {name}",
        foot=f"{badge} · {date} · {lot.program}",
        sender=tuple(visible_text(line.strip()) for line in sender if line.strip()),
        logo=shop.logo,
        logo_alt=plain(tell.own("logo_alt", shop=shop.name)).text
        if shop.name
        else tell.own("logo_alt_plain"),
        badge=(badge, date),
        blocks=tuple(blocks),
        page_words=tell.own("page", page="{page}", pages="{pages}"),
    )
    return document, writer.pictures


def _names_in(lot: LotFindings) -> Iterator[str]:
    """All texts that are the user's own."""
    yield from lot.parts
    for line in lot.photos:
        yield line.planned.file
        yield line.planned.operator
    for value in lot.values:
        yield value.operator
    if lot.occasion is not None:
        yield from lot.occasion.focal
