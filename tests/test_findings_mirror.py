"""Swapping left and right, upper and lower, or the limbs' names changes words and nothing else."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from simulated_bows import PROTOCOLS, invent, photograph

from fitcheck.findings.record import findings_to_json
from fitcheck.findings.whole import find
from fitcheck.inspection import (
    Bow,
    ConditionEntry,
    EndReadings,
    FeelerReading,
    Inspection,
    Limb,
    Readings,
    StringReading,
)
from fitcheck.measurement import Measurement
from fitcheck.quantities import quantity

OTHER = {
    "left": "right",
    "right": "left",
    "upper": "lower",
    "lower": "upper",
    "Ash": "Yew",
    "Yew": "Ash",
}
NAMES = {"A": "Ash", "B": "Yew"}  # words that no sentence uses otherwise
# What stays the same seen in a mirror, and what changes sign.
SIDELESS = {"limb_width", "riser_width", "gap_butt", "gap_end", "gap_wedge"}


def mm(text: str):
    return quantity(text, "mm", "x")


@st.composite
def inspections(draw) -> Inspection:
    """Invented bows with every kind of reading, photographs of any protocol."""
    seed = draw(st.integers(0, 10_000))
    inspection = called(NAMES, photograph(invent(seed), draw(st.sampled_from(PROTOCOLS)), seed))
    rng = np.random.default_rng([77, seed])
    play = EndReadings(
        pad_width=mm(f"{rng.uniform(40, 48):.2f} mm"),
        pin_play=mm(f"{rng.uniform(0.01, 0.2):.3f} mm"),
        bolt_play=mm(f"{rng.uniform(0.01, 0.3):.3f} mm"),
        bolt_to_pin=mm(f"{rng.uniform(32, 50):.1f} mm"),
        butt_line_to_bolt=mm(f"{rng.uniform(15, 35):.1f} mm"),
        removed_from_pad=mm(f"{rng.uniform(0, 0.5):.2f} mm"),
    )
    end = draw(st.sampled_from(("upper", "lower")))
    readings = Readings(
        ends={end: play} if draw(st.booleans()) else {},
        feeler=(
            FeelerReading(end, "left", "butt", None, mm("0.05 mm"), mm("0.10 mm")),
            FeelerReading(end, "right", "riser end", None, mm("0.02 mm"), mm("0.04 mm")),
        )
        if draw(st.booleans())
        else (),
        string=(StringReading("upper pad", mm("1/32 in"), "left"),) if draw(st.booleans()) else (),
    )
    marks = draw(st.sampled_from(((None, None), ("upper", "lower"), ("lower", "upper"))))
    return replace(
        inspection,
        bow=Bow(mount=draw(st.sampled_from(("belly", "back", "")))),
        limbs=tuple(Limb(name, mark) for name, mark in zip(NAMES.values(), marks, strict=True)),
        readings=readings,
        condition=(ConditionEntry("crack_along", True, "Ash"), ConditionEntry("heat", False)),
    )


def mirrored(inspection: Inspection) -> Inspection:
    """The same bow in a mirror: every left is a right."""

    def measurement(found: Measurement) -> Measurement:
        seen = []
        for c in found.characteristics:
            if c.name.startswith("overhang_"):
                stem, _, side = c.name.rpartition("_")
                seen.append(replace(c, name=f"{stem}_{OTHER[side]}"))
            elif c.name in SIDELESS:
                seen.append(c)
            else:
                low, high = c.interval95
                seen.append(replace(c, value=-c.value, interval95=(-high, -low)))
        return replace(found, characteristics=tuple(seen))

    readings = inspection.readings
    return replace(
        inspection,
        photos=tuple(
            replace(
                photo,
                side=None if photo.side is None else OTHER[photo.side],
                measurement=measurement(photo.measurement),
            )
            for photo in inspection.photos
        ),
        readings=replace(
            readings,
            feeler=tuple(replace(f, side=OTHER[f.side]) for f in readings.feeler),
            string=tuple(replace(s, toward=OTHER[s.toward]) for s in readings.string),
        ),
    )


def upended(inspection: Inspection) -> Inspection:
    """The same bow turned half round, so that upper is lower and the bow's left its right."""
    readings = inspection.readings
    return replace(
        inspection,
        limbs=tuple(
            replace(limb, marked_for=limb.marked_for and OTHER[limb.marked_for])
            for limb in inspection.limbs
        ),
        as_received={OTHER[end]: name for end, name in inspection.as_received.items()},
        photos=tuple(replace(p, end=p.end and OTHER[p.end]) for p in inspection.photos),
        readings=replace(
            readings,
            ends={OTHER[end]: own for end, own in readings.ends.items()},
            feeler=tuple(replace(f, end=OTHER[f.end]) for f in readings.feeler),
            string=tuple(
                replace(
                    s, at=" ".join(OTHER.get(w, w) for w in s.at.split()), toward=OTHER[s.toward]
                )
                for s in readings.string
            ),
        ),
        condition=tuple(replace(c, end=c.end and OTHER[c.end]) for c in inspection.condition),
    )


