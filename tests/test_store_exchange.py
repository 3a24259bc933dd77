"""One inspection as a zip, the whole store as a backup: all of it arrives, or a sentence does."""

from __future__ import annotations

import errno
import hashlib
import io
import json
import os
import signal
import stat
import struct
import subprocess
import sys
import threading
import zipfile
import zlib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from fitcheck.errors import BadInput
from fitcheck.store import Store
from fitcheck.store.backup import back_up
from fitcheck.store.exchange import export_inspection, import_inspection
from fitcheck.store.fields import ABSENT

ME = "this computer"
JPEG = b"\xff\xd8\xff\xe0" + bytes(range(256)) * 40
HOSTILE = "<b>=cmd|'/C calc'!A0\u202e../../x\x07.jpg"


@pytest.fixture
def store(tmp_path: Path) -> Store:
    return Store(tmp_path / "store")


def attach(store: Store, identity: str, data: bytes, name: str) -> str:
    with store.photographs.receive(name) as incoming:
        incoming.write(data)
        edits = {f"/photos/[sha256={incoming.sha256}]": {"sha256": incoming.sha256}}
        store.inspections.attach(identity, incoming, name, ME, edits)
        return incoming.sha256


@pytest.fixture
def identity(store: Store) -> str:
    """An inspection with everything that one can have."""
    begun = store.inspections.begin({"customer": HOSTILE, "photos": []}, ME)
    sha256 = attach(store, begun.identity, JPEG, HOSTILE)
    attach(store, begun.identity, b"nonsense, kept as it came", "odd.jpg")
    store.inspections.keep_measurement(begun.identity, sha256, {"overhang": 1.5, "note": None})
    store.inspections.keep_report(begun.identity, "report.html", b"<html>" + b"x" * 5000)
    store.inspections.change(begun.identity, {"/note": None, "/customer": ABSENT}, 3, "phone")
    store.inspections.change(begun.identity, {"/customer": "late"}, 3, "tablet")
    return begun.identity


def test_all_of_it_arrives_in_another_store(store: Store, identity: str, tmp_path: Path) -> None:
    path = export_inspection(store, identity, tmp_path / "out.zip")
    assert zipfile.ZipFile(path).testzip() is None
    other = Store(tmp_path / "other")
    new = import_inspection(other, path, "command line")
    there, here = other.inspections.get(new), store.inspections.get(identity)
    assert (there.document, there.revision) == (here.document, here.revision)
    assert (there.origin, there.begun, there.changed) == (identity, here.begun, here.changed)
    assert new != identity
    for kind in ("history", "measurements", "reports"):
        assert getattr(other.inspections, kind)(new) == getattr(store.inspections, kind)(identity)
    names = [(p.sha256, p.name) for p in other.inspections.photographs(new)]
    assert sorted(names) == sorted(
        (p.sha256, p.name) for p in store.inspections.photographs(identity)
    )
    for sha256, _ in names:
        assert other.inspections.photograph(new, sha256) == store.inspections.photograph(
            identity, sha256
        )
    (report,) = other.inspections.reports(new)
    assert other.inspections.report(new, report.sha256).startswith(b"<html>")
    # And it is a living inspection: a change is taken on as before.
    assert other.inspections.change(new, {"/note": "x"}, there.revision, ME).revision == 5
    assert other.sweep() == 0


def test_names_from_outside_do_not_become_names_of_files(
    store: Store, identity: str, tmp_path: Path
) -> None:
    path = export_inspection(store, identity, tmp_path / "out.zip")
    for name in zipfile.ZipFile(path).namelist():
        assert name.isascii()
        assert ".." not in name
        assert name.count("/") <= 1
    kept = [str(p.relative_to(store.folder)) for p in store.folder.rglob("*")]
    assert all("calc" not in name for name in kept)


