"""Processes that save are killed at random moments; nothing that was saved is ever lost.

A nursery, one process that has the store loaded, forks a child for each kill. The child saves
and says so after each save that has ended. It is killed (SIGKILL: nothing of it runs any more)
at a moment that a seeded generator chose. Then the store must hold all that was said, and
nothing by half. What a power failure would do is not seen here: for that the store settles
files and transactions on the disk (fsync) before it names them.
"""

from __future__ import annotations

import json
import os
import random
import shutil
import signal
import sqlite3
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import IO, Any

import pytest

from fitcheck.store import Store
from fitcheck.store.exchange import export_inspection
from fitcheck.store.migrations import MIGRATIONS

if sys.platform == "win32":
    pytest.skip("there is no fork there", allow_module_level=True)

KILLS_OF_SAVES = 200
KILLS_OF_IMPORTS = 30
KILLS_OF_MIGRATIONS = 30
PHOTOS_EACH = 2
LONGEST_WAIT_S = 0.015  # as long as a save takes

NURSERY = """
import hashlib, json, os, random, sqlite3, sys, time
from pathlib import Path
from fitcheck.store import Store
from fitcheck.store.database import Database
from fitcheck.store.exchange import import_inspection
from fitcheck.store.migrations import MIGRATIONS

def say(*words):
    os.write(1, (json.dumps(words) + "\\n").encode())

def save(folder, seed):
    '''Begin an inspection, attach photographs, change fields; say each step when it is done.'''
    store, rng = Store(folder), random.Random(seed)
    say("ready")
    for number in range(1000):
        begun = store.inspections.begin({"number": number, "photos": [], "count": 0}, "child")
        say("begun", begun.identity, 1, 0)
        for count in range(1, PHOTOS_EACH + 1):
            data = rng.randbytes(rng.randint(1, 300_000))
            with store.photographs.receive() as incoming:
                incoming.write(data)
                done = store.inspections.attach(
                    begun.identity, incoming, "seat.jpg", "child",
                    {f"/photos/[sha256={incoming.sha256}]": {"sha256": incoming.sha256},
                     "/count": count},
                )
            say("attached", begun.identity, done.revision, count)
        store.inspections.keep_report(begun.identity, "report.html", rng.randbytes(9000))
        say("reported", begun.identity, done.revision, PHOTOS_EACH)

def take_in(folder, seed):
    store = Store(folder)
    say("ready")
    for number in range(1000):
        say("imported", import_inspection(store, Path(folder, "..", f"{number}.zip"), "child"))

def slow_step(connection):
    for n, row in enumerate(connection.execute("SELECT id FROM inspection").fetchall()):
        connection.execute("UPDATE inspection SET labels = '{}' WHERE id = ?", tuple(row))
        if n % 500 == 499:
            say("changed", n)

def migrate(folder, seed):
    say("ready")
    steps = [*MIGRATIONS, slow_step,
             lambda c: c.execute("ALTER TABLE inspection ADD COLUMN colour TEXT")]
    Database(Path(folder, "fitcheck.sqlite3"), steps)
    say("migrated")

for line in sys.stdin:
    what, folder, seed = json.loads(line)
    child = os.fork()
    if child == 0:
        try:
            globals()[what](folder, seed)
            say("ended")
        except BaseException as error:
            say("failed", repr(error))
        time.sleep(600)  # until it is killed: its number is not given to another process
    say("child", child)
    os.waitpid(child, 0)
    say("dead")
"""


class Nursery:
    def __init__(self, process: subprocess.Popen[bytes]) -> None:
        self._to, self._from = process.stdin, process.stdout
        assert self._to is not None
        assert self._from is not None

    def kill_one(self, what: str, folder: Path, rng: random.Random, most: int) -> list[list[Any]]:
        """Have a child do something, kill it, and return what it said was done.

        It is killed a random while after a random one of the first things that it says, so that
        the moments are spread over its work however fast the machine is.
        """
        _write(self._to, [what, str(folder), rng.randrange(2**32)])
        steps, after_s = rng.randint(1, most), rng.uniform(0, LONGEST_WAIT_S)
        child, killed = 0, False
        said: list[list[Any]] = []
        while True:
            words = json.loads(_line(self._from))
            if words[0] == "child":
                child = int(words[1])
            elif words[0] == "dead":
                assert all(step[0] != "failed" for step in said), said
                return said
            else:
                said.append(words)
            over = len(said) >= steps or any(step[0] in ("ended", "failed") for step in said)
            if child and over and not killed:
                time.sleep(after_s)
                os.kill(child, signal.SIGKILL)
                killed = True


def _write(stream: IO[bytes] | None, words: list[Any]) -> None:
    assert stream is not None
    stream.write((json.dumps(words) + "\n").encode())
    stream.flush()


def _line(stream: IO[bytes] | None) -> bytes:
    assert stream is not None
    return stream.readline()


@pytest.fixture(scope="module")
def nursery() -> Iterator[Nursery]:
    with started() as process:
        yield Nursery(process)


@contextmanager
def started() -> Iterator[subprocess.Popen[bytes]]:
    code = f"PHOTOS_EACH = {PHOTOS_EACH}\n{NURSERY}"
    process = subprocess.Popen(
        [sys.executable, "-c", code],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        start_new_session=True,  # a group of its own, to be ended as one
    )
    try:
        yield process
    finally:
        os.killpg(process.pid, signal.SIGKILL)
        process.communicate(timeout=20)


