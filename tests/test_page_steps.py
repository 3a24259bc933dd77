"""Every step of the page, without a browser: what it asks, what it says, what it keeps."""

from __future__ import annotations

import argparse
import json
import os
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from page_app import (
    BOW,
    begun,
    heading,
    inspection_of,
    jpeg,
    name_of,
    opened,
    press,
    said,
    uploaded,
)
from streamlit.testing.v1 import AppTest

from fitcheck.cli_report import wishes_of
from fitcheck.inspection_file import inspection_from_json, read_inspection
from fitcheck.measurement import Measurement, Note
from fitcheck.page import measuring
from fitcheck.page.document import inspection_file, with_unit
from fitcheck.page.edge_editor import edited_lines
from fitcheck.page.keeping import store, visit
from fitcheck.page.launch import OPEN_VARIABLE
from fitcheck.page.opening import begin_sample_bow
from fitcheck.reporting.shop import SHOP_FILE
from fitcheck.samples import sample_photos
from fitcheck.setup import Setup
from fitcheck.store.location import default_folder
from fitcheck.views import VIEWS

SAMPLE = BOW.parent


def labels(app: AppTest) -> set[str]:
    fields = (*app.text_input, *app.text_area, *app.radio, *app.selectbox)
    return {field.label for field in fields}


def with_photos(purpose: str, *photos: tuple[str, dict[str, Any]]) -> str:
    """Name of an inspection that holds photographs of the sample bow."""
    app = begun(purpose)
    there = visit(store(), name_of(app), "a test")
    there.inspection.put("/cards/thickness", "1.05 mm")
    there.inspection.put("/cards/check_bars", ["99.60 mm", "99.75 mm"])
    for file, shows in photos:
        there.inspection.add(file, (BOW / file).read_bytes(), shows)
    there.save()
    return there.identity


@pytest.fixture(scope="module")
def pads() -> str:
    """Two newly cut pads, photographed."""
    return with_photos(
        "new pads",
        ("received-upper-pad-1.jpg", {"view": "pad", "end": "upper"}),
        ("received-lower-pad-1.jpg", {"view": "pad", "end": "lower"}),
    )


@pytest.fixture(scope="module")
def seats() -> str:
    """Both seats of a bow and the twist of one limb, photographed for a customer."""
    sight = {"view": "sight", "end": "upper", "limb": "1", "near_card_on": "riser"}
    return with_photos(
        "customer",
        ("received-upper-seat.jpg", {"view": "seat", "end": "upper", "limb": "1"}),
        ("received-lower-seat.jpg", {"view": "seat", "end": "lower", "limb": "2"}),
        ("received-upper-sight.jpg", sight),
    )


# The first page


