"""Tiller: what one reading cannot tell of its cause, and what tells pads from limbs."""

from __future__ import annotations

from dataclasses import replace

import pytest
from test_findings_fitness import CLEAR
from test_findings_rework import acts, inspected, mm, sound_bow, step

from fitcheck.findings.plain import cause_sentences, proposal_sentences, summary_lines
from fitcheck.findings.tiller import tiller_sources
from fitcheck.findings.whole import Findings
from fitcheck.inspection import (
    Bow,
    ConditionEntry,
    EndReadings,
    LimitEntry,
    Readings,
    TillerReading,
)
from fitcheck.quantities import quantity
from fitcheck.reporting.build import build_report
from fitcheck.reporting.document import document_of, language_for


def bow(
    here: tuple[str, str],
    there: tuple[str, str] | None = None,
    angles: tuple[str, str] | None = None,
    mount: str = "belly",
    **more,
) -> Findings:
    tiller = [TillerReading(mm(here[0]), mm(here[1]))]
    if there is not None:
        tiller.append(TillerReading(mm(there[0]), mm(there[1]), "exchanged"))
    ends = {}
    if angles is not None:
        ends = {
            end: EndReadings(pad_angle=quantity(angle, "deg", "x"))
            for end, angle in zip(("upper", "lower"), angles, strict=True)
        }
    readings = Readings(tiller=tuple(tiller), ends=ends)
    return inspected(
        sound_bow(), readings=readings, bow=Bow(mount=mount), **{"condition": CLEAR, **more}
    )


def whose(found: Findings) -> str:
    return " ".join(cause_sentences(found))


def test_one_reading_blames_nobody_and_says_what_would_tell():
    found = bow(("6 3/4 in", "7 in"))
    text = whose(found)
    assert "angles of both pads" in text
    assert "limbs’ own strength" in text
    assert "tiller that the bow was made for" in text
    assert "a protractor on both pads" in text
    assert "limbs exchanged, braced low" in text
    assert "lies in the limbs" not in " ".join([text, *(o.why for o in found.rework.out_of_reach)])
    out = step(found, "find_out")
    assert "protractor" in out.text
    assert "brace low" in out.text
    assert any("not drawn" in caution for caution in out.cautions)
    assert "Find out where the tiller comes from." in proposal_sentences(found)


def test_good_tiller_says_nothing_of_causes():
    found = bow(("7 3/16 in ± 0.3 mm", "7 in ± 0.3 mm"))
    assert "Tiller alone" not in whose(found)
    assert "find_out" not in acts(found)


# A pad that leans more to the belly going outward lets its limb stand farther from the string.
# 1.5° at 0.13 to 0.37 in for each degree: 5 to 14 mm.
@pytest.mark.parametrize(
    ("angles", "here", "said"),
    [
        (("8 deg", "9.5 deg"), ("7 in", "7 1/16 in"), "which may be all that is wrong"),
        (("8 deg", "8.8 deg"), ("6 1/2 in", "7 1/16 in"), "which is a part of what is wrong"),
        (("9.5 deg", "8 deg"), ("7 in", "7 1/16 in"), "something else is off by more"),
        (("9.5 deg", "8 deg"), ("7 1/2 in", "7 in"), "which may be all that is wrong"),
    ],
)
def test_pad_angles_are_reckoned_with(angles, here, said):
    found = bow(here, angles=angles)
    text = whose(found)
    assert said in text
    more = float(angles[0].split()[0]) > float(angles[1].split()[0])
    assert f"{'more' if more else 'less'} to the belly" in text
    assert f"of {'positive' if more else 'reverse'} tiller" in text
    if "1.5" in text:
        assert "5 to 14 mm" in text
    assert "a protractor" not in text


def test_pads_that_lean_alike_say_how_much_may_hide():
    text = whose(bow(("6 3/4 in", "7 in"), angles=("8 deg", "8.1 deg")))
    assert "lean alike" in text
    assert "can hide" in text


# Exchanged, the pads' share stays and the limbs' changes sign: P + L and P − L.
@pytest.mark.parametrize(
    ("pads", "limbs", "lies_in"),
    [(-8.0, 0.0, "pads"), (0.0, -8.0, "limbs"), (-5.0, -5.0, "both"), (-8.0, 4.5, "pads")],
)
def test_the_exchange_tells_pads_from_limbs(pads, limbs, lies_in):
    here, there = pads + limbs, pads - limbs
    found = bow((f"{180 + here} mm", "180 mm"), (f"{180 + there} mm", "180 mm"))
    sources = tiller_sources(found.inspection, "as received", found.limits)
    assert sources.pads[0] == pytest.approx(pads)
    assert sources.limbs[0] == pytest.approx(limbs)
    assert sources.pads[1] == pytest.approx(0.6)  # two differences of readings good to 0.6 mm
    assert sources.lies_in == lies_in
    if lies_in == "limbs":
        assert "tiller" not in acts(found)
        assert any("lies in the limbs" in o.why for o in found.rework.out_of_reach)
    else:
        assert not any("It lies in the limbs" in o.why for o in found.rework.out_of_reach)


