"""Bench readings: check values of common practice, published definitions, and what they mean."""

from __future__ import annotations

import pytest

from fitcheck.findings.combine import Combined, Evidence, Spot, gather
from fitcheck.findings.decisions import seat_findings
from fitcheck.findings.draw import (
    amo_draw_in,
    arrow_figures,
    bow_string_length_in,
    curve_of,
    kinetic_energy_ft_lb,
    momentum_slug_fps,
    weight_off_28_lb,
)
from fitcheck.findings.limits import DEFAULTS
from fitcheck.findings.readings import bench_findings, both_units, effective_tiller_mm
from fitcheck.findings.seat import feeler_value, seat_of
from fitcheck.findings.words import bound_text
from fitcheck.inspection import Inspection, Limb, PhotoEntry
from fitcheck.inspection_file import inspection_from_json
from fitcheck.measurement import Characteristic, Measurement, Note

IN = 25.4


def bench(readings=None, bow=None, limbs=("A", "B")) -> dict:
    inspection = inspection_from_json(
        {
            "format": "fitcheck inspection",
            "version": 1,
            "bow": bow or {},
            "limbs": [{"name": name} for name in limbs],
            "as_received": dict(zip(("upper", "lower"), limbs, strict=True)),
            "readings": readings or {},
        }
    )
    return {found.name: found for found in bench_findings(inspection, DEFAULTS)}


def readings_of(raw):
    return inspection_from_json(
        {"format": "fitcheck inspection", "version": 1, "readings": raw}
    ).readings


# Common practice: half of a 19 in riser is 9 1/2 in; a shelf 1 3/16 in above centre is usual.
def test_riser_and_shelf():
    found = bench({"riser_length": "19 in", "shelf_above_centre": "1 3/16 in"})
    assert "9 1/2 in (241.3 mm)" in found["riser_length"].meaning
    assert found["shelf_above_centre"].level == "usual"
    assert found["shelf_above_centre"].reading == "1 3/16 in (30.2 mm)"
    assert bench({"shelf_above_centre": "2 1/4 in"})["shelf_above_centre"].level == "note"
    assert bench({"shelf_above_centre": "5 in"})["shelf_above_centre"].level == "caution"


# Common practice: 3/16 in reverse tiller off the shelf is about 3/8 in when shot from a rest that
# stands 3/16 in higher.
def test_tiller_is_corrected_for_the_rest():
    assert effective_tiller_mm(0.0, 3 / 16 * IN, 3 / 16 * IN) == pytest.approx(-3 / 8 * IN)
    found = bench(
        {"rest_height": "3/16 in", "tiller": [{"upper": "7 1/4 in", "lower": "7 7/16 in"}]}
    )["tiller as received"]
    assert "3/16 in (4.8 mm) reverse tiller off the shelf" in found.meaning
    assert "3/8 in (9.5 mm) reverse tiller" in found.meaning
    assert found.judged.rework == "needed"
    assert found.level == "caution"
    assert "lower limb is the weaker" in found.meaning


def test_good_tiller_and_an_unknown_rest():
    read = {"upper": "7 7/16 in ± 0.5 mm", "lower": "7 1/4 in ± 0.5 mm"}
    found = bench({"tiller": [read]})["tiller as received"]
    assert found.judged.conformity == "conforms"
    assert "was not measured" in found.meaning
    assert "positive tiller" in found.meaning


# Common practice: 480 gr on a 65 lb bow is a little over 7 gr/lb, too light.
def test_a_light_arrow():
    found = bench({"arrows": [{"mass": "480 gr"}]}, {"marked_weight": "65 lb"})["arrow arrow"]
    assert found.meaning.startswith("7.4 gr/lb")
    assert "Too light" in found.meaning
    assert found.level == "caution"
    assert "520 gr is the least" in found.meaning  # 8 gr/lb


