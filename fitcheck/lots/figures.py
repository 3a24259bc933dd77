"""Charts of a lot as vector pictures (SVG) for its report, each with words that say the same."""

from __future__ import annotations

import io
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from fitcheck.lots.analysis import CharacteristicFindings
from fitcheck.lots.control_charts import OF_SUBGROUPS, Chart
from fitcheck.lots.course import Course
from fitcheck.lots.plan import count
from fitcheck.lots.run_rules import RULE_WORDS
from fitcheck.lots.scale import significant
from fitcheck.lots.telling import ENGLISH, Telling
from fitcheck.lots.values import Value
from fitcheck.plain_text import visible_text
from fitcheck.reporting.fonts import showable

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

INK, SOFT, BLUE, RED = "#1d2730", "#4a5661", "#0b5394", "#8a3600"
DASHED = (0, (5, 2))
COLOURS = {"accept": "#1c6b3a", "reject": "#8a3600", "measure again": "#3c4852"}
MARKERS = {"accept": "o", "reject": "X", "measure again": "D"}
OPERATOR_COLOURS = ("#0b5394", "#8a3600", "#1c6b3a", "#6e4a00", "#5b3a86", "#3c4852")
OPERATOR_MARKERS = ("o", "s", "^", "D", "v", "P")
MOST_POINTS = 120  # of a chart in the report; the last ones, and it says so
WIDTH_IN = 6.8
LONGEST_LABEL = 14
VERDICT_WORDS = {
    "accept": "accepted",
    "reject": "rejected",
    "measure again": "to be measured again",
}
COURSE_UNITS = {"u": "standard uncertainties"}
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


def parts_picture(one: CharacteristicFindings, tell: Telling = ENGLISH) -> Picture:
    """Every part with its 95 % interval against the tolerance, in the order they came."""
    shown = one.parts[-MOST_POINTS:]
    scale = tell.scale(one.unit)
    figure, axes = _axes(2.5, tell)
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
            [scale.shown(shown[i].value) for i in places],
            yerr=[scale.shown(1.96 * (shown[i].standard_uncertainty or 0.0)) for i in places],
            fmt=MARKERS.get(verdict, "o"),
            color=colour,
            markersize=4.5,
            elinewidth=0.9,
            capsize=2,
            linestyle="none",
            label=tell.text(VERDICT_WORDS.get(verdict, "part")),
        )
    if one.tolerance is not None:
        for limit in (one.tolerance.low, one.tolerance.high):
            if abs(limit) < float("inf"):
                axes.axhline(scale.shown(limit), color=RED, linewidth=1.1, linestyle=DASHED)
    if one.decisions:
        axes.legend(loc="upper left", ncols=3, frameon=False, fontsize=7, borderaxespad=0.1)
        axes.margins(y=0.22)
    _name_parts(axes, [p.part for p in shown])
    axes.set_ylabel(_axis_title(one, tell))
    said = "Each part with its expanded uncertainty (95 %); dashed: the tolerance."
    caption = tell.text(said) + _cut(len(one.parts), tell)
    return _picture(figure, parts_words(one, tell), caption)


def parts_words(one: CharacteristicFindings, tell: Telling = ENGLISH) -> str:
    """What the chart of parts shows, in words."""
    scale = tell.scale(one.unit)
    low, high = min(p.value for p in one.parts), max(p.value for p in one.parts)
    ends = tell.number(f"{scale.with_unit(low)} to {scale.with_unit(high)}")
    said = f"{tell.measure(one.name)}: {tell.text(count(len(one.parts), 'part'))}, {ends}"
    if one.decisions:
        verdicts: list[str] = [decided.verdict for decided in one.decisions.values()]
        counts = (tell.text(f"{verdicts.count(v)} {words}") for v, words in VERDICT_WORDS.items())
        said += f"; {', '.join(counts)}"
    return f"{said}."