def check_whole(store: Store) -> None:
    """Every inspection that is there is there as a whole; no file is nobody's."""
    store.sweep()
    with store.database.reading() as connection:
        assert connection.execute("PRAGMA integrity_check").fetchone()[0] == "ok"
        assert connection.execute("PRAGMA foreign_key_check").fetchall() == []
    known: set[str] = set()
    for listed in store.inspections.listed():
        stored = store.inspections.get(listed.identity)
        photographs = store.inspections.photographs(listed.identity)
        named = [photo["sha256"] for photo in stored.document["photos"]]
        assert sorted(named) == sorted(p.sha256 for p in photographs)
        assert stored.document["count"] == len(named)
        for sha256 in named:
            store.inspections.photograph(listed.identity, sha256)  # checks the hash
        for report in store.inspections.reports(listed.identity):
            store.inspections.report(listed.identity, report.sha256)
            known.add(report.sha256)
        known.update(named)
        revisions = {change.revision for change in store.inspections.history(listed.identity)}
        assert max(revisions) == stored.revision
    files = [
        p for folder in ("photographs", "reports") for p in store.folder.glob(f"{folder}/*/*")
    ]
    assert {path.name for path in files} == known
    assert list(store.folder.glob("incoming/*")) == []


def test_a_process_that_saves_may_be_killed_at_any_moment(
    nursery: Nursery, tmp_path: Path
) -> None:
    rng = random.Random(20261125)
    said_done = in_the_middle = 0
    for kill in range(KILLS_OF_SAVES):
        # A new store now and then: its first opening is interrupted, too.
        folder = tmp_path / str(kill // 8)
        said = nursery.kill_one("save", folder, rng, most=6)
        store = Store(folder)
        assert said[0] == ["ready"]
        for step, identity, revision, count in said[1:]:
            stored = store.inspections.get(identity)
            assert stored.revision >= revision
            assert stored.document["count"] >= count
            assert len(store.inspections.reports(identity)) >= int(step == "reported")
            said_done += 1
        in_the_middle += said[-1][0] in ("begun", "attached")
        check_whole(store)
    assert said_done > KILLS_OF_SAVES
    assert in_the_middle > KILLS_OF_SAVES // 4  # not all between two inspections


def test_the_making_of_a_store_may_be_killed(nursery: Nursery, tmp_path: Path) -> None:
    rng = random.Random(1)
    for kill in range(20):
        folder = tmp_path / str(kill)
        folder.mkdir()
        nursery.kill_one("migrate", folder, rng, most=1)
        with closing(sqlite3.connect(folder / "fitcheck.sqlite3")) as connection:
            version = connection.execute("PRAGMA user_version").fetchone()[0]
            tables = connection.execute("SELECT count(*) FROM sqlite_schema").fetchone()[0]
        assert (version == 0) == (tables == 0)
        if version == 0:
            assert Store(folder).inspections.listed() == []


def test_an_import_may_be_killed_at_any_moment(nursery: Nursery, tmp_path: Path) -> None:
    rng = random.Random(2)
    source = Store(tmp_path / "source")
    for number in range(20):
        identity = source.inspections.begin({"photos": [], "count": 0}, "me").identity
        for count in range(1, 4):
            with source.photographs.receive() as incoming:
                incoming.write(rng.randbytes(100_000))
                edits = {
                    f"/photos/[sha256={incoming.sha256}]": {"sha256": incoming.sha256},
                    "/count": count,
                }
                source.inspections.attach(identity, incoming, "seat.jpg", "me", edits)
        export_inspection(source, identity, tmp_path / f"{number}.zip")
    imported = 0
    for kill in range(KILLS_OF_IMPORTS):
        folder = tmp_path / f"store-{kill}"
        Store(folder)
        said = nursery.kill_one("take_in", folder, rng, most=4)
        store = Store(folder)
        for _, identity in (step for step in said if step[0] == "imported"):
            assert store.inspections.get(identity).document["count"] == 3
            imported += 1
        counts = {x.photographs for x in store.inspections.listed()}
        assert counts <= {3}
        check_whole(store)
    assert imported > KILLS_OF_IMPORTS // 2


def test_a_migration_may_be_killed_at_any_moment(nursery: Nursery, tmp_path: Path) -> None:
    rng = random.Random(3)
    store = Store(tmp_path / "store")
    with store.database.writing("it") as connection:
        connection.executemany(
            "INSERT INTO inspection (id, origin, begun, changed, revision, labels, document) "
            "VALUES (?, '', '', '', 1, ?, ?)",
            [(f"{n:032x}", f'{{"bow":"{n}"}}', f'{{"n":{n}}}') for n in range(4000)],
        )
    store.database.close()  # so that the file alone is all of it
    form = len(MIGRATIONS)
    outcomes: list[int] = []
    for kill in range(KILLS_OF_MIGRATIONS):
        folder = tmp_path / str(kill)
        folder.mkdir()
        shutil.copy(store.database.path, folder)
        said = nursery.kill_one("migrate", folder, rng, most=9)
        with closing(sqlite3.connect(folder / "fitcheck.sqlite3")) as connection:
            version = connection.execute("PRAGMA user_version").fetchone()[0]
            columns = [row[1] for row in connection.execute("PRAGMA table_info(inspection)")]
            rows, changed = connection.execute(
                "SELECT count(*), total(labels = '{}') FROM inspection"
            ).fetchone()
        assert version in (form, form + 2)
        done = version > form
        assert (rows, changed) == (4000, 4000 if done else 0)
        assert ("colour" in columns) == done
        assert done or ["migrated"] not in said
        outcomes.append(version)
    assert outcomes.count(form) > KILLS_OF_MIGRATIONS // 4
