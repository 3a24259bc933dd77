"""Photographs and reports as files beside the database, each under the hash of its content.

A file comes in under another name, is written out to the disk (``fsync``) and only then gets
its name, inside the transaction that makes it known to the database. So no half file ever
bears a hash, and whatever a killed process leaves behind is nobody's and is swept.
"""

from __future__ import annotations

import hashlib
import os
import re
import secrets
import sqlite3
import sys
from collections.abc import Iterable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import BinaryIO

from fitcheck.errors import BadInput
from fitcheck.store.failures import in_words
from fitcheck.store.location import make_private

if sys.platform != "win32":
    import fcntl

SHA256 = re.compile(r"[0-9a-f]{64}")


class Incoming:
    """A file on its way in: hashed as it is written, then put in its place or dropped."""

    def __init__(self, file: BinaryIO, path: Path, most_bytes: int, name: str) -> None:
        self._file = file
        self._path = path
        self._most_bytes = most_bytes
        self._name = name
        self._hash = hashlib.sha256()
        self.size_bytes = 0

    @property
    def sha256(self) -> str:
        """Hash of what was written so far, 64 hexadecimal digits."""
        return self._hash.hexdigest()

    def write(self, piece: bytes) -> None:
        """Add a piece.

        Raises
        ------
        BadInput
            ``file_too_large``, or as :func:`fitcheck.store.failures.in_words` does.
        """
        self.size_bytes += len(piece)
        if self.size_bytes > self._most_bytes:
            raise BadInput(
                "file_too_large",
                f"{self._name} is larger than {self._most_bytes // 2**20} MiB, "
                "the most that is kept.",
                "Save it as JPEG at its full number of pixels.",
            )
        self._hash.update(piece)
        with in_words(f"{self._name} was not saved"):
            self._file.write(piece)

    def settle(self) -> None:
        """Have all of it on the disk; call before :meth:`ContentFiles.place`."""
        with in_words(f"{self._name} was not saved"):
            self._file.flush()
            os.fsync(self._file.fileno())

    def read_back(self) -> bytes:
        """Return what was written."""
        with in_words(f"{self._name} was not saved"):
            self._file.flush()
            return self._path.read_bytes()

    def put_at(self, place: Path) -> None:
        """Give the file its name; inside a writing transaction, see :meth:`ContentFiles.place`."""
        self._file.close()  # where open files cannot be renamed
        self._path.replace(place)

    def drop(self) -> None:
        """Take the file away, unless it was put in its place."""
        self._file.close()
        with suppress(OSError):  # what stays is swept later
            self._path.unlink(missing_ok=True)


