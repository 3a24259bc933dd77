"""The inspection file is read strictly and written back as it was."""

from __future__ import annotations

import copy
import json
import re
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fitcheck.errors import BadInput
from fitcheck.inspection import CONDITION_ITEMS, LIMIT_UNITS
from fitcheck.inspection_file import (
    FILE_NAME,
    inspection_from_json,
    inspection_to_json,
    parse_inspection,
    read_inspection,
)
from fitcheck.measurement import CardSeen, Characteristic, Edge, LensFound, Measurement, Note
from fitcheck.measurement_file import measurement_from_json

MEASUREMENT = Measurement(
    "seat-2.jpg",
    "seat",
    cards=(CardSeen("A", 28, 0.07),),
    lens=LensFound(2795.1, 0.01, -0.02),
    edges=(Edge("limb_left", ((1.0, 2.0), (3.0, 4.0)), 0.02, "hint"),),
    characteristics=(
        Characteristic("overhang_left", 1.71, "mm", 0.03, (1.65, 1.77), {"edge": 0.03}),
    ),
    warnings=(Note("blur", "Soft.", "Retake."),),
    size_px=(4032, 3024),
    inputs={"card_thickness_mm": 0.5},
    observed={"card_at_tip": "D"},
)

EXAMPLE = {
    "format": "fitcheck inspection",
    "version": 1,
    "purpose": "rework",
    "stage": "as received",
    "reference": "2026-117",
    "date": "2026-11-25",
    "customer": "Ø. Example",
    "bow": {
        "name": "62 in recurve",
        "kind": "recurve",
        "mount": "belly",
        "hand": "right",
        "length": "62 in",
        "marked_weight": "50 lb",
        "lightest_arrow": "8 gr/lb",
    },
    "limbs": [
        {"name": "A", "marked_for": "upper", "glass": True, "butt_overlay": "none"},
        {
            "name": "B",
            "marked_for": "lower",
            "glass": False,
            "butt_overlay": "present",
            "butt_overlay_thickness": "2 mm",
        },
    ],
    "as_received": {"upper": "B", "lower": "A"},
    "cards": {"thickness": "0.5 mm", "check_bars": ["100.0 mm", "99.9 mm"]},
    "photos": [
        {"file": "seat-1.jpg", "view": "seat", "end": "upper", "limb": "B", "strung": False},
        {
            "file": "more/seat-2.jpg",
            "view": "seat",
            "end": "lower",
            "limb": "A",
            "seating": 2,
            "face_step": "1.2 mm",
            "hints": {"limb_left": [[1200.0, 900.5], [1210.0, 1500.0]]},
            "as_given": ["limb_left"],
            "note": "second try",
        },
        {"file": "pad.jpg", "view": "pad", "end": "upper"},
        {
            "file": "sight.jpg",
            "view": "sight",
            "limb": "A",
            "near_card_on": "butt",
            "cards_exchanged": True,
        },
        {
            "file": "joint.jpg",
            "view": "joint",
            "end": "upper",
            "limb": "B",
            "side": "right",
        },
    ],
    "readings": {
        "riser_length": "19 in",
        "shelf_above_centre": "1 3/16 in",
        "rest_height": "3/16 in",
        "brace_height": "7 1/2 in ± 1/16 in",
        "fingers": "split",
        "tiller": [{"limbs": "as received", "upper": "7 1/4 in", "lower": "7 7/16 in"}],
        "draw": {"measured_to": "amo", "points": [{"at": "28 in", "force": "50 lb"}]},
        "arrows": [{"name": "carbon", "mass": "480 gr", "speed": "178 fps"}],
        "ends": {"upper": {"pad_width": "1 3/4 in", "pins": "tight", "pin_side": "tip"}},
        "limbs": {"A": {"working_limb": "16 in"}},
        "feeler": [
            {
                "end": "upper",
                "side": "left",
                "at": "butt",
                "enters": "0.05 mm",
                "does_not_enter": "0.08 mm",
            }
        ],
        "string": [{"limbs": "as received", "at": "grip", "off": "1/16 in", "toward": "left"}],
    },
    "condition": [
        {"item": "crack_across", "limb": "A", "found": False},
        {"item": "heat", "found": True, "note": "dull finish"},
    ],
    "limits": {
        "overhang": {"good": "0.3 mm", "rework": "0.6 mm", "mark": "C", "note": "our own"},
        "tiller": {"good": ["3 mm", "6 mm"], "rework": ["0 mm", "10 mm"]},
    },
}


