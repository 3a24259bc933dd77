"""The report as a tagged PDF after PDF/UA-1, set by typst from data, with the bundled fonts."""

from __future__ import annotations

import dataclasses
import json
import tempfile
from collections.abc import Mapping
from importlib.resources import as_file, files
from pathlib import Path
from typing import Any

from fitcheck.reporting.blocks import Block, Box, Bullets, Document, Facts, Figures, Heading, Table
from fitcheck.reporting.fonts import showable
from fitcheck.reporting.line_breaks import broken

PAPERS = {"a4": "a4", "letter": "us-letter"}
TEMPLATES = ("style.typ",)
PAPER_WIDTHS_MM = {"a4": 210.0, "letter": 215.9}
# As in report.typ and style.typ.
MARGIN_MM, FACTS_MM, INSET_PT = 18.0, 32.0, 4.0
TEXT_PT, TABLE_PT = 9.0, 8.0
TITLE_PT = {1: 15.0, 2: 11.0, 3: 9.5}
BOX_TITLE_PT, BOX_INSET_PT = 11.0, 12.0
POINTS_PER_MM = 72 / 25.4
# Of the line, in the head: number and date, and the shop without and with a logo beside it.
BADGE_SHARE, SENDER_SHARE, SENDER_SHARE_BY_LOGO = 0.39, 0.55, 0.29


def report_pdf(document: Document, pictures: Mapping[str, bytes], paper: str = "a4") -> bytes:
    """Set a report.

    Parameters
    ----------
    document
        The report in a language.
    pictures
        JPEG files by the keys of the document's figures.
    paper
        ``"a4"`` or ``"letter"``.

    Returns
    -------
    The PDF file; the same for the same report.
    """
    line = (PAPER_WIDTHS_MM[paper] - 2 * MARGIN_MM) * POINTS_PER_MM
    language = document.language
    sender = line * (SENDER_SHARE_BY_LOGO if document.logo else SENDER_SHARE)
    data = {
        "paper": PAPERS[paper],
        "language": language,
        "title": document.title,
        "author": document.sender[0] if document.sender else "fitcheck",
        "foot": _fitted(document.foot, line * 0.8, TEXT_PT, language),
        "sender": _fitted(document.sender, sender, TEXT_PT, language),
        "logo": bool(document.logo),
        "logo_alt": document.logo_alt,
        "badge": _fitted(document.badge, line * BADGE_SHARE, TEXT_PT, language),
        "page_words": document.page_words,
        "blocks": [
            {"block": type(b).__name__.lower(), **_block(b, line, language)}
            for b in document.blocks
        ],
    }
    files_beside = dict(pictures)
    if document.logo:
        files_beside["logo.png"] = document.logo
    return set_pdf("report.typ", data, files_beside)


def _block(block: Block, line: float, language: str) -> Mapping[str, Any]:
    """A block as data, no word of it wider than where it is set; ``line`` in points."""
    if isinstance(block, Table):
        return _table(block, line, language)
    room, size = line, TEXT_PT
    if isinstance(block, Heading):
        size = TITLE_PT[block.level]
    elif isinstance(block, Box):
        room, size = line - 2 * BOX_INSET_PT, BOX_TITLE_PT
    elif isinstance(block, Facts):
        room = line - FACTS_MM * POINTS_PER_MM
    elif isinstance(block, Figures):
        room = line * min((figure.share for figure in block.figures), default=1.0)
    elif isinstance(block, Bullets):
        room = line - 2 * BOX_INSET_PT
    fitted: Mapping[str, Any] = _fitted(dataclasses.asdict(block), room, size, language)
    return fitted


def _table(table: Table, line: float, language: str) -> Mapping[str, Any]:
    rooms = [line * w / sum(table.widths) - 2 * INSET_PT for w in table.widths]
    record = dataclasses.asdict(table)
    record["caption"] = _fitted(table.caption, line, TEXT_PT, language)
    record["head"] = [
        _fitted(words, room, TABLE_PT, language)
        for words, room in zip(table.head, rooms, strict=True)
    ]
    for row in record["rows"]:
        for i, (one, room) in enumerate(zip(row, rooms, strict=True)):
            one["lines"] = [
                _fitted(words, room, TABLE_PT, language, j == 0 and (one["strong"] or i == 0))
                for j, words in enumerate(one["lines"])
            ]
    return record


def _fitted(thing: Any, room: float, size: float, language: str, bold: bool = True) -> Any:
    """All texts of a record, broken to a room in points; not keys and alternative texts."""
    if isinstance(thing, str):
        return broken(showable(thing), room, size, language, bold=bold)
    if isinstance(thing, Mapping):
        return {
            key: value if key in ("key", "alt") else _fitted(value, room, size, language, bold)
            for key, value in thing.items()
        }
    if isinstance(thing, list | tuple):
        return [_fitted(one, room, size, language, bold) for one in thing]
    return thing


def set_pdf(template: str, data: Mapping[str, Any], pictures: Mapping[str, bytes]) -> bytes:
    """Set a template of this folder with data and pictures; errors of typst are our own faults."""
    import typst  # a large library: loaded only when something is set

    source = files("fitcheck").joinpath("reporting")
    with tempfile.TemporaryDirectory() as name, as_file(source.joinpath("fonts")) as fonts:
        folder = Path(name)
        (folder / "pictures").mkdir()
        for one in (template, *TEMPLATES):
            (folder / one).write_bytes(source.joinpath(one).read_bytes())
        for key, picture in pictures.items():
            (folder / "pictures" / key).write_bytes(picture)
        text = json.dumps(_showable(data), ensure_ascii=True, allow_nan=False)
        (folder / "data.json").write_text(text, encoding="ascii")
        pdf = typst.compile(
            folder / template,
            root=folder,
            font_paths=[fonts],
            ignore_system_fonts=True,  # the same report on every machine
            format="pdf",
            pdf_standards=["ua-1"],
        )
    if not isinstance(pdf, bytes):
        raise RuntimeError("a report must be one PDF file")
    return pdf


def _showable(thing: Any) -> Any:
    """Spell out in every text what the bundled fonts lack."""
    if isinstance(thing, str):
        return showable(thing)
    if isinstance(thing, Mapping):
        return {key: _showable(value) for key, value in thing.items()}
    if isinstance(thing, list | tuple):
        return [_showable(one) for one in thing]
    return thing
