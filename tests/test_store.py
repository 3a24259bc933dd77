"""The store keeps what it is given, tells what it cannot keep, and loses nothing in between."""

from __future__ import annotations

import errno
import os
import sqlite3
import subprocess
import sys
import threading
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from fitcheck.errors import BadInput
from fitcheck.store import Store
from fitcheck.store.database import Database
from fitcheck.store.fields import ABSENT
from fitcheck.store.inspections import IDENTITY, Inspections
from fitcheck.store.location import STORE_VARIABLE, default_folder
from fitcheck.store.migrations import MIGRATIONS

DOCUMENT: dict[str, Any] = {
    "customer": "Ada Invented",
    "reference": "2026-117",
    "bow": {"name": "62 in recurve"},
    "photos": [],
}
ME, OTHER = "this computer", "phone"
NOT_THERE = "0" * 32


@pytest.fixture
def store(tmp_path: Path) -> Store:
    return Store(tmp_path / "store", patience_s=0.2)


@pytest.fixture
def inspections(store: Store) -> Inspections:
    return store.inspections


def attach(store: Store, identity: str, data: bytes, name: str = "seat.jpg") -> str:
    with store.photographs.receive(name) as incoming:
        incoming.write(data)
        store.inspections.attach(
            identity, incoming, name, ME, {f"/photos/[file={name}]": {"file": name}}
        )
        return incoming.sha256


def file_of(store: Store, sha256: str) -> Path:
    return store.folder / "photographs" / sha256[:2] / sha256


# Where it lies


