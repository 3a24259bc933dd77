"""Odd cases of the bench: readings that contradict, findings without a measure past its limit."""

from __future__ import annotations

import json
from dataclasses import fields, is_dataclass

import pytest

from fitcheck.errors import BadInput
from fitcheck.findings.condition import ITEMS
from fitcheck.findings.plain import found_sentences, looked_at, summary_lines
from fitcheck.findings.whole import Findings, find
from fitcheck.inspection_file import parse_inspection
from fitcheck.reporting.build import build_report
from fitcheck.reporting.document import document_of

SEATS = (("upper", "A"), ("lower", "B"))


def characteristic(name, value, unit, u):
    return {"name": name, "value": value, "unit": unit, "standard_uncertainty": u}


def photo(view, *characteristics, **more):
    name = " ".join([view, *map(str, more.values())])
    found = {"photo": name, "view": view, "characteristics": list(characteristics)}
    return {"file": f"{name}.jpg", "view": view, **more, "measurement": found}


def bow(found=(), butt=0.0, own=0.0, gap=0.01, pad=0.0, **more) -> Findings:
    """A bow that fits, but for limb A's butt, twist and pad, deg, and a gap at its seat, mm."""
    photos = []
    for end, limb in SEATS:
        off, turned = (butt, own) if limb == "A" else (0.0, 0.0)
        wide = gap if limb == "A" else 0.01
        roll = pad if limb == "A" else 0.0
        photos += [
            photo("pad", characteristic("pad_squareness", roll, "deg", 0.02), end=end),
            photo(
                "sight",
                characteristic("twist", turned, "deg", 0.03),
                limb=limb,
                near_card_on="butt",
            ),
            photo(
                "sight",
                characteristic("twist", turned + off + roll, "deg", 0.03),
                end=end,
                limb=limb,
                near_card_on="riser",
            ),
            photo(
                "seat",
                characteristic("overhang_left", 0.0, "mm", 0.03),
                characteristic("overhang_right", 0.0, "mm", 0.03),
                characteristic("lateral_offset", 0.0, "mm", 0.03),
                characteristic("lateral_angle", 0.0, "deg", 0.02),
                end=end,
                limb=limb,
            ),
            photo(
                "joint",
                characteristic("gap_butt", wide, "mm", 0.008),
                end=end,
                limb=limb,
                side="left",
            ),
        ]
    raw = {
        "format": "fitcheck inspection",
        "version": 1,
        "bow": {"kind": "recurve", "mount": "belly"},
        "limbs": [{"name": "A", "marked_for": "upper"}, {"name": "B", "marked_for": "lower"}],
        "as_received": {"upper": "A", "lower": "B"},
        "photos": photos,
        "condition": [{"item": name, "found": name in found} for name in ITEMS],
        **more,
    }
    inspection = parse_inspection(json.dumps(raw))
    return find(inspection, [entry.measurement for entry in inspection.photos])


def overlay(thickness: str | None):
    first = {"name": "A", "marked_for": "upper", "butt_overlay": "present"}
    if thickness:
        first["butt_overlay_thickness"] = thickness
    return [first, {"name": "B", "marked_for": "lower"}]


def blades(*readings):
    place = {"end": "upper", "limb": "A", "side": "left", "at": "butt"}
    return {"feeler": [{**place, **reading} for reading in readings]}


def tiller(upper: str, lower: str, limbs: str = "as received"):
    return {"limbs": limbs, "upper": upper, "lower": lower}


def test_work_on_a_part_is_given_its_reason_where_no_measure_of_the_seat_is_past_its_limit():
    found = bow(butt=0.5, limbs=overlay("1 mm"))
    assert [step.act for step in found.rework.steps] == ["prepare", "shim", "lap", "prove"]
    assert not [f for f in found.findings if f.judged.conformity == "does not conform"]
    assert found.fitness.use == "rework"
    (reason,) = found.fitness.reasons
    assert reason.startswith("The butt of limb A is at fault (probability over 99 %)")


