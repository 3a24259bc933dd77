"""Limbs that fit better the other way round: a fitted pair, or faults that cancel by chance."""

from __future__ import annotations

from dataclasses import replace

import pytest
from simulated_bows import photograph
from test_findings_fitness import CLEAR
from test_findings_rework import acts, sound_bow, step

from fitcheck.findings.plain import cause_sentences, proposal_sentences
from fitcheck.findings.record import findings_to_json
from fitcheck.findings.whole import Findings, find
from fitcheck.inspection import ConditionEntry, Limb
from fitcheck.reporting.build import build_report
from fitcheck.reporting.document import language_for

CUTS = {"lap", "bed", "move_holes", "dress", "shim"}


def placed(
    riser: float, limb: float, protocol: str = "everything", marks=(None, None), condition=CLEAR
) -> Findings:
    """Findings where the upper end's holes and those of limb B, which sits below, are off."""
    bow = sound_bow(riser_offset={"upper": riser}, limb_offset={"B": limb})
    inspection = photograph(bow, protocol, 12)
    limbs = tuple(Limb(name, mark) for name, mark in zip("AB", marks, strict=True))
    inspection = replace(inspection, limbs=limbs, condition=condition)
    return find(inspection, [photo.measurement for photo in inspection.photos])


def whose(found: Findings) -> str:
    return " ".join(cause_sentences(found))


def test_what_may_be_chance_is_tried_and_its_probability_told():
    found = placed(0.9, -0.55)
    exchange = found.faults.exchange
    assert exchange.verdict == "perhaps"
    assert 0.005 < exchange.by_chance < 0.25
    assert f"(probability {100 * exchange.by_chance:.0f} %)" in whose(found)
    assert "may be exchanged" in whose(found)
    test = step(found, "find_out")
    assert test.title == "Try the limbs on each other’s ends"
    assert "limb B on the upper end and limb A on the lower end" in test.text
    assert "photograph both seats and both sights again, and measure tiller" in test.text
    assert "put the limbs back" in test.text
    assert not CUTS & set(acts(found))
    assert not found.faults.named
    assert found.fitness.use == "cannot be said yet"
    assert "before it is settled which end" in found.fitness.cautions[0]
    record = findings_to_json(found)["faults"]["exchanged"]
    assert record["probability_by_chance"] == pytest.approx(exchange.by_chance, abs=1e-6)


def test_limbs_without_marks_only_seem_exchanged_and_are_tried():
    found = placed(1.2, -1.2)
    assert found.faults.exchange.verdict == "exchanged"
    assert "seem to be exchanged" in whose(found)
    assert "only happen to cancel" in whose(found)
    assert "seem to sit on the wrong ends" in found.fitness.reasons[0]
    trial = step(found, "exchange")
    assert trial.title == "Try the limbs on each other’s ends"
    assert "It is a test" in trial.text
    assert "Try the limbs on each other’s ends." in proposal_sentences(found)


def test_marks_that_say_the_same_make_it_certain():
    found = placed(1.2, -1.2, marks=("lower", "upper"))
    assert "their marks say the same" in whose(found)
    assert "happen to cancel" not in whose(found)
    assert step(found, "exchange").title == "Put the limbs on their own ends"


def test_marks_that_say_otherwise_are_a_contradiction():
    found = placed(1.2, -1.2, marks=("upper", "lower"))
    assert found.faults.exchange.verdict == "contradiction"
    assert not CUTS & set(acts(found))
    assert found.fitness.headline.startswith("To the bench: which limb belongs on which end")


@pytest.mark.parametrize("protocol", ["everything", "as received", "with pads", "some"])
@pytest.mark.parametrize(("riser", "limb"), [(0.9, 0.0), (0.0, 0.9), (0.0, 0.0)])
def test_one_fault_alone_is_no_exchange(riser, limb, protocol):
    found = placed(riser, limb, protocol)
    assert found.faults.exchange.verdict not in ("perhaps", "exchanged")


def test_while_something_stops_the_bow_nothing_is_braced_for_it():
    others = tuple(c for c in CLEAR if c.item != "heat")
    for limb in (-0.55, -0.9):
        found = placed(0.9, limb, condition=(ConditionEntry("heat", True), *others))
        tried = next(s for s in found.rework.steps if s.title.startswith("Try the limbs"))
        assert "brace" not in " ".join((tried.text, tried.stop, *tried.cautions))


def test_all_of_it_is_translated():
    for riser, limb in ((0.9, -0.55), (1.2, -1.2)):
        found = placed(riser, limb)
        lang = language_for(build_report(found, {}), "de", "mm")
        told = [*cause_sentences(found), *proposal_sentences(found), *found.fitness.reasons]
        told += [*found.fitness.cautions, found.fitness.headline]
        for one in found.rework.steps:
            told += [one.title, one.text, one.stop, *one.cautions]
        for text in told:
            assert lang.said(text).translated, text