def chart_picture(
    one: CharacteristicFindings, charts: Sequence[Chart], tell: Telling = ENGLISH
) -> Picture:
    """Control charts under one another: two of the same points."""
    figure, rows = _axes_rows(len(charts), 1.75, tell)
    scale = tell.scale(one.unit)
    said = []
    for axes, chart in zip(rows, charts, strict=True):
        n = len(chart.points)
        first = max(0, n - MOST_POINTS)
        # A moving range belongs to the later of its two parts.
        offset = len(one.parts) - n if chart.kind == "moving range" else 0
        places = range(first + offset, n + offset)
        points = [scale.shown(point) for point in chart.points]
        axes.plot(places, points[first:], color=BLUE, marker="o", markersize=3, linewidth=0.9)
        axes.axhline(scale.shown(chart.centre), color=INK, linewidth=0.8)
        for limits in (chart.lower, chart.upper):
            axes.step(
                places,
                [scale.shown(limit) for limit in limits[first:]],
                where="mid",
                color=RED,
                linewidth=0.9,
                linestyle=DASHED,
            )
        out = [i for i in chart.out if i >= first]
        _ring(axes, [i + offset for i in out], [points[i] for i in out])
        title = f"{tell.text(CHART_NAMES[chart.kind])}, {tell.number(scale.symbol)}"
        axes.set_title(title, loc="left", fontsize=8, color=SOFT)
        names = one.subgroups if chart.kind in OF_SUBGROUPS else ()
        _name_parts(axes, list(names) or [p.part for p in one.parts], places)
        said.append(chart_words(one, chart, tell))
    caption = "Solid: centre line; dashed: control limits; ringed: points that break a rule."
    most = max(len(c.points) for c in charts)
    return _picture(figure, " ".join(said), tell.text(caption) + _cut(most, tell))


def readings_picture(
    one: CharacteristicFindings, values: Iterable[Value], tell: Telling = ENGLISH
) -> Picture:
    """Every reading of the gauge study, by part and operator."""
    shown = {p.part: i for i, p in enumerate(one.parts[-MOST_POINTS:])}
    kept = [v for v in values if v.characteristic == one.name and v.part in shown]
    operators = list(dict.fromkeys(v.operator for v in kept))
    scale = tell.scale(one.unit)
    figure, axes = _axes(2.5, tell)
    for k, operator in enumerate(operators):
        offset = 0.5 * ((k + 0.5) / len(operators) - 0.5)
        for warned in (False, True):
            ones = [v for v in kept if v.operator == operator and bool(v.warnings) is warned]
            axes.plot(
                [shown[v.part] + offset for v in ones],
                [scale.shown(v.value) for v in ones],
                linestyle="none",
                marker=OPERATOR_MARKERS[k % len(OPERATOR_MARKERS)],
                markersize=4,
                color=OPERATOR_COLOURS[k % len(OPERATOR_COLOURS)],
                markerfacecolor="none" if warned else None,
                label=None if warned else _short(operator or tell.text("all"), 24),
            )
    axes.legend(loc="upper left", ncols=4, frameon=False, fontsize=7, borderaxespad=0.1)
    axes.margins(y=0.2)
    _name_parts(axes, list(shown))
    axes.set_ylabel(_axis_title(one, tell))
    alt = tell.text(f"{count(len(kept), 'reading')} of {count(len(shown), 'part')}.")
    named = [visible_text(o) for o in operators[:6] if o]
    if named:
        alt += f" {', '.join(named)}."
    caption = tell.text("Every reading; hollow: its photograph carries a warning.")
    return _picture(figure, alt, caption)


def course_picture(course: Course, tell: Telling = ENGLISH) -> Picture:
    """One quantity of cards, print or lens over time."""
    points = course.points
    places = list(range(len(points)))
    figure, axes = _axes(1.6, tell)
    axes.errorbar(
        places,
        [p.value for p in points],
        yerr=[[p.value - p.low for p in points], [p.high - p.value for p in points]],
        color=BLUE,
        marker="o",
        markersize=3,
        linewidth=0.9,
        elinewidth=0.9,
        capsize=2,
    )
    for ends in ([p.lower for p in points], [p.upper for p in points]):
        heights = [float("nan") if end is None else end for end in ends]
        axes.step(places, heights, where="mid", color=RED, linewidth=0.9, linestyle=DASHED)
    told = [i for i in places if points[i].told]
    _ring(axes, told, [points[i].value for i in told])
    unit = tell.text(COURSE_UNITS[course.unit]) if course.unit in COURSE_UNITS else course.unit
    title = ", ".join(filter(None, (course_title(course, tell), unit)))
    axes.set_title(_short(title, 90), loc="left", fontsize=8, color=SOFT)
    _name_parts(axes, [p.date for p in points])
    caption = tell.text(
        "Each with its 95 % interval; dashed: the limits past which a change would be told, from "
        "all before; ringed: told."
    )
    return _picture(figure, course_words(course, tell), caption)


