"""Condition that stops everything, and what the bow is fit for; never a word of release."""

from __future__ import annotations

import json
import re
from dataclasses import replace

import pytest
from reported import findings_html
from simulated_bows import photograph
from test_findings_rework import _wider, inspected, mm, sound_bow

from fitcheck.findings.condition import ITEMS, condition_of
from fitcheck.findings.plain import summary_lines
from fitcheck.findings.record import findings_to_json
from fitcheck.findings.whole import find
from fitcheck.inspection import (
    CONDITION_ITEMS,
    Arrow,
    Bow,
    ConditionEntry,
    DrawPoint,
    EndReadings,
    Inspection,
    Readings,
    StringReading,
)
from fitcheck.quantities import quantity
from fitcheck.reporting.as_csv import report_csv
from fitcheck.reporting.build import build_report

STOPS = [name for name, item in ITEMS.items() if item.effect != "caution"]
CLEAR = tuple(ConditionEntry(name, False) for name in ITEMS)
# Words that could be taken for leave to shoot, unless a "not", "never" or the like goes before.
RELEASE = re.compile(
    r"fit to (be )?(shoot|shot|use)|safe to|may be (shot|drawn)|can be (shot|drawn)|"
    r"ready to|good to go|cleared|return as is|back to its owner|nothing needs rework|"
    r"passes|passed|heavy enough|bow strung|lies within its good limit|no rework (is )?due",
    re.IGNORECASE,
)


def everything_said(found) -> str:
    return " ".join(
        [
            json.dumps(findings_to_json(found), ensure_ascii=False),
            *summary_lines(found),
            re.sub(r"<style>.*?</style>", "", findings_html(found), flags=re.DOTALL),
        ]
    )


def test_the_check_list_is_the_file_s():
    assert set(ITEMS) == set(CONDITION_ITEMS)
    for item in ITEMS.values():
        assert item.look.endswith(".")
        assert item.why.endswith(".")
        assert item.mark in ("P", "C", "M")


@pytest.mark.parametrize("name", STOPS)
def test_a_stop_finding_keeps_every_word_of_release_out(name):
    entry = ConditionEntry(name, True, limb="A", note="seen under the lamp")
    others = tuple(c for c in CLEAR if c.item != name)
    found = inspected(
        sound_bow(riser_angle={"upper": 0.36}),
        condition=(entry, *others),
        readings=Readings(arrows=(Arrow(quantity("600 gr", "gr", "x")),)),
        bow=Bow(marked_weight=quantity("50 lb", "lb", "x")),
    )
    assert any(one.judged.undecided for one in found.findings if one.name.startswith("string"))
    assert found.fitness.use == "do not shoot, reject"
    assert found.fitness.reasons[0].startswith(ITEMS[name].words[:5].capitalize())
    assert "not strung, drawn or shot" in found.fitness.cautions[0]
    text = everything_said(found)
    assert RELEASE.search(text) is None, RELEASE.search(text)
    assert "seen under the lamp" in text
    words = f"{ITEMS[name].words}, limb A"
    (repair,) = (one for one in found.rework.steps if one.act == "repair")
    assert words in repair.title
    lines = summary_lines(found)
    assert any(line.startswith("Stop: ") and words.capitalize()[:5] in line for line in lines)
    assert "Score: not scored, something stops the bow." in lines
    assert f"  At fault by the check list: {words}." in lines
    table = report_csv(build_report(found, {}))
    assert f",limb A,,,condition {name}," in table or f",A,,,condition {name}," in table
    first_page = text.split("For the bench")[0]
    assert "Not scored: something stops the bow" in first_page


@pytest.mark.parametrize(
    ("name", "headline"),
    [("crack_across", "retired"), ("delamination", "retired"), ("damaged_bolt", "made good")],
)
def test_a_part_is_retired_or_put_right(name, headline):
    found = inspected(sound_bow(), condition=(ConditionEntry(name, True),))
    assert headline in found.fitness.headline


def test_cautions_do_not_stop():
    watched = (ConditionEntry("crack_along", True, "A"), *CLEAR[1:])
    condition = condition_of(Inspection(condition=watched))
    assert condition.stops == ()
    assert "Not serious by itself" in condition.found[0].sentence


def test_found_in_one_place_is_found():
    entries = (ConditionEntry("heat", False, "A"), ConditionEntry("heat", True, "B"))
    condition = condition_of(Inspection(condition=entries))
    assert [f.where for f in condition.found] == ["limb B"]
    assert ITEMS["heat"].words not in condition.clear
    assert ITEMS["heat"].words not in condition.not_looked