ENTERS, DOES_NOT = {"enters": "0.30 mm"}, {"does_not_enter": "0.05 mm"}


@pytest.mark.parametrize("order", [(ENTERS, DOES_NOT), (DOES_NOT, ENTERS)])
def test_blades_that_contradict_each_other_never_pass_for_a_closed_seam(order):
    found = bow(readings=blades(*order))
    (gap,) = (f for f in found.findings if f.name == "seat_gap" and f.end == "upper")
    assert gap.judged.rework == "needed"
    assert found.fitness.use != "return as is"
    told = " ".join(summary_lines(found))
    assert "a feeler blade of 0.30 mm entered once and one of 0.05 mm another time did not" in told
    assert "the photograph shows 0.01 mm" in told


def test_two_blades_on_two_lines_say_what_they_say_on_one():
    apart = bow(readings=blades({"enters": "0.05 mm"}, {"does_not_enter": "0.08 mm"}), gap=0.06)
    at_once = bow(readings=blades({"enters": "0.05 mm", "does_not_enter": "0.08 mm"}), gap=0.06)
    assert apart.findings == at_once.findings
    assert apart.seats["as received"]["upper"].notes == ()


@pytest.mark.parametrize(
    ("readings", "said"),
    [
        (
            {"tiller": [tiller("7 1/4 in", "7 in"), tiller("7 in", "7 1/4 in")]},
            "“tiller” holds two readings for limbs as received",
        ),
        (
            {
                "string": [
                    {"at": "grip", "off": "1/8 in", "toward": side} for side in ("left", "right")
                ]
            },
            "“string” holds two readings for the grip, limbs as received",
        ),
    ],
)
def test_a_second_reading_of_one_thing_is_not_dropped_in_silence(readings, said):
    with pytest.raises(BadInput) as error:
        bow(readings=readings)
    assert said in str(error.value)
    assert "write one" in error.value.advice


def test_tiller_of_both_arrangements_is_two_readings():
    both = [tiller("185 mm", "180 mm"), tiller("184 mm", "181 mm", "exchanged")]
    assert len([b for b in bow(readings={"tiller": both}).bench if b.judged]) == 2


def test_a_tiller_past_its_good_limit_is_among_what_was_found():
    found = bow(readings={"rest_height": "0 mm", "tiller": [tiller("188 mm", "180 mm")]})
    assert found.fitness.use == "rework"
    (said,) = found_sentences(found)
    assert said.startswith("Tiller: ")
    assert "past the good limit (3.00 mm to 6.00 mm), short of the rework limit" in said


def test_a_tiller_too_near_its_limit_is_not_said_to_be_within():
    found = bow(readings={"rest_height": "0 mm", "tiller": [tiller("186.3 mm", "180 mm")]})
    assert found.fitness.use == "return as is"
    assert found_sentences(found) == (
        "Nothing is past its limit for certain; some measures are too near it to say.",
    )
    assert found.fitness.reasons[0] == "Nothing needs rework."
    assert "too near the good limit" in found.fitness.reasons[1]


def test_no_arrow_is_called_heavy_enough_for_a_bow_that_is_stopped():
    more = {
        "bow": {"marked_weight": "65 lb"},
        "readings": {"arrows": [{"mass": "480 gr"}, {"name": "two", "mass": "700 gr"}]},
    }

    def arrows(found):
        return [b.meaning for b in found.bench if b.name.startswith("arrow")]

    assert "; 520 gr is the least." in arrows(bow(**more))[0]
    light, heavy = arrows(bow(found=("dry_fire",), **more))
    assert "Do not shoot it from this bow." in light
    assert "the least" not in light
    assert "Not judged" in heavy


EXCHANGED_ONLY = [
    photo(
        "seat",
        characteristic("overhang_left", 0.9, "mm", 0.03),
        characteristic("overhang_right", -0.9, "mm", 0.03),
        end=end,
        limb=limb,
    )
    for end, limb in (("upper", "B"), ("lower", "A"))
]


