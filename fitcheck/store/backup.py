"""A copy of the whole store, made while others work in it; the copy is a store itself."""

from __future__ import annotations

import os
import re
import shutil
import sqlite3
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from fitcheck.errors import BadInput
from fitcheck.store.failures import in_words
from fitcheck.store.location import make_private
from fitcheck.store.processes import is_alive
from fitcheck.store.store import DATABASE_NAME, Store


@dataclass(frozen=True)
class NotCopied:
    """A file that an inspection of the store names, and that the disk no longer holds as saved.

    Attributes
    ----------
    what
        "photograph" or "report".
    name
        Of the file, for people; it comes from outside.
    inspection
        Identity of the inspection.
    sha256
        Of the content that was saved.
    reason
        What is wrong with it, to follow the name in a sentence.
    """

    what: str
    name: str
    inspection: str
    sha256: str
    reason: str

    def __str__(self) -> str:
        return f"{self.what} {self.name} of inspection {self.inspection}: {self.reason}"


@dataclass(frozen=True)
class Backup:
    """A backup that was made: its folder, and what is not in it."""

    folder: Path
    not_copied: tuple[NotCopied, ...]


def back_up(store: Store, folder: Path) -> Backup:
    """Copy the store as it stands at one moment.

    The database is copied with SQLite's online backup, then each file that it names, checked
    against its hash. A file that is lost or was changed stops nothing: all others are copied,
    and it is named. The folder gets its name when all of it is there.

    Parameters
    ----------
    store
        The store; it may be in use.
    folder
        Where to; it must not be there yet, or be empty. What killed backups to the same folder
        left beside it is taken away.

    Returns
    -------
    The folder: open it with ``--store``, or put its content in the lost store's place. And what
    could not be copied.

    Raises
    ------
    BadInput
        ``backup_exists``; ``backup_inside``; and as :func:`fitcheck.store.failures.in_words`
        does.
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
        _sweep_parts(folder)
        make_private(part)
    try:
        with store.holding_files():
            _copy_database(store, part / DATABASE_NAME)
            not_copied = _copy_files(store, part)
        with in_words("The backup was not made"):
            part.rename(folder)
    finally:
        shutil.rmtree(part, ignore_errors=True)
    return Backup(folder, tuple(not_copied))


def _sweep_parts(folder: Path) -> None:
    """Take away what killed backups to the same folder left beside it."""
    if not folder.parent.is_dir():
        return
    begun = re.compile(rf"\.{re.escape(folder.name)}\.([0-9]{{1,10}})\.part")
    for left in list(os.scandir(folder.parent)):
        found = begun.fullmatch(left.name)
        if found is None or not left.is_dir(follow_symlinks=False):
            continue
        # One with our own number is of an earlier process, which bore it before.
        if int(found[1]) == os.getpid() or not is_alive(int(found[1])):
            shutil.rmtree(left.path, ignore_errors=True)


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


def _copy_files(store: Store, part: Path) -> list[NotCopied]:
    not_copied: list[NotCopied] = []
    with closing(sqlite3.connect(part / DATABASE_NAME)) as copied:
        for what, files in (("photograph", store.photographs), ("report", store.reports)):
            rows = copied.execute(
                f"SELECT sha256, inspection, name FROM {what} ORDER BY inspection, name"  # noqa: S608
            ).fetchall()
            lost = files.copy_to(part, dict.fromkeys(row[0] for row in rows))
            not_copied += [
                NotCopied(what, name, inspection, sha256, _reason(lost[sha256]))
                for sha256, inspection, name in rows
                if sha256 in lost
            ]
    return not_copied


def _reason(error: BadInput) -> str:
    if error.code == "file_vanished":
        return "its file is no longer in the store’s folder"
    if error.code == "file_changed":
        return "its file was changed on the disk after it was saved"
    return "its file could not be read from the disk"