def complete(invented=None, **more):
    return inspected(invented or sound_bow(), condition=CLEAR, **more)


def test_a_sound_bow_that_was_looked_over_goes_back():
    found = complete()
    assert found.fitness.use == "return as is"
    assert "no proof of strength" in found.fitness.cautions[0]
    assert not re.search(r"fit to shoot|safe to", everything_said(found))


def test_after_rework_the_bow_is_proved_before_it_is_handed_over():
    received, after = complete(), complete(stage="after rework")
    assert after.fitness.use == "return as is"
    said = " ".join(after.fitness.cautions)
    for words in ("brace height", "look over", "short draws", "strength test", "qualified"):
        assert words in said
    assert "short draws" not in " ".join(received.fitness.cautions)


def test_without_the_check_list_it_cannot_be_said():
    found = inspected(sound_bow())
    assert found.fitness.use == "cannot be said yet"
    assert "crack across a limb" in " ".join(found.fitness.missing)


def test_without_a_seat_it_cannot_be_said():
    found = inspected(sound_bow(), protocol="as received", condition=CLEAR)
    assert found.fitness.use == "cannot be said yet"
    assert "pad squareness at the upper end" in found.fitness.missing


def test_new_pads_ask_for_the_pads_alone():
    bow = sound_bow(pad={"upper": 0.02})
    found = complete(bow, purpose="new pads")
    assert found.fitness.use == "return as is"
    assert inspected(bow, purpose="new pads").fitness.use == "return as is"


def test_new_pads_say_nothing_of_the_bow_that_was_not_asked_for():
    inspection = photograph(sound_bow(pad={"upper": 0.02}), "both cards", 12)
    pads = tuple(p for p in inspection.photos if p.view == "pad")
    asked = replace(inspection, photos=pads, purpose="new pads")
    found = find(asked, [p.measurement for p in pads])
    assert found.fitness.use == "return as is"
    assert found.fitness.headline.startswith("The pads need no rework")
    assert found.fitness.missing == ("condition",)  # of the riser; limbs were not asked for
    assert not any(score.missing for score in found.scores["as received"].values())
    assert all(photo.view == "pad" for photo in found.faults.next_photos)
    text = findings_html(found)
    assert "Can it be shot" not in text
    assert "go back as it is" not in text
    assert not summary_lines(found)[0].startswith("Return")


@pytest.mark.parametrize(
    ("shares", "use"),
    [
        ({"pad": {"upper": 0.5}}, "rework"),
        ({"riser_angle": {"upper": 0.8}}, "rework"),
        ({"own_twist": {"A": 2.8}}, "do not shoot, reject"),
        ({"limb_angle": {"A": 1.2}}, "do not shoot, reject"),  # the string is far off, and stays
        ({"butt": {"A": 0.5}}, "rework"),
    ],
)
def test_what_it_is_fit_for(shares, use):
    found = complete(sound_bow(**shares), readings=Readings(ends=_read()))
    assert found.fitness.use == use
    assert found.fitness.reasons


def _read():
    return {
        end: EndReadings(
            pad_width=mm("1 3/4 in"), butt_line_to_bolt=mm("25 mm"), bolt_to_pin=mm("45 mm")
        )
        for end in ("upper", "lower")
    }


def test_limbs_on_the_wrong_ends_are_not_to_be_shot_so():
    bow = sound_bow(pad={"upper": 0.6, "lower": -0.6}, butt={"B": -0.6, "A": 0.6})
    found = complete(bow)
    assert found.fitness.use == "rework"
    assert "wrong ends" in found.fitness.reasons[0]
    assert "tiller reverses" in found.fitness.cautions[0]


def test_a_lip_that_is_only_felt_is_told_and_does_not_reject():
    found = complete(width_mm=1.3)
    assert found.fitness.use == "return as is"
    assert any("stands" in reason for reason in found.fitness.reasons)


@pytest.mark.parametrize("width_mm", [-12.0, -6.0, -2.4, -1.2, 2.4, 6.0, 12.0])
def test_a_lip_past_its_limit_is_never_given_back_as_it_is(width_mm):
    found = complete(width_mm=width_mm)
    assert found.fitness.use == "rework"
    assert any("stands" in reason for reason in found.fitness.reasons)
    assert "nothing needs rework" not in found.fitness.headline