def called(names: dict[str, str], inspection: Inspection) -> Inspection:
    """The same bow with its limbs called otherwise."""
    return replace(
        inspection,
        limbs=tuple(replace(limb, name=names[limb.name]) for limb in inspection.limbs),
        as_received={end: names[name] for end, name in inspection.as_received.items()},
        photos=tuple(replace(p, limb=p.limb and names[p.limb]) for p in inspection.photos),
        condition=tuple(replace(c, limb=c.limb and names[c.limb]) for c in inspection.condition),
    )


def canonical(thing: Any, word: Callable[[str], str], number: Callable[[float], float]) -> Any:
    """JSON with words exchanged, lists and the words of a sentence in any order.

    Steps of two ends may change places, and of two seats alike either may be called the worse.
    """
    if isinstance(thing, dict):
        return {
            word(key): canonical(value, word, number)
            for key, value in sorted(thing.items())
            if not (key == "number" or (key in ("end", "limb") and "out_of" in thing))
        }
    if isinstance(thing, list):
        kept = [canonical(value, word, number) for value in thing]
        return sorted(kept, key=lambda v: json.dumps(v, sort_keys=True))
    if isinstance(thing, str):
        return sorted(word(w) for w in re.split(r"[\s,;.:()’_]+", thing))
    if isinstance(thing, float):
        return round(number(thing), 4) + 0.0
    return thing


def result(inspection: Inspection) -> dict:
    found = find(inspection, [photo.measurement for photo in inspection.photos])
    return findings_to_json(found)


def swap(*words: str) -> Callable[[str], str]:
    return lambda w: OTHER[w] if w in words else w


def same(one: Any, other: Any, place: str = "") -> None:
    """Equal, numbers to within rounding."""
    if isinstance(one, dict):
        assert one.keys() == other.keys(), place
        for key in one:
            same(one[key], other[key], f"{place}/{key}")
    elif isinstance(one, list):
        assert len(one) == len(other), (place, one, other)
        for i, (a, b) in enumerate(zip(one, other, strict=True)):
            same(a, b, f"{place}/{i}")
    elif isinstance(one, float):
        assert abs(one - other) <= 2e-4, (place, one, other)
    else:
        assert one == other, place


def unsigned(text: str) -> str:
    return re.sub(r"[+−]", "", text)


def plain_of(raw: dict, word: Callable[[str], str]) -> Any:
    stripped = json.loads(unsigned(json.dumps(raw, ensure_ascii=False).replace("-0.", "0.")))
    return canonical(stripped, word, abs)


MODEST = settings(max_examples=10, deadline=None, derandomize=True, database=None)


@MODEST
@given(inspections())
def test_left_and_right(inspection):
    here = plain_of(result(inspection), swap("left", "right"))
    there = plain_of(result(mirrored(inspection)), lambda w: w)
    same(here, there)


@MODEST
@given(inspections())
def test_limb_names(inspection):
    here = canonical(result(inspection), swap("Ash", "Yew"), float)
    there = canonical(result(called(OTHER, inspection)), lambda w: w, float)
    same(here, there)


# Turned half round the seats' left and right stay; the bow's own change. Tiller is left out: the
# hand holds the bow nearer one end, so that turning it round is not the same bow to it.
@MODEST
@given(inspections())
def test_upper_and_lower(inspection):
    sides = re.compile(r"to the bow’s (left|right)")

    def without_bow_sides(raw: dict) -> dict:
        return json.loads(sides.sub("to a side", json.dumps(raw, ensure_ascii=False)))

    here = plain_of(without_bow_sides(result(inspection)), swap("upper", "lower"))
    there = plain_of(without_bow_sides(result(upended(inspection))), lambda w: w)
    same(here, there)


def test_mirroring_does_change_the_words():
    inspection = photograph(invent(3, "pad"), "both cards", 3)
    here, there = result(inspection), result(mirrored(inspection))
    assert json.dumps(here) != json.dumps(there)
    lap = [s for s in here["rework"]["steps"] if s["act"] == "lap"]
    other = [s for s in there["rework"]["steps"] if s["act"] == "lap"]
    assert [s["edge"] for s in lap] == ["left edge"]
    assert [s["edge"] for s in other] == ["right edge"]