def test_lips_with_the_limbs_exchanged_are_not_said_to_be_nothing():
    (said,) = found_sentences(bow(photos=EXCHANGED_ONLY))
    assert said.startswith("Only with the limbs on each other’s ends was anything measured")
    assert found_sentences(bow(photos=[])) == ("Nothing was measured that has a limit.",)


def new_pads(limb: str | None = None) -> Findings:
    """Two newly cut pads, the upper off square; with a limb, a sight of it from the riser."""
    photos = [
        photo("pad", characteristic("pad_squareness", 0.6, "deg", 0.02), end="upper"),
        photo("pad", characteristic("pad_squareness", 0.0, "deg", 0.02), end="lower"),
    ]
    if limb is not None:
        sight = {"end": "upper", "limb": limb, "near_card_on": "riser"}
        photos.append(photo("sight", characteristic("twist", 0.6, "deg", 0.03), **sight))
    return bow(purpose="new pads", photos=photos)


def test_steps_for_bare_pads_ask_for_nothing_that_needs_a_limb():
    steps = new_pads().rework.steps
    assert [step.act for step in steps] == ["prepare", "lap", "prove"]
    told = " ".join([*(s.text for s in steps), *(c for s in steps for c in s.cautions)])
    for word in ("limb off", "bolt the limb", "brace", "draw short", "stringer"):
        assert word not in told
    with_limb = new_pads("A").rework.steps
    assert "shim" in [step.act for step in with_limb]
    assert "Take the limb off" in with_limb[0].text


def test_an_open_seam_is_measured_again_after_its_pad_is_lapped_and_not_given_up_before():
    found = bow(pad=0.6, gap=0.45)
    assert "lap" in [step.act for step in found.rework.steps]
    assert found.fitness.use == "rework"
    assert any("seam" in one.text and "again" in one.text for one in found.rework.left_alone)
    assert not [o for o in found.rework.out_of_reach if "seat_gap" in o.names]


def english_left(found: Findings) -> list[str]:
    """Every sentence that a German report would leave in English."""
    left: list[str] = []

    def walk(thing):
        if hasattr(thing, "translated"):
            if not thing.translated:
                left.append(thing.text)
        elif is_dataclass(thing):
            for field in fields(thing):
                walk(getattr(thing, field.name))
        elif isinstance(thing, list | tuple):
            for one in thing:
                walk(one)

    walk(document_of(build_report(found, {}), "de").blocks)
    return left


IMPOSSIBLE = {
    "riser_length": "60 in",
    "brace_height": "20 in",
    "ends": {"upper": {"pad_width": "10 in", "bolt_to_pin": "9 in", "pin_play": "0.4 mm"}},
    "limbs": {"A": {"working_limb": "60 in", "pivot_to_nock": "60 in"}},
}


@pytest.mark.parametrize(
    "case",
    [
        {},
        {"own": 2.5},
        {"butt": 0.5, "limbs": overlay("1 mm")},
        {"butt": 0.5, "limbs": overlay("0.4 mm")},
        {"butt": 0.5, "limbs": overlay(None)},
        {"readings": blades(ENTERS, DOES_NOT)},
        {"readings": blades({"enters": "1.2 mm"})},
        {"readings": blades({"does_not_enter": "0.30 mm"})},
        {"readings": blades({"does_not_enter": "0.20 mm"}), "gap": 0.4},
        {"readings": IMPOSSIBLE},
        {"photos": EXCHANGED_ONLY},
        {
            "found": ("heat",),
            "bow": {"marked_weight": "65 lb"},
            "readings": {"arrows": [{"mass": "480 gr"}]},
        },
    ],
    ids=lambda case: " ".join(case) or "sound",
)
def test_odd_cases_are_told_in_german(case):
    found = bow(**case)
    assert looked_at(found)
    assert english_left(found) == []