@pytest.mark.parametrize(
    ("mass", "mark", "level"),
    [("540 gr", None, "note"), ("600 gr", None, "usual"), ("480 gr", "7 gr/lb", "usual")],
)
def test_arrow_mass_against_the_maker_s_mark(mass, mark, level):
    bow = {"marked_weight": "65 lb", **({"lightest_arrow": mark} if mark else {})}
    found = bench({"arrows": [{"mass": mass}]}, bow)["arrow arrow"]
    assert found.level == level


def test_an_arrow_without_a_draw_weight_is_not_judged():
    found = bench({"arrows": [{"mass": "480 gr"}]})["arrow arrow"]
    assert "cannot be judged" in found.meaning


@pytest.mark.parametrize(
    ("points", "mark", "says"),
    [
        ((("20 in", "30 lb"),), "50 lb", "6.4 gr/lb on 50 lb as marked"),
        ((("28 in", "50 lb"), ("29 in", "31 lb")), None, "6.4 gr/lb on 50 lb as scaled at 28"),
        ((("28 in", "52 lb"),), "50 lb", "on 52 lb as scaled"),
        ((("20 in", "30 lb"),), None, "cannot be judged"),
        ((("20 in", "45 lb"),), None, "Too light"),
    ],
)
def test_an_arrow_is_judged_on_the_larger_weight(points, mark, says):
    found = bench(
        {
            "draw": {"points": [{"at": at, "force": force} for at, force in points]},
            "arrows": [{"mass": "320 gr"}],
        },
        {"marked_weight": mark} if mark else {},
    )["arrow arrow"]
    assert says in found.meaning
    assert "eavy enough" not in found.meaning


# From memory: the traditional test arrow has 9 gr/lb, 540 gr at 60 lb.
def test_the_traditional_test_arrow():
    figures = arrow_figures(readings_of({"arrows": [{"mass": "540 gr"}]}), None, 60.0)
    assert figures[0].grains_per_pound == pytest.approx(9.0)


# Common practice: about 16 in of working limb is short of the 18 in a recurve does best with.
def test_working_limb():
    short = bench({"limbs": {"A": {"working_limb": "16 in"}}})["working_limb limb A"]
    assert "Short of the 18 in (457.2 mm)" in short.meaning
    assert "by 2 in (50.8 mm)" in short.meaning
    assert "never cut into the fade-out" in short.meaning
    enough = bench({"limbs": {"A": {"working_limb": "18 in"}}})["working_limb limb A"]
    assert enough.level == "usual"
    longbow = bench({"limbs": {"A": {"working_limb": "16 in"}}}, {"kind": "longbow"})
    assert longbow["working_limb limb A"].level == "usual"


# AMO Standards FP-3 (2000): draw to the pivot point 26 1/4 in is 28 in; a 66 in bow's string
# master is 63 in.
def test_amo_definitions():
    assert amo_draw_in(26.25) == 28.0
    assert bow_string_length_in(66) == 63
    assert "63 in long" in bench(bow={"length": "66 in"})["bow_length"].meaning


# A published rule of thumb: about 2 lb/in up to 40 lb, 3 lb/in above.
def test_weight_off_28():
    assert weight_off_28_lb(40, 27) == 38
    assert weight_off_28_lb(50, 29) == 53


# A straight line from nothing at brace to 50 lb: half of 50 lb times the power stroke.
def test_energy_of_a_straight_curve():
    curve = curve_of(
        readings_of(
            {
                "brace_height": "7.25 in",
                "draw": {
                    "points": [
                        {"at": f"{9 + d} in", "force": f"{2.5 * d} lb"} for d in (4, 12, 20)
                    ]
                },
            }
        )
    )
    assert curve.draw_in[0] == pytest.approx(9.0)  # AMO: brace to the pivot plus 1 3/4 in
    assert curve.energy_ft_lb[0] == pytest.approx(50 * 20 / 2 / 12)
    assert curve.slopes_lb_in == pytest.approx([2.5, 2.5, 2.5])
    assert curve.stacking_from_in is None
    assert curve.weight_at(19.0) == pytest.approx(25.0)
    assert curve.weight_at(40.0) is None