def test_a_small_lip_of_a_limb_excuses_no_other():
    bow = sound_bow()
    inspection = inspected(bow, condition=CLEAR, width_mm=1.2).inspection
    photos = tuple(
        _wider(photo, 2.4) if photo.view == "seat" and photo.end == "lower" else photo
        for photo in inspection.photos
    )
    found = find(replace(inspection, photos=photos), [p.measurement for p in photos])
    assert {o.effect for o in found.rework.out_of_reach} == {"looks", "maker"}
    assert found.fitness.use == "rework"


def test_a_light_arrow_is_a_caution():
    found = complete(
        readings=Readings(arrows=(Arrow(quantity("480 gr", "gr", "x")),)),
        bow=Bow(marked_weight=quantity("65 lb", "lb", "x")),
    )
    assert any("Too light" in caution for caution in found.fitness.cautions)


def ruled(off: str, at: str = "grip") -> Readings:
    return Readings(string=(StringReading(at, quantity(off, "mm", "x"), "left"),))


@pytest.mark.parametrize("at", ["grip", "upper pad", "lower pad"])
def test_a_string_read_with_a_rule_is_judged_in_place_of_the_reckoned_one(at):
    found = complete(readings=ruled("1/4 in", at))
    name = "string_grip" if at == "grip" else "string_pad"
    (one,) = (f for f in found.findings if f.name == name and f.said.endswith(at))
    assert one.value.tool == "rule"
    assert one.value.value == pytest.approx(-6.35)
    assert one.judged.rework == "needed"
    assert "do not agree" in one.sentence
    assert found.fitness.use == "cannot be said yet"
    assert any("By the rule" in reason for reason in found.fitness.reasons)


def test_a_string_that_rule_and_photographs_disagree_about_is_read_again():
    found = complete(readings=ruled("1/4 in"))
    assert next(s.act for s in found.rework.steps) == "reread"
    lines = "\n".join(summary_lines(found))
    assert "Read the string again: rule and photographs disagree." in lines
    assert "which of them is wrong cannot be told yet" in lines


def test_what_would_decide_the_pins_is_not_what_was_done():
    def said(**readings):
        ends = {"upper": EndReadings(**readings)}
        found = inspected(sound_bow(), readings=Readings(ends=ends))
        (one,) = [f for f in found.findings if f.name == "pin_play"]
        assert one.judged.undecided
        return one.what_decides

    assert "measured with a caliper" in said(pins="snug")
    read = said(pin_play=mm("0.06 mm"))
    assert "caliper" not in read
    assert "micrometer" in read
    assert "drill shank" in read


def test_pin_play_past_its_limit_has_a_step():
    ends = {"upper": EndReadings(pin_play=mm("0.25 mm"), bolt_play=mm("0.05 mm"))}
    found = complete(readings=Readings(ends=ends))
    assert found.fitness.use == "rework"
    (repair,) = (s for s in found.rework.steps if s.act == "repair")
    assert repair.title == "Take up the play of the index pin at the upper end"
    assert "bush it" in repair.text
    assert not any(
        s.act == "repair"
        for s in complete(
            readings=Readings(ends={"upper": EndReadings(pin_play=mm("0.02 mm"))})
        ).rework.steps
    )


def test_what_cannot_be_said_yet_always_has_a_reason():
    suited = {
        "riser_angle": {"upper": 0.5},
        "limb_angle": {"A": -0.5},
        "riser_offset": {"upper": 0.5},
        "limb_offset": {"A": -0.5},
    }
    for shares in (suited, {}):
        found = complete(sound_bow(**shares))
        if all(f.judged.conformity == "conforms" for f in found.findings):
            assert found.fitness.use == "return as is"
        assert found.fitness.use != "cannot be said yet" or found.fitness.reasons


def test_a_string_read_where_nothing_can_be_reckoned_is_judged_too():
    found = inspected(sound_bow(), protocol="as received", readings=ruled("1/4 in"))
    lone = replace(found.inspection, photos=())
    (one,) = (f for f in find(lone, []).findings if f.name == "string_grip")
    assert one.judged.rework == "needed"


def test_a_rule_s_reading_moves_with_what_is_done():
    bow = sound_bow(riser_angle={"upper": 0.8})
    now = next(p.value for p in complete(bow).string["as received"].places if p.at == "grip")
    off = StringReading("grip", quantity(f"{abs(now):.2f} mm", "mm", "x"), "right")
    found = complete(bow, readings=Readings(ends=_read(), string=(off,)))
    (grip,) = (p for p in found.rework.string_after.places if p.at == "grip")
    assert now > 1
    assert abs(grip.decisive[0]) < 0.6