def test_the_same_is_not_imported_twice(store: Store, identity: str, tmp_path: Path) -> None:
    path = export_inspection(store, identity, tmp_path / "out.zip")
    with pytest.raises(BadInput, match="in this store already"):
        import_inspection(store, path, ME)
    store.inspections.bin(identity, ME)
    with pytest.raises(BadInput, match="in the bin of this store already"):
        import_inspection(store, path, ME)
    other = Store(tmp_path / "other")
    import_inspection(other, path, ME)
    with pytest.raises(BadInput, match="in this store already"):
        import_inspection(other, path, ME)
    store.inspections.take_out(identity, ME)
    store.inspections.change(identity, {"/note": "more"}, 4, ME)
    newer = export_inspection(store, identity, tmp_path / "newer.zip")
    import_inspection(other, newer, ME)
    assert len(other.inspections.listed()) == 2


def test_no_file_is_written_over(store: Store, identity: str, tmp_path: Path) -> None:
    path = tmp_path / "out.zip"
    path.write_text("mine", encoding="utf-8")
    with pytest.raises(BadInput, match="nothing is written over"):
        export_inspection(store, identity, path)
    assert path.read_text(encoding="utf-8") == "mine"
    with pytest.raises(BadInput, match=r"out\.zip was not written"):
        export_inspection(store, identity, tmp_path / "no folder" / "out.zip")
    assert [p.name for p in tmp_path.iterdir() if p.is_file()] == ["out.zip"]


def test_a_photograph_that_vanished_stops_the_export(
    store: Store, identity: str, tmp_path: Path
) -> None:
    sha256 = hashlib.sha256(JPEG).hexdigest()
    (store.folder / "photographs" / sha256[:2] / sha256).unlink()
    with pytest.raises(BadInput, match="no longer in the store"):
        export_inspection(store, identity, tmp_path / "out.zip")
    assert not (tmp_path / "out.zip").exists()


# Zips from outside. Each is made from a sound one, with its checksums put right.

Members = dict[str, bytes]


def members_of(path: Path) -> Members:
    with zipfile.ZipFile(path) as archive:
        return {name: archive.read(name) for name in archive.namelist()}


def written(members: Members, path: Path, restate: bool = True) -> Path:
    """Write members as a zip; the list of contents is made to agree unless told otherwise."""
    if restate and "manifest.json" in members:
        manifest = json.loads(members["manifest.json"])
        if isinstance(manifest, dict):
            manifest["files"] = {
                name: {"bytes": len(data), "sha256": hashlib.sha256(data).hexdigest()}
                for name, data in members.items()
                if name != "manifest.json"
            }
        members = {**members, "manifest.json": json.dumps(manifest).encode()}
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in members.items():
            archive.writestr(name, data)
    return path


@pytest.fixture
def sound(store: Store, identity: str, tmp_path: Path) -> Members:
    return members_of(export_inspection(store, identity, tmp_path / "sound.zip"))


def change_json(name: str, change: Callable[[Any], Any]) -> Callable[[Members], Members]:
    def changed(members: Members) -> Members:
        value = json.loads(members[name])
        value = change(value) or value
        return {**members, name: json.dumps(value).encode()}

    return changed


def renamed(old: str, new: str) -> Callable[[Members], Members]:
    return lambda members: {
        (new if name.startswith(old) else name): data for name, data in members.items()
    }