def test_draw_to_the_pivot_is_taken_to_amo():
    curve = curve_of(
        readings_of(
            {"draw": {"measured_to": "pivot", "points": [{"at": "26.25 in", "force": "50 lb"}]}}
        )
    )
    assert curve.full_draw_in == pytest.approx(28.0)
    assert curve.energy_ft_lb is None


# 2 lb for each inch up to 24 in, then 4: over 5.5 % of 44 lb (2.4 lb) from 24 in on.
def test_stacking_onset():
    points = [(12, 8.0), (16, 16.0), (20, 24.0), (24, 32.0), (26, 40.0), (28, 48.0)]
    found = bench(
        {
            "brace_height": "7 in",
            "draw": {"points": [{"at": f"{d} in", "force": f"{f} lb"} for d, f in points]},
        },
        {"marked_weight": "48 lb"},
    )["draw_curve"]
    assert "stacks from 24 in on" in found.meaning
    assert "Over 3 lb for each inch from 24 in on" in found.meaning
    assert "At 28 in 48.0 lb; marked 48 lb" in found.meaning


def test_a_force_that_falls_is_a_caution():
    found = bench(
        {
            "draw": {
                "points": [{"at": "20 in", "force": "30 lb"}, {"at": "22 in", "force": "28 lb"}]
            }
        }
    )["draw_curve"]
    assert found.level == "caution"
    assert "never does that" in found.meaning


# 400 gr at 300 ft/s: 79.95 ft·lb by the usual m·v²/450 240 (common practice, standard gravity
# 32.16); momentum 0.533 by m·v/225 218.
def test_energy_and_momentum_of_an_arrow():
    assert kinetic_energy_ft_lb(400, 300) == pytest.approx(400 * 300**2 / 450240, rel=1e-3)
    assert momentum_slug_fps(400, 300) == pytest.approx(400 * 300 / 225218, rel=1e-3)


def test_efficiency_carries_its_uncertainty():
    raw = {
        "brace_height": "7.25 in",
        "draw": {"points": [{"at": f"{9 + d} in", "force": f"{2.5 * d} lb"} for d in (4, 12, 20)]},
        "arrows": [{"mass": "480 gr", "speed": "170 fps"}],
    }
    curve = curve_of(readings_of(raw))
    figures = arrow_figures(readings_of(raw), curve, curve.full_weight_lb)[0]
    value, u = figures.efficiency
    assert value == pytest.approx(figures.energy_ft_lb[0] / curve.energy_ft_lb[0])
    parts = (figures.energy_ft_lb, curve.energy_ft_lb)
    assert (u / value) ** 2 == pytest.approx(sum((u / v) ** 2 for v, u in parts), rel=1e-3)
    found = bench({**raw, "arrows": [{"mass": "480 gr", "speed": "260 fps"}]})["arrow arrow"]
    assert "No bow gives so much" in found.meaning


def test_play_says_what_it_alone_allows():
    found = bench(
        {
            "ends": {
                "upper": {"bolt_play": "0.005 in", "pin_play": "0.010 in", "bolt_to_pin": "2 in"}
            },
            "limbs": {"A": {"pivot_to_nock": "20 in"}},
        }
    )["play upper end"]
    assert "±0.075 in" in found.meaning
    assert "no proof of a wrong hole" in found.meaning
    felt = bench({"ends": {"lower": {"pins": "tight"}}})["play lower end"]
    assert felt.reading == "tight by feel"
    assert felt.judged.conformity == "conforms"


def feel(**more):
    raw = {"end": "upper", "side": "left", "at": "butt", **more}
    return readings_of({"feeler": [raw]}).feeler[0]


def test_a_feeler_gauge_gives_a_range():
    found = feeler_value(feel(enters="0.05 mm", does_not_enter="0.08 mm"))
    assert found.value == pytest.approx(0.065)
    assert found.standard_uncertainty == pytest.approx((0.03**2 / 12 + 0.004**2) ** 0.5)
    assert found.bounds == (0.05, 0.08)
    assert feeler_value(feel(does_not_enter="0.05 mm")).value == pytest.approx(0.025)


