"""What a written report is made of: headings, paragraphs, lists, tables, figures, in their order.

PDF and HTML are both made from these and from nothing else, so that they say the same.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

from fitcheck.plain_text import visible_text
from fitcheck.reporting.language import Said

Level = Literal["good", "rework", "undecided", "caution", "note"]


@dataclass(frozen=True)
class Heading:
    """A heading of level 1 to 3; a part begins a new page."""

    level: int
    text: str
    part: bool = False


@dataclass(frozen=True)
class Paragraph:
    """One or more sentences; ``label`` stands before them in bold, ``soft`` ones are small."""

    text: tuple[Said, ...]
    label: str = ""
    soft: bool = False


@dataclass(frozen=True)
class Bullets:
    """A list."""

    items: tuple[Said, ...]


@dataclass(frozen=True)
class Box:
    """Something that has to be seen: level, sign and title, then sentences."""

    level: Level
    sign: str
    title: str
    lines: tuple[Said, ...]


@dataclass(frozen=True)
class Cell:
    """A cell of a table: lines of text, the first one in full strength."""

    lines: tuple[Said, ...]
    strong: bool = False


@dataclass(frozen=True)
class Table:
    """A table; the first cell of every row heads it.

    ``widths`` are shares of the whole.
    """

    caption: str
    head: tuple[str, ...]
    rows: tuple[tuple[Cell, ...], ...]
    widths: tuple[float, ...]


@dataclass(frozen=True)
class Facts:
    """Names and what they stand for, in two columns."""

    rows: tuple[tuple[str, tuple[Said, ...]], ...]


@dataclass(frozen=True)
class Figure:
    """A photograph: ``key`` names its picture, ``share`` its part of the width."""

    key: str
    width: int
    height: int
    alt: str
    caption: str
    share: float = 1.0


@dataclass(frozen=True)
class Figures:
    """Figures side by side."""

    figures: tuple[Figure, ...]


@dataclass(frozen=True)
class Plot:
    """Points joined by a line, drawn as vectors.

    Attributes
    ----------
    points
        x and y, rising in x.
    x_ticks, y_ticks
        Where, and what stands there.
    marked
        Points with words beside them.
    x_title, y_title, alt, caption
        Words.
    """

    points: tuple[tuple[float, float], ...]
    x_ticks: tuple[tuple[float, str], ...]
    y_ticks: tuple[tuple[float, str], ...]
    marked: tuple[tuple[float, float, str], ...]
    x_title: str
    y_title: str
    alt: str
    caption: str


@dataclass(frozen=True)
class Signature:
    """Lines to sign on."""

    names: tuple[str, ...]


Block = Heading | Paragraph | Bullets | Box | Table | Facts | Figures | Plot | Signature


@dataclass(frozen=True)
class Document:
    """A report in one language.

    Attributes
    ----------
    language
        Its code.
    title, foot
        Of the document, and what stands at the foot of every page.
    sender
        Name, address and contact of the shop; lines, may be empty.
    logo
        PNG or empty.
    logo_alt
        What the logo is.
    badge
        Number, revision and date, at the head: lines.
    blocks
        In reading order.
    page_words
        How a page is numbered: ``Page {page} of {pages}``.
    """

    language: str
    title: str
    foot: str
    sender: tuple[str, ...]
    logo: bytes
    logo_alt: str
    badge: tuple[str, ...]
    blocks: tuple[Block, ...]
    page_words: str


def plain(text: object) -> Said:
    """Return a text of the report's own, or of the user's, safe to show."""
    return Said(visible_text(str(text)))


def cell(*lines: Said | str, strong: bool = False) -> Cell:
    """Make a cell; empty lines are left out, a dash stands for an empty cell."""
    said = [plain(one) if isinstance(one, str) else one for one in lines]
    return Cell(tuple(one for one in said if one.text) or (Said("–"),), strong)


def bullets(items: Sequence[Said]) -> Iterable[Block]:
    """Return a list, unless there is nothing in it."""
    if items:
        yield Bullets(tuple(items))
