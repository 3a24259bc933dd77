"""The report as one HTML file: pictures and style inside, no script, nothing from a network."""

from __future__ import annotations

import base64
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from html.parser import HTMLParser
from importlib.resources import files
from types import SimpleNamespace
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined, UndefinedError
from markupsafe import Markup

from fitcheck.reporting.blocks import Document, Plot

# The drawing of a plot, in its own units.
LEFT, RIGHT, TOP, FOOT = 60.0, 500.0, 34.0, 250.0


@dataclass(frozen=True)
class _Placed:
    """A plot's numbers as places in its drawing."""

    line: str
    points: tuple[tuple[float, float], ...]
    x_ticks: tuple[tuple[float, str], ...]
    y_ticks: tuple[tuple[float, str], ...]
    marked: tuple[tuple[float, float, str], ...]


def report_html(document: Document, pictures: Mapping[str, bytes]) -> str:
    """Write a report as HTML.

    Parameters
    ----------
    document
        The report in a language. Its texts are shown, never obeyed: markup is escaped.
    pictures
        JPEG files by the keys of the document's figures.
    """
    return _rendered(
        document,
        [(type(b).__name__.lower(), b) for b in document.blocks],
        {key: _uri("jpeg", data) for key, data in pictures.items()},
        {i: _placed(b) for i, b in enumerate(document.blocks) if isinstance(b, Plot)},
    )


class _NoPictures(dict[str, str]):
    def __missing__(self, key: str) -> str:
        return ""


def text_html(text: Mapping[str, Any]) -> str:
    """Write the blocks of a report's JSON as HTML again, without head and pictures.

    Raises
    ------
    ValueError
        If it is not the text of a report.
    """
    try:
        blocks = [(str(b["block"]), b) for b in text["blocks"]]
        document = Document(str(text["language"]), str(text["title"]), "", (), b"", "", (), (), "")
        plots = {
            i: _placed(SimpleNamespace(**b))
            for i, (kind, b) in enumerate(blocks)
            if kind == "plot"
        }
        return _rendered(document, blocks, _NoPictures(), plots)
    except (UndefinedError, KeyError, TypeError, AttributeError, ZeroDivisionError) as error:
        raise ValueError("this is not the text of a report") from error


def words_below_head(html: str) -> str:
    """Return what is read in a report's HTML below its head, blanks made one."""
    reader = _Reader()
    reader.feed(html)
    reader.close()
    return " ".join("".join(reader.words).split())


class _Reader(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.words: list[str] = []
        self._inside = False

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self._inside = self._inside or tag == "main"
        if self._inside:
            self.words += [f" {value} " for name, value in attrs if name == "alt" and value]

    def handle_endtag(self, tag: str) -> None:
        self._inside = self._inside and tag != "main"

    def handle_data(self, data: str) -> None:
        if self._inside:
            self.words.append(data)


def _rendered(
    document: Document,
    blocks: Sequence[tuple[str, Any]],
    pictures: Mapping[str, str],
    plots: Mapping[int, _Placed],
) -> str:
    environment = Environment(
        loader=PackageLoader("fitcheck", "reporting"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    style = files("fitcheck").joinpath("reporting/report.css").read_text(encoding="utf-8")
    return environment.get_template("report.html").render(
        d=document,
        blocks=blocks,
        pictures=pictures,
        logo=_uri("png", document.logo) if document.logo else "",
        plots=plots,
        style=Markup(style),  # noqa: S704 (our own file)
    )


def _uri(kind: str, data: bytes) -> Markup:
    encoded = base64.b64encode(data).decode("ascii")
    return Markup(f"data:image/{kind};base64,") + encoded  # noqa: S704 (letters of base 64)


def _placed(plot: Plot | SimpleNamespace) -> _Placed:
    xs, ys = [p[0] for p in plot.points], [p[1] for p in plot.points]
    low, high = min(xs), max(xs)
    foot, top = min(*ys, 0.0), max(*ys, 1e-9)

    def x_at(x: float) -> float:
        return round(LEFT + (x - low) / (high - low or 1.0) * (RIGHT - LEFT), 1)

    def y_at(y: float) -> float:
        return round(FOOT - (y - foot) / (top - foot) * (FOOT - TOP), 1)

    points = tuple((x_at(x), y_at(y)) for x, y in plot.points)
    return _Placed(
        " ".join(f"{x},{y}" for x, y in points),
        points,
        tuple((x_at(x), words) for x, words in plot.x_ticks),
        tuple((y_at(y), words) for y, words in plot.y_ticks),
        tuple((x_at(x), y_at(y), words) for x, y, words in plot.marked),
    )
