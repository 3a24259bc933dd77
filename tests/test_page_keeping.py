"""What is done on the page is in the store at once, and two windows do not undo each other."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from page_app import begun, heading, jpeg, name_of, opened, press, said, uploaded

from fitcheck.errors import BadInput
from fitcheck.page import measuring
from fitcheck.page.keeping import Visit, photo_edits, store, visit
from fitcheck.store import Store
from fitcheck.store.location import STORE_VARIABLE


@pytest.fixture
def own(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Store:
    """A store of this test's own, which the page uses, too."""
    monkeypatch.setenv(STORE_VARIABLE, str(tmp_path / "store"))
    return store()


@pytest.mark.parametrize("photos", [3, [3], [None], [{"sha256": []}], {"a": 1}])
def test_a_document_from_anywhere_can_be_changed(own: Store, photos: Any) -> None:
    identity = own.inspections.begin({"photos": photos}, "another program").identity
    there = visit(own, identity, "this computer")
    for thickness in ("0.040 in", "1.02 mm"):
        there.inspection.put("/cards/thickness", thickness)
        there.save()
        stored = own.inspections.get(identity).document
        assert stored == {"photos": photos, "cards": {"thickness": thickness}}


def test_what_the_page_does_not_know_is_left_in_the_store(own: Store) -> None:
    document = {"readings": {"brace_height": "7 1/2 in"}, "else": [{"name": "A"}]}
    identity = own.inspections.begin(document, "another program").identity
    there = visit(own, identity, "this computer")
    there.inspection.put("/readings/rest_height", "0.3 in")
    there.inspection.add("a.jpg", jpeg())
    there.save()
    stored = own.inspections.get(identity).document
    assert stored["readings"] == {"brace_height": "7 1/2 in", "rest_height": "0.3 in"}
    assert stored["else"] == [{"name": "A"}]
    assert [photo["file"] for photo in stored["photos"]] == ["a.jpg"]


def test_an_inspection_is_found_again_by_its_name_only(own: Store) -> None:
    begun_here = visit(own, "", "one device")
    begun_here.inspection.add("a.jpg", jpeg())
    begun_here.inspection.put("/cards/thickness", "1.02 mm")
    begun_here.save()
    again = visit(own, begun_here.identity, "another device")
    assert again.identity == begun_here.identity
    assert [p.data for p in again.inspection.photos.values()] == [jpeg()]
    assert again.inspection.text("/cards/thickness") == "1.02 mm"
    assert visit(own, "guessed", "a stranger").identity != "guessed"
    assert not visit(own, "guessed", "a stranger").inspection.photos


def test_a_page_that_was_only_looked_at_leaves_nothing(own: Store) -> None:
    opened()
    opened(inspection="0" * 32, step="2")
    assert own.inspections.listed() == []


def test_each_thing_is_in_the_store_as_soon_as_it_is_done(own: Store) -> None:
    app = begun("new pads", step=2)
    app.text_input(key="reading-thickness").set_value("1.02").run()
    identity = name_of(app)
    document = own.inspections.get(identity).document
    assert document["cards"] == {"thickness": "1.02 mm"}
    assert document["purpose"] == "new pads"
    app = uploaded(press(app, "next"), ("blank.jpg", jpeg()))
    (photo,) = own.inspections.photographs(identity)
    assert own.inspections.photograph(identity, photo.sha256) == jpeg()
    (measured,) = own.inspections.measurements(identity)
    assert measured.content["refused"]["code"]
    press(app, "bar-6")
    kept = own.inspections.reports(identity)
    assert [report.name for report in kept] == ["report.html", "report.json"]
    press(app, "bar-1")
    app.text_input(key="field-/bow/name").set_value("62 in recurve").run()
    assert own.inspections.listed("62 recurve")[0].identity == identity
    press(app, "bar-3")
    press(app, f"remove-{photo.sha256}")
    assert "photos" not in own.inspections.get(identity).document
    assert own.inspections.photographs(identity)[0].binned
    who = {change.who for change in own.inspections.history(identity)}
    assert who == {"this computer"}


