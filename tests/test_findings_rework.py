"""The rework list: in order, bounded, proved first, reckoned through, and never on glass."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from simulated_bows import Bow, invent, photograph

from fitcheck.findings.steps import HOLE_STOP_MM, PAD_STOP_MM, SIDE_STOP_MM
from fitcheck.findings.steps_uncut import photograph as photograph_first
from fitcheck.findings.whole import Findings, find
from fitcheck.findings.words import depth_text, taper_mm
from fitcheck.inspection import (
    CONDITION_ITEMS,
    ConditionEntry,
    EndReadings,
    FeelerReading,
    Limb,
    Readings,
    TillerReading,
)
from fitcheck.inspection import (
    Bow as BowRecord,
)
from fitcheck.measurement import Characteristic
from fitcheck.quantities import quantity
from fitcheck.reporting.language import Language


def mm(text: str):
    return quantity(text, "mm", "x")


def sound_bow(**shares) -> Bow:
    """A bow without any error but those given, as ``pad={"upper": 0.4}``."""
    bow = invent(1, "none")
    for name in (
        "pad",
        "butt",
        "own_twist",
        "riser_offset",
        "riser_angle",
        "limb_offset",
        "limb_angle",
        "face",
        "fold",
    ):
        for key in getattr(bow, name):
            getattr(bow, name)[key] = shares.get(name, {}).get(key, 0.0)
    return bow


def inspected(
    invented: Bow,
    protocol: str = "both cards",
    readings: Readings | None = None,
    width_mm: float = 0.0,
    **more,
) -> Findings:
    """Findings on a bow; ``width_mm`` makes every limb wider than the riser by so much."""
    inspection = photograph(invented, protocol, 12)
    if width_mm:
        inspection = replace(
            inspection, photos=tuple(_wider(photo, width_mm) for photo in inspection.photos)
        )
    inspection = replace(inspection, readings=readings or Readings(), **more)
    return find(inspection, [photo.measurement for photo in inspection.photos])


def _wider(photo, width_mm):
    found = tuple(
        replace(
            c,
            value=c.value + width_mm / 2,
            interval95=(c.interval95[0] + width_mm / 2, c.interval95[1] + width_mm / 2),
        )
        if c.name.startswith("overhang")
        else c
        for c in photo.measurement.characteristics
    )
    return replace(photo, measurement=replace(photo.measurement, characteristics=found))


def acts(findings: Findings) -> list[str]:
    return [step.act for step in findings.rework.steps]


def step(findings: Findings, act: str):
    return next(s for s in findings.rework.steps if s.act == act)


def test_a_pad_off_square_is_shimmed_then_lapped_on_its_high_side():
    readings = Readings(ends={"upper": EndReadings(pad_width=mm("1 3/4 in"))})
    found = inspected(sound_bow(pad={"upper": 0.4}), readings=readings)
    assert acts(found) == ["prepare", "shim", "lap", "prove"]
    shim, lap = step(found, "shim"), step(found, "lap")
    expected = taper_mm(44.45, found.faults.named[0].value)
    assert lap.depth_mm == pytest.approx(expected)
    assert lap.depth_mm == pytest.approx(44.45 * math.tan(math.radians(0.4)), abs=0.08)
    assert (shim.edge, lap.edge) == ("left edge", "right edge")  # right side high
    assert shim.depth_mm == lap.depth_mm
    assert "0.80 mm (0.031 in) in all" in lap.bound
    assert "Take half of it" in lap.stop
    square = next(p for p in lap.predicted if p.name == "pad_squareness")
    twist = next(p for p in lap.predicted if p.name == "twist")
    assert abs(square.after.value) < 0.02 < abs(square.before.value)
    assert abs(twist.after.value) < 0.15 < abs(twist.before.value)
    assert {p.name for p in lap.predicted} >= {
        "overhang_left",
        "lateral_angle",
        "string at the grip",
        "string at the upper pad",
        "string at the lower pad",
    }
    assert lap.score_after.points > found.bow_score.points
    assert found.rework.score_after.points > found.rework.score_before.points


def test_the_other_way_round_it_is_the_other_edge():
    found = inspected(sound_bow(pad={"lower": -0.4}))
    assert step(found, "lap").edge == "left edge"
    assert step(found, "lap").end == "lower"


# Worked example of the trade reference: 1 3/4 in, 0.26°: 0.008 in.
def test_depths_come_in_three_units():
    assert depth_text(taper_mm(44.45, 0.2619)) == "0.20 mm (0.008 in; nearest 1/64 in)"
    assert depth_text(0.79375) == "0.79 mm (0.031 in; nearest 1/32 in)"
    assert depth_text(0.1) == "0.10 mm (0.004 in; under 1/128 in)"


def test_what_was_taken_off_before_counts():
    bow = sound_bow(pad={"upper": 0.6})
    free = inspected(bow)
    assert step(free, "lap").depth_mm <= PAD_STOP_MM
    worked = EndReadings(removed_from_pad=mm("0.7 mm"))
    found = inspected(bow, readings=Readings(ends={"upper": worked}))
    assert "lap" not in acts(found)
    (beyond,) = found.rework.out_of_reach
    assert "only 0.10 mm" in beyond.why
    assert "qualified bowyer" in beyond.why
    assert found.fitness.use == "do not shoot, reject"  # past its rework limit, and stays so


def test_a_pad_too_far_off_is_lapped_only_to_within_its_limit_or_not_at_all():
    # 1.08° over 44.45 mm is 0.84 mm: 0.8 mm leaves 0.05°, within the good limit.
    found = inspected(sound_bow(pad={"upper": 1.08}))
    laps = [s for s in found.rework.steps if s.act == "lap"]
    assert all(lap.depth_mm <= PAD_STOP_MM + 1e-9 for lap in laps)
    far = inspected(sound_bow(pad={"upper": 1.5}))
    assert "lap" not in acts(far)
    assert far.rework.out_of_reach


def test_a_butt_is_never_cut_but_its_overlay_may_be_lapped():
    bow = sound_bow(butt={"A": 0.5})
    for overlay, thickness, lapped in (
        ("none", None, False),
        ("unknown", None, False),
        ("present", None, False),
        ("present", "0.2 mm", False),
        ("present", "0.46 mm", False),  # 0.39 mm come off, and neither is known so well
        ("present", "0.46 mm ± 0.01 mm", False),
        ("present", "0.60 mm ± 0.20 mm", False),
        ("present", "0.60 mm ± 0.01 mm", False),  # some tenths have to stay on the glass
        ("present", "1.00 mm ± 0.01 mm", True),
        ("present", "2 mm", True),
    ):
        limb = Limb("A", butt_overlay=overlay, butt_overlay_thickness=thickness and mm(thickness))
        found = inspected(bow, limbs=(limb, Limb("B")))
        assert ("lap" in acts(found)) is lapped, overlay
        if lapped:
            assert "overlay on the butt of limb A" in step(found, "lap").part
        else:
            assert "glass" in found.rework.out_of_reach[0].why or "overlay" in (
                found.rework.out_of_reach[0].why
            )


def test_a_pad_to_which_its_limb_is_made_is_left_alone():
    bow = sound_bow(pad={"upper": 0.4}, butt={"A": -0.4})
    found = inspected(bow)
    assert "lap" not in acts(found)
    (alone,) = found.rework.left_alone
    assert alone.made_to_suit
    assert "leave both" in alone.text
    assert found.fitness.use != "do not shoot, reject"


def test_holes_move_against_the_error_and_by_as_much():
    # The pin alone is 0.5 mm too far right: bolt 25 mm from the butt line, pin 50 mm beyond.
    angle = math.degrees(math.atan(0.5 / 50))
    bow = sound_bow(riser_angle={"upper": angle}, riser_offset={"upper": -0.25})
    at = EndReadings(
        butt_line_to_bolt=mm("25 mm"),
        bolt_to_pin=mm("50 mm"),
        bolt_play=mm("0.02 mm"),
        pin_play=mm("0.02 mm"),
    )
    found = inspected(bow, readings=Readings(ends={"upper": at}))
    move = step(found, "move_holes")
    assert "index pin" in move.edge
    assert "to the left" in move.edge
    assert "bolt" not in move.edge  # where it is, it is right
    assert move.depth_mm == pytest.approx(0.5, abs=0.15)
    assert "pin out, bolt just snug" in move.text
    assert "never slot a hole" in " ".join(move.cautions)
    after = {p.name: p.after.value for p in move.predicted}
    assert abs(after["lateral_angle"]) < 0.1
    assert abs(after["overhang_left"]) < 0.15
    assert abs(after["string at the grip"]) < 0.6


def test_play_that_explains_the_angle_is_taken_up_first():
    bow = sound_bow(riser_angle={"upper": 0.4})
    loose = EndReadings(
        bolt_to_pin=mm("41 mm"), bolt_play=mm("0.6 mm"), pin_play=mm("0.3 mm"), pins="loose"
    )
    found = inspected(bow, readings=Readings(ends={"upper": loose}))
    assert "move_holes" not in acts(found)


def test_a_hole_too_far_off_is_out_of_reach():
    bow = sound_bow(riser_angle={"upper": 4.0}, riser_offset={"upper": 0.0})
    found = inspected(bow)
    assert "move_holes" not in acts(found)
    assert any(f"{HOLE_STOP_MM:g} mm" in o.why for o in found.rework.out_of_reach)


def test_a_limb_s_holes_are_never_drilled():
    bow = sound_bow(limb_angle={"A": 0.8}, limb_offset={"A": 0.4})
    found = inspected(bow)
    assert "move_holes" not in acts(found)
    assert any("never slotted or drilled" in o.why for o in found.rework.out_of_reach)
    wooden = inspected(bow, limbs=(Limb("A", glass=False), Limb("B")))
    assert any("qualified bowyer" in o.why for o in wooden.rework.out_of_reach)


def test_lips_the_riser_is_dressed_and_the_limb_is_not():
    narrow = inspected(sound_bow(), width_mm=-1.2)
    dresses = [s for s in narrow.rework.steps if s.act == "dress"]
    assert {(s.end, s.edge) for s in dresses} == {
        (end, f"{side} side") for end in ("upper", "lower") for side in ("left", "right")
    }
    assert all(s.depth_mm == pytest.approx(0.6, abs=0.15) for s in dresses)
    assert all(s.depth_mm <= SIDE_STOP_MM for s in dresses)
    wide = inspected(sound_bow(), width_mm=1.2)
    assert "dress" not in acts(wide)
    assert all(o.effect == "looks" for o in wide.rework.out_of_reach)
    assert "glass runs to the edge" in wide.rework.out_of_reach[0].why
    far = inspected(sound_bow(), width_mm=-2.4)
    assert "dress" not in acts(far)
    assert all(o.effect == "maker" for o in far.rework.out_of_reach)
    stout = inspected(sound_bow(), width_mm=2.4)
    assert all(o.effect == "maker" for o in stout.rework.out_of_reach)
    assert "not this riser’s limb" in stout.rework.out_of_reach[0].why


def test_a_limb_s_own_twist_is_held_and_past_its_limit_goes_to_the_rack():
    held = inspected(sound_bow(own_twist={"A": 1.5}))
    hold = step(held, "hold")
    assert "without heat" in hold.text
    assert hold.depth_mm is None
    far = inspected(sound_bow(own_twist={"A": 2.6}))
    assert "hold" not in acts(far)
    assert far.fitness.use == "do not shoot, reject"


def test_what_is_in_doubt_is_photographed_and_not_cut():
    found = inspected(sound_bow(pad={"upper": 0.6}), protocol="as received")
    assert acts(found)[0] == "photograph"
    assert not {"lap", "move_holes", "dress", "bed"} & set(acts(found))
    asked = step(found, "photograph")
    assert "settles it in" in asked.text
    assert "until this photograph has been measured" in asked.stop
    of_pads = photograph_first(found.faults, pads_alone=True)
    assert "fault" not in of_pads.text
    assert "settle" not in of_pads.text
    german = Language("de", limbs=("A", "B"))
    for text in (asked.text, asked.stop, of_pads.text, of_pads.stop):
        assert german.said(text).translated, text


def test_limbs_exchanged_come_first_and_the_rest_is_reckoned_for_that():
    bow = sound_bow(pad={"upper": 0.6, "lower": -0.6}, butt={"B": -0.6, "A": 0.6})
    found = inspected(bow)  # A sits on the upper end, where B belongs
    assert found.faults.exchange.verdict == "exchanged"
    assert acts(found)[:2] == ["prepare", "exchange"]
    assert found.rework.arrangement == "exchanged"
    assert "lap" not in acts(found)  # each pad suits the limb that belongs on it
    assert {item.end for item in found.rework.left_alone} == {"upper", "lower"}
    exchange = step(found, "exchange")
    assert "limb B on the upper end and limb A on the lower end" in exchange.text
    assert any("Tiller" in text for text in exchange.cautions)


def test_an_open_seam_is_bedded_by_the_ink():
    seam = FeelerReading(
        "upper", "left", "butt", "A", enters=mm("0.20 mm"), does_not_enter=mm("0.25 mm")
    )
    found = inspected(sound_bow(), readings=Readings(feeler=(seam,)))
    bed = step(found, "bed")
    assert "ink" in bed.text
    assert "toward the riser end" in bed.edge
    assert bed.depth_mm == pytest.approx(0.225)
    assert "its glass is not cut" in bed.text


@pytest.mark.parametrize(
    ("upper", "mount", "edge", "word"),
    [
        ("7 1/2 in", "belly", "outer end", "rise"),  # too even: the upper limb has to be weaker
        ("7 1/2 in", "back", "butt end", "rise"),
        ("7 27/32 in", "belly", "butt end", "fall"),
        ("7 27/32 in", "back", "outer end", "fall"),
    ],
)
def test_tiller_is_tried_with_a_shim_as_the_trade_table_says(upper, mount, edge, word):
    tiller = TillerReading(mm(f"{upper} ± 0.5 mm"), mm("7 1/2 in ± 0.5 mm"))
    found = inspected(
        sound_bow(),
        readings=Readings(tiller=(tiller,)),
        bow=BowRecord(mount=mount),
    )
    tried = step(found, "tiller")
    assert tried.edge == edge
    assert f"It should {word}" in tried.text
    assert tried.depth_mm <= PAD_STOP_MM
    assert "comes out again" in tried.bound


def test_tiller_without_a_known_mount_or_too_far_off_is_not_shimmed():
    tiller = TillerReading(mm("7 3/8 in"), mm("7 1/2 in"))
    unknown = inspected(sound_bow(), readings=Readings(tiller=(tiller,)))
    assert "tiller" not in acts(unknown)
    assert "opposite" in step(unknown, "find_out").text
    far = TillerReading(mm("6 1/2 in"), mm("7 1/2 in"))
    found = inspected(sound_bow(), readings=Readings(tiller=(far,)), bow=BowRecord(mount="belly"))
    assert "tiller" not in acts(found)
    assert found.rework.out_of_reach[0].effect == "maker"


def test_nothing_is_braced_while_something_stops_the_bow():
    low = TillerReading(mm("7 1/2 in ± 0.5 mm"), mm("7 1/2 in ± 0.5 mm"))
    bow, more = sound_bow(pad={"upper": 0.5}), {"bow": BowRecord(mount="belly")}
    free = inspected(bow, readings=Readings(tiller=(low,)), **more)
    assert "tiller" in acts(free)
    heat = (ConditionEntry("heat", True),)
    stopped = inspected(bow, readings=Readings(tiller=(low,)), condition=heat, **more)
    assert {"lap", "prove"} <= set(acts(stopped))
    assert "tiller" not in acts(stopped)
    told = " ".join(" ".join((s.text, s.stop, *s.cautions)) for s in stopped.rework.steps).lower()
    assert "brace" not in told
    assert "strung, the tip" not in told
    assert "stays unstrung" in step(stopped, "prove").text


def test_tiller_alone_is_for_the_maker_and_condemns_nothing():
    far = TillerReading(mm("6 1/2 in"), mm("7 1/2 in"))
    clear = tuple(ConditionEntry(name, False) for name in CONDITION_ITEMS)
    seam = FeelerReading("upper", "left", "butt", "A", mm("0.20 mm"), mm("0.25 mm"))
    for feeler in ((), (seam,)):  # a seam that can be bedded does not change it
        found = inspected(
            sound_bow(pad={"upper": 0.5}),
            readings=Readings(tiller=(far,), feeler=feeler),
            bow=BowRecord(mount="belly"),
            condition=clear,
        )
        assert found.fitness.use == "rework"
        assert "in part to the maker" in found.fitness.headline


def test_the_worse_end_comes_first_whichever_it_is():
    for worse, other in (("upper", "lower"), ("lower", "upper")):
        found = inspected(sound_bow(pad={worse: 0.9, other: 0.4}))
        assert [s.end for s in found.rework.steps if s.act == "lap"] == [worse, other]


def test_the_pads_wind_is_foretold():
    found = inspected(sound_bow(pad={"upper": 0.5, "lower": 0.5}))
    laps = [s for s in found.rework.steps if s.act == "lap"]
    winds = [next(p for p in lap.predicted if p.name == "wind") for lap in laps]
    assert abs(winds[0].before.value) == pytest.approx(1.0, abs=0.2)
    assert winds[0].after.value == pytest.approx(winds[1].before.value)
    assert abs(winds[1].after.value) < 0.2


def test_before_and_after_are_scored_by_the_same_measures():
    # The seam is known only of the limb as received; exchanged it would be 9 points against 10.
    seam = FeelerReading("upper", "left", "butt", "A", mm("0.20 mm"), mm("0.25 mm"))
    bow = sound_bow(pad={"upper": 0.6, "lower": -0.6}, butt={"B": -0.6, "A": 0.6})
    found = inspected(bow, readings=Readings(feeler=(seam,)))
    assert found.rework.arrangement == "exchanged"
    upper = next(one for one in found.rework.compared if one.end == "upper")
    assert upper.before.out_of == upper.after.out_of
    assert found.scores["as received"]["upper"].out_of == upper.before.out_of + 1


def test_a_bow_that_fits_gets_no_steps():
    found = inspected(sound_bow())
    assert found.rework.steps == ()
    assert found.rework.out_of_reach == ()


def test_nothing_is_worked_on_a_part_that_is_retired():
    bow = sound_bow(pad={"upper": 0.6})
    retired = inspected(bow, condition=(ConditionEntry("crack_across", True, "A"),))
    assert acts(retired) == ["repair"]
    stopped = inspected(bow, condition=(ConditionEntry("damaged_string", True),))
    assert acts(stopped)[0] == "repair"
    assert "lap" in acts(stopped)


CUTS = ("lap", "bed", "move_holes", "dress")


@pytest.mark.parametrize("seed", range(3000, 3024))
def test_every_plan_keeps_its_bounds_and_its_order(seed):
    bow = invent(seed)
    found = inspected(bow, ("everything", "both cards", "some", "exchanged")[seed % 4])
    steps = found.rework.steps
    taken: dict = {}
    for i, one in enumerate(steps):
        if one.act not in CUTS:
            continue
        assert one.depth_mm > 0
        assert one.bound
        assert one.stop
        assert steps[0].act == "prepare"
        assert steps[-1].act == "prove"
        if one.act == "lap":
            assert steps[i - 1].act == "shim"
        if one.act in ("lap", "bed") and "pad" in one.part:
            taken[one.end] = taken.get(one.end, 0) + one.depth_mm
        if one.act == "move_holes":
            assert one.depth_mm <= HOLE_STOP_MM
            assert "riser" in one.part
        if one.act == "dress":
            assert "riser" in one.part
    assert all(depth <= PAD_STOP_MM + 1e-9 for depth in taken.values())
    if found.rework.score_after is not None:
        assert found.rework.score_after.share >= found.rework.score_before.share - 1e-9


def test_lapping_as_told_makes_the_true_pad_square():
    better = []
    for seed in range(4000, 4040):
        bow = invent(seed, "pad")
        found = inspected(bow, "both cards")
        for one in found.rework.steps:
            if one.act != "lap":
                continue
            angle = math.degrees(math.atan(one.depth_mm / 44.45))
            lifted = angle if one.edge == "right edge" else -angle
            before = bow.pad[one.end]
            u = math.degrees(one.depth_sd_mm / 44.45)
            better.append((abs(before), abs(before - lifted), 1.96 * u))
    assert len(better) >= 15
    assert all(after < before for before, after, _ in better)
    assert all(after < 0.26 for _, after, _ in better)
    assert sum(after <= spread for _, after, spread in better) >= 0.85 * len(better)


def test_measured_characteristics_are_all_foretold():
    found = inspected(sound_bow(pad={"upper": 0.4}))
    lap = step(found, "lap")
    measured = set(found.seats["as received"]["upper"].values)
    assert measured <= {p.name for p in lap.predicted}
    assert isinstance(found.measurements[0].characteristics[0], Characteristic)
