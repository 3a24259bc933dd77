"""A whole invented story without pictures: limbs exchanged, one pad off, a lip, tight pins."""

from __future__ import annotations

from dataclasses import replace

import pytest
from simulated_bows import invent, photograph

from fitcheck.findings.plain import cause_sentences, summary_lines
from fitcheck.findings.sums import Part
from fitcheck.findings.whole import Findings, find
from fitcheck.inspection import ENDS, Bow, EndReadings, Limb, Readings
from fitcheck.quantities import quantity

LIMB_WIDTH = {"A": 41.9, "B": 42.9}
RISER_WIDTH = {"upper": 41.8, "lower": 41.7}


def story(protocol: str = "everything", seed: int = 1) -> Findings:
    """A sits on the upper end where it belongs only after the exchange; B is a millimetre wide.

    Pads and limbs were fitted in pairs sideways. The upper pad is 0.6° out of square.
    """
    bow = invent(1, "none")
    bow.pad = {"upper": 0.6, "lower": 0.03}
    bow.butt = {"A": 0.03, "B": -0.02}
    bow.own_twist = {"A": 0.2, "B": -0.25}
    bow.riser_offset, bow.riser_angle = (
        {"upper": 0.5, "lower": -0.5},
        {"upper": 0.3, "lower": -0.3},
    )
    bow.limb_offset, bow.limb_angle = {"A": -0.45, "B": 1.0}, {"A": -0.3, "B": 0.3}
    bow.as_received = {"upper": "B", "lower": "A"}
    inspection = photograph(bow, protocol, seed)

    def widened(photo):
        if photo.view != "seat":
            return photo
        half = (LIMB_WIDTH[photo.limb] - RISER_WIDTH[photo.end]) / 2
        found = tuple(
            replace(
                c,
                value=c.value + half,
                interval95=(c.interval95[0] + half, c.interval95[1] + half),
            )
            if c.name.startswith("overhang")
            else c
            for c in photo.measurement.characteristics
        )
        return replace(photo, measurement=replace(photo.measurement, characteristics=found))

    inspection = replace(
        inspection,
        photos=tuple(widened(p) for p in inspection.photos),
        limbs=(Limb("A", "upper"), Limb("B", "lower")),
        bow=Bow(mount="belly"),
        readings=Readings(
            ends={
                end: EndReadings(pins="tight", pad_width=quantity("41.8 mm", "mm", "x"))
                for end in ENDS
            }
        ),
    )
    return find(inspection, [p.measurement for p in inspection.photos])


@pytest.fixture(scope="module")
def found() -> Findings:
    return story()


def test_the_limbs_are_found_exchanged(found):
    assert found.faults.exchange.verdict == "exchanged"
    assert found.faults.exchange.by_marks
    assert found.faults.exchange.probability > 0.95
    assert found.rework.arrangement == "exchanged"
    text = " ".join(cause_sentences(found))
    assert "limbs are exchanged" in text
    assert "their marks say the same" in text


def test_the_pad_is_found_with_its_side_and_size(found):
    cause = found.faults.cause(Part("pad", "upper"))
    assert cause.sure
    assert cause.p_past_good > 0.95
    assert cause.value == pytest.approx(0.6, abs=0.15)
    assert not found.faults.cause(Part("pad", "lower")).named
    lap = next(s for s in found.rework.steps if s.act == "lap")
    assert (lap.end, lap.edge) == ("upper", "right edge")
    assert lap.depth_mm == pytest.approx(0.44, abs=0.1)


# Common practice: pads off square and a big lip, pins tight, limb fairly straight: 2 to 3 of 10.
def test_the_score_as_received(found):
    assert 2 <= found.bow_score.points <= 3
    assert found.bow_score.seat.end == "upper"


def test_the_lip_that_stays_is_told_and_not_cut(found):
    (lip,) = [o for o in found.rework.out_of_reach if "proud" in o.what]
    assert lip.effect == "maker"  # past the rework limit
    assert "Limb B" in lip.what
    assert "on the right, at the lower end" in lip.what
    width = found.faults.cause(Part("width", "lower", "B"))
    assert width.value == pytest.approx(0.6, abs=0.1)


def test_how_pairs_share_their_sideways_place_is_not_claimed(found):
    holes = [c for c in found.faults.causes if c.part.kind in ("riser_holes", "limb_holes")]
    assert not any(c.named for c in holes)
    (doubt,) = [d for d in found.faults.doubts if Part("limb_holes", limb="B") in d.parts]
    # Each pair cancels; what is left is that B sits to the right of its own seat.
    assert set(doubt.parts) == {Part("riser_holes", "lower"), Part("limb_holes", limb="B")}
    assert not any(s.act == "move_holes" for s in found.rework.steps)


def test_it_goes_to_the_bench(found):
    assert found.fitness.use == "rework"
    assert "wrong ends" in found.fitness.reasons[0]
    assert found.rework.score_after.points > found.rework.score_before.points
    assert summary_lines(found)[0].startswith("Rework.")


def test_exchanged_the_string_lies_near_the_middle(found):
    here, there = found.string["as received"], found.string["exchanged"]
    assert abs(here.places[0].value) > 4
    assert abs(there.places[0].value) < 1.6


def test_received_alone_the_marks_say_it():
    found = story("as received")
    assert found.faults.exchange.verdict == "marks only"
    assert "How they fit the other way round is not known" in " ".join(cause_sentences(found))
