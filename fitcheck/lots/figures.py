"""Charts of a lot as vector pictures (SVG) for its report, each with words that say the same."""

from __future__ import annotations

import io
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from fitcheck.lots.analysis import CharacteristicFindings
from fitcheck.lots.control_charts import OF_SUBGROUPS, Chart
from fitcheck.lots.plan import count
from fitcheck.lots.run_rules import RULE_WORDS
from fitcheck.lots.values import Value
from fitcheck.plain_text import visible_text
from fitcheck.reporting.fonts import showable
from fitcheck.wording import wording

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

INK, SOFT, BLUE, HAIR = "#1d2730", "#4a5661", "#0b5394", "#b9c2ca"
COLOURS = {"accept": "#1c6b3a", "reject": "#8a3600", "measure again": "#3c4852"}
MARKERS = {"accept": "o", "reject": "X", "measure again": "D"}
OPERATOR_COLOURS = ("#0b5394", "#8a3600", "#1c6b3a", "#6e4a00", "#5b3a86", "#3c4852")
OPERATOR_MARKERS = ("o", "s", "^", "D", "v", "P")
MOST_POINTS = 120  # of a chart in the report; the last ones, and it says so
WIDTH_IN = 6.8
LONGEST_LABEL = 14
UNIT = {"mm": "mm", "deg": "°"}
CHART_NAMES = {
    "individuals": "Individuals",
    "moving range": "Moving range",
    "ewma": "Weighted moving average (EWMA)",
    "means": "Means of subgroups",
    "ranges": "Ranges of subgroups",
    "deviations": "Standard deviations of subgroups",
}


@dataclass(frozen=True)
class Picture:
    """A chart: SVG, its size in pixels, what it shows in words, its caption."""

    svg: bytes
    width: int
    height: int
    alt: str
    caption: str


def parts_picture(one: CharacteristicFindings) -> Picture:
    """Every part with its 95 % interval against the tolerance, in the order they came."""
    shown = one.parts[-MOST_POINTS:]
    figure, axes = _axes(2.5)
    for verdict, colour in {**COLOURS, "": BLUE}.items():
        places = [
            i
            for i, p in enumerate(shown)
            if (one.decisions[p.part].verdict if p.part in one.decisions else "") == verdict
        ]
        if not places:
            continue
        axes.errorbar(
            places,
            [shown[i].value for i in places],
            yerr=[1.96 * (shown[i].standard_uncertainty or 0.0) for i in places],
            fmt=MARKERS.get(verdict, "o"),
            color=colour,
            markersize=4.5,
            elinewidth=0.9,
            capsize=2,
            linestyle="none",
            label=verdict or "part",
        )
    if one.tolerance is not None:
        for limit in (one.tolerance.low, one.tolerance.high):
            if abs(limit) < float("inf"):
                axes.axhline(limit, color="#8a3600", linewidth=1.1, linestyle=(0, (5, 2)))
    if one.decisions:
        axes.legend(loc="upper left", ncols=3, frameon=False, fontsize=7, borderaxespad=0.1)
        axes.margins(y=0.22)
    _name_parts(axes, [p.part for p in shown])
    axes.set_ylabel(_axis_title(one))
    counts = [
        f"{sum(d.verdict == v for d in one.decisions.values())} {words}"
        for v, words in (("accept", "accepted"), ("reject", "rejected"), ("measure again", "open"))
    ]
    low, high = min(p.value for p in one.parts), max(p.value for p in one.parts)
    alt = (
        f"{wording(one.name).name} of {count(len(one.parts), 'part')}, from {low:.3g} to "
        f"{high:.3g} {UNIT[one.unit]}" + (f"; {', '.join(counts)}." if one.decisions else ".")
    )
    caption = "Each part with its expanded uncertainty (95 %); dashed: the tolerance." + _cut(
        len(one.parts), "parts"
    )
    return _picture(figure, alt, caption)


def chart_picture(one: CharacteristicFindings, charts: Sequence[Chart]) -> Picture:
    """Control charts under one another: two of the same points."""
    figure, rows = _axes_rows(len(charts), 1.75)
    said = []
    for axes, chart in zip(rows, charts, strict=True):
        n = len(chart.points)
        first = max(0, n - MOST_POINTS)
        # A moving range belongs to the later of its two parts.
        offset = len(one.parts) - n if chart.kind == "moving range" else 0
        places = range(first + offset, n + offset)
        axes.plot(
            places, chart.points[first:], color=BLUE, marker="o", markersize=3, linewidth=0.9
        )
        axes.axhline(chart.centre, color=INK, linewidth=0.8)
        for limits in (chart.lower, chart.upper):
            axes.step(
                places,
                limits[first:],
                where="mid",
                color="#8a3600",
                linewidth=0.9,
                linestyle=(0, (5, 2)),
            )
        out = [i for i in chart.out if i >= first]
        axes.plot(
            [i + offset for i in out],
            [chart.points[i] for i in out],
            linestyle="none",
            marker="o",
            markersize=8,
            markerfacecolor="none",
            markeredgecolor="#8a3600",
            markeredgewidth=1.3,
        )
        title = f"{CHART_NAMES[chart.kind]}, {UNIT[one.unit]}"
        axes.set_title(title, loc="left", fontsize=8, color=SOFT)
        names = one.subgroups if chart.kind in OF_SUBGROUPS else ()
        _name_parts(axes, list(names) or [p.part for p in one.parts], places)
        said.append(chart_words(chart))
    caption = "Solid: centre line; dashed: control limits; ringed: points that break a rule."
    return _picture(figure, " ".join(said), caption + _cut(max(len(c.points) for c in charts), ""))