@pytest.mark.usefixtures("own")
def test_what_was_measured_is_not_measured_again_another_day(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    app = uploaded(begun("new pads", step=3), ("blank.jpg", jpeg()))
    assert "Card C was not found" in said(app)

    def fail(*_: object, **__: object) -> None:
        raise AssertionError("measured again")

    monkeypatch.setattr(measuring, "_job", fail)
    app = opened(inspection=name_of(app), step="3")
    assert "Card C was not found" in said(app)


def test_what_one_window_did_the_other_sees_and_keeps(own: Store) -> None:
    one = begun(step=2)
    one.text_input(key="reading-thickness").set_value("1.02").run()
    other = opened(inspection=name_of(one), step="2")
    assert other.text_input(key="reading-thickness").value == "1.02 mm"
    other.text_input(key="reading-bar_along").set_value("99.7").run()
    one.text_input(key="reading-thickness").set_value("1.10").run()
    assert one.text_input(key="reading-bar_along").value == "99.7 mm"
    other.run()
    assert other.text_input(key="reading-thickness").value == "1.10 mm"
    assert own.inspections.get(name_of(one)).document["cards"]["check_bars"] == ["99.7 mm", ""]


def test_where_both_changed_one_field_the_later_is_told(own: Store) -> None:
    one = begun(step=2)
    one.text_input(key="reading-thickness").set_value("1.02").run()
    other = opened(inspection=name_of(one), step="2")
    one.text_input(key="reading-thickness").set_value("1.10").run()
    other.text_input(key="reading-thickness").set_value("<b>1.20").run()
    assert "The card’s thickness was changed meanwhile (this computer)." in said(other)
    assert "It stands as “1.10 mm”; “<b>1.20” was not taken." in said(other)
    assert not any("<b>1.20" in piece.body for piece in other.html)
    assert other.text_input(key="reading-thickness").value == "1.10 mm"
    last = own.inspections.history(name_of(one))[-1]
    assert (last.after, last.taken) == ("<b>1.20", False)
    other.text_input(key="reading-thickness").set_value("1.20").run()
    assert "changed meanwhile" not in said(other)
    assert own.inspections.get(name_of(one)).document["cards"]["thickness"] == "1.20 mm"


def test_a_photograph_that_a_phone_sent_is_there_at_the_next_touch(own: Store) -> None:
    app = begun("new pads", step=2)
    identity = name_of(app)
    with own.photographs.receive() as incoming:
        incoming.write(jpeg())
        shows = {"view": "pad", "end": "lower"}
        edits = photo_edits(incoming.sha256, "phone.jpg", shows)
        own.inspections.attach(identity, incoming, "phone.jpg", "phone", edits)
    press(app, "next")
    assert "Lower pad, limb off" in said(app)
    assert "phone.jpg" in said(app)


def test_a_file_that_vanished_is_said_and_the_rest_goes_on(own: Store) -> None:
    one = Visit(own, "this computer")
    gone = one.inspection.add("gone.jpg", jpeg(650, 651), {"view": "pad", "end": "upper"})
    one.inspection.add("here.jpg", jpeg(650, 652), {"view": "pad", "end": "lower"})
    one.save()
    (own.folder / "photographs" / gone[:2] / gone).unlink()
    app = opened(inspection=one.identity, step="3")
    assert "gone.jpg is no longer in the store’s folder." in said(app)
    assert "Card C was not found" in said(app)
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
    app = begun(step=2)
    app.text_input(key="reading-thickness").set_value("1.02").run()

    def full_disk(*_: object) -> None:
        raise BadInput("store_full", "The change was not saved: the disk is full.", "Make room.")

    with monkeypatch.context() as patch:
        patch.setattr(own.inspections, "change", full_disk)
        app.text_input(key="reading-bar_along").set_value("99.7").run()
        assert "The change was not saved: the disk is full." in said(app)
        assert app.text_input(key="reading-bar_along").value == "99.7 mm"
    app.run()
    assert "was not saved" not in said(app)
    assert own.inspections.get(name_of(app)).document["cards"]["check_bars"] == ["99.7 mm", ""]


def test_an_inspection_in_the_bin_is_not_opened_as_if_it_were_new(own: Store) -> None:
    identity = own.inspections.begin({"customer": "Ada"}, "me").identity
    own.inspections.bin(identity, "me")
    app = opened(inspection=identity)
    assert "This inspection is in the bin." in said(app)
    own.inspections.take_out(identity, "me")
    assert heading(app.run()).startswith("1 ·")