def course_title(course: Course, tell: Telling = ENGLISH) -> str:
    """What a course is of; the lens's own name stays as it is."""
    name, comma, lens = course.title.partition(", ")
    return f"{tell.text(name)}{comma}{lens}"


def course_words(course: Course, tell: Telling = ENGLISH) -> str:
    """What a course shows, in words."""
    first, last = (tell.number(significant(course.points[i].value, 4)) for i in (0, -1))
    said = tell.text(f"{len(course.points)} occasions, first {first}, last {last}")
    told = ", ".join(p.date for p in course.points if p.told)
    after = f"{tell.text('a change is told at')} {told}" if told else tell.text("no change")
    return f"{course_title(course, tell)}: {said}; {after}."


def chart_words(one: CharacteristicFindings, chart: Chart, tell: Telling = ENGLISH) -> str:
    """What a control chart shows, in words."""
    scale = tell.scale(one.unit)
    centre, lower, upper = (
        tell.number(scale.plain(height))
        for height in (chart.centre, chart.lower[-1], chart.upper[-1])
    )
    said = (
        f"{tell.text(CHART_NAMES[chart.kind])}: {tell.text(count(len(chart.points), 'point'))}, "
        f"{tell.text('centre line')} {centre}, {tell.text('last limits')} {lower}; {upper}; "
    )
    if not chart.signals:
        return f"{said}{tell.text('no rule is broken')}."
    rules = dict.fromkeys(s.rule for s in chart.signals)
    words = "; ".join(tell.text(RULE_WORDS[rule]) for rule in rules)
    where = tell.text(count(len(chart.out), "point"))
    return f"{said}{tell.text('breaking a rule')}: {where} ({words})."


def _ring(axes: Axes, places: Sequence[int], heights: Sequence[float]) -> None:
    axes.plot(
        places,
        heights,
        linestyle="none",
        marker="o",
        markersize=8,
        markerfacecolor="none",
        markeredgecolor=RED,
        markeredgewidth=1.3,
    )


def _axes(height_in: float, tell: Telling) -> tuple[Figure, Axes]:
    figure, rows = _axes_rows(1, height_in, tell)
    return figure, rows[0]


def _axes_rows(rows: int, height_in: float, tell: Telling) -> tuple[Figure, list[Axes]]:
    import matplotlib
    from matplotlib.figure import Figure
    from matplotlib.ticker import ScalarFormatter

    class Numbers(ScalarFormatter):
        """Numbers on an axis as the language writes them."""

        def __call__(self, x: float, pos: int | None = None) -> str:
            return tell.number(str(super().__call__(x, pos)))

    # Settings of this figure alone; pyplot is not used: it is not safe between threads.
    with matplotlib.rc_context(STYLE):
        figure = Figure(figsize=(WIDTH_IN, height_in * rows), layout="constrained")
        made = [figure.add_subplot(rows, 1, i + 1) for i in range(rows)]
    for axes in made:
        axes.grid(axis="y", color="#dde3e8", linewidth=0.5)
        axes.set_axisbelow(True)
        axes.yaxis.set_major_formatter(Numbers(useOffset=False))
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


def _axis_title(one: CharacteristicFindings, tell: Telling) -> str:
    return f"{_short(tell.measure(one.name), 40)}, {tell.number(tell.scale(one.unit).symbol)}"


def _short(text: str, longest: int) -> str:
    shown = showable(visible_text(text).replace("\n", " "))
    return shown if len(shown) <= longest else shown[: longest - 1] + "…"


def _cut(number: int, tell: Telling) -> str:
    if number <= MOST_POINTS:
        return ""
    return " " + tell.text(f"The last {MOST_POINTS} of {number}.")
