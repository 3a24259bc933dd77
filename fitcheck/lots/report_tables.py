"""Tables of a lot's report: gauge study, operators, budget, capability."""

from __future__ import annotations

import math

from fitcheck.lots.analysis import CharacteristicFindings
from fitcheck.lots.capability import Capability, Interval, Ratio
from fitcheck.lots.gauge_study import Estimate, GaugeStudy
from fitcheck.lots.plan import count
from fitcheck.lots.scale import Scale
from fitcheck.lots.telling import Telling
from fitcheck.lots.words import percent_text, small_text
from fitcheck.plain_text import visible_text
from fitcheck.reporting.blocks import Cell, Table, cell
from fitcheck.units import MINUS, quantity_text


def study_rows(study: GaugeStudy, scale: Scale) -> list[tuple[str, str, str]]:
    """The components of a gauge study: what, its estimate and its interval."""
    lines: list[tuple[str, Estimate | None]] = [
        ("Repeatability", study.repeatability),
        ("Reproducibility", study.reproducibility),
        ("of it, interaction", study.interaction),
        ("Gauge, both together", study.gauge),
        ("Parts", study.part),
        ("Total", study.total),
    ]
    rows = [
        (name, scale.spread(e.value), interval_text(e, scale))
        for name, e in lines
        if e is not None
    ]
    for name, e, sign in (
        ("Gauge of total", study.percent_of_total, " %"),
        ("Six gauge std. dev. of tolerance", study.percent_of_tolerance, " %"),
        ("Distinct categories", study.categories, ""),
    ):
        if e is not None:
            rows.append((name, f"{e.value:.0f}{sign}", f"{e.low:.0f} to {e.high:.0f}{sign}"))
    return rows


def study_table(study: GaugeStudy, unit: str, title: str, tell: Telling) -> Table:
    """The components of a gauge study as a table of the report."""
    rows = study_rows(study, tell.scale(unit))
    left_out = left_out_text(study)
    after = f" {tell.text('Left out, not measured by everyone')}: {left_out}." if left_out else ""
    return Table(
        f"{tell.text(title)}: {tell.text(study_sentence(study))}{after}",
        tuple(map(tell.text, ("Standard deviation of", "Estimate", "95 % interval"))),
        tuple(
            (cell(tell.say(name)), cell(tell.number(value)), cell(tell.number(interval)))
            for name, value, interval in rows
        ),
        (1.6, 1, 1.4),
    )


def study_sentence(study: GaugeStudy) -> str:
    """What went into a gauge study."""
    said = f"{count(study.readings, 'reading')} of {count(len(study.parts), 'part')}"
    if len(study.operators) > 1:
        said += f" by {count(len(study.operators), 'operator')}"
    if study.pooled is True:
        said += ". The interaction is not significant and pooled with the repeats"
    elif study.pooled is False:
        said += ". The interaction is not pooled"
    else:
        said += ". One operator, so reproducibility cannot be told"
    if len(study.operators) == 2:
        said += ". Two operators tell little of reproducibility"
    return said + "."


def left_out_text(study: GaugeStudy) -> str:
    """Names of the parts that were left out; empty without any."""
    some = ", ".join(visible_text(p) for p in study.left_out[:6])
    return some + (" …" if len(study.left_out) > 6 else "")


def operators_table(one: CharacteristicFindings, tell: Telling) -> Table:
    """Repeatability of each operator."""
    study, scale = one.study, tell.scale(one.unit)
    assert study is not None  # noqa: S101 (asked for only then)
    caption = "Repeatability of each operator, all photographs."
    if study.alike is not None:
        chance = small_text(study.alike)
        caption += f" Probability of such a difference by chance (Bartlett): {chance}."
    return Table(
        tell.text(caption),
        tuple(map(tell.text, ("Operator", "Standard deviation", "95 % interval"))),
        tuple(
            (
                cell(visible_text(name) or "–"),
                cell(tell.number(scale.spread(e.value))),
                cell(tell.number(interval_text(e, scale))),
            )
            for name, e in study.by_operator.items()
        ),
        (1.6, 1, 1.4),
    )


def budget_table(one: CharacteristicFindings, tell: Telling) -> Table:
    """Where the photographs' own uncertainty comes from."""
    total = math.fsum(u**2 for u in one.budget.values())
    shown = [(s, u) for s, u in one.budget.items() if total > 0 and u**2 >= 0.005 * total]
    scale = tell.scale(one.unit)
    return Table(
        tell.text("Where the photographs' own standard uncertainty comes from, root mean square."),
        tuple(map(tell.text, ("Source", "Standard uncertainty", "Share of the variance"))),
        tuple(
            (
                cell(tell.source(s)),
                cell(tell.number(scale.spread(u))),
                cell(percent_text(u**2 / total)),
            )
            for s, u in shown
        ),
        (1.6, 1, 1.4),
    )


def estimate_text(e: Estimate, scale: Scale) -> str:
    """An estimate with its interval."""
    return f"{scale.spread(e.value)} ({interval_text(e, scale)})"


def interval_text(e: Estimate | Interval, scale: Scale) -> str:
    """The 95 % interval of a spread."""
    return f"{scale.spread(e.low)} to {scale.spread(e.high)}"


def mean_lines(c: Capability, scale: Scale, sign: bool = True) -> tuple[str, str]:
    """Mean of the parts with half its 95 % interval, and their standard deviation with its own."""
    low, high = c.mean_interval.low, c.mean_interval.high
    half = scale.shown((high - low) / 2)
    return (
        quantity_text(scale.shown(c.mean), half, scale.unit, signed=sign),
        f"{scale.spread(c.sd)} ({interval_text(c.sd_interval, scale)})",
    )


def capability_row(name: str, c: Capability, tell: Telling, unit: str) -> tuple[Cell, ...]:
    """One row of the table of capability."""
    scale = tell.scale(unit)

    def ratio(r: Ratio | None) -> Cell:
        if r is None:
            return cell("")
        value = f"{r.value:.2f}".replace("-", MINUS)
        return cell(tell.number(value), tell.number(ratio_interval(r)))

    return (
        cell(tell.say(name)),
        cell(tell.number(scale.spread(c.sd)), tell.number(interval_text(c.sd_interval, scale))),
        ratio(c.cp),
        ratio(c.cpk),
        ratio(c.cpm),
    )


def ratio_interval(r: Ratio) -> str:
    """The 95 % interval of a ratio of capability, which may be open above."""
    said = f"from {r.low:.2f}" if math.isinf(r.high) else f"{r.low:.2f} to {r.high:.2f}"
    return said.replace("-", MINUS)
