"""The findings as the report shows them: first for whoever owns the bow, then for the bench.

Only text is made here; what is shown comes from :mod:`fitcheck.findings` and is computed
nowhere else.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from fitcheck.findings.condition import ITEMS
from fitcheck.findings.decisions import Finding
from fitcheck.findings.draw import Curve
from fitcheck.findings.faults import Cause
from fitcheck.findings.limits import MARKS
from fitcheck.findings.plain import (
    cause_sentences,
    found_sentences,
    looked_at,
    proposal_sentences,
    verdict_words,
)
from fitcheck.findings.readings import BenchFinding
from fitcheck.findings.score import Score
from fitcheck.findings.seat import Value
from fitcheck.findings.steps import Prediction, Step
from fitcheck.findings.string_line import StringLine
from fitcheck.findings.whole import Findings
from fitcheck.findings.words import (
    MEASURES,
    depth_text,
    part_words,
    percent,
    plain_quantity,
    sentence,
)
from fitcheck.inspection import ARRANGEMENTS
from fitcheck.units import inch_decimal_text, inch_fraction_text
from fitcheck.wording import WORDING, wording

# Symbol and level of the badge: colour is never the only sign.
USES = {
    "return as is": ("✓", "good"),
    "rework": ("✗", "rework"),
    "do not shoot, reject": ("■", "rework"),
    "cannot be said yet": ("?", "undecided"),
}
SIGNS = {"good": "✓", "acceptable": "~", "rework": "✗", "undecided": "?"}
CHART_WIDTH, CHART_HEIGHT, CHART_MARGIN = 480, 260, 44


@dataclass(frozen=True)
class DecisionRow:
    """One line of the table of decisions."""

    where: str
    name: str
    value: str
    says: str
    inches: tuple[str, ...]
    good: str
    rework: str
    mark: str
    sign: str
    verdict: str
    chances: tuple[str, str]
    what_decides: str
    tool: str


@dataclass(frozen=True)
class CauseRow:
    """One line of the table of causes."""

    part: str
    share: str
    probability: str
    past_good: str
    basis: str


@dataclass(frozen=True)
class StepView:
    """One step of the rework list."""

    number: int
    step: Step
    depth: str
    changes: tuple[tuple[str, str, str], ...]
    unchanged: tuple[str, ...]
    score: str


@dataclass(frozen=True)
class StringRow:
    """The string at one place."""

    where: str
    off: str
    decision: str
    seen: str


@dataclass(frozen=True)
class Chart:
    """The force–draw curve as points of a drawing, and what it shows in words."""

    width: int
    height: int
    line: str
    points: tuple[tuple[float, float], ...]
    labels: tuple[tuple[float, float, str], ...]
    words: str


@dataclass(frozen=True)
class FindingsView:
    """Everything that the template shows."""

    sign: str
    level: str
    use: str
    headline: str
    reasons: tuple[str, ...]
    missing: tuple[str, ...]
    cautions: tuple[str, ...]
    score: str
    score_where: str
    score_missing: tuple[str, ...]
    looked_at: tuple[str, ...]
    found: tuple[str, ...]
    causes: tuple[str, ...]
    proposals: tuple[str, ...]
    stops: tuple[str, ...]
    decisions: tuple[tuple[str, tuple[DecisionRow, ...]], ...]
    scores: tuple[tuple[str, Score], ...]
    cause_rows: tuple[CauseRow, ...]
    steps: tuple[StepView, ...]
    steps_for: str
    out_of_reach: tuple[tuple[str, str], ...]
    left_alone: tuple[str, ...]
    strings: tuple[tuple[str, tuple[StringRow, ...], str], ...]
    bench: tuple[BenchFinding, ...]
    chart: Chart | None
    condition: tuple[tuple[str, str, str], ...]
    clear: tuple[str, ...]
    not_looked: tuple[tuple[str, str], ...]
    notes: tuple[str, ...]
    mount: str
    limits: tuple[tuple[str, str, str, str, str], ...]


def findings_view(findings: Findings) -> FindingsView:
    """Turn the findings into what the template shows."""
    f, fit = findings, findings.fitness
    sign, level = USES[fit.use]
    bow = f.bow_score
    return FindingsView(
        sign=sign,
        level=level,
        use=fit.use,
        headline=fit.headline,
        reasons=_reasons(f),
        missing=fit.missing,
        cautions=fit.cautions,
        score="not scored" if bow is None else bow.text,
        score_where="" if bow is None else f"{bow.seat.end} end, limb {bow.seat.limb or 'off'}",
        score_missing=() if bow is None else bow.missing,
        looked_at=looked_at(f),
        found=found_sentences(f),
        causes=cause_sentences(f),
        proposals=proposal_sentences(f),
        stops=tuple(one.sentence for one in f.condition.stops),
        decisions=tuple(_decision_tables(f)),
        scores=tuple(
            (_seat_words(score, arrangement), score)
            for arrangement in ARRANGEMENTS
            for score in f.scores[arrangement].values()
            if score.out_of
        ),
        cause_rows=tuple(_cause_row(c) for c in f.faults.causes if c.probability >= 0.02),
        steps=tuple(_step(i, step) for i, step in enumerate(f.rework.steps, start=1)),
        steps_for=f.rework.arrangement,
        out_of_reach=tuple((o.what, o.why) for o in f.rework.out_of_reach),
        left_alone=tuple(item.text for item in f.rework.left_alone),
        strings=tuple(
            (arrangement, _string_rows(line), _string_words(line))
            for arrangement in ARRANGEMENTS
            if (line := f.string[arrangement]) is not None
        ),
        bench=f.bench,
        chart=None if f.curve is None else _chart(f.curve),
        condition=tuple(
            (sentence(one.item.words), one.where, f"{one.item.why} {one.note}".strip())
            for one in f.condition.found
        ),
        clear=f.condition.clear,
        not_looked=tuple(
            (item.words, item.look)
            for item in ITEMS.values()
            if item.words in f.condition.not_looked
        ),
        notes=(
            *(f"{note.message} {note.advice}" for note in f.evidence.notes),
            *(n for seats in f.seats.values() for s in seats.values() for n in s.notes),
        ),
        mount=f.inspection.bow.mount,
        limits=tuple(
            (
                sentence(MEASURES.get(name, name.replace("_", " "))),
                limit.good_text,
                limit.rework_text,
                "own" if limit.edited else limit.mark,
                limit.note or MARKS[limit.mark],
            )
            for name, limit in f.limits.items()
        ),
    )


def _seat_words(score: Score, arrangement: str) -> str:
    limb = "bare pad" if score.seat.limb is None else f"limb {score.seat.limb}"
    words = sentence(f"{score.seat.end} end, {limb}")
    return words if arrangement == "as received" else f"{words}, limbs exchanged"


def _reasons(f: Findings) -> tuple[str, ...]:
    """Reasons that the report does not tell elsewhere; a bow to be rejected has them all."""
    elsewhere = {one.sentence for one in f.condition.stops}
    if f.fitness.use != "do not shoot, reject":
        elsewhere |= {f"{o.what} {o.why}" for o in f.rework.out_of_reach}
        elsewhere |= {item.text for item in f.rework.left_alone}
    return tuple(text for text in f.fitness.reasons if text not in elsewhere)


def _decision_tables(f: Findings) -> Iterable[tuple[str, tuple[DecisionRow, ...]]]:
    if f.findings:
        yield "As received", tuple(_decision_row(one) for one in f.findings)
    if f.findings_exchanged and any(
        one.value.tool == "photograph" and one.limb for one in f.findings_exchanged
    ):
        yield "Limbs exchanged", tuple(_decision_row(one) for one in f.findings_exchanged)


def _decision_row(one: Finding) -> DecisionRow:
    judged, limit = one.judged, one.judged.tolerance
    verdict = verdict_words(one)
    where = "whole bow" if one.end is None else f"{one.end} end"
    if one.limb is not None:
        where = f"{where}, limb {one.limb}"
    name = MEASURES.get(one.name, one.name.replace("_", " "))
    if one.name.startswith("string"):
        name = one.said.rpartition(" at ")[2]
        name = f"string at {name}"
    return DecisionRow(
        where,
        sentence(name),
        plain_quantity(one.value.value, one.value.standard_uncertainty, one.value.unit),
        _says(one),
        _inches(one.value),
        limit.good_text,
        limit.rework_text,
        "own" if limit.edited else limit.mark,
        SIGNS[verdict],
        verdict,
        (percent(judged.p_good), percent(judged.p_rework_free)),
        one.what_decides,
        one.value.tool,
    )


def _says(one: Finding) -> str:
    words = wording(one.name)
    if abs(one.value.value) <= one.value.expanded or one.name not in WORDING:
        return ""
    return words.positive if one.value.value > 0 else words.negative


def _inches(value: Value) -> tuple[str, ...]:
    if value.unit != "mm":
        return ()
    spread = max(value.expanded, 1e-3)
    fraction = inch_fraction_text(value.value, spread)
    decimal = inch_decimal_text(value.value, spread)
    return (fraction, decimal) if fraction else (decimal,)


def _cause_row(cause: Cause) -> CauseRow:
    share = plain_quantity(cause.value, cause.standard_uncertainty, cause.unit)
    if cause.angle is not None:
        share = f"{share}; {plain_quantity(*cause.angle, 'deg')}"
    return CauseRow(
        sentence(part_words(cause.part)),
        share,
        percent(cause.probability),
        percent(cause.p_past_good),
        "fixed by the readings alone"
        if cause.determined
        else "the readings alone leave it open; weighed by what is likelier",
    )


def _step(number: int, step: Step) -> StepView:
    return StepView(
        number,
        step,
        "" if step.depth_mm is None else depth_text(step.depth_mm),
        tuple(
            (sentence(_name(p)), _quantity(p.before), _quantity(p.after))
            for p in step.predicted
            if _visible(p)
        ),
        tuple(_name(p) for p in step.predicted if not _visible(p)),
        "" if step.score_after is None else step.score_after.text,
    )


def _name(prediction: Prediction) -> str:
    return MEASURES.get(prediction.name, prediction.name.replace("_", " "))


def _quantity(value: Value) -> str:
    return plain_quantity(value.value, value.standard_uncertainty, value.unit)


def _visible(prediction: Prediction) -> bool:
    """Whether a change is more than a tenth of its own uncertainty, and so worth a line."""
    by = abs(prediction.after.value - prediction.before.value)
    return by > 0.1 * prediction.before.expanded


def _string_rows(line: StringLine) -> tuple[StringRow, ...]:
    rows = []
    for place in line.places:
        seen = ""
        if place.seen is not None:
            seen = f"{plain_quantity(*place.seen, 'mm')}, " + (
                "agrees" if place.agrees else "does not agree"
            )
        rows.append(
            StringRow(
                sentence(place.at),
                plain_quantity(place.value, place.standard_uncertainty, "mm"),
                f"{'' if place.seen is None else 'by the rule: '}{place.judged.sentence}",
                seen,
            )
        )
    return tuple(rows)


def _string_words(line: StringLine) -> str:
    said = []
    if line.assumed:
        said.append(f"Not measured and taken as typical: {'; '.join(line.assumed)}.")
    if not line.mount_known:
        said.append(
            "Whether the limbs lie on the riser’s belly or back is not known, so the way a roll "
            "moves the tip is not either."
        )
    said.append(
        {
            True: "The seats were photographed strung.",
            False: "The seats were photographed unstrung; the line is reckoned for the strung "
            "bow. An unstrung recurve’s tip may lie on the other side of its pad plane, where a "
            "roll moves it the other way.",
            None: "Some seats were photographed strung and some not.",
        }[line.photographed_strung]
    )
    return " ".join(said)


def _chart(curve: Curve) -> Chart | None:
    if len(curve.draw_in) < 2:
        return None
    low, high = curve.draw_in[0], curve.draw_in[-1]
    top = max(curve.force_lb)
    if top <= 0 or high <= low:
        return None

    def place(draw: float, force: float) -> tuple[float, float]:
        x = CHART_MARGIN + (draw - low) / (high - low) * (CHART_WIDTH - 2 * CHART_MARGIN)
        y = CHART_HEIGHT - CHART_MARGIN - force / top * (CHART_HEIGHT - 2 * CHART_MARGIN)
        return round(x, 1), round(y, 1)

    points = tuple(place(d, f) for d, f in zip(curve.draw_in, curve.force_lb, strict=True))
    labels = tuple(
        (x, y + 18 if draw == low else y - 9, f"{force:.0f} lb at {draw:.4g} in")
        for (x, y), draw, force in zip(points, curve.draw_in, curve.force_lb, strict=True)
        if force == top or draw == low
    )
    words = "; ".join(
        f"{force:.1f} lb at {draw:.4g} in"
        for draw, force in zip(curve.draw_in, curve.force_lb, strict=True)
    )
    return Chart(
        CHART_WIDTH,
        CHART_HEIGHT,
        " ".join(f"{x},{y}" for x, y in points),
        points,
        labels,
        f"Force over draw by AMO: {words}.",
    )
