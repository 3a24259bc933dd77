"""From a lot's numbers to its findings: parts, charts, capability, decisions, gauge study.

Looks at no photograph: numbers of any gauge will do.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from fitcheck.errors import BadInput
from fitcheck.lots.acceptance import Accepted, GlobalRisk, Tolerance, accept, global_risk
from fitcheck.lots.capability import Capability, Normality, capability, normality
from fitcheck.lots.control_charts import (
    OF_SUBGROUPS,
    Chart,
    Kind,
    ewma_chart,
    individuals_charts,
    subgroup_charts,
)
from fitcheck.lots.gauge_study import GaugeStudy, Reading, gauge_study
from fitcheck.lots.improvement import Improvement, improvement
from fitcheck.lots.part_values import PartValue, mean_budget, part_values
from fitcheck.lots.tolerances import tolerance_of
from fitcheck.lots.truth_check import TruthCheck, check_truth
from fitcheck.lots.values import Value
from fitcheck.views import VIEWS

Array = NDArray[np.float64]

# Limits from fewer points than this move with every further one; common practice.
FEW_POINTS = 20


@dataclass(frozen=True)
class CharacteristicFindings:
    """All that is found of one characteristic of a lot.

    Attributes
    ----------
    name, unit
        Which.
    parts
        Value of each part, in the order the parts came.
    tolerance
        None where it is not judged.
    decisions
        Part to what becomes of it; empty where it is not judged or nothing states an
        uncertainty.
    charts
        Individuals and moving range, EWMA; means and ranges or deviations where parts were
        made in subgroups. Empty with one part.
    capability, own_capability
        Of the measured parts, and with the spread of the measurement taken out; None where it
        cannot be told.
    normality
        Of the parts' values.
    risk
        Consumer's and producer's risk of a process that makes such parts.
    study, study_clean
        Gauge study over all photographs, and over those without a warning where some have one.
    no_study
        Why there is no gauge study; empty where there is.
    improvement
        What the gauge study comes to.
    budget
        Root mean square of each source over all photographs.
    truth
        Decisions held against the truth where that is known.
    """

    name: str
    unit: str
    parts: tuple[PartValue, ...]
    tolerance: Tolerance | None = None
    decisions: Mapping[str, Accepted] = field(default_factory=dict)
    charts: tuple[Chart, ...] = ()
    capability: Capability | None = None
    own_capability: Capability | None = None
    normality: Normality | None = None
    risk: GlobalRisk | None = None
    study: GaugeStudy | None = None
    study_clean: GaugeStudy | None = None
    no_study: str = ""
    improvement: Improvement | None = None
    budget: Mapping[str, float] = field(default_factory=dict)
    truth: TruthCheck | None = None

    @property
    def subgroups(self) -> tuple[str, ...]:
        """Names of the subgroups, in the order they came; empty if nobody names any."""
        names = dict.fromkeys(part.subgroup for part in self.parts)
        return tuple(names) if all(names) else ()

    @property
    def worst_first(self) -> list[PartValue]:
        """Parts as they are listed: rejected, to be measured again, accepted, not decided."""
        order = ("reject", "measure again", "accept")
        rank = {part: order.index(decided.verdict) for part, decided in self.decisions.items()}
        return sorted(self.parts, key=lambda p: rank.get(p.part, len(order)))

    def points_of(self, kind: Kind) -> tuple[str, ...]:
        """What the points of a chart stand for, in order: names of subgroups or parts."""
        if kind in OF_SUBGROUPS:
            return self.subgroups
        # A moving range belongs to the later of its two parts.
        return tuple(part.part for part in self.parts)[kind == "moving range" :]


def analyse(
    values: Sequence[Value],
    tolerances: Mapping[str, Tolerance] | None = None,
    truth: Mapping[str, Mapping[str, float]] | None = None,
) -> tuple[CharacteristicFindings, ...]:
    """Find what a lot's numbers tell.

    Parameters
    ----------
    values
        All of them, in the order the parts were made.
    tolerances
        The user's own, by characteristic.
    truth
        Part to characteristic to what is truly so, where that is known.

    Returns
    -------
    One for each characteristic: those that are judged first, then in the view's order. None
    if there is no value at all.

    Raises
    ------
    BadInput
        ``unknown_limit`` if a tolerance is given for a characteristic that was not measured.
    """
    if not values:
        return ()
    own = tolerances or {}
    by_name: dict[str, list[Value]] = {}
    for value in values:
        by_name.setdefault(value.characteristic, []).append(value)
    for name in own:
        if name not in by_name:
            raise BadInput(
                "unknown_limit",
                f"Limits are given for {name[:40]!r}, which was not measured.",
                f"There are: {', '.join(by_name)}.",
            )
    parts = part_values(values)
    order = [name for view in VIEWS.values() for name in view.units]

    def rank(name: str) -> tuple[bool, int]:
        judged = tolerance_of(name, own) is not None
        return not judged, order.index(name) if name in order else len(order)

    return tuple(
        _of_one(
            name,
            by_name[name],
            parts[name],
            tolerance_of(name, own),
            {p: t[name] for p, t in (truth or {}).items() if name in t},
        )
        for name in sorted(by_name, key=rank)
    )


def _of_one(
    name: str,
    values: Sequence[Value],
    parts: Sequence[PartValue],
    tolerance: Tolerance | None,
    truth: Mapping[str, float],
) -> CharacteristicFindings:
    unit = parts[0].unit
    numbers = np.array([p.value for p in parts])
    decisions = {}
    if tolerance is not None:
        decisions = {
            p.part: accept(p.value, p.standard_uncertainty, tolerance)
            for p in parts
            if p.standard_uncertainty is not None
        }
    width = None if tolerance is None or math.isinf(tolerance.width) else tolerance.width
    study, no_study = _study(values, width)
    clean = [v for v in values if not v.warnings]
    study_clean = None
    if study is not None and len(clean) < len(values):
        study_clean, _ = _study(clean, width)
    budget = mean_budget(values)
    measured, own, risk = _process(parts, numbers, tolerance)
    return CharacteristicFindings(
        name,
        unit,
        tuple(parts),
        tolerance,
        decisions,
        _charts(parts, numbers),
        measured,
        own,
        normality(numbers.tolist()),
        risk,
        study,
        study_clean,
        no_study,
        None if study is None else improvement(study, budget, width, unit),
        budget,
        None if tolerance is None else check_truth(parts, decisions, truth, tolerance),
    )


def _study(values: Sequence[Value], width: float | None) -> tuple[GaugeStudy | None, str]:
    try:
        return gauge_study([Reading(v.part, v.operator, v.value) for v in values], width), ""
    except BadInput as error:
        return None, str(error)


def _charts(parts: Sequence[PartValue], numbers: Array) -> tuple[Chart, ...]:
    if len(parts) < 2:
        return ()
    series = numbers.tolist()
    charts = [*individuals_charts(series), ewma_chart(series)]
    groups: dict[str, list[float]] = {}
    for part in parts:
        groups.setdefault(part.subgroup, []).append(part.value)
    if "" not in groups and len(groups) > 1 and min(map(len, groups.values())) > 1:
        charts += subgroup_charts(list(groups.values()))
    return tuple(charts)


def _process(
    parts: Sequence[PartValue], numbers: Array, tolerance: Tolerance | None
) -> tuple[Capability | None, Capability | None, GlobalRisk | None]:
    """Capability as measured, with the measurement taken out, and the risks of such a process."""
    if tolerance is None or len(parts) < 2:
        return None, None, None
    mean, sd = float(np.mean(numbers)), float(np.std(numbers, ddof=1))
    if sd <= 1e-12 * max(1.0, float(np.max(np.abs(numbers)))):
        return None, None, None
    low, high, target = tolerance.low, tolerance.high, tolerance.target
    measured = capability(mean, sd, len(parts), low, high, target)
    stated = [p.standard_uncertainty for p in parts]
    known = [u for u in stated if u is not None]
    if len(known) < len(parts):
        return measured, None, None
    noise = math.sqrt(float(np.mean([p.independent**2 for p in parts])))
    own = capability(mean, sd, len(parts), low, high, target, noise) if noise > 0 else None
    risk = None
    process = own or (measured if noise == 0 else None)
    if process is not None:
        typical = math.sqrt(float(np.mean(np.square(known))))
        risk = global_risk(mean, process.sd, typical, tolerance)
    return measured, own, risk