def test_it_begins_with_three_ways_and_says_there_is_none_yet(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("FITCHECK_STORE", str(tmp_path / "store"))
    app = opened()
    assert heading(app) == "What is on the bench?"
    starts = [b.label for b in app.button if str(b.key).startswith("start-")]
    assert starts == [
        "Bow received for rework",
        "Newly cut limb pads",
        "Before and after, for a customer",
    ]
    assert "None yet: begin one above." in said(app)


def test_each_beginning_asks_only_for_what_it_needs() -> None:
    rework, new_pads, customer = (labels(begun(p)) for p in ("rework", "new pads", "customer"))
    assert "Riser" in new_pads
    assert not {"Its own mark says", "What the customer complains of", "When is this?"} & new_pads
    assert "What the customer complains of" in rework
    assert "When is this?" in customer
    assert "Sacrificial overlay on the butt" in rework - customer
    bench = {p: labels(begun(p, step=4)) for p in ("rework", "new pads", "customer")}
    assert "Crack across a limb" in bench["rework"] & bench["customer"]
    assert "Crack across a limb" not in bench["new pads"]
    assert "Pad’s width" in bench["new pads"]
    assert "Draw 1" in bench["rework"] - bench["customer"]
    shots = {p: begun(p, step=3).selectbox(key="shot").options for p in ("new pads", "customer")}
    assert not any("seat" in shot for shot in shots["new pads"])
    assert shots["customer"][0] == "Upper seat, limb 1, from above"


def test_history_is_searched_copied_binned_and_taken_out(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("FITCHECK_STORE", str(tmp_path / "store"))
    for customer, bow in (("Ada", "62 in recurve"), ("Brun", "longbow <i>")):
        app = begun()
        app.text_input(key="field-/customer").set_value(customer).run()
        app.text_input(key="field-/bow/name").set_value(bow).run()
    app = press(app, "home")
    assert "Ada" in said(app)
    assert "longbow <i>" in said(app)
    app.text_input(key="search").set_value("brun long").run()
    assert "Ada" not in said(app)
    (found,) = store().inspections.listed("brun")
    press(app, f"copy-{found.identity}")
    assert inspection_of(app).text("/customer") == "Brun"
    assert name_of(app) != found.identity
    press(app, "home")
    press(app, f"bin-{found.identity}")
    assert len(store().inspections.listed("brun")) == 1
    press(app, f"take-out-{found.identity}")
    assert len(store().inspections.listed("brun")) == 2
    press(app, f"open-{found.identity}")
    assert heading(app) == "1 · The bow"


def test_the_inspection_after_the_work_is_put_beside_the_one_before(seats: str) -> None:
    press(opened(), f"after-{seats}")
    (after,) = [
        one.identity
        for one in store().inspections.listed()
        if store().inspections.get(one.identity).document.get("before") == seats
    ]
    there = visit(store(), after, "a test")
    shows = {"view": "seat", "end": "upper", "limb": "1"}
    file = "exchanged-upper-seat.jpg"
    there.inspection.add(file, (BOW / file).read_bytes(), shows)
    there.save()
    app = press(opened(inspection=after), "beside")
    assert heading(app) == "Before and after"
    text = said(app)
    assert re.search(r"overhang on the right \+1\.[89]\d mm", text)
    assert re.search(r"Upper end, limb 1: overhang on the right .* −2\.\d+ mm ±", text)
    assert "not measured" in text  # the lower seat, afterwards
    assert opened(compare="x,y").button(key="home-after-error")


# The bow


def test_limbs_are_named_and_exchanged() -> None:
    app = begun()
    app.text_input(key="limb-upper").set_value("K2").run()
    assert inspection_of(app).document["limbs"][0]["name"] == "K2"
    app.text_input(key="limb-lower").set_value("K2").run()
    assert "Each limb needs a name of its own." in said(app)
    assert app.text_input(key="limb-lower").value == "2"
    press(app, "exchange-names")
    assert inspection_of(app).document["as_received"] == {"upper": "2", "lower": "K2"}
    app.radio(key="marked-lower").set_value("upper").run()
    assert inspection_of(app).record("/limbs", {"name": "K2"})["marked_for"] == "upper"


# Cards


def test_what_is_not_measured_is_said_with_its_consequence() -> None:
    app = begun(step=2)
    assert "Not measured: taken as 0.3 mm, give or take 0.4 mm" in said(app)
    assert "Not measured: taken as true to size, give or take 0.4 %" in said(app)
    assert len(app.get("download_button")) == 2


def test_a_reading_is_kept_though_next_is_pressed_at_once() -> None:
    app = begun(step=2)
    app.text_input(key="reading-thickness").set_value("0.040 in")
    press(app, "next")
    assert heading(app) == "3 · Photographs"
    press(app, "back")
    assert app.text_input(key="reading-thickness").value == "0.040 in"
    assert "Read as 1.016 mm, 0.0400 in" in said(app)
    assert inspection_of(app).setup() == Setup(1.016)


def test_a_bad_reading_is_said_and_nothing_is_measured_with_it() -> None:
    app = begun(step=2)
    app.text_input(key="reading-bar_along").set_value("a bit short").run()
    assert "Check bar “along”: not understood. Write a length with its unit" in said(app)
    press(app, "next")
    assert "“a bit short”, which is not a length" in said(app)
    assert not app.file_uploader
    press(app, "correct")
    assert heading(app) == "2 · Cards and caliper readings"


def beside_the_text(app: AppTest) -> str:
    """What fields say of themselves before anything is typed, and what stands for pictures."""
    fields = (*app.text_input, *app.radio, *app.selectbox)
    told = [f.help or "" for f in fields] + [f.placeholder or "" for f in app.text_input]
    return " | ".join([*told, *re.findall(r'alt="([^"]*)"', " ".join(p.body for p in app.html))])


def test_the_switch_turns_all_lengths_to_inches_and_takes_them_in_inches(seats: str) -> None:
    app = opened(inspection=seats, step="5")
    assert re.search(r"\d mm", said(app))
    assert not re.search(r"\d mm \([^)]*\bin\b", said(app))  # no inch is left beside it
    seat = next(p for p in inspection_of(app).photos.values() if p.view == "seat")
    try:
        app.button_group(key="unit-switch").set_value("in").run()
        for step in range(1, 8):
            if step == 7:
                app = opened(inspection=seats, step="3", photo=seat.sha256)
            else:
                press(app, f"bar-{step}")
            told = re.sub(r"Read as \S+ in, \S+ mm\.", "", said(app))  # both, to be checked
            told += beside_the_text(app)
            left = re.findall(r".{0,40}(?:\d (?:mm|cm)|\(mm\)).{0,20}", told)
            assert not left, (step, left[:3])
        assert "Overhang, left (in)" in said(app)  # of the table of uncertainties
        app = opened(inspection=seats, step="4")
        assert "such as 7 5/8 in" in beside_the_text(app)
        field = app.text_input(key="field-/readings/brace_height")
        field.set_value("7.5").run()
        assert inspection_of(app).text("/readings/brace_height") == "7.5 in"
        assert with_unit("7.5", "mm") == "7.5 mm"
        assert store().setting("unit") == "in"
    finally:
        store().keep_setting("unit", "mm", "a test")
    assert "such as 194 mm" in beside_the_text(opened(inspection=seats, step="4"))


# Photographs


def test_the_guide_shows_the_view_that_is_chosen() -> None:
    app = begun(step=3)
    assert "Next: Upper seat, limb 1, from above." in said(app)
    assert "already photographed" not in said(app)  # no choice bears a mark yet
    for part, drawn in (
        ("pad", "the riser’s end seen along the pad"),
        ("twist", "looking along the limb from beyond its tip"),
        ("seam", "the seam from the side"),
    ):
        box = app.selectbox(key="shot")
        index = next(i for i, o in enumerate(box.options) if f" {part}" in o)
        box.select_index(index).run()
        assert any(f"Drawing: {drawn}" in piece.body for piece in app.html), part
    assert "unstring the bow with a stringer" in said(app)


def test_refused_photographs_are_said_and_the_rest_goes_on() -> None:
    app = begun(step=3)
    name = "<b>[x](y).jpg"
    uploaded(app, ("blank.jpg", jpeg()), (name, b"nonsense " * 40))
    text = said(app)
    assert "Take it again" in text
    assert "Card A was not found in the photograph." in text
    assert [o[:2] for o in app.selectbox(key="shot").options].count("• ") == 1
    assert "•: photographed, but none could be used." in text
    assert "retake from about 40 cm" in text
    assert "<b>[x](y).jpg is not a JPEG, PNG, TIFF, WebP or HEIC picture." in text
    assert not any(name in piece.body for piece in app.html)
    assert "0 of 8 photographs that are wanted" in str(app.get("progress")[0].proto)
    press(app, "bar-5")
    assert "Cannot be said yet" in said(app)
    press(app, "bar-6")
    assert not app.exception, app.exception
    assert [b.proto.label for b in app.get("download_button")] == [
        "Download the report (PDF)",
        "Download the report (HTML)",
        "Download the table (CSV)",
        "Download all, photographs too (ZIP)",
        "Download the numbers (JSON)",
        "Download the inspection file (JSON)",
    ]


def test_a_photograph_of_another_kind_is_told_and_can_be_said_to_be_so() -> None:
    file = "received-upper-sight.jpg"
    app = uploaded(begun("new pads", step=3), (file, (BOW / file).read_bytes()))
    assert "Card D is in the picture, too, as in a photograph of another kind." in said(app)
    sha256 = next(iter(inspection_of(app).photos))
    assert app.selectbox(key=f"shows-{sha256}").label == "It shows"
    file = "received-upper-seat.jpg"
    app = uploaded(app, (file, (BOW / file).read_bytes()))
    assert "Missing in the picture: card C. Found instead: cards A and B." in said(app)
    newest = list(inspection_of(app).photos)[-1]
    assert app.selectbox(key=f"shows-{newest}").label == "It shows"


def test_a_photograph_is_judged_at_once_and_the_next_one_offered(pads: str) -> None:
    app = opened(inspection=pads, step="3")
    text = said(app)
    assert re.search(r"Upper pad, limb off (✓ Used|⚠ Used, with a warning)", text)
    assert re.search(r"Pad squareness \+0\.6\d° ± 0\.\d+°", text)
    assert "2 of 2 photographs that are wanted" in str(app.get("progress")[0].proto)
    assert [o[:2] for o in app.selectbox(key="shot").options].count("✓ ") == 2
    assert "✓: already photographed." in text
    first = next(iter(inspection_of(app).photos))
    press(app, f"look-{first}")
    assert first in app.query_params["photo"]
    assert "Riser width" in said(app)
    press(app, "all-photographs")
    assert "photo" not in app.query_params


def test_a_pad_s_line_can_be_taken_as_it_lies_and_the_edit_says_so(pads: str) -> None:
    app = opened(inspection=pads, step="3")
    photo = next(iter(inspection_of(app).photos.values()))
    found = measuring.edge_lines(measuring.measured(inspection_of(app), photo))
    inspection_of(app).mark(photo.sha256, {"riser_left": found["riser_left"]})
    press(app, f"look-{photo.sha256}")
    assert "Riser, left edge : measured from your line." in said(app)
    app.radio(key=f"as-given-{photo.sha256}").set_value("as given").run()
    assert "Riser, left edge : your line as it lies, not measured." in said(app)
    assert "The left side of the riser is the line as it was drawn by hand" in said(app)
    inspection_of(app).mark(photo.sha256, {"riser_right": found["riser_right"]})
    app.run()
    assert "moved: Riser, left edge, Riser, right edge; taken as they lie" in said(app)
    crosswise = {"riser_left": found["riser_right"], "riser_right": found["riser_left"]}
    inspection_of(app).mark(photo.sha256, crosswise)
    app.run()
    assert "✗ Look at your lines" in said(app)
    assert "Lay it on the edge that it is named for" in said(app)
    press(app, "reset-edges")
    assert not inspection_of(app).photos[photo.sha256].as_given


def test_what_a_photograph_shows_can_be_said_later() -> None:
    app = begun("new pads")
    there = visit(store(), name_of(app), "a test")
    sha256 = there.inspection.add("pad.jpg", (BOW / "received-lower-pad-2.jpg").read_bytes())
    there.save()
    press(app, "bar-3")
    assert "Say what it shows, then it is measured." in said(app)
    app.selectbox(key=f"shows-{sha256}").select("pad|lower||||").run()
    assert "Lower pad, limb off" in said(app)
    assert "Used" in said(app)


def test_an_edge_marked_by_hand_is_measured_there_and_taken_back(seats: str) -> None:
    app = opened(inspection=seats, step="3")
    photo = next(p for p in inspection_of(app).photos.values() if p.view == "seat")
    press(app, f"look-{photo.sha256}")
    (sha256, _), frame, lines, _, revision = app.session_state["editing"]
    assert sha256 == photo.sha256
    moved = [[x + 1, y] for x, y in map(frame.from_photo, lines["limb_right"])]
    edit = {"revision": revision, "lines": [{"id": "limb_right", "ends": moved}]}
    # What the component would send is put in its place: the test runner has no browser.
    known = VIEWS["seat"].edges
    inspection_of(app).mark(sha256, edited_lines({"edit": edit}, frame, revision, known) or {})
    app.run()
    assert "Limb, right edge : measured from your line." in said(app)
    assert re.search(r"Overhang, right \+(1\.9|2\.0)\d mm", said(app))
    app.radio(key=f"as-given-{sha256}").set_value("as given").run()
    assert "The right side of the limb is the line as it was drawn by hand" in said(app)
    wide = re.search(r"Overhang, right \+\d\.\d+ mm ± (0\.\d+) mm", said(app))
    assert wide is not None
    assert float(wide[1]) > 0.25  # a line laid by hand is less sure than one that was measured
    after_reload = opened(inspection=seats, step="3", photo=sha256)
    assert "your line as it lies, not measured" in said(after_reload)
    press(after_reload, "reset-edges")
    assert "your line as it lies" not in said(after_reload)
    assert not inspection_of(after_reload).photos[sha256].hints
    # Each edit was kept, and can be had again.
    assert "1 · " in said(after_reload)
    for sentence in (
        "this computer: moved: Limb, right edge",
        "this computer: taken as they lie",
        "this computer: all lines taken back (as it is now)",
    ):
        assert sentence in said(after_reload)
    press(after_reload, f"lines-{sha256}-2")
    again = inspection_of(after_reload).photos[sha256]
    assert again.hints == edited_lines({"edit": edit}, frame, revision, known)
    assert again.as_given == {"limb_right"}
    press(after_reload, "reset-edges")


# Bench


def test_bench_readings_are_kept_and_their_meaning_is_said(seats: str) -> None:
    app = opened(inspection=seats, step="4")
    app.text_input(key="record-/readings/tiller-as received-upper").set_value("6 1/4").run()
    app.text_input(key="record-/readings/tiller-as received-lower").set_value("6 in").run()
    app.text_input(key="field-/readings/brace_height").set_value("many").run()
    assert "Brace height: not understood." in said(app)
    press(app, "bar-5")
    assert "not a length" in said(app)
    press(app, "correct")
    assert heading(app) == "4 · Bench readings and condition"
    app.text_input(key="field-/readings/brace_height").set_value("7 1/2 in").run()
    press(app, "bar-5")
    assert any(e.label.startswith("What the bench readings mean") for e in app.expander)
    assert "158.8 mm" in said(app)  # 6 1/4 in


def test_what_is_found_on_the_bow_comes_first_and_stops_all() -> None:
    app = begun(step=4)
    press(app, "condition-clear")
    app.radio(key="condition-crack_across").set_value("yes").run()
    app.text_input(key="condition-crack_across-note").set_value("an inch off the nock").run()
    record = inspection_of(app).record("/condition", {"item": "crack_across"})
    assert record == {"item": "crack_across", "found": True, "note": "an inch off the nock"}
    press(app, "bar-5")
    assert "Do not shoot, reject" in said(app)
    assert "Found, and first of all:" in said(app)
    press(app, "bar-4")
    app.radio(key="condition-crack_across").set_value("").run()
    assert not inspection_of(app).record("/condition", {"item": "crack_across"})
    for step in range(1, 7):
        text = said(press(app, f"bar-{step}")).lower()
        assert "fit to shoot" not in text
        assert "safe to shoot" not in text


# Findings


def test_what_rests_on_a_photograph_with_a_warning_is_marked(seats: str, pads: str) -> None:
    app = opened(inspection=seats, step="5")
    name = "Upper seat, limb 1, from above."
    assert f"⚠ 1 of the photographs carries a warning: {name}" in said(app)
    bodies = " ".join(piece.body for piece in app.html)
    rows = re.findall(r"<tr>.*?</tr>", bodies)
    marked = {name: ["⚠" in row for row in rows if name in row] for name in ("Overhang", "Twist")}
    assert marked == {"Overhang": [True, True, False, False], "Twist": [False]}
    assert "of the photographs carr" not in said(opened(inspection=pads, step="5"))


def test_findings_are_drawn_and_say_their_arithmetic(seats: str) -> None:
    app = opened(inspection=seats, step="5")
    text = said(app)
    alts = " ".join(re.findall(r'alt="([^"]*)"', " ".join(p.body for p in app.html)))
    assert "Drawing of the seat. Seat, upper end, limb 1:" in alts
    assert re.search(r"overhang right \+1\.[89]\d mm", alts)
    assert "Winding sticks, upper end" in alts
    assert [s.value for s in app.subheader] == ["How the limbs sit", "What to do"]
    seat = next(e for e in app.expander if e.label.startswith("Upper end, limb 1: "))
    assert re.search(r"needs work, \d\.\d of \d+ points", seat.label)
    assert "Do first:" in text
    assert "overhang, the worse side" in text
    assert "together" in text
    assert "What would tell most" in text
    assert "Not looked at:" in text


def test_pads_alone_are_not_called_limbs(pads: str) -> None:
    app = opened(inspection=pads, step="5")
    assert app.subheader[0].value == "The pads"
    assert "How the limbs sit" not in [s.value for s in app.subheader]
    labels = [e.label for e in app.expander]
    assert any(label.startswith("Upper end, bare pad: ✗ needs work") for label in labels), labels
    assert "Whose fault it is" not in labels
    text = said(app)
    assert not re.search("(at|whose) fault", text)
    assert "Left out" not in text
    assert "Not looked at: condition." in text
    assert "3 points are to be had" in text


def test_a_step_of_the_rework_asks_for_the_measurement_after_it(seats: str) -> None:
    app = opened(inspection=seats, step="5")
    box = app.checkbox[0]
    assert "Measure before the next step." not in said(app)
    box.check().run()
    assert "Measure before the next step." in said(app)
    field = next(f for f in app.text_input if f.label == "Measured after this step")
    field.set_value("three times the same").run()
    assert "Measure before the next step." not in said(app)
    again = opened(inspection=seats, step="5")
    assert again.checkbox[0].value is True
    assert inspection_of(again).document["done"][0]["measured"] == "three times the same"


# Report


def test_the_report_and_the_inspection_file_hold_what_was_typed(seats: str) -> None:
    app = opened(inspection=seats)
    app.text_input(key="field-/bow/name").set_value("Longbow <62 in>").run()
    app.text_input(key="field-/customer").set_value("Ada").run()
    press(app, "bar-6")
    assert not app.exception
    inspection = inspection_of(app)
    assert inspection.written is not None
    forms = inspection.written.forms
    assert forms["report.pdf"].startswith(b"%PDF-")
    page = forms["report.html"].decode("utf-8")
    for words in ("Longbow &lt;62 in&gt;", "Ada", "overhang", "received-upper-seat.jpg"):
        assert words.lower() in page.lower()
    numbers = json.loads(inspection.written.numbers)
    assert [m["view"] for m in numbers] == ["seat", "seat", "sight"]
    raw, _ = inspection_file(inspection.document)
    assert inspection_from_json(raw).bow.name == "Longbow <62 in>"


@pytest.fixture
def no_shop_left() -> Iterator[None]:
    """The store is shared by all tests: settings left there would be other tests' shop."""
    yield
    (default_folder() / SHOP_FILE).unlink(missing_ok=True)


@pytest.mark.usefixtures("no_shop_left")
def test_the_shop_on_the_report_is_the_command_lines_own(seats: str) -> None:
    app = press(opened(inspection=seats), "bar-6")
    app.text_input(key="shop-name").set_value("Bench <in> the dairy")
    app.text_area(key="shop-address").set_value("Lane 1\nTown")
    app.text_input(key="shop-inspector").set_value("J. Borek")
    press(app, "shop-keep")
    written = inspection_of(app).written
    assert written is not None
    html = written.forms["report.html"].decode("utf-8")
    for words in ("Bench &lt;in&gt; the dairy", "Lane 1", "Town", "J. Borek"):
        assert words in html
    # The command line reads the same settings, and so does the page when it is opened again.
    assert (
        wishes_of(
            argparse.Namespace(shop=None, language=None, units=None, paper="a4", number="")
        ).shop.name
        == "Bench <in> the dairy"
    )
    again = press(opened(inspection=seats), "bar-6")
    assert again.text_input(key="shop-name").value == "Bench <in> the dairy"
    (default_folder() / SHOP_FILE).write_text("name = 3", encoding="utf-8")
    broken = press(opened(inspection=seats), "bar-6")
    assert "of the shop’s settings is no text" in said(broken)
    assert inspection_of(broken).written is not None


# The whole


def test_it_opens_with_the_photographs_it_was_launched_with(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setenv(OPEN_VARIABLE, os.pathsep.join(map(str, sample_photos())))
    app = opened()
    assert heading(app) == "3 · Photographs"
    assert re.search(r"Overhang, left \+1\.[67]\d mm", said(app))
    monkeypatch.setenv(OPEN_VARIABLE, "/nowhere/gone.jpg")
    app = opened()
    assert heading(app) == "What is on the bench?"
    assert "gone.jpg cannot be read" in said(app)


def test_the_sample_bow_opens_with_what_was_measured_of_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("FITCHECK_STORE", str(tmp_path / "store"))
    whole = read_inspection(SAMPLE / "inspection.json")
    names = [Path(photo.file).name for photo in whole.photos]
    given = [
        Measurement(name, photo.view, refused=Note("told", f"Told of {name}.", "As it was."))
        for name, photo in zip(names, whole.photos, strict=True)
    ]
    app = opened(inspection=begin_sample_bow("a test", given), step="5")
    assert heading(app) == "5 · Findings"
    inspection = inspection_of(app)
    assert [photo.name for photo in inspection.photos.values()] == names
    assert all(measuring.is_measured(inspection, p) for p in inspection.photos.values())
    raw, _ = inspection_file(inspection.document)
    kept = inspection_from_json(raw)
    assert (kept.bow, kept.readings, kept.limits) == (whole.bow, whole.readings, whole.limits)
    assert [(p.view, p.end, p.limb) for p in kept.photos] == [
        (p.view, p.end, p.limb) for p in whole.photos
    ]
    press(app, "bar-4")
    entered = "record-/readings/feeler-upper-left-riser end-K1-enters"
    assert [f.value for f in app.text_input if entered in str(f.key)] == ["0.03 mm"]
    assert "Upper end, limb K1: left, riser end" in said(app)
    press(app, "home")
    assert "Saltmarsh" in said(app)


def test_both_kinds_of_sample_are_offered_while_there_is_nothing_else(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("FITCHECK_STORE", str(tmp_path / "store"))
    app = opened()
    assert app.button(key="sample-bow").label == "Open the sample bow"
    press(app, "sample")
    assert heading(app) == "3 · Photographs"
    assert len(inspection_of(app).photos) == 2
    press(app, "home")
    assert not [b for b in app.button if b.key == "sample-bow"]


def test_an_address_of_no_inspection_is_said() -> None:
    app = opened(inspection="0" * 32, step="2")
    assert "The inspection of this address is not in this store." in said(app)
    press(app, "home-after-error")
    assert heading(app) == "What is on the bench?"
    assert "not in this store" in said(opened(inspection="../x", step="99"))


def test_an_error_nobody_foresaw_is_a_plain_sentence(
    monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    app = begun()

    def fail(_: str) -> bytes:
        raise RuntimeError("inner detail")

    monkeypatch.setattr(measuring, "card_sheet", fail)
    press(app, "bar-2")
    assert "Something went wrong inside fitcheck." in said(app)
    assert "inner detail" not in said(app)
    assert "inner detail" in caplog.text


def test_an_error_in_one_photograph_leaves_the_others(monkeypatch: pytest.MonkeyPatch) -> None:
    def fail(*_: object) -> None:
        raise RuntimeError("inner detail")

    monkeypatch.setattr(measuring, "measure_shots", fail)
    app = uploaded(begun(step=3), ("odd.jpg", jpeg(900)))
    assert "fitcheck met an error of its own in this photograph." in said(app)
    assert "inner detail" not in said(app)
