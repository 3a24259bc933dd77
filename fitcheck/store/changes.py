"""The change log, and taking in changes that were made at the same time.

Every change says who made it, when, in which field, and what stood there before and after. It
is never rewritten. A change is made against a revision, the state that its maker saw. Where
another change came first, fields that nobody else touched are taken in; for the others the
earlier change stands, the later one is logged as not taken, and its maker is told.
"""

from __future__ import annotations

import datetime
import json
import sqlite3
import unicodedata
from dataclasses import dataclass
from typing import Any

from fitcheck.errors import BadInput
from fitcheck.store.fields import ABSENT, Edits, overlap, value_at, with_edit
from fitcheck.store.strict_json import check_json, same_json, write_json

MOST_EDITS = 20_000
LONGEST_WHO = 80


@dataclass(frozen=True)
class Change:
    """One entry of the log.

    Attributes
    ----------
    at
        Time, UTC, ISO 8601.
    who
        Device or program that made it.
    path
        Of the field, see :mod:`fitcheck.store.fields`.
    before, after
        Values of JSON; ``ABSENT`` where there was or is nothing.
    revision
        That it led to; of one that was not taken, the revision that stood.
    taken
        False if another change of the field had come first.
    """

    at: str
    who: str
    path: str
    before: Any
    after: Any
    revision: int
    taken: bool = True


@dataclass(frozen=True)
class Clash:
    """A change that was not taken, because the field had been changed meanwhile.

    Attributes
    ----------
    path
        Of the field.
    wanted, stands
        What it was to become, and what stands there.
    who, at
        Who had changed it, and when.
    """

    path: str
    wanted: Any
    stands: Any
    who: str
    at: str


def now() -> str:
    """Return the time, UTC, ISO 8601 with microseconds: as text it sorts by time."""
    return datetime.datetime.now(datetime.UTC).isoformat(timespec="microseconds")


def name_of(who: str) -> str:
    """Return a maker's name, short and on one line."""
    shown = "".join(c for c in who if unicodedata.category(c)[0] != "C")
    return " ".join(shown.split())[:LONGEST_WHO] or "someone"


def merge(
    document: Any, edits: Edits, since: list[Change]
) -> tuple[Any, list[tuple[str, Any, Any]], list[Clash]]:
    """Take edits into a document that may have been changed meanwhile.

    Parameters
    ----------
    document
        As it stands.
    edits
        Path to new value.
    since
        Changes that were taken after the state that the edits were made against.

    Returns
    -------
    The document afterwards; the edits that were taken, each as path, value before and value
    after; and the clashes. An edit that says what stands there already is neither.

    Raises
    ------
    BadInput
        ``json_refused`` if a value cannot be kept, ``too_many_edits``, ``field_unreachable``.
    """
    if len(edits) > MOST_EDITS:
        raise BadInput(
            "too_many_edits",
            f"{len(edits)} fields changed at once, more than {MOST_EDITS}.",
            "Make the changes in several steps.",
        )
    taken: list[tuple[str, Any, Any]] = []
    clashes: list[Clash] = []
    for path, value in edits.items():
        if value is not ABSENT:
            check_json(value, "The change")
        stands = value_at(document, path)
        if _says_the_same(stands, value):
            continue
        others = [change for change in since if overlap(change.path, path)]
        if others:
            clashes.append(Clash(path, value, stands, others[-1].who, others[-1].at))
            continue
        document = with_edit(document, path, value)
        taken.append((path, stands, value))
    return document, taken, clashes


def log(connection: sqlite3.Connection, kind: str, subject: str, changes: list[Change]) -> None:
    """Add entries to the log of one thing: an inspection, a lens profile, a setting."""
    connection.executemany(
        "INSERT INTO change (kind, subject, revision, at, who, path, before, after, taken) "
        "VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
        [
            (
                kind,
                subject,
                change.revision,
                change.at,
                change.who,
                change.path,
                _text(change.before),
                _text(change.after),
                int(change.taken),
            )
            for change in changes
        ],
    )


def logged(
    connection: sqlite3.Connection,
    kind: str,
    subject: str,
    after_revision: int = -1,
    taken_only: bool = False,
) -> list[Change]:
    """Return the entries of one thing after a revision, oldest first."""
    rows = connection.execute(
        "SELECT * FROM change WHERE kind = ? AND subject = ? AND revision > ? AND taken >= ? "
        "ORDER BY number",
        (kind, subject, after_revision, int(taken_only)),
    )
    return [
        Change(
            row["at"],
            row["who"],
            row["path"],
            _value(row["before"]),
            _value(row["after"]),
            row["revision"],
            bool(row["taken"]),
        )
        for row in rows
    ]


def _says_the_same(stands: Any, wanted: Any) -> bool:
    if stands is ABSENT or wanted is ABSENT:
        return stands is wanted
    if wanted == {} and isinstance(stands, dict):
        return True  # asks only that there be one: what goes out of it goes field by field
    return same_json(stands, wanted)


def _text(value: Any) -> str | None:
    return None if value is ABSENT else write_json(value)


def _value(text: str | None) -> Any:
    return ABSENT if text is None else json.loads(text)
