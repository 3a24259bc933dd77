"""What is said in one place agrees with what is said in another."""

from __future__ import annotations

from dataclasses import replace

import pytest
from simulated_bows import KINDS, PROTOCOLS, invent, photograph
from test_findings_fitness import CLEAR
from test_findings_rework import inspected, mm, sound_bow

from fitcheck.findings.plain import cause_sentences, found_sentences, proposal_sentences
from fitcheck.findings.whole import Findings, find
from fitcheck.inspection import (
    Bow,
    EndReadings,
    FeelerReading,
    Limb,
    Readings,
    StringReading,
    TillerReading,
)
from fitcheck.reporting.build import build_report
from fitcheck.reporting.document import language_for

DRAWN = ("draw short", "arrows that weigh enough")


def complete(bow, **more) -> Findings:
    return inspected(bow, condition=CLEAR, **more)


def told(found: Findings) -> list[str]:
    return [text for s in found.rework.steps for text in (s.title, s.text, s.stop, *s.cautions)]


@pytest.mark.parametrize(
    "bow",
    [
        sound_bow(butt={"A": 0.6}),
        sound_bow(pad={"upper": 1.5}),
        sound_bow(own_twist={"A": 2.8}, pad={"lower": 0.5}),
        sound_bow(limb_angle={"A": 1.2}, pad={"lower": 0.5}),
        sound_bow(pad={"upper": 1.5, "lower": 0.5}),
    ],
    ids=["butt", "pad too far", "twist and pad", "limb's holes and pad", "two pads"],
)
def test_a_bow_that_waits_for_others_is_nowhere_told_to_be_drawn(bow):
    found = complete(bow)
    assert found.fitness.headline.startswith(("To the maker", "To the rack", "To the bench, and"))
    assert not [text for text in told(found) if any(words in text for words in DRAWN)]


def test_a_bow_that_is_reworked_is_proved_by_drawing_it():
    found = complete(sound_bow(pad={"upper": 0.5}))
    assert all(any(words in text for text in told(found)) for words in DRAWN)


def test_no_shim_is_proved_where_nothing_follows():
    for bow in (sound_bow(butt={"A": 0.6}), sound_bow(pad={"upper": 1.5})):
        assert complete(bow).rework.steps == ()


def test_pad_and_limb_that_suit_each_other_are_not_called_work():
    found = complete(sound_bow(pad={"upper": 0.6}, butt={"A": -0.6}))
    assert found.fitness.use == "return as is"
    assert found.fitness.reasons[0].startswith("Nothing is reworked: ")
    said = found_sentences(found)
    assert not any("that needs work" in text for text in said)
    assert any("made to suit each other and stay so" in text for text in said)


def test_an_open_seam_and_a_loose_pin_are_not_called_nobodys_fault():
    seam = FeelerReading("upper", "left", "butt", "A", mm("0.20 mm"), mm("0.25 mm"))
    play = {"lower": EndReadings(pin_play=mm("0.3 mm"))}
    text = " ".join(
        cause_sentences(complete(sound_bow(), readings=Readings(feeler=(seam,), ends=play)))
    )
    assert "The seam at the upper end does not tell" in text
    assert "The index pin at the lower end or its hole" in text
    assert "No part was found at fault" not in text


def test_photographs_that_disagree_are_named():
    inspection = replace(photograph(sound_bow(), "with pads", 12), condition=CLEAR)
    seat = next(p for p in inspection.photos if p.view == "seat")
    moved = tuple(replace(c, value=c.value + 1.0) for c in seat.measurement.characteristics)
    again = replace(
        seat, file="again.jpg", measurement=replace(seat.measurement, characteristics=moved)
    )
    photos = (*inspection.photos, again)
    found = find(replace(inspection, photos=photos), [p.measurement for p in photos])
    (note,) = found.evidence.notes
    assert note.message.startswith(f"{seat.file} and again.jpg differ by more than")
    assert found.fitness.use == "cannot be said yet"
    assert all(text.startswith(("Would decide it", "Photo")) for text in proposal_sentences(found))


def test_a_photograph_that_comes_first_is_proposed_beside_other_work():
    bow = sound_bow(pad={"lower": 0.6}, riser_offset={"upper": 0.9})
    found = inspected(bow, "with pads", condition=CLEAR)
    proposed = proposal_sentences(found)
    assert proposed[0] == "Photograph before anything is cut."
    assert any(text.startswith("Lap the pad at the lower end") for text in proposed)


@pytest.mark.parametrize(("pad", "said"), [(0.0, "about alike"), (0.6, "rather better as they")])
def test_beside_marks_alone_the_fit_is_told_as_it_is(pad, said):
    bow = sound_bow(pad={"upper": pad, "lower": -pad}, butt={"A": -pad, "B": pad})
    limbs = (Limb("A", "lower"), Limb("B", "upper"))
    found = complete(bow, limbs=limbs)
    if found.faults.exchange.verdict == "marks only":
        assert said in " ".join(cause_sentences(found))
    else:  # so much better as they sit that the marks are contradicted
        assert (found.faults.exchange.verdict, pad) == ("contradiction", 0.6)


HEADLINES = {
    True: ("To the bench",),
    False: ("To the maker", "In part to the maker", "Back to its owner", "To the rack", "It "),
}


@pytest.mark.parametrize("seed", range(6000, 6042))
def test_headline_work_and_translation_agree_on_invented_bows(seed):
    kind, protocol = KINDS[seed % len(KINDS)], PROTOCOLS[seed % len(PROTOCOLS)]
    limbs = ((None, None), ("upper", "lower"), ("lower", "upper"))[seed % 3]
    inspection = replace(
        photograph(invent(seed, kind), protocol, seed),
        limbs=tuple(Limb(name, mark) for name, mark in zip("AB", limbs, strict=True)),
        condition=CLEAR,
        bow=Bow(mount=("belly", "back", "")[seed % 3]),
        readings=Readings(
            tiller=(TillerReading(mm(f"{180 + seed % 13 - 3} mm"), mm("180 mm")),),
            string=(StringReading("grip", mm("1/32 in"), "left"),) if seed % 5 == 0 else (),
            feeler=(FeelerReading("upper", "left", "butt", None, mm("0.2 mm"), mm("0.25 mm")),)
            if seed % 4 == 0
            else (),
        ),
    )
    found = find(inspection, [photo.measurement for photo in inspection.photos])
    proposed, headline = proposal_sentences(found), found.fitness.headline
    only_looked = ("No work is proposed", "Photograph", "Would decide")
    work = any(not text.startswith(only_looked) for text in proposed)
    marks = found.faults.exchange.verdict == "contradiction"
    waits = found.fitness.use == "cannot be said yet"
    if not marks and not waits:
        assert headline.startswith(HEADLINES[work]), (headline, proposed)
    if found.fitness.use == "return as is":
        assert proposed == ("No work is proposed.",)
    lang = language_for(build_report(found, {}), "de", "mm")
    for text in (*cause_sentences(found), *proposed, *found_sentences(found), *told(found)):
        assert lang.said(text).translated, text
    for one in found.rework.out_of_reach:
        assert lang.said(one.what).translated, one.what
        assert lang.said(one.why).translated, one.why
