"""Charts of a lot on the page, by Altair: the same as in its report, to be pointed at."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

import altair as alt

from fitcheck.lots.analysis import CharacteristicFindings
from fitcheck.lots.control_charts import Chart
from fitcheck.lots.course import Course
from fitcheck.lots.figures import (
    COLOURS,
    COURSE_UNITS,
    OPERATOR_COLOURS,
    chart_words,
    course_words,
    parts_words,
)
from fitcheck.lots.telling import Telling
from fitcheck.lots.values import Value
from fitcheck.plain_text import visible_text
from fitcheck.wording import wording

MOST_POINTS = 300  # the last ones; more cannot be told apart on a screen
LIMIT, CENTRE, POINT = "#8a3600", "#1d2730", "#0b5394"


def parts_chart(one: CharacteristicFindings, tell: Telling) -> alt.LayerChart:
    """Every part with its 95 % interval against the tolerance."""
    scale = tell.scale(one.unit)
    rows: list[dict[str, Any]] = []
    for p in one.parts[-MOST_POINTS:]:
        u = 1.96 * (p.standard_uncertainty or 0.0)
        decided = one.decisions.get(p.part)
        rows.append(
            {
                "part": _text(p.part),
                "value": round(scale.shown(p.value), 5),
                "low": scale.shown(p.value - u),
                "high": scale.shown(p.value + u),
                "verdict": decided.verdict if decided else "not judged",
                "photographs": p.count,
            }
        )
    order = [row["part"] for row in rows]
    colours = {**COLOURS, "not judged": POINT}
    base = alt.Chart(alt.Data(values=rows)).encode(
        x=alt.X("part:N", sort=order, title=None),
        color=alt.Color(
            "verdict:N",
            scale=alt.Scale(domain=list(colours), range=list(colours.values())),
            legend=alt.Legend(
                orient="top", title=None, values=sorted({r["verdict"] for r in rows})
            ),
        ),
        tooltip=["part:N", "value:Q", "verdict:N", "photographs:Q"],
    )
    layers: list[Any] = [
        base.mark_rule(strokeWidth=1.5).encode(
            y=alt.Y("low:Q", title=_title(one, tell)), y2="high:Q"
        ),
        base.mark_point(filled=True, size=70, opacity=1).encode(
            y="value:Q",
            shape=alt.Shape(
                "verdict:N",
                scale=alt.Scale(
                    domain=list(colours), range=["circle", "cross", "diamond", "square"]
                ),
            ),
        ),
    ]
    if one.tolerance is not None:
        limits = (one.tolerance.low, one.tolerance.high)
        ends = [scale.shown(limit) for limit in limits if abs(limit) < float("inf")]
        layers.append(_rule(ends, LIMIT, [6, 3]))
    said = parts_words(one, tell)
    return alt.layer(*layers).properties(height=280, description=said)


def control_chart(one: CharacteristicFindings, chart: Chart, tell: Telling) -> alt.LayerChart:
    """A control chart with its limits, and rings round the points that break a rule."""
    scale = tell.scale(one.unit)
    names = [_text(name) for name in one.points_of(chart.kind)]
    out = set(chart.out)
    first = max(0, len(chart.points) - MOST_POINTS)
    rows = [
        {
            "place": i,
            "part": names[i],
            "value": round(scale.shown(chart.points[i]), 5),
            "lower": scale.shown(chart.lower[i]),
            "upper": scale.shown(chart.upper[i]),
            "signal": "breaks a rule" if i in out else "",
        }
        for i in range(first, len(chart.points))
    ]
    base = alt.Chart(alt.Data(values=rows)).encode(
        x=alt.X("part:N", sort=[r["part"] for r in rows], title=None)
    )
    line = {"strokeDash": [6, 3], "color": LIMIT, "interpolate": "step"}
    layers = [
        base.mark_line(**line).encode(y=alt.Y("upper:Q", title=scale.symbol)),
        base.mark_line(**line).encode(y="lower:Q"),
        base.mark_line(color=POINT, point={"color": POINT, "size": 35, "filled": True}).encode(
            y=alt.Y("value:Q", scale=alt.Scale(zero=False)),
            tooltip=["part:N", "value:Q", "signal:N"],
        ),
        base.transform_filter("datum.signal != ''")
        .mark_point(size=200, color=LIMIT, filled=False, strokeWidth=2)
        .encode(y="value:Q", tooltip=["part:N", "value:Q", "signal:N"]),
        _rule([scale.shown(chart.centre)], CENTRE, [1, 0]),
    ]
    return alt.layer(*layers).properties(height=190, description=chart_words(one, chart, tell))


def readings_chart(
    one: CharacteristicFindings, values: Iterable[Value], tell: Telling
) -> alt.LayerChart:
    """Every reading by part and operator; hollow where its photograph carries a warning."""
    scale = tell.scale(one.unit)
    shown = {p.part: _text(p.part) for p in one.parts[-MOST_POINTS:]}
    rows = [
        {
            "part": shown[v.part],
            "operator": _text(v.operator) or "all",
            "value": round(scale.shown(v.value), 5),
            "photograph": _text(v.photo),
            "warned": bool(v.warnings),
        }
        for v in values
        if v.characteristic == one.name and v.part in shown
    ]
    operators = list(dict.fromkeys(r["operator"] for r in rows))
    colours = [OPERATOR_COLOURS[i % len(OPERATOR_COLOURS)] for i in range(len(operators))]
    base = alt.Chart(alt.Data(values=rows)).encode(
        x=alt.X("part:N", sort=list(shown.values()), title=None),
        xOffset=alt.XOffset("operator:N", sort=operators),
        y=alt.Y("value:Q", title=_title(one, tell)),
        color=alt.Color(
            "operator:N",
            scale=alt.Scale(domain=operators, range=colours),
            legend=alt.Legend(orient="top", title=None),
        ),
        tooltip=["photograph:N", "part:N", "operator:N", "value:Q", "warned:N"],
    )
    return alt.layer(
        base.transform_filter("!datum.warned").mark_point(filled=True, size=45, opacity=1),
        base.transform_filter("datum.warned").mark_point(filled=False, size=45, opacity=1),
    ).properties(height=280, description=f"{len(rows)} readings by part and operator.")


def course_chart(course: Course) -> alt.LayerChart:
    """One quantity of cards, print or lens over time; rings where a change is told."""
    rows = [
        {
            "place": i,
            "when": _when(course, i),
            "what": _text(p.name),
            "value": p.value,
            "low": p.low,
            "high": p.high,
            "lower": p.lower,
            "upper": p.upper,
            "change": "a change is told" if p.told else "",
        }
        for i, p in enumerate(course.points)
    ]
    base = alt.Chart(alt.Data(values=rows)).encode(
        x=alt.X(
            "when:N", sort=[r["when"] for r in rows], title=None, axis=alt.Axis(labelAngle=-40)
        )
    )
    unit = COURSE_UNITS.get(course.unit, course.unit) or None
    line = {"strokeDash": [6, 3], "color": LIMIT, "interpolate": "step"}
    height = alt.Y("value:Q", title=unit, scale=alt.Scale(zero=False))
    layers = [
        base.mark_line(**line).encode(y=alt.Y("upper:Q", title=unit)),
        base.mark_line(**line).encode(y="lower:Q"),
        base.mark_rule(color=POINT).encode(y="low:Q", y2="high:Q"),
        base.mark_line(color=POINT, point={"color": POINT, "size": 35, "filled": True}).encode(
            y=height, tooltip=["when:N", "what:N", "value:Q", "low:Q", "high:Q", "change:N"]
        ),
        base.transform_filter("datum.change != ''")
        .mark_point(size=200, color=LIMIT, filled=False, strokeWidth=2)
        .encode(y="value:Q", tooltip=["when:N", "value:Q", "change:N"]),
    ]
    return alt.layer(*layers).properties(height=220, description=course_words(course))


def _when(course: Course, place: int) -> str:
    """The date, with a number behind it for a second occasion of one day."""
    dates = [p.date for p in course.points[: place + 1]]
    nth = dates.count(dates[-1])
    return dates[-1] if nth == 1 else f"{dates[-1]} ({nth})"


def _rule(heights: Sequence[float], colour: str, dash: list[int]) -> alt.Chart:
    rows = [{"y": height} for height in heights]
    return (
        alt.Chart(alt.Data(values=rows)).mark_rule(color=colour, strokeDash=dash).encode(y="y:Q")
    )


def _title(one: CharacteristicFindings, tell: Telling) -> str:
    return f"{_text(wording(one.name).name)}, {tell.scale(one.unit).symbol}"


def _text(words: str) -> str:
    return visible_text(words)[:60]
