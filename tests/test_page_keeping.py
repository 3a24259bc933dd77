"""What is done on the page is in the store at once, and two windows do not undo each other."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from streamlit.testing.v1 import AppTest
from test_page import heading, inspection_of, jpeg, name_of, opened, press, said, uploaded

from fitcheck.errors import BadInput
from fitcheck.page.inspection import Inspection
from fitcheck.page.keeping import Visit, document_of, photo_edits, store, take_over, visit
from fitcheck.setup import Setup
from fitcheck.store import Store
from fitcheck.store.fields import edits_between
from fitcheck.store.location import STORE_VARIABLE


@pytest.fixture
def own(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Store:
    """A store of this test's own, which the page uses, too."""
    monkeypatch.setenv(STORE_VARIABLE, str(tmp_path / "store"))
    return store()


def full() -> Inspection:
    inspection = Inspection()
    first = inspection.add("a.jpg", jpeg())
    inspection.add("b.jpg", jpeg(700), Setup(1.0, (99.5, 100.5), None))
    inspection.readings.thickness, inspection.readings.bar_across = "0.040 in", "99.9"
    inspection.readings.face_step = "-0.4"
    inspection.mark(first, {"limb_left": ((1.25, 2.0), (3.0, 400.125))})
    inspection.titles[first] = "upper, as received"
    return inspection


def test_a_working_copy_comes_back_from_its_document() -> None:
    document = document_of(full())
    again = Inspection()
    take_over(again, document)
    assert document_of(again) == document
    assert again.readings == full().readings
    assert [p.setup for p in again.photos.values()] == [p.setup for p in full().photos.values()]
    assert again.hints == full().hints
    assert document_of(Inspection()) == {}


@pytest.mark.parametrize(
    "document",
    [
        {"photos": 3, "cards": [], "bow": None, "readings": "x", "customer": 7},
        {"photos": [None, {}, {"sha256": 3}, {"sha256": ""}]},
        {"photos": [{"sha256": "a" * 64, "hints": {"limb_left": [[1, 2], [None, 3]]}}]},
        {"photos": [{"sha256": "a" * 64, "hints": {"limb_left": 1e400}, "file": 3, "title": []}]},
        {"photos": [{"sha256": "a" * 64, "setup": {"thickness_mm": "x", "bars_mm": [1]}}]},
        {"photos": [{"sha256": "a" * 64, "setup": {"thickness_mm": -9}}]},
        {"cards": {"check_bars": [1, 2, 3], "thickness": {"a": 1}}},
        {"cards": {"check_bars": ["99", None]}},
    ],
)
def test_a_document_from_anywhere_is_taken_as_far_as_it_goes(document: dict[str, Any]) -> None:
    inspection = Inspection()
    take_over(inspection, document)
    for photo in inspection.photos.values():
        assert isinstance(photo.name, str)
        assert photo.setup is None
    assert inspection.hints == {}
    assert edits_between(document_of(inspection), document_of(inspection)) == {}


@pytest.mark.parametrize("photos", [3, [3], [None], [{"sha256": []}], {"a": 1}])
def test_a_document_from_anywhere_can_be_changed(own: Store, photos: Any) -> None:
    identity = own.inspections.begin({"photos": photos}, "another program").identity
    there = visit(own, identity, "this computer")
    for thickness in ("0.040 in", "1.02"):
        there.inspection.readings.thickness = thickness
        there.save()
        stored = own.inspections.get(identity).document
        assert stored == {"photos": photos, "cards": {"thickness": thickness}}


def test_what_the_page_does_not_know_is_left_in_the_store(own: Store) -> None:
    document = {"readings": {"brace_height": "7 1/2 in"}, "limbs": [{"name": "A"}]}
    identity = own.inspections.begin(document, "another program").identity
    there = visit(own, identity, "this computer")
    there.inspection.readings.face_step = "0.3"
    there.inspection.add("a.jpg", jpeg())
    there.save()
    stored = own.inspections.get(identity).document
    assert stored["readings"] == {"brace_height": "7 1/2 in", "face_step": "0.3"}
    assert stored["limbs"] == [{"name": "A"}]
    assert [photo["file"] for photo in stored["photos"]] == ["a.jpg"]


def test_a_page_that_was_only_looked_at_leaves_nothing(own: Store) -> None:
    opened()
    press(opened(step="1"), "bar-2")
    assert own.inspections.listed() == []


def test_each_thing_is_in_the_store_as_soon_as_it_is_done(own: Store) -> None:
    app = opened(step="2")
    app.text_input(key="reading-thickness").set_value("1.02").run()
    identity = name_of(app)
    assert own.inspections.get(identity).document == {"cards": {"thickness": "1.02"}}
    app = uploaded(press(app, "next"), ("blank.jpg", jpeg()))
    (photo,) = own.inspections.photographs(identity)
    assert own.inspections.photograph(identity, photo.sha256) == jpeg()
    (measured,) = own.inspections.measurements(identity)
    assert measured.content["refused"]["code"]
    press(app, "bar-6")
    assert len(own.inspections.reports(identity)) == 1
    app.text_input(key="report-bow").set_value("62 in recurve").run()
    assert own.inspections.listed("62 recurve")[0].identity == identity
    press(app, "bar-3")
    press(app, f"remove-{photo.sha256}")
    assert "photos" not in own.inspections.get(identity).document
    assert own.inspections.photographs(identity)[0].binned
    who = {change.who for change in own.inspections.history(identity)}
    assert who == {"this computer"}