def refused(raw: object) -> BadInput:
    with pytest.raises(BadInput) as caught:
        parse_inspection(raw if isinstance(raw, str) else json.dumps(raw))
    error = caught.value
    assert re.fullmatch(r"[A-Z“].*[.?]", error.message, re.DOTALL), error.message
    assert error.advice.endswith((".", "?", "!", "}", '"')), error.advice
    return error


def changed(*path: object, to: object) -> dict:
    raw = copy.deepcopy(EXAMPLE)
    place = raw
    for step in path[:-1]:
        place = place[step]
    place[path[-1]] = to
    return raw


def test_everything_comes_in():
    found = inspection_from_json(EXAMPLE)
    assert found.limbs[1].butt_overlay_thickness.value == 2.0
    assert found.limbs_at("as received") == {"upper": "B", "lower": "A"}
    assert found.limbs_at("exchanged") == {"upper": "A", "lower": "B"}
    assert found.setup(found.photos[1]).face_step_mm == 1.2
    assert found.setup().print_scale == pytest.approx((1.0, 0.999))
    assert found.photos[1].hints["limb_left"] == ((1200.0, 900.5), (1210.0, 1500.0))
    assert found.photos[1].as_given == ("limb_left",)
    assert found.photos[3].end is None
    assert found.readings.tiller[0].lower.value == pytest.approx(188.9125)
    assert found.readings.ends["upper"].pins == "tight"
    assert found.readings.limbs["A"].working_limb.value == pytest.approx(406.4)
    assert found.condition[1].found
    assert [q.value for q in found.limits["tiller"].rework] == [0.0, 10.0]


def test_what_is_written_is_read_back_alike():
    raw = copy.deepcopy(EXAMPLE)
    raw["photos"].append(
        {
            "file": "",
            "view": "seat",
            "end": "upper",
            "limb": "A",
            "measurement": MEASUREMENT.to_json(),
        }
    )
    found = inspection_from_json(raw)
    written = inspection_to_json(found)
    assert inspection_from_json(json.loads(json.dumps(written, allow_nan=False))) == found
    assert written["readings"]["brace_height"] == "7 1/2 in ± 1/16 in"


def test_an_empty_inspection_is_an_inspection():
    found = parse_inspection('{"format": "fitcheck inspection", "version": 1}')
    assert found.photos == ()
    assert found.limbs_at("as received") == {}
    assert inspection_from_json(inspection_to_json(found)) == found


def test_a_measurement_is_read_back_alike():
    found = measurement_from_json(MEASUREMENT.to_json())
    assert found == MEASUREMENT
    grown = {**MEASUREMENT.to_json(), "something_new": [1, 2]}  # the contract may grow
    assert measurement_from_json(grown) == MEASUREMENT


def test_folder_and_file_are_read(tmp_path):
    file = tmp_path / FILE_NAME
    file.write_text("\ufeff" + json.dumps(EXAMPLE), encoding="utf-8")
    assert read_inspection(tmp_path) == read_inspection(file) == inspection_from_json(EXAMPLE)


def test_missing_binary_and_large_files_are_refused(tmp_path):
    for make, words in (
        (Path.exists, "cannot be read"),
        (lambda f: f.write_bytes(b"\xff\xfe\x00"), "not text in UTF-8"),
        (lambda f: f.write_bytes(b" " * 8_000_001), "megabytes"),
    ):
        file = tmp_path / "some.json"
        make(file)
        with pytest.raises(BadInput) as caught:
            read_inspection(file)
        assert words in caught.value.message