@pytest.mark.parametrize(
    ("spoil", "reason"),
    [
        (lambda m: {**m, "../../evil.txt": b"x"}, "does not belong there"),
        (lambda m: {**m, "/etc/passwd": b"x"}, "does not belong there"),
        (lambda m: {**m, "photographs/": b""}, "does not belong there"),
        (lambda m: {**m, "photographs\\..\\evil": b"x"}, "does not belong there"),
        (lambda m: {**m, "C:evil": b"x"}, "does not belong there"),
        (lambda m: {**m, f"photographs/{'A' * 64}.jpg": b"x"}, "does not belong there"),
        (lambda m: {**m, f"photographs/{'a' * 64}.jpg": b"x"}, "name of another content"),
        (renamed("photographs", f"photographs/{'0' * 64}.jpg"), "name of another content"),
        (lambda m: {k: v for k, v in m.items() if k != "record.json"}, "not whole"),
        (lambda m: {k: v for k, v in m.items() if k != "manifest.json"}, "contents is missing"),
        (lambda m: {k: v for k, v in m.items() if "photo" not in k}, "are missing in it"),
        (lambda m: {k: v for k, v in m.items() if "report" not in k}, "are missing in it"),
        (lambda m: {**m, "inspection.json": b'{"a": NaN}'}, "not finite"),
        (lambda m: {**m, "inspection.json": b'{"a": 1e999}'}, "not finite"),
        (lambda m: {**m, "inspection.json": b'{"a":' + b"[" * 90_000}, "nested|not JSON"),
        (lambda m: {**m, "inspection.json": b"[]"}, "not as it should be"),
        (lambda m: {**m, "inspection.json": b"null"}, "not as it should be"),
        (lambda m: {**m, "record.json": b"{}"}, "not as it should be"),
        (change_json("manifest.json", lambda m: m.update(format="x")), "not one that fitcheck"),
        (change_json("manifest.json", lambda m: m.update(version=True)), "version is missing"),
        (change_json("manifest.json", lambda m: m.update(version=2)), "newer fitcheck"),
        (change_json("manifest.json", lambda m: m.update(inspection="../x")), "which inspection"),
        (change_json("manifest.json", lambda m: [m]), "not as it should be"),
        (change_json("record.json", lambda r: r.update(revision=-1)), "not as it should be"),
        (change_json("record.json", lambda r: r.update(revision=1)), "do not lead to"),
        (change_json("record.json", lambda r: r.update(begun="now")), "not as it should be"),
        (
            change_json(
                "record.json", lambda r: r.update(begun="9999-99-99T99:99:99.000000+00:00")
            ),
            "a time that there is not",
        ),
        (
            change_json(
                "record.json", lambda r: r.update(begun="٢٠٢٦-11-25T10:00:00.000000+00:00")
            ),
            "not as it should be",
        ),
        (change_json("record.json", lambda r: r.update(changes=3)), "not as it should be"),
        (
            change_json("record.json", lambda r: r["photographs"][0].update(sha256="../x")),
            "not as it should be",
        ),
        (
            change_json("record.json", lambda r: r["photographs"][0].update(name=7)),
            "not as it should be",
        ),
        (lambda m: {**m, f"reports/{'a' * 64}.html": b"x"}, "name of another content"),
        (
            lambda m: {**m, **{f"reports/{n:064x}.html": b"" for n in range(3000)}},
            "more files than",
        ),
        (lambda m: {**m, "record.json": b'{"a":"' + b"a" * 12_000_000 + b'"}'}, "beyond belief"),
        (lambda m: {**m, "inspection.json": b" " * 17_000_000 + b"{}"}, "too large"),
    ],
    ids=range(35),
)
def test_a_zip_that_is_not_as_it_should_be_is_refused_whole(
    sound: Members, tmp_path: Path, spoil: Callable[[Members], Members], reason: str
) -> None:
    other = Store(tmp_path / "other")
    path = written(spoil(sound), tmp_path / "spoilt.zip")
    with pytest.raises(BadInput, match=reason):
        import_inspection(other, path, ME)
    assert other.inspections.listed() == []
    assert list(other.folder.glob("*/*")) == []
    assert sorted(p.name for p in tmp_path.iterdir()) == [
        "other", "sound.zip", "spoilt.zip", "store",
    ]  # fmt: skip