class ContentFiles:
    """A folder of files by hash.

    Parameters
    ----------
    folder
        Its files lie in sub-folders by the first two digits of their hash.
    incoming
        Folder on the same disk for files on their way in.
    most_bytes
        Size of the largest file that is kept.
    what
        What one of them is, to begin a sentence with: "The photograph".
    """

    def __init__(self, folder: Path, incoming: Path, most_bytes: int, what: str) -> None:
        self._folder = folder
        self._incoming = incoming
        self._most_bytes = most_bytes
        self._what = what

    @contextmanager
    def receive(self, name: str = "") -> Iterator[Incoming]:
        """Give a file to write to; it is dropped at the end unless it was placed.

        Parameters
        ----------
        name
            What to call it in sentences; by default what all files of this folder are called.
        """
        with in_words(f"{name or self._what} was not saved"):
            make_private(self._incoming)
            file, path = self._begin()
        incoming = Incoming(file, path, self._most_bytes, name or self._what)
        try:
            yield incoming
        finally:
            incoming.drop()

    def place(self, connection: sqlite3.Connection, incoming: Incoming, kept: str) -> None:
        """Put a settled file in its place and make it known, as part of a transaction.

        Parameters
        ----------
        connection
            Of :meth:`fitcheck.store.database.Database.writing`: while it holds the store no
            sweep runs.
        incoming
            The file, settled.
        kept
            Time, for the record.
        """
        place = self._path(incoming.sha256)
        if not self._holds(place, incoming.sha256):
            made = not place.parent.is_dir()
            make_private(place.parent)
            incoming.put_at(place)
            _settle_folder(place.parent)
            if made:
                _settle_folder(place.parent.parent)
        connection.execute(
            "INSERT INTO file (sha256, bytes, kept) VALUES (?, ?, ?) ON CONFLICT DO NOTHING",
            (incoming.sha256, incoming.size_bytes, kept),
        )

    def read(self, sha256: str, name: str = "") -> bytes:
        """Return a file's content, checked against its hash.

        Raises
        ------
        BadInput
            ``file_vanished`` or ``file_changed`` if the disk no longer holds what was saved,
            or as :func:`fitcheck.store.failures.in_words` does.
        """
        what = name or self._what
        path = self._path(sha256)
        try:
            with in_words(f"{what} could not be read"), path.open("rb") as file:
                data = file.read(self._most_bytes + 1)
        except BadInput as error:
            if isinstance(error.__cause__, FileNotFoundError):
                raise BadInput(
                    "file_vanished",
                    f"{what} is no longer in the store’s folder.",
                    "Put the file back from a backup, or add it once more; "
                    "everything else of the inspection is still there.",
                ) from error
            raise
        if hashlib.sha256(data).hexdigest() != sha256:
            raise BadInput(
                "file_changed",
                f"{what} was changed on the disk after it was saved.",
                "Put the file back from a backup, or add it once more; "
                "everything else of the inspection is still there.",
            )
        return data

    def copy_to(self, folder: Path, hashes: Iterable[str]) -> dict[str, BadInput]:
        """Copy files to the like folder of another store that nobody uses yet.

        All are written before the first is settled: the disk then does it in one go.

        Returns
        -------
        Those that could not be read, by their hash, each with the error of :meth:`read`; they
        were not copied.

        Raises
        ------
        BadInput
            If a copy cannot be written.
        """
        copies: list[Path] = []
        lost: dict[str, BadInput] = {}
        for sha256 in hashes:
            try:
                data = self.read(sha256)
            except BadInput as error:
                lost[sha256] = error
                continue
            copy = folder / self._folder.name / sha256[:2] / sha256
            with in_words(f"{self._what} was not copied"):
                make_private(copy.parent)
                copy.write_bytes(data)
            copies.append(copy)
        with in_words(f"{self._what} was not copied"):
            for copy in copies:
                with copy.open("rb+") as file:
                    os.fsync(file.fileno())
            for parent in {copy.parent for copy in copies}:
                _settle_folder(parent)
        return lost

    def names(self) -> Iterator[str]:
        """Return the hashes of the files that lie there, known or not."""
        if self._folder.is_dir():
            for group in os.scandir(self._folder):
                if group.is_dir(follow_symlinks=False):
                    yield from (f.name for f in os.scandir(group) if SHA256.fullmatch(f.name))

    def remove(self, sha256: str) -> None:
        """Take a file away; inside a writing transaction, where nothing refers to it."""
        with suppress(OSError):  # it is tried again at the next sweep
            self._path(sha256).unlink(missing_ok=True)

    def sweep_incoming(self) -> int:
        """Take away what killed processes left on its way in; inside a writing transaction.

        Returns
        -------
        How many files were taken away.
        """
        swept = 0
        if self._incoming.is_dir():
            for left in list(os.scandir(self._incoming)):
                if left.is_file(follow_symlinks=False):
                    swept += _remove_if_left(Path(left.path))
        return swept

    def _path(self, sha256: str) -> Path:
        if not SHA256.fullmatch(sha256):
            raise ValueError(f"not a SHA-256 in 64 hexadecimal digits: {sha256[:80]!r}")
        return self._folder / sha256[:2] / sha256

    def _begin(self) -> tuple[BinaryIO, Path]:
        """Make a file of one's own, locked against the sweep of another process."""
        while True:
            path = self._incoming / secrets.token_hex(16)
            descriptor = os.open(path, os.O_RDWR | os.O_CREAT | os.O_EXCL | _BINARY, 0o600)
            # A sweep may see the file before it is locked; then it is gone, and another is made.
            if _lock(descriptor) and path.exists():
                return os.fdopen(descriptor, "wb"), path
            os.close(descriptor)

    def _holds(self, place: Path, sha256: str) -> bool:
        """Tell whether the right content lies there already; a wrong one is written over."""
        with suppress(OSError), place.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest() == sha256
        return False


_BINARY = getattr(os, "O_BINARY", 0)


if sys.platform != "win32":

    def _lock(descriptor: int) -> bool:
        """Lock an open file for as long as it stays open; False if another holds it."""
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            return False
        return True

    def _remove_if_left(path: Path) -> bool:
        """Remove a file that no process writes to, holding its lock meanwhile."""
        with suppress(OSError):
            descriptor = os.open(path, os.O_RDWR)
            try:
                if _lock(descriptor):
                    path.unlink()
                    return True
            finally:
                os.close(descriptor)
        return False

    def _settle_folder(folder: Path) -> None:
        """Have a folder's new names on the disk."""
        descriptor = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(descriptor)
        finally:
            os.close(descriptor)

else:  # there a file that is open cannot be removed, and folders are not settled

    def _lock(descriptor: int) -> bool:
        return descriptor >= 0

    def _remove_if_left(path: Path) -> bool:
        with suppress(OSError):
            path.unlink()
            return True
        return False

    def _settle_folder(folder: Path) -> None:
        del folder