@pytest.mark.parametrize(
    ("raw", "code", "words"),
    [
        ("{", "not_json", "line 1"),
        ('{"a": 1, "a": 2}', "not_json", "“a” twice"),
        ('{"format": "fitcheck inspection", "version": NaN}', "not_json", "NaN"),
        ('{"x": Infinity}', "not_json", "Infinity"),
        ('{"x": 1e999}', "invalid", "number that no reading can have"),
        ('{"x": 1' + "0" * 30 + "}", "invalid", "number that no reading can have"),
        ('{"x": 1' + "0" * 9000 + "}", "not_json", "too many digits"),
        ("[" * 1000, "too_deep", "nested"),
        ('{"x":' * 100_000, "too_deep", "nested"),
        ("[]", "invalid", "not an object"),
        ("7", "invalid", "not an object"),
        ('{"format": "other", "version": 1}', "inspection_version", "not an inspection"),
        ('{"format": "fitcheck inspection"}', "inspection_version", "does not say"),
        (changed("version", to=2), "inspection_version", "reads up to version 1"),
        (changed("version", to=0), "inspection_version", "does not say"),
        (changed("version", to=True), "invalid", "whole number"),
        (changed("note", to=5), "invalid", "not text"),
        (changed("note", to="x" * 3000), "invalid", "3000 letters"),
        (changed("note", to="\ud800"), "not_json", "half a character"),
        (changed("date", to="25.11.2026"), "invalid", "“date”"),
        (changed("coments", to="typo"), "invalid", "unknown field “coments”"),
        (changed("bow", "lenght", to="62 in"), "invalid", "unknown field “lenght”"),
        (changed("bow", "length", to=62), "invalid", "bare number 62"),
        (changed("bow", "length", to="62"), "no_unit", "without a unit"),
        (changed("bow", "mount", to="top"), "invalid", "“mount” is “top”"),
        (changed("limbs", 1, "name", to="A"), "invalid", "same name"),
        (changed("limbs", 1, "name", to=" "), "invalid", "no name"),
        (changed("limbs", 1, "marked_for", to="upper"), "invalid", "both limbs are marked"),
        (changed("limbs", to=[{"name": n} for n in "ABC"]), "invalid", "3 limbs"),
        (changed("limbs", to=[1]), "invalid", "not an object"),
        (changed("limbs", to={"name": "A"}), "invalid", "not a list"),
        (changed("as_received", "upper", to="A"), "invalid", "same limb"),
        (changed("as_received", "upper", to="C"), "invalid", "no limb called “C”"),
        (changed("cards", "check_bars", to=["100 mm"]), "invalid", "two lengths"),
        (changed("cards", "check_bars", to=["100 mm", "10 mm"]), "impossible_input", "across"),
        (changed("photos", 0, "view", to="seats"), "invalid", "“view” is “seats”"),
        (changed("photos", 0, "view", to=""), "invalid", "does not say its “view”"),
        (changed("photos", 0, "end", to=None), "invalid", "does not say its “end”"),
        (changed("photos", 4, "side", to=None), "invalid", "does not say its “side”"),
        (changed("photos", 3, "near_card_on", to="riser"), "invalid", "its “end”"),
        (changed("photos", 0, "limb", to="X"), "invalid", "no limb called “X”"),
        (changed("photos", 0, "file", to=""), "invalid", "no “file”"),
        (changed("photos", 0, "file", to="../secret.jpg"), "invalid", "leads out"),
        (changed("photos", 0, "file", to="/etc/passwd"), "invalid", "leads out"),
        (changed("photos", 0, "file", to="C:\\x.jpg"), "invalid", "leads out"),
        (changed("photos", 0, "file", to="a\\..\\..\\x.jpg"), "invalid", "leads out"),
        (changed("photos", 0, "seating", to=0), "invalid", "“seating”"),
        (changed("photos", 0, "strung", to="no"), "invalid", "neither true nor false"),
        (changed("photos", 1, "hints", to={"limb_left": [[1, 2]]}), "invalid", "two points"),
        (changed("photos", 1, "hints", to=[1]), "invalid", "not an object of edges"),
        (changed("photos", 1, "as_given", to=["limb_right"]), "invalid", "that “hints” has"),
        (changed("photos", 1, "as_given", to="limb_left"), "invalid", "not a list of edges"),
        (changed("photos", to=[EXAMPLE["photos"][2]] * 501), "invalid", "501 entries"),
        (changed("readings", "tiller", 0, "upper", to=None), "invalid", "both “upper”"),
        (changed("readings", "arrows", 0, "mass", to=None), "invalid", "no “mass”"),
        (changed("readings", "ends", to={"middle": {}}), "invalid", "unknown field “middle”"),
        (changed("readings", "limbs", to={"Q": {}}), "invalid", "no limb called “Q”"),
        (changed("readings", "feeler", 0, "enters", to="0.1 mm"), "invalid", "no thinner"),
        (changed("readings", "string", 0, "toward", to="centre"), "invalid", "its side"),
        (changed("condition", 0, "found", to=None), "invalid", "whether it was found"),
        (changed("condition", 0, "item", to="crack"), "invalid", "“item” is “crack”"),
        (changed("limits", "twisted", to={}), "invalid", "no limit called"),
        (changed("limits", "overhang", "good", to="0.9 mm"), "invalid", "not in order"),
        (changed("limits", "overhang", "good", to="-1 mm"), "invalid", "not in order"),
        (changed("limits", "tiller", "good", to="3 mm"), "invalid", "2 numbers"),
    ],
)
def test_refuses_with_a_sentence(raw, code, words):
    error = refused(raw)
    assert error.code == code
    assert words in error.message


