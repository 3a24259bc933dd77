"""The report as one HTML file: pictures and style inside, no script, nothing from a network."""

from __future__ import annotations

import base64
from collections.abc import Mapping
from dataclasses import dataclass
from importlib.resources import files

from jinja2 import Environment, PackageLoader, StrictUndefined
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
        blocks=[(type(b).__name__.lower(), b) for b in document.blocks],
        pictures={key: _uri("jpeg", data) for key, data in pictures.items()},
        logo=_uri("png", document.logo) if document.logo else "",
        plots={i: _placed(b) for i, b in enumerate(document.blocks) if isinstance(b, Plot)},
        style=Markup(style),  # noqa: S704 (our own file)
    )


def _uri(kind: str, data: bytes) -> Markup:
    encoded = base64.b64encode(data).decode("ascii")
    return Markup(f"data:image/{kind};base64,") + encoded  # noqa: S704 (letters of base 64)


def _placed(plot: Plot) -> _Placed:
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