def felt_gap(photo_gap=None, **blades):
    """The finding on a seam felt on the left at the butt, and photographed there or not."""
    inspection = inspection_from_json(
        {
            "format": "fitcheck inspection",
            "version": 1,
            "limbs": [{"name": "A"}],
            "readings": {
                "feeler": [{"end": "upper", "limb": "A", "side": "left", "at": "butt", **blades}]
            },
        }
    )
    spot = Spot("gap_butt", "upper", "A", "left")
    seen = {} if photo_gap is None else {spot: Combined(spot, photo_gap, "mm", 0.03, {}, ("j",))}
    seat = seat_of(inspection, Evidence(seen), "upper", "A")
    (finding,) = (f for f in seat_findings(seat, DEFAULTS) if f.name == "seat_gap")
    return finding


@pytest.mark.parametrize(
    ("blades", "said", "conformity", "rework"),
    [
        ({"enters": "0.02 mm"}, "at least 0.02 mm", "undecided", "undecided"),
        ({"enters": "0.06 mm"}, "at least 0.06 mm", "does not conform", "undecided"),
        ({"enters": "0.15 mm"}, "at least 0.15 mm", "does not conform", "needed"),
        ({"does_not_enter": "0.05 mm"}, "at most 0.05 mm", "conforms", "not needed"),
        ({"does_not_enter": "0.002 in"}, "at most 0.05 mm", "conforms", "not needed"),
        ({"does_not_enter": "0.10 mm"}, "at most 0.10 mm", "undecided", "not needed"),
        ({"does_not_enter": "0.30 mm"}, "at most 0.30 mm", "undecided", "undecided"),
        (
            {"enters": "0.06 mm", "does_not_enter": "0.10 mm"},
            "0.06 to 0.10 mm",
            "does not conform",
            "not needed",
        ),
    ],
)
def test_a_blade_is_a_bound(blades, said, conformity, rework):
    found = felt_gap(**blades)
    assert f"stands open {said}" in found.said
    assert (found.judged.conformity, found.judged.rework) == (conformity, rework)


def test_a_blade_cuts_off_what_the_photograph_leaves_open():
    free = felt_gap(0.06, does_not_enter="5 mm").value
    over = felt_gap(0.06, enters="0.08 mm").value
    under = felt_gap(0.06, does_not_enter="0.05 mm").value
    assert under.value < 0.05 < free.value < 0.08 < over.value
    assert max(under.standard_uncertainty, over.standard_uncertainty) < free.standard_uncertainty


@pytest.mark.parametrize(("photo_gap", "agree"), [(0.07, True), (0.30, False)])
def test_feeler_and_photograph_are_held_beside_each_other(photo_gap, agree):
    inspection = inspection_from_json(
        {
            "format": "fitcheck inspection",
            "version": 1,
            "limbs": [{"name": "A"}],
            "readings": {
                "feeler": [
                    {
                        "end": "upper",
                        "limb": "A",
                        "side": "left",
                        "at": "butt",
                        "enters": "0.05 mm",
                        "does_not_enter": "0.08 mm",
                    }
                ]
            },
        }
    )
    spot = Spot("gap_butt", "upper", "A", "left")
    seen = Combined(spot, photo_gap, "mm", 0.03, {}, ("j.jpg",))
    seat = seat_of(inspection, Evidence({spot: seen}), "upper", "A")
    gap = seat.gaps["butt", "left"]
    assert bool(seat.notes) is not agree
    if agree:
        assert gap.tool == "photograph and feeler gauge"
        assert 0.065 < gap.value < 0.07
    else:
        assert gap.value == pytest.approx(0.065)
        assert "do not agree" in seat.notes[0]


@pytest.mark.parametrize(
    ("mm", "text"),
    [
        (133.35, "5 1/4 in (133.4 mm)"),
        (30.1625, "1 3/16 in (30.2 mm)"),
        (10.0, "about 25/64 in (10.0 mm)"),
        (0.79375, "1/32 in (0.8 mm)"),
    ],
)
def test_lengths_in_both_units(mm, text):
    assert both_units(mm) == text