def test_a_misspelt_field_is_guessed():
    assert "“length”" in refused(changed("bow", "lenght", to="62 in")).advice


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"view": "pad"}, "its measurement is of the view pad"),
        ({"characteristics": [{"name": "twist", "unit": "deg"}]}, "“value” is not a number"),
        ({"characteristics": [{"name": "x", "unit": "rad", "value": 1}]}, "“unit” is “rad”"),
        ({"size_px": [1]}, "“size_px”"),
        ({"edges": [{"edge": "limb_left", "pixels": [[1, 2]]}]}, "two points"),
    ],
)
def test_a_wrong_measurement_is_refused(change, words):
    photo = {
        "view": "seat",
        "end": "upper",
        "limb": "A",
        "measurement": {**MEASUREMENT.to_json(), **change},
    }
    assert words in refused(changed("photos", 0, to=photo)).message


def test_a_measurement_without_uncertainty_is_refused():
    raw = MEASUREMENT.to_json()
    raw["characteristics"][0]["standard_uncertainty"] = 0
    with pytest.raises(BadInput, match="above zero"):
        measurement_from_json(raw)


JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=12),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=8), inner),
    max_leaves=12,
)


def leaves(raw: object, path: tuple = ()) -> list[tuple]:
    found = [path] if path else []
    items = (
        raw.items() if isinstance(raw, dict) else enumerate(raw) if isinstance(raw, list) else ()
    )
    for key, value in items:
        found += leaves(value, (*path, key))
    return found


PLACES = leaves(EXAMPLE)


@settings(max_examples=300, deadline=None, derandomize=True, database=None)
@given(st.sampled_from(PLACES), JSON)
def test_whatever_stands_at_a_place_is_read_or_refused(place, value):
    try:
        found = inspection_from_json(changed(*place, to=value))
    except BadInput:
        return
    json.dumps(inspection_to_json(found), allow_nan=False)


@settings(max_examples=200, deadline=None, derandomize=True, database=None)
@given(st.text(max_size=200) | st.binary(max_size=200).map(lambda b: b.decode("latin-1")))
def test_any_text_is_refused(text):
    with pytest.raises(BadInput):
        parse_inspection(text)


def test_the_documented_fields_are_all_that_there_are():
    text = (Path(__file__).parent.parent / "DEVELOPERS.md").read_text(encoding="utf-8")
    section = text.split("## The inspection file", 1)[1].split("\n## ", 1)[0]
    for name in (*CONDITION_ITEMS, *LIMIT_UNITS):
        assert f"`{name}`" in section, name
    found = re.search(r"```json\n(.*?)```", section, re.DOTALL)
    assert found
    assert parse_inspection(found[1]).limbs


def bare(**more) -> dict:
    return {"format": "fitcheck inspection", "version": 1, **more}


@pytest.mark.parametrize(
    "more",
    [
        {"readings": {"brace_height": "0 in"}},
        {"readings": {"brace_height": "-5 in"}},
        {"readings": {"draw": {"points": [{"at": "28 in", "force": "-50 lb"}]}}},
        {"readings": {"arrows": [{"mass": "0 gr"}]}},
        {"readings": {"ends": {"upper": {"removed_from_pad": "-1 mm"}}}},
        {"bow": {"marked_weight": "0 lb"}},
        {"bow": {"marked_weight": "201 lb"}},
        {"condition": [{"item": "heat", "found": True}, {"item": "heat", "found": False}]},
    ],
)
def test_what_cannot_be_is_refused(more):
    with pytest.raises(BadInput) as caught:
        inspection_from_json(bare(**more))
    assert caught.value.code == "invalid"


def test_one_thing_may_be_found_at_one_limb_and_not_at_the_other():
    lines = [
        {"item": "heat", "found": True, "limb": "A"},
        {"item": "heat", "found": False, "limb": "B"},
    ]
    limbs = [{"name": "A"}, {"name": "B"}]
    assert len(inspection_from_json(bare(limbs=limbs, condition=lines)).condition) == 2


@pytest.mark.parametrize(("field", "value"), [("unit", "deg"), ("name", "twist"), ("name", "x")])
def test_a_stored_measurement_holds_what_its_view_gives(field, value):
    stored = MEASUREMENT.to_json()
    photo = {"file": "a.jpg", "view": "seat", "end": "upper", "limb": "A", "measurement": stored}
    raw = bare(limbs=[{"name": "A"}], photos=[photo])
    inspection_from_json(raw)
    stored["characteristics"][0][field] = value
    with pytest.raises(BadInput):
        inspection_from_json(raw)
