"""A copy of the whole store, made while others work in it; the copy is a store itself."""

from __future__ import annotations

import os
import shutil
import sqlite3
from contextlib import closing
from pathlib import Path

from fitcheck.errors import BadInput
from fitcheck.store.failures import in_words
from fitcheck.store.location import make_private
from fitcheck.store.store import DATABASE_NAME, Store


def back_up(store: Store, folder: Path) -> Path:
    """Copy the store as it stands at one moment.

    The database is copied with SQLite's online backup, then each file that it names, checked
    against its hash. The folder gets its name when all of it is there.

    Parameters
    ----------
    store
        The store; it may be in use.
    folder
        Where to; it must not be there yet, or be empty.

    Returns
    -------
    The folder: open it with ``--store``, or put its content in the lost store's place.

    Raises
    ------
    BadInput
        ``backup_exists``; ``backup_inside``; ``file_vanished`` or ``file_changed`` if a file of
        the store is not what was saved; and as :func:`fitcheck.store.failures.in_words` does.
    """
    folder = folder.absolute()
    if folder.is_relative_to(store.folder):
        raise BadInput(
            "backup_inside",
            f"{folder} lies inside the store itself.",
            "Choose another folder, best on another disk.",
        )
    part = folder.with_name(f".{folder.name}.{os.getpid()}.part")
    with in_words("The backup was not made"):
        if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
            raise BadInput(
                "backup_exists",
                f"There is something in {folder} already.",
                "Choose a new folder; nothing is written over.",
            )
        make_private(part)
    try:
        with store.holding_files():
            _copy_database(store, part / DATABASE_NAME)
            _copy_files(store, part)
        with in_words("The backup was not made"):
            part.rename(folder)
    finally:
        shutil.rmtree(part, ignore_errors=True)
    return folder


def _copy_database(store: Store, path: Path) -> None:
    with (
        in_words("The backup was not made"),
        closing(store.database.connect()) as source,
        closing(sqlite3.connect(path)) as target,
    ):
        # In one step: in WAL mode it reads one state of the store and keeps no writer waiting.
        source.backup(target)
        if target.execute("PRAGMA quick_check").fetchone()[0] != "ok":
            raise sqlite3.DatabaseError("the copy is damaged")
        target.execute("DELETE FROM hold")
        target.commit()


def _copy_files(store: Store, part: Path) -> None:
    with closing(sqlite3.connect(part / DATABASE_NAME)) as copied:
        for table, files in (("photograph", store.photographs), ("report", store.reports)):
            rows = copied.execute(f"SELECT DISTINCT sha256 FROM {table}").fetchall()  # noqa: S608
            files.copy_to(part, [row[0] for row in rows])
