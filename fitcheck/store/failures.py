"""Turns what disk and database raise into sentences: the only place that does."""

from __future__ import annotations

import errno
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager

from fitcheck.errors import BadInput

_KEPT = "What was saved before is still there."

_FULL = ("store_full", "the disk is full", f"Make room on the disk and try again. {_KEPT}")
_BUSY = (
    "store_busy",
    "another program holds the store",
    f"Wait for it to finish or close it, then try again. {_KEPT}",
)
_READ_ONLY = (
    "store_read_only",
    "its folder cannot be written to",
    "Allow writing to the folder, or choose another with --store.",
)
_UNREACHABLE = (
    "store_unreachable",
    "its folder or file cannot be opened",
    "Check that the folder is there, that its disk is connected, and that you may write to it.",
)
_DAMAGED = (
    "store_damaged",
    "its file is damaged, or is not a store",
    "Open the last backup with --store, and keep the damaged folder for repair.",
)
_FAILED = (
    "store_failed",
    "the disk did not do as asked",
    f"Check the disk, then try again. {_KEPT}",
)

_BY_ERRNO = {
    errno.ENOSPC: _FULL,
    errno.EDQUOT: _FULL,
    errno.EFBIG: _FULL,
    errno.EROFS: _READ_ONLY,
    errno.EACCES: _READ_ONLY,
    errno.EPERM: _READ_ONLY,
    errno.EBUSY: _BUSY,
    errno.EAGAIN: _BUSY,
    errno.ENOENT: _UNREACHABLE,
    errno.ENOTDIR: _UNREACHABLE,
    errno.EEXIST: _UNREACHABLE,  # a file stands where a folder should
    errno.ENODEV: _UNREACHABLE,
}
# Primary result codes of SQLite, "Result and Error Codes", https://sqlite.org/rescode.html
_BY_RESULT = {
    sqlite3.SQLITE_FULL: _FULL,
    sqlite3.SQLITE_BUSY: _BUSY,
    sqlite3.SQLITE_LOCKED: _BUSY,
    sqlite3.SQLITE_READONLY: _READ_ONLY,
    sqlite3.SQLITE_PERM: _READ_ONLY,
    sqlite3.SQLITE_CANTOPEN: _UNREACHABLE,
    sqlite3.SQLITE_NOTADB: _DAMAGED,
    sqlite3.SQLITE_CORRUPT: _DAMAGED,
}


@contextmanager
def in_words(what_failed: str) -> Iterator[None]:
    """Give errors of disk and database as a sentence that begins with what failed.

    Parameters
    ----------
    what_failed
        Begins the sentence: "The photograph was not saved".

    Raises
    ------
    BadInput
        ``store_full``, ``store_busy``, ``store_read_only``, ``store_unreachable``,
        ``store_damaged`` or ``store_failed``.
    """
    try:
        yield
    except sqlite3.Error as error:
        result = getattr(error, "sqlite_errorcode", None)
        known = _FAILED if result is None else _BY_RESULT.get(result & 0xFF, _FAILED)
        raise _said(what_failed, known) from error
    except OSError as error:
        raise _said(what_failed, _BY_ERRNO.get(error.errno or 0, _FAILED)) from error


def _said(what_failed: str, known: tuple[str, str, str]) -> BadInput:
    code, reason, advice = known
    return BadInput(code, f"{what_failed}: {reason}.", advice)