def test_the_store_lies_where_it_was_asked_for(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv(STORE_VARIABLE, str(tmp_path / "named"))
    assert default_folder() == tmp_path / "named"
    monkeypatch.setenv(STORE_VARIABLE, "")
    assert default_folder().name == "store"
    assert default_folder().parent.name == "fitcheck"


@pytest.mark.skipif(sys.platform == "win32", reason="permissions are another matter there")
def test_other_users_cannot_look_into_it(store: Store, inspections: Inspections) -> None:
    sha256 = attach(store, inspections.begin(DOCUMENT, ME).identity, b"photo")
    assert store.folder.stat().st_mode & 0o077 == 0
    assert file_of(store, sha256).stat().st_mode & 0o077 == 0


# Inspections


def test_an_inspection_is_found_again_by_another_program(store: Store) -> None:
    begun = store.inspections.begin(DOCUMENT, ME)
    again = Store(store.folder).inspections.get(begun.identity)
    assert again.document == DOCUMENT
    assert (again.revision, again.binned, again.origin) == (1, None, "")
    assert IDENTITY.fullmatch(begun.identity)


@pytest.mark.parametrize(
    "identity", [NOT_THERE, "", "../../etc/passwd", "%", "a" * 10_000, "\x00", "\ud800", "0" * 31]
)
def test_a_guessed_inspection_is_not_there(inspections: Inspections, identity: str) -> None:
    inspections.begin(DOCUMENT, ME)
    assert inspections.find(identity) is None
    with pytest.raises(BadInput, match="no such inspection"):
        inspections.get(identity)
    with pytest.raises(BadInput, match="no such photograph"):
        inspections.photograph(identity, identity)


def test_every_change_is_kept_with_who_and_when_and_from_what_to_what(
    inspections: Inspections,
) -> None:
    identity = inspections.begin({"customer": "Ada"}, ME).identity
    inspections.change(identity, {"/customer": "Bob", "/note": "new string"}, 1, OTHER)
    inspections.change(identity, {"/note": ABSENT}, 2, ME)
    told = [(c.who, c.path, c.before, c.after, c.revision) for c in inspections.history(identity)]
    assert told == [
        (ME, "/customer", ABSENT, "Ada", 1),
        (OTHER, "/customer", "Ada", "Bob", 2),
        (OTHER, "/note", ABSENT, "new string", 2),
        (ME, "/note", "new string", ABSENT, 3),
    ]
    times = [change.at for change in inspections.history(identity)]
    assert times == sorted(times)


def test_what_was_not_taken_is_in_the_log_too(inspections: Inspections) -> None:
    identity = inspections.begin(DOCUMENT, ME).identity
    inspections.change(identity, {"/customer": "Bob"}, 1, ME)
    late = inspections.change(identity, {"/customer": "Eve", "/note": "x"}, 1, OTHER)
    assert late.document["customer"] == "Bob"
    assert late.document["note"] == "x"
    assert [(clash.path, clash.wanted, clash.who) for clash in late.clashes] == [
        ("/customer", "Eve", ME)
    ]
    assert [(c.after, c.taken) for c in inspections.history(identity)][-2:] == [
        ("x", True),
        ("Eve", False),
    ]
    # Seen now, it is taken.
    assert not inspections.change(identity, {"/customer": "Eve"}, late.revision, OTHER).clashes


def test_a_change_that_changes_nothing_is_none(inspections: Inspections) -> None:
    identity = inspections.begin(DOCUMENT, ME).identity
    assert inspections.change(identity, {"/customer": "Ada Invented"}, 1, ME).revision == 1
    assert inspections.revision(identity) == 1


def test_ten_writers_at_once_lose_nothing(tmp_path: Path) -> None:
    store = Store(tmp_path, patience_s=30)
    identity = store.inspections.begin({}, ME).identity
    lost: list[str] = []

    def write(writer: int) -> None:
        own = Store(tmp_path, patience_s=30)
        for number in range(10):
            seen = own.inspections.revision(identity)
            edits = {f"/of-{writer}/{number}": number, "/last": f"{writer}-{number}"}
            done = own.inspections.change(identity, edits, seen, f"writer {writer}")
            # The field that all fight for is written, or its writer is told.
            if done.document["last"] != f"{writer}-{number}" and not done.clashes:
                lost.append(f"{writer}-{number}")

    threads = [threading.Thread(target=write, args=(n,)) for n in range(10)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    document = store.inspections.get(identity).document
    assert all(len(document[f"of-{n}"]) == 10 for n in range(10))
    assert not lost
    wanted = [c for c in store.inspections.history(identity) if c.path == "/last"]
    assert len(wanted) == 100  # each of them is in the log, taken or not


def test_the_list_is_searched_and_sorted(inspections: Inspections) -> None:
    first = inspections.begin({**DOCUMENT, "customer": "Łukasz Straße"}, ME)
    second = inspections.begin(DOCUMENT, ME)
    assert [x.identity for x in inspections.listed()] == [second.identity, first.identity]
    inspections.change(first.identity, {"/date": "2026-11-25"}, 1, ME)
    assert [x.identity for x in inspections.listed()] == [first.identity, second.identity]
    assert [x.identity for x in inspections.listed("łUKASZ strasse")] == [first.identity]
    assert [x.identity for x in inspections.listed("ada 62")] == [second.identity]
    assert inspections.listed("ada łukasz") == []
    assert inspections.listed("%") == []
    assert inspections.listed()[0].labels["bow"] == "62 in recurve"


def test_an_inspection_can_hold_hostile_text(inspections: Inspections) -> None:
    text = "<script>'; DROP TABLE inspection;--\x00\u202e=cmd|' /C calc'!A0\r\n"
    identity = inspections.begin({"customer": text, "bow": {"name": text}}, text).identity
    assert inspections.get(identity).document["customer"] == text
    assert inspections.listed()[0].labels["customer"] == text
    assert inspections.history(identity)[0].who == (
        "<script>'; DROP TABLE inspection;--=cmd|' /C calc'!A0"
    )


# The bin


def test_the_bin_gives_back_until_it_is_emptied(store: Store, inspections: Inspections) -> None:
    kept, gone = (inspections.begin(DOCUMENT, ME).identity for _ in range(2))
    shared = attach(store, kept, b"in both", "both.jpg")
    attach(store, gone, b"in both", "both.jpg")
    only = attach(store, gone, b"only in one", "one.jpg")
    inspections.keep_measurement(gone, only, {"value": 1})
    inspections.bin(gone, ME)
    assert [x.identity for x in inspections.listed()] == [kept]
    assert [x.identity for x in inspections.listed(binned=True)] == [gone]
    with pytest.raises(BadInput, match="in the bin"):
        inspections.change(gone, {"/note": "x"}, 1, ME)
    inspections.take_out(gone, ME)
    assert inspections.get(gone).binned is None
    assert len(inspections.listed()) == 2
    inspections.bin(gone, ME)
    assert inspections.empty_bin(ME) == 1
    assert store.sweep() == 1
    assert inspections.find(gone) is None
    assert inspections.photograph(kept, shared) == b"in both"
    assert not file_of(store, only).exists()
    with closing(sqlite3.connect(store.database.path)) as connection:
        assert gone not in "\n".join(connection.iterdump())


def test_a_photograph_that_was_removed_can_come_back(
    store: Store, inspections: Inspections
) -> None:
    identity = inspections.begin(DOCUMENT, ME).identity
    sha256 = attach(store, identity, b"photo")
    inspections.detach(identity, [sha256])
    assert store.sweep() == 0
    assert [p.binned is None for p in inspections.photographs(identity)] == [False]
    assert inspections.listed()[0].photographs == 0
    attach(store, identity, b"photo")
    assert [p.binned for p in inspections.photographs(identity)] == [None]
    inspections.detach(identity, [sha256])
    inspections.empty_bin(ME)
    assert store.sweep() == 1
    assert inspections.photographs(identity) == []


# Photographs, measurements, reports, the shop's own


def test_a_photograph_belongs_to_its_inspection_only(
    store: Store, inspections: Inspections
) -> None:
    one, other = (inspections.begin(DOCUMENT, ME).identity for _ in range(2))
    sha256 = attach(store, one, b"photo")
    assert inspections.photograph(one, sha256) == b"photo"
    assert inspections.get(one).document["photos"] == [{"file": "seat.jpg"}]
    with pytest.raises(BadInput, match="no such photograph"):
        inspections.photograph(other, sha256)


@pytest.mark.parametrize(
    ("spoil", "code"),
    [
        (lambda path: path.unlink(), "file_vanished"),
        (lambda path: path.write_bytes(b"other"), "file_changed"),
        (lambda path: path.write_bytes(b""), "file_changed"),
    ],
)
def test_a_file_that_the_disk_lost_is_told_and_can_be_given_again(
    store: Store, inspections: Inspections, spoil: Any, code: str
) -> None:
    identity = inspections.begin(DOCUMENT, ME).identity
    sha256 = attach(store, identity, b"photo")
    spoil(file_of(store, sha256))
    with pytest.raises(BadInput, match=r"seat\.jpg") as error:
        inspections.photograph(identity, sha256)
    assert error.value.code == code
    assert "still there" in error.value.advice
    attach(store, identity, b"photo")
    assert inspections.photograph(identity, sha256) == b"photo"


def test_a_file_that_is_too_large_is_not_kept(tmp_path: Path) -> None:
    store = Store(tmp_path)
    store.photographs._most_bytes = 100
    with store.photographs.receive("large.jpg") as incoming:
        incoming.write(b"x" * 60)
        with pytest.raises(BadInput, match=r"large\.jpg is larger"):
            incoming.write(b"x" * 60)
    assert list((tmp_path / "incoming").iterdir()) == []


def test_measurements_and_reports_are_added_never_replaced(inspections: Inspections) -> None:
    identity = inspections.begin(DOCUMENT, ME).identity
    sha256 = "ab" * 32
    assert inspections.keep_measurement(identity, sha256, {"value": 1.0})
    assert not inspections.keep_measurement(identity, sha256, {"value": 1.0})
    assert inspections.keep_measurement(identity, sha256, {"value": 2.0})
    assert inspections.keep_measurement(identity, "cd" * 32, {"value": 2.0})
    kept = inspections.measurements(identity, sha256)
    assert [m.content["value"] for m in kept] == [1.0, 2.0]
    assert len(inspections.measurements(identity)) == 3
    first = inspections.keep_report(identity, "report.html", b"<html>1")
    assert inspections.keep_report(identity, "report.html", b"<html>1") == first
    inspections.change(identity, {"/note": "x"}, 1, ME)
    second = inspections.keep_report(identity, "report.html", b"<html>2")
    assert [(r.sha256, r.revision) for r in inspections.reports(identity)] == [
        (first.sha256, 1),
        (second.sha256, 2),
    ]
    assert inspections.report(identity, first.sha256) == b"<html>1"
    with pytest.raises(BadInput, match="no such report"):
        inspections.report(identity, sha256)
    with pytest.raises(BadInput, match="no such inspection"):
        inspections.keep_measurement(NOT_THERE, sha256, {})


def test_the_shops_own_is_kept_with_all_that_it_was_before(store: Store) -> None:
    lens = "Maker Model, 2793 px, 4032 × 3024"
    assert store.lens_profile(lens) is None
    store.keep_lens_profile(lens, {"mean": [2800.0, 0.0, 0.0]})
    store.keep_lens_profile(lens, {"mean": [2795.0, 0.0, 0.0]})
    store.keep_lens_profile(lens, {"mean": [2795.0, 0.0, 0.0]})
    assert store.lens_profiles() == {lens: {"mean": [2795.0, 0.0, 0.0]}}
    history = [profile["mean"][0] for _, profile in store.lens_history(lens)]
    assert history == [2800.0, 2795.0]
    assert store.limits() is None
    store.keep_limits({"overhang": {"good": "0.4 mm"}}, ME)
    assert store.limits() == {"overhang": {"good": "0.4 mm"}}
    with pytest.raises(BadInput, match="not finite"):
        store.keep_lens_profile(lens, {"mean": [float("inf")]})


def test_a_setting_made_from_an_older_one_is_told(store: Store) -> None:
    seen = store.keep_setting("shop", {"name": "One"}, ME, seen=0)
    store.keep_setting("shop", {"name": "Two"}, OTHER, seen=seen)
    with pytest.raises(BadInput, match="changed on another device"):
        store.keep_setting("shop", {"name": "Three"}, ME, seen=seen)
    assert store.setting("shop") == {"name": "Two"}


# What the machine can do to it


def test_a_newer_store_is_left_alone(tmp_path: Path) -> None:
    newer = Database(tmp_path / "fitcheck.sqlite3", [*MIGRATIONS, lambda _: None])
    before = newer.path.read_bytes()
    with pytest.raises(BadInput, match="written by a newer fitcheck") as error:
        Store(tmp_path)
    assert error.value.code == "store_too_new"
    assert "Update fitcheck" in error.value.advice
    assert newer.path.read_bytes() == before


def test_a_store_made_newer_while_it_is_open_is_left_alone(store: Store) -> None:
    Database(store.database.path, [*MIGRATIONS, lambda _: None])
    with pytest.raises(BadInput, match="newer fitcheck"):
        store.inspections.begin(DOCUMENT, ME)
    with pytest.raises(BadInput, match="newer fitcheck"):
        store.inspections.listed()


def test_an_older_store_is_brought_up_to_date_with_all_that_is_in_it(store: Store) -> None:
    identity = store.inspections.begin(DOCUMENT, ME).identity
    steps: list[str] = []

    def one(connection: sqlite3.Connection) -> None:
        steps.append("one")
        connection.execute("ALTER TABLE inspection ADD COLUMN colour TEXT NOT NULL DEFAULT ''")

    def two(connection: sqlite3.Connection) -> None:
        steps.append("two")
        connection.execute("UPDATE inspection SET colour = 'walnut'")

    newer = Database(store.database.path, [*MIGRATIONS, one, two])
    Database(store.database.path, [*MIGRATIONS, one, two])
    assert steps == ["one", "two"]
    with newer.reading() as connection:
        row = connection.execute("SELECT id, colour FROM inspection").fetchone()
    assert tuple(row) == (identity, "walnut")


def test_a_step_that_fails_leaves_the_older_form(store: Store) -> None:
    identity = store.inspections.begin(DOCUMENT, ME).identity

    def fails(connection: sqlite3.Connection) -> None:
        connection.execute("DROP TABLE measurement")
        connection.execute("SELECT nonsense")

    with pytest.raises(BadInput, match="could not be opened"):
        Database(store.database.path, [*MIGRATIONS, fails])
    assert Store(store.folder).inspections.measurements(identity) == []


def test_what_is_not_a_store_is_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "fitcheck.sqlite3"
    with closing(sqlite3.connect(path)) as other:
        other.execute("CREATE TABLE music (title TEXT)")
    with pytest.raises(BadInput, match="database of another program"):
        Store(tmp_path)
    path.write_bytes(b"a letter to my aunt " * 100)
    with pytest.raises(BadInput, match="damaged, or is not a store"):
        Store(tmp_path)
    assert path.read_bytes().startswith(b"a letter")


def test_a_damaged_store_is_said_to_be(store: Store) -> None:
    for n in range(50):
        store.inspections.begin({"customer": str(n) * 400}, ME)
    damaged = bytearray(store.database.path.read_bytes())
    damaged[4096:] = b"\xa5" * (len(damaged) - 4096)
    store.database.path.write_bytes(damaged)
    with pytest.raises(BadInput, match="damaged") as error:
        store.inspections.listed()
    assert "backup" in error.value.advice


def test_a_store_that_another_program_holds_is_said_to_be(store: Store) -> None:
    identity = store.inspections.begin(DOCUMENT, ME).identity
    with closing(sqlite3.connect(store.database.path, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(BadInput, match="another program holds the store") as error:
            store.inspections.change(identity, {"/note": "x"}, 1, ME)
        assert error.value.message.startswith("The change was not saved")
        assert store.inspections.get(identity).document == DOCUMENT  # reading goes on
        other.execute("ROLLBACK")
    assert store.inspections.change(identity, {"/note": "x"}, 1, ME).revision == 2


def test_a_full_disk_is_told_and_loses_nothing(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    """SQLite's own limit of pages stands in for the disk's end: it fails in the same place."""
    identity = store.inspections.begin(DOCUMENT, ME).identity
    connect = store.database._connect

    def on_a_full_disk(mode: str) -> sqlite3.Connection:
        connection = connect(mode)
        pages = connection.execute("PRAGMA page_count").fetchone()[0]
        connection.execute(f"PRAGMA max_page_count={pages}")
        return connection

    monkeypatch.setattr(store.database, "_connect", on_a_full_disk)
    with pytest.raises(BadInput, match="The change was not saved: the disk is full") as error:
        store.inspections.change(identity, {"/note": "x" * 100_000}, 1, ME)
    assert error.value.code == "store_full"
    monkeypatch.undo()
    assert store.inspections.get(identity).document == DOCUMENT
    assert len(store.inspections.history(identity)) == 4


@pytest.mark.parametrize(
    ("number", "code"),
    [
        (errno.ENOSPC, "store_full"),
        (errno.EROFS, "store_read_only"),
        (errno.EACCES, "store_read_only"),
        (errno.EIO, "store_failed"),
    ],
)
def test_a_photograph_that_the_disk_does_not_take_is_told(
    store: Store, monkeypatch: pytest.MonkeyPatch, number: int, code: str
) -> None:
    identity = store.inspections.begin(DOCUMENT, ME).identity

    def refuse(_: int) -> None:
        raise OSError(number, os.strerror(number))

    monkeypatch.setattr(os, "fsync", refuse)
    with pytest.raises(BadInput, match=r"seat\.jpg was not saved") as error:
        attach(store, identity, b"photo")
    assert error.value.code == code
    monkeypatch.undo()
    assert store.inspections.photographs(identity) == []
    assert store.inspections.get(identity).document == DOCUMENT
    assert list((store.folder / "incoming").iterdir()) == []
    attach(store, identity, b"photo")


def test_a_folder_that_cannot_be_one_is_said_to_be(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("x", encoding="utf-8")
    with pytest.raises(BadInput, match="could not be opened") as error:
        Store(tmp_path / "file" / "store")
    assert error.value.code == "store_unreachable"


def test_a_store_whose_folder_vanished_is_not_made_anew(store: Store) -> None:
    store.inspections.begin(DOCUMENT, ME)
    store.folder.rename(store.folder.with_name("elsewhere"))
    with pytest.raises(BadInput, match="cannot be opened"):
        store.inspections.listed()
    assert not store.folder.exists()


READ_ONLY = """
import os, sys
from pathlib import Path
from fitcheck.errors import BadInput
from fitcheck.store import Store
folder = Path(sys.argv[1])
made = Store(folder / "used")
identity = made.inspections.begin({}, "me").identity
for one in [folder / "used", folder / "empty"]:
    one.mkdir(exist_ok=True)
    for path in [one, *one.rglob("*")]:
        path.chmod(0o555 if path.is_dir() else 0o444)
folder.chmod(0o755)
if os.getuid() == 0:
    os.setuid(65534)  # whoever is not root cannot write there; root could
for do in (
    lambda: made.inspections.begin({}, "me"),
    lambda: Store(folder / "empty"),
    lambda: Store(folder / "empty" / "store"),
):
    try:
        do()
    except BadInput as error:
        print(error.code)
"""


@pytest.mark.skipif(sys.platform == "win32", reason="permissions are another matter there")
def test_a_read_only_folder_is_said_to_be(tmp_path: Path) -> None:
    for parent in (tmp_path, *tmp_path.parents):
        if parent.stat().st_uid == os.getuid() and parent != Path("/tmp"):  # noqa: S108
            parent.chmod(parent.stat().st_mode | 0o055)
        if parent.name.startswith("pytest-of"):
            break
    run = subprocess.run(
        [sys.executable, "-c", READ_ONLY, str(tmp_path)],
        capture_output=True,
        text=True,
        check=True,
        timeout=60,
    )
    codes = run.stdout.split()
    assert len(codes) == 3, run.stderr
    assert set(codes) <= {"store_read_only", "store_unreachable"}


def test_a_file_on_its_way_in_is_not_swept_from_under_its_writer(store: Store) -> None:
    with store.photographs.receive() as incoming:
        incoming.write(b"half")
        assert Store(store.folder).sweep() == 0
        incoming.write(b" and half")
        incoming.settle()
        assert incoming.read_back() == b"half and half"
    left = store.folder / "incoming" / ("f" * 32)
    left.write_bytes(b"left by a killed process")
    stray = file_of(store, "ab" * 32)
    stray.parent.mkdir(parents=True)
    stray.write_bytes(b"placed, but its transaction never ended")
    assert Store(store.folder).sweep() == 2
    assert not left.exists()
    assert not stray.exists()
