"""The findings as JSON: only JSON types, every number with its unit in the name or beside it."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from fitcheck import __version__
from fitcheck.findings.combine import Combined
from fitcheck.findings.decisions import Finding
from fitcheck.findings.exchange import Exchange
from fitcheck.findings.faults import Cause, Faults
from fitcheck.findings.limits import Judged, Tolerance
from fitcheck.findings.readings import BenchFinding
from fitcheck.findings.score import Score
from fitcheck.findings.seat import Value
from fitcheck.findings.steps import Rework, Step
from fitcheck.findings.string_line import StringLine
from fitcheck.findings.sums import Part
from fitcheck.findings.whole import Findings
from fitcheck.findings.words import part_words, photo_words
from fitcheck.inspection import ARRANGEMENTS
from fitcheck.units import MM_PER_INCH

FORMAT = "fitcheck findings"
VERSION = 1
DIGITS = 6


def findings_to_json(findings: Findings) -> dict[str, Any]:
    """Return all findings as JSON types; no NaN, no infinity."""
    f = findings
    fit = f.fitness
    return {
        "format": FORMAT,
        "version": VERSION,
        "fitcheck": __version__,
        "fit_for": {
            "use": fit.use,
            "headline": fit.headline,
            "reasons": list(fit.reasons),
            "not_looked_at": list(fit.missing),
            "cautions": list(fit.cautions),
        },
        "score": {
            "bow": None if f.bow_score is None else _score(f.bow_score),
            "seats": {
                a: {end: _score(score) for end, score in f.scores[a].items()} for a in ARRANGEMENTS
            },
        },
        "faults": _faults(f.faults),
        "decisions": {
            "as received": [_finding(one) for one in f.findings],
            "exchanged": [_finding(one) for one in f.findings_exchanged],
        },
        "string_line": {a: _string(f.string[a]) for a in ARRANGEMENTS},
        "rework": _rework(f.rework),
        "bench": [_bench(one) for one in f.bench],
        "condition": {
            "found": [
                {
                    "item": one.name,
                    "where": one.where,
                    "effect": one.item.effect,
                    "sentence": one.sentence,
                    "note": one.note,
                    "mark": one.item.mark,
                }
                for one in f.condition.found
            ],
            "clear": list(f.condition.clear),
            "not_looked_at": list(f.condition.not_looked),
        },
        "limits": {name: _limit(limit) for name, limit in f.limits.items()},
        "values": [_combined(one) for one in f.evidence.values.values()],
        "photographs": _photographs(f),
        "notes": [
            *(f"{note.message} {note.advice}" for note in f.evidence.notes),
            *(note for seats in f.seats.values() for s in seats.values() for note in s.notes),
        ],
    }


def _number(value: float) -> float:
    if not math.isfinite(value):
        raise ValueError(f"findings hold a number that is not finite: {value}")
    rounded = round(float(value), DIGITS)
    return 0.0 if rounded == 0 else rounded  # no minus zero


def _value(value: Value) -> dict[str, Any]:
    return {
        "value": _number(value.value),
        "unit": value.unit,
        "standard_uncertainty": _number(value.standard_uncertainty),
        "expanded_uncertainty": _number(value.expanded),
        "tool": value.tool,
    }


def _part(part: Part) -> dict[str, Any]:
    return {"kind": part.kind, "end": part.end, "limb": part.limb, "words": part_words(part)}


def _cause(cause: Cause) -> dict[str, Any]:
    angle = cause.angle
    return {
        **_part(cause.part),
        "probability": _number(cause.probability),
        "named": cause.named,
        "sure": cause.sure,
        "fitted_in_pairs": cause.paired,
        "value": _number(cause.value),
        "unit": cause.unit,
        "standard_uncertainty": _number(cause.standard_uncertainty),
        "angle_deg": None if angle is None else _number(angle[0]),
        "angle_standard_uncertainty_deg": None if angle is None else _number(angle[1]),
        "probability_past_good": _number(cause.p_past_good),
        "probability_past_rework": _number(cause.p_past_rework),
        "severity": _number(cause.severity),
        "determined_by_readings_alone": cause.determined,
        "least_squares": None
        if cause.least_squares is None
        else {
            "value": _number(cause.least_squares[0]),
            "standard_uncertainty": _number(cause.least_squares[1]),
        },
    }


def _faults(faults: Faults) -> dict[str, Any]:
    return {
        "named": [_cause(cause) for cause in faults.named],
        "causes": [_cause(cause) for cause in faults.causes],
        "cannot_be_told_apart": [
            {"parts": [_part(p) for p in doubt.parts], "probability": _number(doubt.probability)}
            for doubt in faults.doubts
        ],
        "closures": [
            {
                "characteristic": c.characteristic,
                "unit": c.unit,
                "value": _number(c.result.value),
                "standard_uncertainty": _number(c.result.standard_uncertainty),
                "probability": _number(c.result.probability),
                "holds": c.holds,
            }
            for c in faults.closures
        ],
        "exchanged": _exchange(faults.exchange),
        "next_photographs": [
            {
                "view": photo.view,
                "end": photo.end,
                "limb": photo.limb,
                "near_card_on": ("riser" if photo.from_riser else "butt")
                if photo.view == "sight"
                else None,
                "limbs_exchanged": photo.exchange,
                "bits": _number(photo.gain.bits),
                "probability_that_it_settles": _number(photo.gain.settles),
                "words": photo_words(photo),
            }
            for photo in faults.next_photos
        ],
    }


def _exchange(exchange: Exchange) -> dict[str, Any]:
    p, back = exchange.probability, exchange.probability_as_is
    return {
        "verdict": exchange.verdict,
        "by_marks": exchange.by_marks,
        "probability_better_exchanged": None if p is None else _number(p),
        "probability_as_they_sit": None if back is None else _number(back),
        "probability_by_chance": None
        if exchange.by_chance is None
        else _number(exchange.by_chance),
        "better_by_good_limits": _number(exchange.better_by),
        "determined": exchange.determined,
    }


def _judged(judged: Judged) -> dict[str, Any]:
    return {
        "limit": judged.tolerance.name,
        "conformity": judged.conformity,
        "rework": judged.rework,
        "probability_good": _number(judged.p_good),
        "probability_rework_free": _number(judged.p_rework_free),
    }


def _finding(finding: Finding) -> dict[str, Any]:
    return {
        "name": finding.name,
        "end": finding.end,
        "limb": finding.limb,
        **_value(finding.value),
        **_judged(finding.judged),
        "sentence": finding.sentence,
        "what_decides": finding.what_decides,
    }


def _score(score: Score) -> dict[str, Any]:
    return {
        "end": score.seat.end,
        "limb": score.seat.limb,
        "points": _number(score.points),
        "out_of": score.out_of,
        "low": _number(score.low),
        "high": _number(score.high),
        "arithmetic": score.arithmetic,
        "parts": [
            {
                "name": part.name,
                "points": _number(part.points),
                "full": part.full,
                "arithmetic": part.arithmetic,
            }
            for part in score.parts
        ],
        "not_measured": list(score.missing),
    }


def _string(line: StringLine | None) -> dict[str, Any] | None:
    if line is None:
        return None
    return {
        "places": [
            {
                "at": place.at,
                "to_the_bows_right_mm": _number(place.value),
                "standard_uncertainty_mm": _number(place.standard_uncertainty),
                **_judged(place.judged),
                "read_mm": None if place.seen is None else _number(place.seen[0]),
                "agrees_with_reading": place.agrees,
                "decided_on": "reckoning" if place.seen is None else "rule",
            }
            for place in line.places
        ],
        "tips_to_the_seats_right_mm": {
            end: {"value": _number(v), "standard_uncertainty": _number(u)}
            for end, (v, u) in line.tips.items()
        },
        "assumed": list(line.assumed),
        "mount_known": line.mount_known,
        "photographed_strung": line.photographed_strung,
    }


def _step(number: int, step: Step) -> dict[str, Any]:
    depth = step.depth_mm
    return {
        "number": number,
        "act": step.act,
        "title": step.title,
        "text": step.text,
        "end": step.end,
        "limb": step.limb,
        "part": step.part,
        "edge": step.edge,
        "depth_mm": None if depth is None else _number(depth),
        "depth_in": None if depth is None else _number(depth / MM_PER_INCH),
        "depth_standard_uncertainty_mm": None
        if step.depth_sd_mm is None
        else _number(step.depth_sd_mm),
        "bound": step.bound,
        "stop": step.stop,
        "predicted": [
            {
                "name": p.name,
                "before": _value(p.before),
                "after": _value(p.after),
                "changes": p.changes,
            }
            for p in step.predicted
        ],
        "score_after": None if step.score_after is None else _score(step.score_after),
        "cautions": list(step.cautions),
    }


def _rework(rework: Rework) -> dict[str, Any]:
    before, after = rework.score_before, rework.score_after
    return {
        "limbs": rework.arrangement,
        "steps": [_step(i, step) for i, step in enumerate(rework.steps, start=1)],
        "out_of_reach": [
            {"what": o.what, "why": o.why, "effect": o.effect, "end": o.end}
            for o in rework.out_of_reach
        ],
        "left_alone": [
            {"text": item.text, "end": item.end, "names": list(item.names)}
            for item in rework.left_alone
        ],
        "score_before": None if before is None else _score(before),
        "score_after": None if after is None else _score(after),
        "ends_compared": [
            {"end": one.end, "before": _score(one.before), "after": _score(one.after)}
            for one in rework.compared
        ],
    }


def _bench(found: BenchFinding) -> dict[str, Any]:
    return {
        "name": found.name,
        "title": found.title,
        "reading": found.reading,
        "meaning": found.meaning,
        "level": found.level,
        "mark": found.mark,
        "decision": None if found.judged is None else _judged(found.judged),
    }


def _limit(limit: Tolerance) -> dict[str, Any]:
    return {
        "good": [_number(v) for v in limit.good],
        "rework": [_number(v) for v in limit.rework],
        "unit": limit.unit,
        "mark": limit.mark,
        "note": limit.note,
        "edited": limit.edited,
    }


def _combined(one: Combined) -> dict[str, Any]:
    spot, own = one.spot, one.cards_own_error
    shared: Mapping[str, float] = one.shared
    return {
        "name": spot.characteristic,
        "end": spot.end,
        "limb": spot.limb,
        "side": spot.side,
        "against": ("riser" if spot.from_riser else "butt")
        if spot.characteristic == "twist"
        else None,
        "value": _number(one.value),
        "unit": one.unit,
        "standard_uncertainty": _number(one.standard_uncertainty),
        "independent": _number(one.independent),
        "shared": {source: _number(u) for source, u in shared.items()},
        "photographs": list(one.photos),
        "seatings": one.seatings,
        "seating_range": None if one.seating_range is None else _number(one.seating_range),
        "cards_own_error": None
        if own is None
        else {"value": _number(own[0]), "standard_uncertainty": _number(own[1])},
        "strung": one.strung,
        "warnings": [note.code for note in one.notes],
    }


def _photographs(f: Findings) -> list[dict[str, Any]]:
    photographs = []
    for photo, found in zip(f.inspection.photos, f.measurements, strict=True):
        refused = None if found is None else found.refused
        photographs.append(
            {
                "file": photo.file,
                "view": photo.view,
                "end": photo.end,
                "limb": photo.limb,
                "measured": found is not None and refused is None,
                "refused": None
                if refused is None
                else {
                    "code": refused.code,
                    "message": refused.message,
                    "advice": refused.advice,
                },
                "warnings": []
                if found is None
                else [{"code": n.code, "message": n.message} for n in found.warnings],
            }
        )
    return photographs