def test_what_one_window_did_the_other_sees_and_keeps(own: Store) -> None:
    one = opened(step="2")
    one.text_input(key="reading-thickness").set_value("1.02").run()
    other = opened(inspection=name_of(one), step="2")
    assert other.text_input(key="reading-thickness").value == "1.02"
    other.text_input(key="reading-bar_along").set_value("99.7").run()
    one.text_input(key="reading-face_step").set_value("0.4").run()
    assert one.text_input(key="reading-bar_along").value == "99.7"
    one.text_input(key="reading-thickness").set_value("1.10").run()
    other.run()
    assert other.text_input(key="reading-thickness").value == "1.10"
    assert inspection_of(other).readings.face_step == "0.4"
    assert own.inspections.get(name_of(one)).document["cards"]["check_bars"] == ["99.7", ""]


def test_where_both_changed_one_field_the_later_is_told(own: Store) -> None:
    one = opened(step="2")
    one.text_input(key="reading-thickness").set_value("1.02").run()
    other = opened(inspection=name_of(one), step="2")
    one.text_input(key="reading-thickness").set_value("1.10").run()
    other.text_input(key="reading-thickness").set_value("<b>1.20").run()
    assert "The card’s thickness was changed meanwhile (this computer)." in said(other)
    assert "It stands as “1.10”; “&lt;b&gt;1.20” was not taken." in said(other)
    assert other.text_input(key="reading-thickness").value == "1.10"
    last = own.inspections.history(name_of(one))[-1]
    assert (last.after, last.taken) == ("<b>1.20", False)
    other.text_input(key="reading-thickness").set_value("1.20").run()
    assert "changed meanwhile" not in said(other)
    assert own.inspections.get(name_of(one)).document["cards"]["thickness"] == "1.20"


def test_a_photograph_that_a_phone_sent_is_there_at_the_next_touch(own: Store) -> None:
    app = opened(step="2")
    app.text_input(key="reading-thickness").set_value("1.02").run()
    identity = name_of(app)
    with own.photographs.receive() as incoming:
        incoming.write(jpeg())
        edits = photo_edits(incoming.sha256, "phone.jpg")
        own.inspections.attach(identity, incoming, "phone.jpg", "phone", edits)
    press(app, "next")
    assert "phone.jpg" in said(app)


def test_a_file_that_vanished_is_said_and_the_rest_goes_on(own: Store) -> None:
    one = Visit(own, "this computer")
    gone = one.inspection.add("gone.jpg", jpeg(650, 651))
    one.inspection.add("here.jpg", jpeg(650, 652))
    one.save()
    (own.folder / "photographs" / gone[:2] / gone).unlink()
    app = opened(inspection=one.identity, step="3")
    assert "gone.jpg is no longer in the store’s folder." in said(app)
    assert "Card A was not found" in said(app)
    with own.photographs.receive() as incoming:  # put back
        incoming.write(jpeg(650, 651))
        own.inspections.attach(one.identity, incoming, "gone.jpg", "me")
    app.run()
    assert "no longer in the store" not in said(app)


def test_a_store_that_cannot_be_opened_is_said_in_words(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = tmp_path / "newer"
    newer = Store(folder)
    newer.database.close()
    with closing(sqlite3.connect(folder / "fitcheck.sqlite3")) as connection:
        connection.execute("PRAGMA user_version=99")
    monkeypatch.setenv(STORE_VARIABLE, str(folder))
    app = opened()
    assert not app.exception
    assert "was written by a newer fitcheck" in said(app)
    assert "Update fitcheck" in said(app)


def test_what_could_not_be_saved_is_said_and_saved_at_the_next_touch(
    own: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    app = opened(step="2")
    app.text_input(key="reading-thickness").set_value("1.02").run()

    def full_disk(*_: object) -> None:
        raise BadInput("store_full", "The change was not saved: the disk is full.", "Make room.")

    with monkeypatch.context() as patch:
        patch.setattr(own.inspections, "change", full_disk)
        app.text_input(key="reading-bar_along").set_value("99.7").run()
        assert "The change was not saved: the disk is full." in said(app)
        assert app.text_input(key="reading-bar_along").value == "99.7"
    app.run()
    assert "was not saved" not in said(app)
    assert own.inspections.get(name_of(app)).document["cards"]["check_bars"] == ["99.7", ""]


def test_an_inspection_in_the_bin_is_not_opened_as_if_it_were_new(own: Store) -> None:
    identity = own.inspections.begin({"customer": "Ada"}, "me").identity
    own.inspections.bin(identity, "me")
    app = AppTest.from_file(str(Path(__file__).parent.parent / "fitcheck" / "page" / "page.py"))
    app.query_params["inspection"] = identity
    app.run(timeout=60)
    assert "This inspection is in the bin." in said(app)
    own.inspections.take_out(identity, "me")
    assert heading(app.run()).startswith("1 ·")
