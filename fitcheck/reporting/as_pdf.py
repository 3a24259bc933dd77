"""The report as a tagged PDF after PDF/UA-1, set by typst from data, with the bundled fonts."""

from __future__ import annotations

import dataclasses
import json
import re
import tempfile
from collections.abc import Mapping
from importlib.resources import as_file, files
from pathlib import Path
from typing import Any

from fitcheck.reporting.blocks import Block, Document, Table
from fitcheck.reporting.fonts import showable

PAPERS = {"a4": "a4", "letter": "us-letter"}
TEMPLATES = ("style.typ",)
ZERO_WIDTH_SPACE = "\u200b"
LINE, CELL = 30, 17  # letters of a word that may break anywhere, in a line and in a cell
FINGERPRINT = "[0-9a-f]{64}"


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
    data = {
        "paper": PAPERS[paper],
        "language": document.language,
        "title": document.title,
        "author": document.sender[0] if document.sender else "fitcheck",
        "foot": _breakable(document.foot, LINE),
        "sender": _breakable(document.sender, LINE),
        "logo": bool(document.logo),
        "logo_alt": document.logo_alt,
        "badge": _breakable(document.badge, LINE),
        "page_words": document.page_words,
        "blocks": [
            {"block": type(b).__name__.lower(), **_breakable(dataclasses.asdict(b), _longest(b))}
            for b in document.blocks
        ],
    }
    files_beside = dict(pictures)
    if document.logo:
        files_beside["logo.png"] = document.logo
    return set_pdf("report.typ", data, files_beside)


def _longest(block: Block) -> int:
    return CELL if isinstance(block, Table) else LINE


def _breakable(thing: Any, longest: int) -> Any:
    """Let words longer than that break anywhere, so that nothing runs out of its column.

    A zero-width space after every letter; shorter words are hyphenated by typst. Keys, and
    alternative texts, which nobody sets in a line, stay as they are.
    """
    if isinstance(thing, str):
        # A fingerprint has room, and is copied whole.
        pattern = rf"(?<!\S)(?!{FINGERPRINT}(?!\S))\S{{{longest},}}"
        return re.sub(pattern, lambda word: ZERO_WIDTH_SPACE.join(word[0]), thing)
    if isinstance(thing, Mapping):
        return {
            key: value if key in ("key", "alt") else _breakable(value, longest)
            for key, value in thing.items()
        }
    if isinstance(thing, list | tuple):
        return [_breakable(one, longest) for one in thing]
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
