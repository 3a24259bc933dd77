"""Whether the method suits the tolerance, and what would improve it most."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from fitcheck.lots.gauge_study import SIX, USABLE_PERCENT, Estimate, GaugeStudy
from fitcheck.lots.one_user import suits
from fitcheck.lots.scale import scale_of
from fitcheck.plain_text import visible_text
from fitcheck.wording import SOURCES

MOST_PHOTOS = 20  # more would not be taken
ALIKE = (
    "All repeated readings are alike: how well they repeat cannot be told. Read to more digits, "
    "or look whether one reading was written down for all."
)

# What to do about a source; the rest need no doing or cannot be helped.
REMEDIES = {
    "edge": "go closer or use the full resolution, in even light, with the edges sharp",
    "other_line": "look at the drawn edges and mark those by hand that are doubtful",
    "arris": "light the arrises evenly from both sides, and go closer",
    "pose": "go closer, and keep the cards flat and sharp",
    "lens": "keep a lens profile of the telephone (--lens-profiles)",
    "print_scale": "measure both check bars of the sheet with a caliper (--print-scale)",
    "card_thickness": "measure the mounted card with a caliper (--card-thickness)",
    "card_flatness": "mount the cards on stiff flat stock",
    "card_lean": "look straight along the pad from its middle, with the card upright",
    "card_base": "stand the card's fold clean on the surface, and keep its lower edge in view",
    "card_set": "set the cards more carefully on their centre marks",
    "card_fold": "exchange the cards, or turn the card end for end, and take the mean",
    "setback": "stand the card at the very end of the pad",
    "sides_parallel": "give a straight reference side, or judge each side for itself",
}


@dataclass(frozen=True)
class Improvement:
    """What a gauge study comes to.

    Attributes
    ----------
    suits
        ``yes``, ``with care``, ``no`` or ``not judged``.
    sentences
        Why, and what would help, the most first.
    photos_needed
        Photographs of each part whose mean takes up to 30 % of the tolerance; 1 if a single
        one does, None if no reasonable number does or nothing is judged.
    """

    suits: str
    sentences: tuple[str, ...]
    photos_needed: int | None


def improvement(
    study: GaugeStudy, budget: Mapping[str, float], width: float | None, unit: str
) -> Improvement:
    """Say what a gauge study comes to.

    Parameters
    ----------
    study
        The study.
    budget
        Root mean square of each source in the photographs' own budgets, as
        :func:`fitcheck.lots.part_values.mean_budget` gives it; may be empty.
    width
        Of the tolerance; None without.
    unit
        Of all of it.
    """
    said: list[str] = []
    percent = study.percent_of_tolerance
    verdict = "not judged"
    needed = None
    if study.gauge.value <= 0:
        said.append(ALIKE)
    elif percent is not None and width is not None:
        verdict = suits(percent.value)
        said.append(_verdict(verdict, percent))
        needed = photos_needed(study, width)
    if study.gauge.value > 0:
        said += _who(study, unit)
    said += _source(budget, unit)
    if verdict != "yes" and needed is not None and needed > 1:
        said.append(
            f"The mean of {needed} photographs of a part takes no more than "
            f"{USABLE_PERCENT:.0f} % of the tolerance."
        )
    elif verdict == "no" and needed is None:
        said.append(
            "No reasonable number of photographs brings the mean under "
            f"{USABLE_PERCENT:.0f} % of the tolerance: improve what is named first."
        )
    return Improvement(verdict, tuple(said), needed)


def photos_needed(study: GaugeStudy, width: float) -> int | None:
    """Photographs of a part by one operator whose mean takes up to 30 % of the tolerance."""
    allowed = (USABLE_PERCENT / 100 * width / SIX) ** 2
    lasting = (study.reproducibility.value if study.reproducibility else 0.0) ** 2
    if lasting >= allowed:
        return None
    count = max(1, math.ceil(study.repeatability.value**2 / (allowed - lasting) - 1e-9))
    return count if count <= MOST_PHOTOS else None


def _verdict(verdict: str, percent: Estimate) -> str:
    words = {
        "yes": "The method suits this tolerance",
        "with care": "The method can be used for this tolerance, with care near its limits",
        "no": "A single photograph does not suit this tolerance",
    }[verdict]
    return (
        f"{words}: six standard deviations of it take {percent.value:.0f} % of its width "
        f"(95 %: {percent.low:.0f} to {percent.high:.0f} %)."
    )


def _who(study: GaugeStudy, unit: str) -> list[str]:
    if study.unlike_operators:
        order = sorted(study.by_operator, key=lambda o: study.by_operator[o].value)
        best, worst = order[0], order[-1]
        low, high = study.by_operator[best].value, study.by_operator[worst].value
        percent = study.percent_of_tolerance
        then = ""
        if percent is not None and study.gauge.value > 0:
            share = percent.value * low / study.gauge.value
            then = f" Taken as {_name(best)} takes them they would take {share:.0f} %."
        return [
            f"What would help most is how they are taken: those by {_name(worst)} scatter by "
            f"{_size(high, unit)}, those by {_name(best)} by {_size(low, unit)} (standard "
            f"deviations), which is not chance.{then}"
        ]
    if study.reproducibility is None:
        return []
    if study.reproducibility.value > study.repeatability.value:
        return [
            "Most of it lies between the operators: agree on how the cards are set and from "
            "where the photograph is taken."
        ]
    return ["Most of it lies in the single photograph, not between the operators."]


def _source(budget: Mapping[str, float], unit: str) -> list[str]:
    total = math.fsum(u**2 for u in budget.values())
    if total <= 0:
        return []
    source = max(budget, key=lambda s: budget[s])
    share = budget[source] ** 2 / total
    name = SOURCES.get(source, source.replace("_", " "))
    said = (
        f"In the photographs' own budgets the largest source is “{name}”, "
        f"{_size(budget[source], unit)}, {100 * share:.0f} % of the variance"
    )
    remedy = REMEDIES.get(source)
    return [f"{said}: {remedy}." if remedy else f"{said}."]


def _size(sd: float, unit: str) -> str:
    return scale_of(unit).spread(sd) if sd > 0 else "nothing"  # as the tables show it


def _name(operator: str) -> str:
    return visible_text(operator)[:60] or "–"