def test_a_wrong_checksum_is_noticed(sound: Members, tmp_path: Path) -> None:
    other = Store(tmp_path / "other")
    for name in sound:
        if name != "manifest.json":
            spoilt = bytearray(sound[name])
            spoilt[len(spoilt) // 2] ^= 1
            path = written({**sound, name: bytes(spoilt)}, tmp_path / "spoilt.zip", restate=False)
            with pytest.raises(BadInput, match="does not have the checksum"):
                import_inspection(other, path, ME)
    assert other.inspections.listed() == []
    assert list(other.folder.glob("*/*")) == []


def raw_zip(entries: list[tuple[zipfile.ZipInfo, bytes]]) -> bytes:
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as archive:
        for info, data in entries:
            archive.writestr(info, data)
    return buffer.getvalue()


def test_links_and_encrypted_or_oddly_packed_files_are_refused(
    sound: Members, tmp_path: Path
) -> None:
    other = Store(tmp_path / "other")
    path = tmp_path / "spoilt.zip"

    def entry(name: str, **attributes: Any) -> zipfile.ZipInfo:
        info = zipfile.ZipInfo(name)
        for attribute, value in attributes.items():
            setattr(info, attribute, value)
        return info

    for kind in (stat.S_IFLNK, stat.S_IFDIR, stat.S_IFIFO):
        attributes = {"external_attr": (kind | 0o777) << 16}
        path.write_bytes(
            raw_zip([(entry(n, **attributes if n == "record.json" else {}), d)
                     for n, d in sound.items()])
        )  # fmt: skip
        with pytest.raises(BadInput, match="a link or not an ordinary file"):
            import_inspection(other, path, ME)
    packed = [(entry(n, compress_type=zipfile.ZIP_LZMA), d) for n, d in sound.items()]
    path.write_bytes(raw_zip(packed))
    with pytest.raises(BadInput, match="unusual way"):
        import_inspection(other, path, ME)
    locked = bytearray(written(sound, path).read_bytes())
    at = 0
    while (at := locked.find(b"PK\x01\x02", at)) >= 0:
        locked[at + 8] |= 1
        at += 4
    path.write_bytes(locked)
    with pytest.raises(BadInput, match="encrypted"):
        import_inspection(other, path, ME)
    twice = io.BytesIO(written(sound, path).read_bytes())
    with pytest.warns(UserWarning, match="Duplicate"), zipfile.ZipFile(twice, "a") as archive:
        archive.writestr("inspection.json", "{}")
    path.write_bytes(twice.getvalue())
    with pytest.raises(BadInput, match="comes twice"):
        import_inspection(other, path, ME)
    assert list(other.folder.glob("*/*")) == []


def test_a_bomb_is_stopped_before_it_bursts(sound: Members, tmp_path: Path) -> None:
    """A photograph stated as small that goes on for ever, and a directory that states much."""
    other = Store(tmp_path / "other")
    path = tmp_path / "bomb.zip"
    path.write_bytes(written(sound, path).read_bytes())
    data = bytearray(path.read_bytes())
    photograph = next(name for name in sound if name.endswith(".jpg"))
    # The same name and stated size, but another content: 200 MB of nothing, deflated.
    burst = zlib.compressobj(wbits=-15)
    packed = burst.compress(bytes(200_000_000)) + burst.flush()
    at = data.find(b"PK\x01\x02")
    while data[at + 46 : at + 46 + len(photograph)] != photograph.encode():
        at = data.find(b"PK\x01\x02", at + 4)
    stated = struct.unpack_from("<L", data, at + 24)[0]
    header = bytearray(
        b"PK\x03\x04" + struct.pack("<5H3L2H", 20, 0, 8, 0, 0, 0, len(packed), stated,
                                    len(photograph), 0)
    )  # fmt: skip
    struct.pack_into("<L", data, at + 20, len(packed))
    struct.pack_into("<L", data, at + 42, len(data))
    end = data.rfind(b"PK\x05\x06")
    directory, tail = data[struct.unpack_from("<L", data, end + 16)[0] : end], data[end:]
    struct.pack_into("<L", tail, 16, len(data) + len(header) + len(photograph) + len(packed))
    path.write_bytes(bytes(data + header + photograph.encode() + packed + directory + tail))
    assert zipfile.ZipFile(path).getinfo(photograph).compress_size == len(packed)
    with pytest.raises(BadInput, match="was not taken in"):
        import_inspection(other, path, ME)
    many = bytearray(written(sound, tmp_path / "many.zip").read_bytes())
    end = many.rfind(b"PK\x05\x06")
    struct.pack_into("<HHL", many, end + 8, 65_535, 65_535, 2**32 - 1)
    path.write_bytes(many)
    with pytest.raises(BadInput, match="more files than"):
        import_inspection(other, path, ME)
    # The 64 bit form: what the last record says of the directory does not count.
    struct.pack_into("<HHL", many, end + 8, 3, 3, 200)
    many[end:end] = b"PK\x06\x07" + struct.pack("<LQL", 0, 0, 1)
    path.write_bytes(many)
    with pytest.raises(BadInput, match="larger than fitcheck writes"):
        import_inspection(other, path, ME)
    assert list(other.folder.glob("*/*")) == []


@pytest.mark.parametrize(
    "data",
    [b"", b"PK", b"PK\x05\x06" + bytes(18), b"\x00" * 4000, b"%PDF-1.7", b"PK\x03\x04" * 99],
)
def test_what_is_no_zip_is_said_to_be_none(store: Store, tmp_path: Path, data: bytes) -> None:
    path = tmp_path / "no.zip"
    path.write_bytes(data)
    with pytest.raises(BadInput, match="The zip was not taken in"):
        import_inspection(store, path, ME)


def test_what_cannot_be_read_is_said(store: Store, tmp_path: Path) -> None:
    with pytest.raises(BadInput, match="There is no file"):
        import_inspection(store, tmp_path / "gone.zip", ME)
    with pytest.raises(BadInput, match="cannot be read"):
        import_inspection(store, tmp_path, ME)


def test_every_cut_of_a_zip_is_refused(sound: Members, tmp_path: Path) -> None:
    other = Store(tmp_path / "other")
    whole = written(sound, tmp_path / "whole.zip").read_bytes()
    path = tmp_path / "cut.zip"
    for length in range(0, len(whole), max(1, len(whole) // 60)):
        path.write_bytes(whole[:length])
        with pytest.raises(BadInput, match="was not taken in"):
            import_inspection(other, path, ME)
    assert other.inspections.listed() == []


# Backup


def test_a_backup_is_a_store_with_all_of_it(store: Store, identity: str, tmp_path: Path) -> None:
    made = back_up(store, tmp_path / "backup")
    assert made.not_copied == ()
    copy = Store(made.folder)
    assert copy.inspections.get(identity) == store.inspections.get(identity)
    assert copy.inspections.history(identity) == store.inspections.history(identity)
    for photograph in store.inspections.photographs(identity):
        assert copy.inspections.photograph(identity, photograph.sha256)
    assert copy.sweep() == 0
    assert store.sweep() == 0
    left = [p.name for p in tmp_path.iterdir()]
    assert sorted(left) == ["backup", "store"]


def test_a_backup_writes_over_nothing(store: Store, identity: str, tmp_path: Path) -> None:
    folder = tmp_path / "full"
    folder.mkdir()
    back_up(store, folder)  # an empty folder will do
    with pytest.raises(BadInput, match="nothing is written over"):
        back_up(store, folder)
    with pytest.raises(BadInput, match="inside the store"):
        back_up(store, store.folder / "backup")
    assert Store(folder).inspections.find(identity)


def test_a_backup_made_while_others_write_is_one_moment_of_the_store(
    store: Store, tmp_path: Path
) -> None:
    stop = threading.Event()
    identity = store.inspections.begin({"photos": [], "n": 0}, ME).identity
    failed: list[Exception] = []

    def write() -> None:
        own, n = Store(store.folder, patience_s=30), 0
        try:
            while not stop.is_set():
                n += 1
                sha256 = attach(own, identity, JPEG + n.to_bytes(4, "big"), f"{n}.jpg")
                if n % 3 == 0:
                    own.inspections.detach(identity, [sha256])
                    own.inspections.empty_bin(ME)
                    own.sweep()
        except Exception as error:
            failed.append(error)

    writer = threading.Thread(target=write)
    writer.start()
    try:
        for number in range(5):
            copy = Store(back_up(store, tmp_path / f"backup-{number}").folder)
            stored = copy.inspections.get(identity)
            for photograph in copy.inspections.photographs(identity):
                copy.inspections.photograph(identity, photograph.sha256)
            last = copy.inspections.history(identity)[-1]
            assert last.revision == stored.revision
    finally:
        stop.set()
        writer.join()
    assert not failed
    assert store.sweep() >= 0
    with store.database.reading() as connection:
        assert connection.execute("SELECT count(*) FROM hold").fetchone()[0] == 0


def test_a_backup_names_what_is_lost_and_copies_all_the_rest(
    store: Store, identity: str, tmp_path: Path
) -> None:
    other = store.inspections.begin({"photos": []}, ME).identity
    attach(store, other, JPEG, "the same.jpg")
    gone = attach(store, other, JPEG + b"2", "gone.jpg")
    kept = attach(store, other, JPEG + b"3", "kept.jpg")
    changed = hashlib.sha256(JPEG).hexdigest()
    (store.folder / "photographs" / changed[:2] / changed).write_bytes(b"other")
    (store.folder / "photographs" / gone[:2] / gone).unlink()
    (report,) = store.inspections.reports(identity)
    (store.folder / "reports" / report.sha256[:2] / report.sha256).unlink()
    made = back_up(store, tmp_path / "backup")
    named = {(one.what, one.inspection, one.sha256) for one in made.not_copied}
    assert named == {
        ("photograph", identity, changed),
        ("photograph", other, changed),
        ("photograph", other, gone),
        ("report", identity, report.sha256),
    }
    assert any(
        str(one) == f"photograph gone.jpg of inspection {other}: "
        "its file is no longer in the store’s folder"
        for one in made.not_copied
    )
    copy = Store(made.folder)
    assert copy.inspections.get(identity) == store.inspections.get(identity)
    assert copy.inspections.photograph(other, kept) == JPEG + b"3"
    for lost in (changed, gone):
        with pytest.raises(BadInput, match="no longer in the store"):
            copy.inspections.photograph(other, lost)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["backup", "store"]


def test_a_backup_that_cannot_be_written_leaves_nothing(
    store: Store, identity: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: object) -> int:
        raise OSError(errno.ENOSPC, "full")

    monkeypatch.setattr(Path, "write_bytes", full)
    with pytest.raises(BadInput, match="the disk is full"):
        back_up(store, tmp_path / "backup")
    assert sorted(p.name for p in tmp_path.iterdir()) == ["store"]
    assert store.inspections.find(identity)


KILLED = """
import os, signal, sys
from pathlib import Path
from fitcheck.store import Store, backup
backup._copy_files = lambda *_: os.kill(os.getpid(), signal.SIGKILL)
backup.back_up(Store(sys.argv[1]), Path(sys.argv[2]))
"""


def holds(store: Store) -> list[str]:
    with store.database.reading() as connection:
        return [row[0] for row in connection.execute("SELECT id FROM hold")]


@pytest.mark.skipif(sys.platform == "win32", reason="there is no SIGKILL there")
def test_what_a_killed_backup_leaves_is_taken_away(
    store: Store, identity: str, tmp_path: Path
) -> None:
    target = tmp_path / "backup"
    done = subprocess.run([sys.executable, "-c", KILLED, store.folder, target], check=False)
    assert done.returncode == -signal.SIGKILL
    (part,) = tmp_path.glob(".backup.*.part")
    assert (part / "fitcheck.sqlite3").is_file()
    assert len(holds(store)) == 1
    # Of a process that is alive, and of another folder's backup: none of ours.
    running, another = tmp_path / f".backup.{os.getppid()}.part", tmp_path / ".else.1.part"
    for folder in (running, another, tmp_path / f".backup.{os.getpid()}.part"):
        folder.mkdir()
    (store.folder / "photographs" / "00").mkdir()
    (store.folder / "photographs" / "00" / ("0" * 64)).write_bytes(b"nobody's")
    assert store.sweep() == 1
    assert holds(store) == []
    back_up(store, target)
    assert sorted(tmp_path.glob(".*")) == sorted([running, another])
    assert Store(target).inspections.find(identity)


def test_the_hold_of_a_backup_that_runs_or_may_run_stands(store: Store) -> None:
    with store.holding_files():
        (own,) = holds(store)
        for hold in (f"another-machine:{2**22}:x", "0" * 32):
            with store.database.writing("it") as connection:
                connection.execute("INSERT INTO hold VALUES (?, '9999')", (hold,))
        store.sweep()
        assert set(holds(store)) == {own, f"another-machine:{2**22}:x", "0" * 32}
    assert own not in holds(store)
