"""The page's document is the inspection file, and what the page makes of it."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from fitcheck.errors import BadInput
from fitcheck.inspection_file import inspection_from_json, read_inspection
from fitcheck.page.document import (
    after_rework,
    begun,
    inspection_file,
    inspection_of,
    limbs_seated_at,
    upgraded,
    with_limb_renamed,
    with_unit,
)
from fitcheck.page.inspection import MOST_PHOTOS, Inspection
from fitcheck.page.shots import all_shots, next_shot, shots_for, shown_by, words_of
from fitcheck.page.units_shown import (
    example_shown,
    in_inches,
    in_millimetres,
    rough_in_unit_shown,
    set_unit,
)
from fitcheck.setup import Setup

SAMPLE = Path(__file__).parent.parent / "sample_images"


def sample_document() -> dict[str, Any]:
    """The sample bow as the page holds it: photographs with a hash, no format."""
    raw: dict[str, Any] = json.loads((SAMPLE / "inspection.json").read_text(encoding="utf-8"))
    for number, photo in enumerate(raw["photos"]):
        photo["sha256"] = f"{number:064x}"
    return {name: v for name, v in raw.items() if name not in ("format", "version")}


def test_the_document_is_the_inspection_file() -> None:
    document = sample_document()
    document |= {"done": [{"id": "lap", "state": "done"}], "before": "a" * 32}
    document["photos"].append({"sha256": "f" * 64, "file": "new.jpg"})  # says nothing yet
    whole, hashes = inspection_of(document)
    assert whole == read_inspection(SAMPLE)
    assert hashes == [f"{n:064x}" for n in range(22)]


@pytest.mark.parametrize("purpose", ["rework", "new pads", "customer"])
def test_each_beginning_is_an_inspection_and_asks_for_photographs(purpose: str) -> None:
    document = begun(purpose)
    whole, _ = inspection_of(document)
    assert whole.purpose == purpose
    views = {shot.view for shot in shots_for(document) if not shot.optional}
    assert (
        views
        == {
            "rework": {"seat", "sight", "joint", "pad"},
            "new pads": {"pad"},
            "customer": {"seat", "sight"},
        }[purpose]
    )
    for number, shot in enumerate(all_shots(document)):
        document.setdefault("photos", []).append(
            {"sha256": f"{number:064x}", "file": "image.jpg", **shot.fields}
        )
    raw, hashes = inspection_file(document)
    assert len(inspection_from_json(raw).photos) == len(hashes) == len(all_shots(document))
    names = [photo["file"] for photo in raw["photos"]]
    assert names[:2] == ["image.jpg", "image (2).jpg"]
    assert len(set(names)) == len(names)


def test_the_next_photograph_is_first_what_cannot_be_done_without() -> None:
    document = begun("customer")
    wanted = [shot for shot in shots_for(document) if not shot.optional]
    good: dict[str, int] = {}
    for shot in wanted:
        assert next_shot(document, good) == shot
        good[shot.key] = 1
    assert next_shot(document, good) is None


def test_what_is_being_typed_does_not_spoil_the_rest() -> None:
    inspection = Inspection(document=begun("rework"))
    inspection.put_record("/readings/tiller", {"limbs": "as received"}, {"upper": "6 in"})
    inspection.put_record(
        "/readings/string", {"at": "grip", "limbs": "as received"}, {"off": "1 mm"}
    )
    inspection.put("/readings/draw/points", [{"at": "28 in"}])
    assert inspection_of(inspection.document)[0].readings.tiller == ()
    inspection.put_record("/readings/tiller", {"limbs": "as received"}, {"lower": "6 1/4 in"})
    (tiller,) = inspection_of(inspection.document)[0].readings.tiller
    assert (tiller.upper.value, tiller.lower.value) == pytest.approx((152.4, 158.75))
    inspection.put_record("/readings/tiller", {"limbs": "as received"}, {"upper": "", "lower": ""})
    assert "tiller" not in inspection.document.get("readings", {})


def test_emptied_fields_leave_nothing_behind() -> None:
    inspection = Inspection(document={})
    inspection.put("/readings/ends/upper/pad_width", "41 mm")
    assert inspection.text("/readings/ends/upper/pad_width") == "41 mm"
    inspection.put("/readings/ends/upper/pad_width", "")
    assert inspection.document == {}


@pytest.mark.parametrize(
    ("typed", "unit", "meant"),
    [
        ("1.02", "mm", "1.02 mm"),
        (" 1,02 ", "mm", "1,02 mm"),
        ("0.040", "in", "0.040 in"),
        ("3/64", "mm", "3/64 in"),
        ("1 3/16", "mm", "1 3/16 in"),
        ("0.040 in", "mm", "0.040 in"),
        ("-0.4", "mm", "-0.4 mm"),
        ("45", "lb", "45 lb"),
        ("a bit", "mm", "a bit"),
        ("", "mm", ""),
    ],
)
def test_a_bare_number_gets_the_unit_that_is_shown(typed: str, unit: str, meant: str) -> None:
    assert with_unit(typed, unit) == meant


def test_a_document_of_an_earlier_page_becomes_an_inspection() -> None:
    old = {
        "cards": {"thickness": "1.02", "check_bars": ["99.7", "3.937 in"]},
        "readings": {"face_step": "-0.4"},
        "photos": [{"sha256": "a" * 64, "file": "a.jpg", "title": "upper"}],
    }
    new = upgraded(old)
    assert new["cards"] == {"thickness": "1.02 mm", "check_bars": ["99.7 mm", "3.937 in"]}
    assert new["photos"][0]["face_step"] == "-0.4 mm"
    assert "readings" not in new
    inspection = Inspection(document=new)
    (photo,) = inspection.photos.values()
    setup = inspection.setup(photo)
    assert (setup.thickness_given_mm, setup.face_step_mm) == (1.02, -0.4)
    assert setup.bars_mm == pytest.approx((99.7, 99.9998))
    assert inspection_of(new)[0].card_thickness is not None


@pytest.mark.parametrize(
    "document",
    [
        {"photos": 3, "cards": [], "bow": None, "readings": "x", "customer": 7},
        {"photos": [None, {}, {"sha256": 3}, {"sha256": ""}]},
        {"photos": [{"sha256": "a" * 64, "hints": {"limb_left": [[1, 2], [None, 3]]}}]},
        {"photos": [{"sha256": "a" * 64, "hints": {"limb_left": 1e400}, "file": 3}]},
        {"photos": [{"sha256": "a" * 64, "setup": {"thickness_mm": "x", "bars_mm": [1]}}]},
        {"cards": {"check_bars": [1, 2, 3], "thickness": {"a": 1}}, "limbs": 3},
        {"cards": {"check_bars": ["99", None]}, "limbs": [3], "as_received": "x"},
    ],
)
def test_a_document_from_anywhere_is_taken_as_far_as_it_goes(document: dict[str, Any]) -> None:
    inspection = Inspection(document=upgraded(document))
    for photo in inspection.photos.values():
        assert isinstance(photo.name, str)
        assert photo.hints == {}
        assert not photo.placed
        assert inspection.setup(photo) == Setup()
    assert all_shots(inspection.document)
    inspection.put("/bow/name", "62 in")
    inspection.put("/cards/thickness", "1 mm")
    assert inspection.text("/bow/name") == "62 in"


def test_a_limb_is_renamed_wherever_it_is_named() -> None:
    document = with_limb_renamed(sample_document(), "K1", "North")
    whole, _ = inspection_of(document)
    assert [limb.name for limb in whole.limbs] == ["North", "K2"]
    assert whole.as_received["lower"] == "North"
    assert "K1" not in json.dumps(document)
    with pytest.raises(BadInput, match="a name of its own"):
        with_limb_renamed(document, "North", "K2")
    with pytest.raises(BadInput, match="a name of its own"):
        with_limb_renamed(document, "North", "  ")


def test_after_the_work_the_bow_is_the_same_and_nothing_is_measured_yet() -> None:
    document = after_rework(sample_document(), "a" * 32)
    whole, _ = inspection_of(document)
    assert whole.stage == "after rework"
    assert whole.bow.name == "Saltmarsh"
    assert whole.photos == ()
    assert whole.condition == ()
    assert document["before"] == "a" * 32


def test_the_same_photograph_is_kept_once_and_removed_whole() -> None:
    inspection = Inspection()
    first, again = inspection.add("a.jpg", b"one"), inspection.add("copy.jpg", b"one")
    other = inspection.add("b.jpg", b"two", {"view": "pad", "end": "upper"})
    assert first == again
    assert [p.name for p in inspection.photos.values()] == ["a.jpg", "b.jpg"]
    inspection.mark(other, {"riser_left": ((0, 0), (0, 9))})
    assert inspection.photos[other].hints == {"riser_left": ((0, 0), (0, 9))}
    assert inspection.photos[other].placed
    inspection.take_as_given(other, ["riser_left"])
    inspection.mark(other, {"riser_left": ((1, 0), (1, 9)), "riser_right": ((5, 0), (5, 9))})
    assert inspection.photos[other].as_given == {"riser_left", "riser_right"}
    inspection.mark(other, {})
    assert inspection.photos[other].hints == {}
    assert "as_given" not in inspection.photos[other].fields
    inspection.remove(other)
    assert list(inspection.photos) == [first]


def test_photographs_are_limited() -> None:
    inspection = Inspection()
    for i in range(MOST_PHOTOS):
        inspection.add(f"{i}.jpg", str(i).encode())
    inspection.add("0.jpg", b"0")
    with pytest.raises(BadInput, match=r"one-more\.jpg was not taken in"):
        inspection.add("one-more.jpg", b"one more")


def test_one_check_bar_alone_is_not_taken() -> None:
    inspection = Inspection(document={"cards": {"check_bars": ["99.7 mm", ""]}})
    with pytest.raises(BadInput, match="Only one of the two check bars") as error:
        inspection.setup()
    assert "measure both" in error.value.advice
    with pytest.raises(BadInput, match="Only one of the two check bars"):
        inspection_of(inspection.document)


def test_what_an_upload_says_it_shows_is_not_trusted() -> None:
    assert shown_by({"view": "seat", "end": "upper", "limb": " K\n1 "}) == {
        "view": "seat",
        "end": "upper",
        "limb": "K1",
    }
    assert shown_by({"view": "<b>", "end": "upper"}) == {}
    assert shown_by({"view": "pad", "end": "middle", "side": "../x", "limb": "x" * 99}) == {
        "view": "pad"
    }
    assert words_of({"view": "?"}) == "Not said yet what it shows"


@pytest.mark.parametrize(
    ("text", "inches"),
    [
        ("+1.71 mm ± 0.06 mm", "+0.067 in ± 0.003 in"),
        ("proud by 1.71 mm on the left", "proud by 0.067 in on the left"),
        ("0.23 mm (0.009 in; nearest 1/64 in)", "0.009 in; nearest 1/64 in"),
        ("about 40 cm away, 20 to 25 cm", "about 16 in away, 8 to 10 in"),
        ("2 to 5 mm under the seam", "0.08 to 0.20 in under the seam"),
        ("\N{MINUS SIGN}0.30 mm", "\N{MINUS SIGN}0.012 in"),
        ("0.5° ± 0.1°, 1/64 in", "0.5° ± 0.1°, 1/64 in"),
        ("up to 0.40 mm (1/64 in)", "up to 1/64 in"),
        ("come out 39.6 and 49.3 mm wide", "come out 1.56 and 1.94 in wide"),
        ("between 90 and 110 mm", "between 3.54 and 4.33 in"),
        ("0.10, 0.15 or 0.20 mm", "0.004, 0.006 or 0.008 in"),
        ("see step 3, 0.5 mm", "see step 3, 0.02 in"),
    ],
)
def test_lengths_turn_to_inches_wherever_they_stand(text: str, inches: str) -> None:
    assert in_inches(text) == inches


def test_in_millimetres_no_inch_is_left_beside_a_length() -> None:
    said = "0.47 mm (0.018 in; nearest 1/64 in), up to 0.40 mm (1/64 in); 17 1/2 in (444.5 mm)"
    assert in_millimetres(said) == "0.47 mm, up to 0.40 mm; 444.5 mm"
    assert in_millimetres("45 lb at 28 in (AMO)") == "45 lb at 28 in (AMO)"
    assert in_millimetres("the tip moves by ±0.8 mm (±0.030 in)") == "the tip moves by ±0.8 mm"


def test_where_to_lay_a_card_is_told_in_fractions_of_an_inch() -> None:
    said = "<p data-x='3 mm'>3 mm from the end, 2 to 5 mm under it, 25 cm away, 1.05 mm thick</p>"
    try:
        set_unit("in")
        told = rough_in_unit_shown(said)
        assert example_shown("0.05 mm") == "0.002 in"
        assert example_shown("1 5/8 in") == "1 5/8 in"
    finally:
        set_unit("mm")
    assert told == (
        "<p data-x='3 mm'>1/8 in from the end, 3/32 to 3/16 in under it, 10 in away, "
        "0.041 in thick</p>"
    )
    assert example_shown("1 5/8 in") == "41 mm"


def test_limbs_put_over_are_seated_at_an_end_too() -> None:
    document = sample_document()
    assert [limbs_seated_at(document, end) for end in ("upper", "lower")] == [
        ["K2", "K1"],
        ["K1", "K2"],
    ]
    document["photos"] = []  # the feeler gauge alone tells of the limbs put over
    assert [limbs_seated_at(document, end) for end in ("upper", "lower")] == [
        ["K2", "K1"],
        ["K1", "K2"],
    ]
    document["readings"]["feeler"] = []
    assert [limbs_seated_at(document, end) for end in ("upper", "lower")] == [["K2"], ["K1"]]
    assert limbs_seated_at({}, "upper") == []