def photographed_gap(at_rest: Combined, other: Combined):
    seen = {one.spot: one for one in (at_rest, other)}
    inspection = Inspection(limbs=(Limb("A"),))
    seat = seat_of(inspection, Evidence(seen), "upper", "A")
    (finding,) = (f for f in seat_findings(seat, DEFAULTS) if f.name == "seat_gap")
    return finding


def gap_at(characteristic, side, value, u, notes=()):
    spot = Spot(characteristic, "upper", "A", side)
    return Combined(spot, value, "mm", u, {}, ("j.jpg",), notes=notes)


def test_the_place_least_surely_good_decides_the_seam():
    sure = gap_at("gap_butt", "left", 0.0, 0.01)
    unsure = gap_at("gap_end", "right", 0.0, 0.13)
    for pair in ((sure, unsure), (unsure, sure)):
        found = photographed_gap(*pair)
        assert found.judged.conformity == "undecided"
        assert "riser end on the right" in found.said
    # A gap a little wider but surely good does not hide one that may be past its limit.
    wider = photographed_gap(gap_at("gap_butt", "left", 0.02, 0.005), unsure)
    assert wider.judged.conformity == "undecided"
    assert photographed_gap(sure, sure).judged.conformity == "conforms"
    assert "closed at the butt on the left" in photographed_gap(sure, sure).said
    wide = gap_at("gap_end", "left", 0.3, 0.01)
    assert photographed_gap(gap_at("gap_butt", "left", 0.2, 0.01), wide).value.value == 0.3


@pytest.mark.parametrize(
    ("narrow", "wide", "decides"),
    [
        ((0.10, 0.01), (0.25, 0.05), 0.25),  # surely not good hides no gap that needs work
        ((0.10, 0.01), (0.16, 0.04), 0.16),  # nor one that may
        ((0.06, 0.01), (0.04, 0.08), 0.04),  # nor a narrower one that may
        ((0.02, 0.005), (0.10, 0.01), 0.10),
    ],
)
def test_the_place_that_weighs_most_decides_the_seam(narrow, wide, decides):
    places = gap_at("gap_butt", "left", *narrow), gap_at("gap_end", "right", *wide)
    for pair in (places, places[::-1]):
        assert photographed_gap(*pair).value.value == decides


def test_a_bound_is_not_rounded_up_to_a_fraction():
    assert bound_text(0.20) == "0.20 mm (0.008 in)"


def test_a_seam_that_may_be_another_line_is_never_surely_good():
    doubtful = (Note("seam_ambiguous", "Another line.", "Look at the drawn lines."),)
    found = photographed_gap(
        gap_at("gap_butt", "left", 0.0, 0.01, doubtful), gap_at("gap_end", "left", 0.0, 0.01)
    )
    assert (found.judged.conformity, found.judged.rework) == ("undecided", "undecided")
    assert found.judged.p_good <= 0.5
    assert "another line" in found.sentence.lower()


def test_a_gap_cut_at_zero_keeps_how_far_it_may_reach():
    one = Characteristic("gap_end", 0.0, "mm", 0.05, (0.0, 0.25), {"edge": 0.05})
    entry = PhotoEntry("j.jpg", "joint", "upper", "A", "left")
    found = Measurement("j.jpg", "joint", characteristics=(one,))
    evidence = gather(Inspection(limbs=(Limb("A"),), photos=(entry,)), [found])
    gap = evidence.get("gap_end", "upper", "A", "left")
    assert gap.standard_uncertainty == pytest.approx(0.25 / 1.96)
    # And the photograph's own page says the same ±.
    assert one.expanded_uncertainty == pytest.approx(gap.standard_uncertainty * 1.96)
    inside = Characteristic("gap_end", 0.1, "mm", 0.05, (0.0, 0.25), {"edge": 0.05})
    assert inside.expanded_uncertainty == pytest.approx(0.125)