def readings_picture(one: CharacteristicFindings, values: Iterable[Value]) -> Picture:
    """Every reading of the gauge study, by part and operator."""
    shown = {p.part: i for i, p in enumerate(one.parts[-MOST_POINTS:])}
    kept = [v for v in values if v.characteristic == one.name and v.part in shown]
    operators = list(dict.fromkeys(v.operator for v in kept))
    figure, axes = _axes(2.5)
    for k, operator in enumerate(operators):
        offset = 0.5 * ((k + 0.5) / len(operators) - 0.5)
        for warned in (False, True):
            ones = [v for v in kept if v.operator == operator and bool(v.warnings) is warned]
            axes.plot(
                [shown[v.part] + offset for v in ones],
                [v.value for v in ones],
                linestyle="none",
                marker=OPERATOR_MARKERS[k % len(OPERATOR_MARKERS)],
                markersize=4,
                color=OPERATOR_COLOURS[k % len(OPERATOR_COLOURS)],
                markerfacecolor="none" if warned else None,
                label=None if warned else _short(operator or "all", 24),
            )
    axes.legend(loc="upper left", ncols=4, frameon=False, fontsize=7, borderaxespad=0.1)
    axes.margins(y=0.2)
    _name_parts(axes, list(shown))
    axes.set_ylabel(_axis_title(one))
    alt = f"{count(len(kept), 'reading')} of {count(len(shown), 'part')}" + (
        f" by {', '.join(visible_text(o) for o in operators[:6])}." if any(operators) else "."
    )
    return _picture(figure, alt, "Every reading; hollow: its photograph carries a warning.")


def chart_words(chart: Chart) -> str:
    """What a control chart shows, in words."""
    name = CHART_NAMES[chart.kind]
    said = (
        f"{name}: {count(len(chart.points), 'point')}, centre {chart.centre:.3g}, last limits "
        f"{chart.lower[-1]:.3g} and {chart.upper[-1]:.3g}"
    )
    if not chart.signals:
        return f"{said}; no rule is broken."
    rules = dict.fromkeys(s.rule for s in chart.signals)
    where = count(len(chart.out), "point")
    return f"{said}; {where} signal: {', '.join(RULE_WORDS[r] for r in rules)}."


def _axes(height_in: float) -> tuple[Figure, Axes]:
    figure, rows = _axes_rows(1, height_in)
    return figure, rows[0]


def _axes_rows(rows: int, height_in: float) -> tuple[Figure, list[Axes]]:
    import matplotlib
    from matplotlib.figure import Figure

    # Settings of this figure alone; pyplot is not used: it is not safe between threads.
    with matplotlib.rc_context(STYLE):
        figure = Figure(figsize=(WIDTH_IN, height_in * rows), layout="constrained")
        made = [figure.add_subplot(rows, 1, i + 1) for i in range(rows)]
    for axes in made:
        axes.grid(axis="y", color="#dde3e8", linewidth=0.5)
        axes.set_axisbelow(True)
    return figure, made


STYLE: dict[str, Any] = {
    "font.family": "DejaVu Sans",
    "font.size": 7.5,
    "axes.edgecolor": SOFT,
    "axes.labelcolor": SOFT,
    "axes.linewidth": 0.6,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "xtick.color": INK,
    "ytick.color": INK,
    "text.color": INK,
    "text.parse_math": False,  # a part may be called $x$
    "svg.fonttype": "none",
    "svg.hashsalt": "fitcheck",  # the same picture for the same numbers
}


def _picture(figure: Figure, alt: str, caption: str) -> Picture:
    import matplotlib

    buffer = io.BytesIO()
    with matplotlib.rc_context(STYLE):
        figure.savefig(buffer, format="svg", metadata={"Date": None, "Creator": None})
    width, height = figure.get_size_inches()
    return Picture(buffer.getvalue(), round(96 * width), round(96 * height), alt, caption)


def _name_parts(axes: Axes, names: Sequence[str], places: Sequence[int] | None = None) -> None:
    where = list(places) if places is not None else list(range(len(names)))
    step = max(1, -(-len(where) // 24))
    kept = where[::step]
    axes.set_xticks(kept, [_short(names[i], LONGEST_LABEL) for i in kept])
    longest = max((len(_short(names[i], LONGEST_LABEL)) for i in kept), default=0)
    if longest * len(kept) > 90:
        axes.tick_params(axis="x", labelrotation=60)
    if where:
        axes.set_xlim(where[0] - 0.7, where[-1] + 0.7)


def _axis_title(one: CharacteristicFindings) -> str:
    return f"{_short(wording(one.name).name, 40)}, {UNIT[one.unit]}"


def _short(text: str, longest: int) -> str:
    shown = showable(visible_text(text).replace("\n", " "))
    return shown if len(shown) <= longest else shown[: longest - 1] + "…"


def _cut(number: int, what: str) -> str:
    if number <= MOST_POINTS:
        return ""
    return f" The last {MOST_POINTS} of {number}{' ' + what if what else ''}."