def test_a_good_tiller_the_other_way_round_is_asked_about():
    found = bow(("6 13/16 in", "7 1/8 in"), ("7 5/16 in", "7 1/8 in"))
    assert "are they on the ends that they were tillered for?" in whose(found)
    assert "on each other’s ends" in step(found, "find_out").text
    assert found.rework.out_of_reach == ()
    assert "tiller" not in acts(found)


@pytest.mark.parametrize(
    ("here", "asked"),
    [
        (("7 in", "7 3/16 in"), True),  # the other way round 4.8 mm: good
        (("7 in", "7 1/16 in"), False),
        (("6 in", "7 in"), False),
        (("7 3/16 in", "7 in"), False),
    ],
)
def test_readings_written_down_the_other_way_round_are_asked_about(here, asked):
    found = bow(here)
    (tiller,) = (b for b in found.bench if b.name == "tiller as received")
    assert ("other way round?" in tiller.meaning) is asked
    assert tiller.judged.value == pytest.approx(mm(here[0]).value - mm(here[1]).value)
    assert ("Read both gaps again" in " ".join(s.text for s in found.rework.steps)) is asked
    if asked:  # nothing is tried or sent away before it is read again
        assert acts(found) == ["find_out"]
        assert found.rework.out_of_reach == ()


def test_with_a_rest_the_question_reckons_with_it():
    # 9 mm off the shelf the other way round, less 4.8 mm of rest: 4.2 mm, good.
    readings = Readings(
        tiller=(TillerReading(mm("171 mm"), mm("180 mm")),), rest_height=mm("3/16 in")
    )
    found = inspected(sound_bow(), readings=readings, bow=Bow(mount="belly"))
    (tiller,) = (b for b in found.bench if b.name == "tiller as received")
    assert "other way round?" in tiller.meaning


def test_nothing_is_asked_that_is_known():
    wanted = LimitEntry((mm("3 mm"), mm("6 mm")), (mm("0 mm"), mm("10 mm")), "", "as made")
    found = bow(
        ("172 mm", "180 mm"),
        ("172 mm", "180 mm"),
        angles=("8 deg", "9.5 deg"),
        limits={"tiller": wanted},
    )
    assert "find_out" not in acts(found)


def test_an_unknown_mount_is_looked_at_and_not_sent_to_the_maker():
    found = bow(("7 in", "7 1/16 in"), mount="")
    assert found.rework.out_of_reach == ()
    assert "belly or on the back" in step(found, "find_out").text
    assert found.fitness.headline.startswith("To the bench:")


def test_nothing_is_braced_for_it_while_something_stops_the_bow():
    others = tuple(c for c in CLEAR if c.item != "heat")
    found = bow(("6 3/4 in", "7 in"), condition=(ConditionEntry("heat", True), *others))
    assert "brace" not in " ".join([*summary_lines(found), *acts(found)])
    assert "find_out" not in acts(found)


HEADLINES = {
    True: ("To the bench",),
    False: ("To the maker", "In part to the maker", "Back to its owner", "It ", "To the rack"),
}


@pytest.mark.parametrize(
    "here",
    [
        ("6 in", "7 in"),
        ("6 3/4 in", "7 in"),
        ("7 in", "7 1/16 in"),
        ("7 1/8 in", "7 in"),
        ("8 in", "7 in"),
    ],
)
@pytest.mark.parametrize("mount", ["belly", "back", ""])
@pytest.mark.parametrize("there", [None, ("6 3/4 in", "7 in"), ("7 1/4 in", "7 in")])
def test_headline_and_work_agree(here, mount, there):
    found = bow(here, there, mount=mount)
    proposed = proposal_sentences(found)
    work = not proposed[0].startswith("No work is proposed")
    assert found.fitness.headline.startswith(HEADLINES[work]), (found.fitness.headline, proposed)
    if found.rework.out_of_reach:
        assert "maker" in found.fitness.headline


@pytest.mark.parametrize("units", ["mm", "in"])
@pytest.mark.parametrize(
    "found",
    [
        bow(("7 in", "7 3/16 in"), mount=""),
        bow(("6 in", "7 in"), angles=("8 deg", "9.5 deg")),
        bow(("7 in", "7 1/16 in"), angles=("8 deg", "8.1 deg"), mount="back"),
        bow(("6 13/16 in", "7 1/8 in"), ("7 5/16 in", "7 1/8 in")),
        bow(("172 mm", "180 mm"), ("188 mm", "180 mm"), angles=("9.5 deg", "8 deg")),
        bow(("190 mm", "180 mm"), ("195 mm", "180 mm"), angles=("9.5 deg", "8 deg")),
        bow(("172 mm", "180 mm"), ("172 mm", "180 mm"), angles=("9.5 deg", "8 deg")),
    ],
    ids=range(7),
)
def test_all_of_it_is_translated(found, units):
    report = build_report(replace(found), {})
    document_of(report, "de", units)
    lang = language_for(report, "de", units)
    for said in (*cause_sentences(found), *proposal_sentences(found), found.fitness.headline):
        assert lang.said(said).translated, said
    for one in (*found.rework.steps, *found.rework.out_of_reach):
        for name in ("title", "text", "stop", "bound", "what", "why"):
            text = getattr(one, name, "")
            assert not text or lang.said(text).translated, text
    for one in found.bench:
        assert lang.said(one.meaning).translated, one.meaning
