"""The sample bow's story is found from what is true of its photographs, with noise as stated.

No picture is measured here: each photograph's truth gets normal noise of a stated standard
uncertainty, so that the findings are tried by themselves, over many draws.
"""

from __future__ import annotations

import json
import re
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from fitcheck.findings.plain import cause_sentences, found_sentences, summary_lines
from fitcheck.findings.sums import Part
from fitcheck.findings.whole import Findings, find
from fitcheck.inspection_file import read_inspection
from fitcheck.measurement import Characteristic, Measurement

SAMPLE = Path(__file__).parents[1] / "sample_images"
STORY = json.loads((SAMPLE / "bow" / "story.json").read_text(encoding="utf-8"))
SEEDS = range(12)

# Standard uncertainty of one photograph by source, about as the program states it.
BUDGETS = {
    "seat": {
        "overhang_left": {"edge": 0.05, "pose": 0.03, "lens": 0.02},
        "overhang_right": {"edge": 0.05, "pose": 0.03, "lens": 0.02},
        "lateral_offset": {"edge": 0.045, "pose": 0.02, "lens": 0.02},
        "lateral_angle": {"edge": 0.05, "pose": 0.03},
        "limb_width": {"edge": 0.06, "lens": 0.02},
        "riser_width": {"edge": 0.06, "lens": 0.02},
    },
    "pad": {"pad_squareness": {"edge": 0.04, "pose": 0.03, "card_fold": 0.03}},
    "sight": {"twist": {"pose": 0.05, "card_lean": 0.03, "card_fold": 0.042}},
    "joint": {
        "gap_butt": {"edge": 0.025},
        "gap_end": {"edge": 0.025},
        "gap_wedge": {"edge": 0.025},
    },
}
DEGREES = {"lateral_angle", "pad_squareness", "twist", "gap_wedge"}


@cache
def found(seed: int) -> Findings:
    rng = np.random.default_rng([114, seed])
    inspection = read_inspection(SAMPLE)
    folds = {name: float(rng.normal(0, 0.03)) for name in "CD"}
    measured = []
    for photo in inspection.photos:
        known = json.loads((SAMPLE / photo.file).with_suffix(".json").read_text(encoding="utf-8"))
        characteristics = []
        for name, budget in BUDGETS[photo.view].items():
            loose = sum(u**2 for source, u in budget.items() if source != "card_fold") ** 0.5
            error = float(rng.normal(0, loose))
            if name == "pad_squareness":
                error += folds["C"]
            elif name == "twist":
                sign = -1 if photo.cards_exchanged else 1
                error += sign * (folds["D"] - folds["C"])
            value, u = known["truth"][name] + error, sum(u**2 for u in budget.values()) ** 0.5
            unit = "deg" if name in DEGREES else "mm"
            interval = (value - 1.96 * u, value + 1.96 * u)
            characteristics.append(Characteristic(name, value, unit, u, interval, budget))
        measured.append(
            Measurement(photo.file, photo.view, characteristics=tuple(characteristics))
        )
    return find(inspection, measured)


@pytest.mark.parametrize("seed", SEEDS)
def test_the_limbs_are_on_the_wrong_ends(seed):
    exchange = found(seed).faults.exchange
    assert (exchange.verdict, exchange.by_marks) == ("exchanged", True)
    assert exchange.probability > 0.95
    assert found(seed).fitness.use == "rework"
    assert "limbs on the wrong ends" in found(seed).fitness.cautions[0]
    assert found(seed).fitness.cautions[0].startswith("Do not shoot")
    assert found_sentences(found(seed))[0].startswith("As received, the limbs sat on the wrong")


@pytest.mark.parametrize("seed", SEEDS)
def test_the_upper_pad_is_at_fault_and_nothing_else_but_the_wide_limb(seed):
    findings = found(seed)
    pad = findings.faults.cause(Part("pad", "upper"))
    assert pad.sure
    assert pad.p_past_rework > 0.95
    truth = STORY["pad_squareness"]["upper"]
    assert abs(pad.value - truth) < 3 * pad.standard_uncertainty
    told = " ".join(cause_sentences(findings))
    assert "riser’s pad at the upper end is at fault (probability over 99 %)" in told
    assert "right side high" in told
    assert re.search(
        r"Limb K2 is wider than the riser’s lower end \(probability over 99 %\)", told
    )
    at_fault = {c.part for c in findings.faults.named if c.p_past_good > 0.05}
    wide = {Part("width", end, "K2") for end in ("upper", "lower")}
    assert at_fault <= {Part("pad", "upper")} | wide


@pytest.mark.parametrize("seed", SEEDS)
def test_what_is_left_in_doubt_is_the_seat_with_the_lip(seed):
    seat = {Part("riser_holes", "lower"), Part("limb_holes", limb="K2")}
    assert all(set(doubt.parts) == seat for doubt in found(seed).faults.doubts)


@pytest.mark.parametrize("seed", SEEDS)
def test_what_is_proposed(seed):
    rework = found(seed).rework
    done = [s.act for s in rework.steps if s.act in ("exchange", "shim", "lap", "dress", "tiller")]
    assert done == ["exchange", "shim", "lap"]
    (lap,) = (s for s in rework.steps if s.act == "lap")
    assert (lap.end, lap.limb, lap.edge) == ("upper", "K1", "right edge")
    assert lap.depth_mm == pytest.approx(0.45, abs=0.15)  # 41.8 mm · tan 0.62°
    wind = next(p for p in lap.predicted if p.name == "wind")
    assert abs(wind.after.value) < 0.2 < abs(wind.before.value)
    (lip,) = (o for o in rework.out_of_reach if "proud" in o.what)
    assert "Limb K2" in lip.what
    assert "on the right, at the lower end" in lip.what
    assert not [o for o in rework.out_of_reach if o.effect == "rack"]
    by_end = {one.end: one for one in rework.compared}
    assert by_end["upper"].after.points > by_end["upper"].before.points + 4
    assert all(one.before.out_of == one.after.out_of for one in rework.compared)


# Common practice: tight pins, pads off square, a big lip.
@pytest.mark.parametrize("seed", SEEDS)
def test_the_score_as_it_came_is_low(seed):
    assert 2.5 < found(seed).bow_score.points < 4


@pytest.mark.parametrize("seed", SEEDS)
def test_exchanged_it_runs_straight(seed):
    judged = {(f.name, f.end): f for f in found(seed).at_home}
    for end in ("upper", "lower"):
        assert judged["lateral_angle", end].judged.conformity != "does not conform"
    assert judged["overhang_right", "lower"].judged.conformity == "does not conform"
    text = "\n".join(summary_lines(found(seed)))
    assert "reject" not in text
    assert len(text.splitlines()) < 25
