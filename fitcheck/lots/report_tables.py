"""Tables of a lot's report: gauge study, operators, budget, capability."""

from __future__ import annotations

import math

from fitcheck.lots.analysis import CharacteristicFindings
from fitcheck.lots.capability import Capability, Ratio
from fitcheck.lots.gauge_study import Estimate, GaugeStudy
from fitcheck.lots.plan import count
from fitcheck.lots.words import number_text, percent_text
from fitcheck.plain_text import visible_text
from fitcheck.reporting.blocks import Cell, Table, cell
from fitcheck.units import uncertainty_text
from fitcheck.wording import SOURCES


def study_rows(study: GaugeStudy, unit: str) -> list[tuple[str, str, str]]:
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
        (name, uncertainty_or_zero(e.value, unit), interval_text(e, unit))
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


def study_table(study: GaugeStudy, unit: str, title: str) -> Table:
    """The components of a gauge study as a table of the report."""
    return Table(
        f"{title}: {study_sentence(study)}",
        ("Standard deviation of", "Estimate", "95 % interval"),
        tuple(tuple(map(cell, row)) for row in study_rows(study, unit)),
        (1.6, 1, 1.4),
    )


def study_sentence(study: GaugeStudy) -> str:
    """What went into a gauge study."""
    said = f"{count(study.readings, 'reading')} of {count(len(study.parts), 'part')}"
    named = [visible_text(o) for o in study.operators if o]
    if named:
        said += f" by {', '.join(named[:6])}"
    if study.pooled is True:
        said += "; the interaction is not significant and pooled with the repeats"
    elif study.pooled is False:
        said += "; the interaction is not pooled"
    else:
        said += "; one operator, so reproducibility cannot be told"
    if study.left_out:
        some = ", ".join(visible_text(p) for p in study.left_out[:6])
        more = " …" if len(study.left_out) > 6 else ""
        said += f"; left out, not measured by everyone: {some}{more}"
    if len(study.operators) == 2:
        said += "; two operators tell little of reproducibility"
    return said + "."


def operators_table(one: CharacteristicFindings) -> Table:
    """Repeatability of each operator."""
    study = one.study
    assert study is not None  # noqa: S101 (asked for only then)
    alike = (
        ""
        if study.alike is None
        else f" Probability of such a difference by chance (Bartlett): {small_text(study.alike)}."
    )
    return Table(
        f"Repeatability of each operator, all photographs.{alike}",
        ("Operator", "Standard deviation", "95 % interval"),
        tuple(
            (
                cell(visible_text(name) or "–"),
                cell(uncertainty_or_zero(e.value, one.unit)),
                cell(interval_text(e, one.unit)),
            )
            for name, e in study.by_operator.items()
        ),
        (1.6, 1, 1.4),
    )


def budget_table(one: CharacteristicFindings) -> Table:
    """Where the photographs' own uncertainty comes from."""
    total = math.fsum(u**2 for u in one.budget.values())
    shown = [(s, u) for s, u in one.budget.items() if total > 0 and u**2 >= 0.005 * total]
    return Table(
        "Where the photographs' own standard uncertainty comes from, root mean square.",
        ("Source", "Standard uncertainty", "Share of the variance"),
        tuple(
            (
                cell(SOURCES.get(s, s.replace("_", " "))),
                cell(uncertainty_or_zero(u, one.unit)),
                cell(percent_text(u**2 / total)),
            )
            for s, u in shown
        ),
        (1.6, 1, 1.4),
    )


def uncertainty_or_zero(sd: float, unit: str) -> str:
    """A standard deviation with the digits it supports; 0 where there is none."""
    return uncertainty_text(sd, unit).removeprefix("± ") if sd > 1e-9 else f"0{unit_sign(unit)}"


def estimate_text(e: Estimate, unit: str) -> str:
    """An estimate with its interval."""
    return f"{uncertainty_or_zero(e.value, unit)} ({interval_text(e, unit)})"


def interval_text(e: Estimate, unit: str) -> str:
    """An estimate's 95 % interval."""
    return f"{uncertainty_or_zero(e.low, unit)} to {uncertainty_or_zero(e.high, unit)}"


def capability_row(name: str, c: Capability) -> tuple[Cell, ...]:
    """One row of the table of capability."""

    def ratio(r: Ratio | None) -> Cell:
        if r is None:
            return cell("")
        return cell(f"{r.value:.2f}", ratio_interval(r))

    return (
        cell(name),
        cell(number_text(c.mean)),
        cell(number_text(c.sd)),
        ratio(c.cp),
        ratio(c.cpk),
        ratio(c.cpm),
    )


def ratio_interval(r: Ratio) -> str:
    """The 95 % interval of a ratio of capability, which may be open above."""
    return f"{r.low:.2f} to {'open' if math.isinf(r.high) else f'{r.high:.2f}'}"


def small_text(probability: float) -> str:
    """A probability as percent, not smaller than anybody believes."""
    return "under 0.01 %" if probability < 1e-4 else percent_text(probability, 2)


def unit_sign(unit: str) -> str:
    """A unit as it stands after a number."""
    return "°" if unit == "deg" else f" {unit}"