def drawn(*points: tuple[str, str]) -> Readings:
    return Readings(
        draw_points=tuple(DrawPoint(mm(at), quantity(force, "lb", "x")) for at, force in points)
    )


@pytest.mark.parametrize(
    ("readings", "reason"),
    [
        (drawn(("20 in", "35 lb"), ("28 in", "31 lb")), "The force falls"),
        (drawn(("28 in", "30 lb")), "Far under its mark"),
        (drawn(("28 in", "75 lb")), "Far over its mark"),
        (drawn(("27 in", "30 lb")), "Far under its mark"),
        (Readings(brace_height=mm("2 in")), "can hardly be"),
        (Readings(arrows=(Arrow(quantity("250 gr", "gr", "x")),)), "Too light"),
    ],
)
def test_an_alarm_on_the_bench_keeps_the_bow(readings, reason):
    found = complete(readings=readings, bow=Bow(marked_weight=quantity("50 lb", "lb", "x")))
    assert found.fitness.use == "cannot be said yet"
    assert any(reason in said for said in found.fitness.reasons)


def test_a_weight_near_its_mark_is_no_alarm():
    marked = Bow(marked_weight=quantity("50 lb", "lb", "x"))
    assert complete(readings=drawn(("28 in", "53 lb")), bow=marked).fitness.use == "return as is"
    assert complete(readings=drawn(("20 in", "30 lb")), bow=marked).fitness.use == "return as is"


@pytest.mark.parametrize("name", ["loose_pin", "lifted_fibres"])
def test_what_has_to_be_mended_is_mended_first(name):
    others = tuple(c for c in CLEAR if c.item != name)
    found = inspected(sound_bow(), condition=(ConditionEntry(name, True), *others))
    assert found.fitness.use == "rework"
    assert any(ITEMS[name].why in reason for reason in found.fitness.reasons)


@pytest.mark.parametrize(("end", "limb"), [(None, None), ("upper", None), ("upper", "A")])
def test_a_pin_that_is_loose_by_the_list_and_tight_by_the_bench_is_not_scored(end, limb):
    ends = {"upper": EndReadings(pins="tight"), "lower": EndReadings(pins="loose")}
    others = tuple(c for c in CLEAR if c.item != "loose_pin")
    entry = ConditionEntry("loose_pin", True, limb, end)
    found = inspected(sound_bow(), readings=Readings(ends=ends), condition=(entry, *others))
    seats = found.seats["as received"]
    assert "pin_play" not in seats["upper"].values
    assert "do not agree" in seats["upper"].notes[0]
    assert "pin_play" in seats["lower"].values
    assert "index-pin fit" in found.scores["as received"]["upper"].missing
    assert any(line.startswith("Note: The check list") for line in summary_lines(found))


def test_a_size_that_can_hardly_be_is_not_reckoned_with():
    bow = sound_bow(pad={"upper": 0.4})
    found = complete(bow, readings=Readings(ends={"upper": EndReadings(pad_width=mm("10 in"))}))
    plain = complete(bow)
    depths = [[s.depth_mm for s in one.rework.steps] for one in (found, plain)]
    assert depths[0] == depths[1]
    assert any("can hardly be" in reason for reason in found.fitness.reasons)


def test_readings_that_contradict_each_other_keep_the_bow():
    bow = sound_bow(own_twist={"A": 0.6})
    plain = complete(bow, protocol="everything")
    assert plain.fitness.use == "return as is"
    inspection = replace(photograph(bow, "everything", 12), condition=CLEAR, readings=Readings())
    photos = list(inspection.photos)
    sights = [i for i, p in enumerate(photos) if (p.view, p.end) == ("sight", "upper")]
    first, second = (next(i for i in sights if photos[i].limb == limb) for limb in ("A", "B"))
    photos[first], photos[second] = (
        replace(photos[first], measurement=photos[second].measurement),
        replace(photos[second], measurement=photos[first].measurement),
    )
    found = find(replace(inspection, photos=tuple(photos)), [p.measurement for p in photos])
    assert all(f.judged.conformity == "conforms" for f in found.findings if f.name == "twist")
    assert found.fitness.use == "cannot be said yet"
    assert "do not close" in found.fitness.reasons[0]
