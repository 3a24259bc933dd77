"""What belongs to the shop and not to one inspection: lens profiles, limits, other settings."""

from __future__ import annotations

import json
from typing import Any

from fitcheck.errors import BadInput
from fitcheck.store.changes import Change, log, logged, name_of, now
from fitcheck.store.database import Database
from fitcheck.store.fields import ABSENT
from fitcheck.store.strict_json import check_json, same_json, write_json

LIMITS = "limits"
LONGEST_KEY = 300


class Records:
    """JSON values under a name, each with its revision; every earlier value is in the log.

    Parameters
    ----------
    database
        Of the store.
    table, key, value
        Where they are kept: the table, and its columns of names and values.
    """

    def __init__(self, database: Database, table: str, key: str, value: str) -> None:
        self._database = database
        self._table = table
        self._key = key
        self._value = value

    def get(self, name: str) -> tuple[Any, int] | None:
        """Return a value and its revision; None if there is none."""
        with self._database.reading() as connection:
            row = connection.execute(
                f"SELECT {self._value}, revision FROM {self._table} WHERE {self._key} = ?",  # noqa: S608
                (name,),
            ).fetchone()
        return None if row is None else (json.loads(row[0]), int(row[1]))

    def all(self) -> dict[str, Any]:
        """Return all values by their names."""
        with self._database.reading() as connection:
            rows = connection.execute(
                f"SELECT {self._key}, {self._value} FROM {self._table} ORDER BY {self._key}"  # noqa: S608
            ).fetchall()
        return {row[0]: json.loads(row[1]) for row in rows}

    def keep(self, name: str, value: Any, who: str, seen: int | None = None) -> int:
        """Keep a value.

        Parameters
        ----------
        name
            Under which.
        value
            Values of JSON.
        who
            For the log.
        seen
            Revision that the new value was made from (0: there was none); None to keep it
            whatever stands there.

        Returns
        -------
        Its revision.

        Raises
        ------
        BadInput
            ``changed_meanwhile`` if another revision than the one seen stands there,
            ``json_refused``, or as :func:`fitcheck.store.failures.in_words` does.
        """
        if not name or len(name) > LONGEST_KEY:
            raise ValueError(f"a name has 1 to {LONGEST_KEY} letters, got {len(name)}")
        check_json(value, f"The value of {self._table.replace('_', ' ')}")
        with self._database.writing("The value was not saved") as connection:
            row = connection.execute(
                f"SELECT {self._value}, revision FROM {self._table} WHERE {self._key} = ?",  # noqa: S608
                (name,),
            ).fetchone()
            before = ABSENT if row is None else json.loads(row[0])
            revision = 0 if row is None else int(row[1])
            if before is not ABSENT and same_json(before, value):
                return revision
            if seen is not None and seen != revision:
                raise BadInput(
                    "changed_meanwhile",
                    "It was changed on another device or in another window meanwhile.",
                    "Look at what stands there now, then make the change once more.",
                )
            at = now()
            connection.execute(
                f"INSERT INTO {self._table} ({self._key}, {self._value}, revision, changed) "  # noqa: S608
                f"VALUES (?, ?, ?, ?) ON CONFLICT ({self._key}) DO UPDATE SET "
                f"{self._value} = excluded.{self._value}, revision = excluded.revision, "
                "changed = excluded.changed",
                (name, write_json(value), revision + 1, at),
            )
            change = Change(at, name_of(who), "", before, value, revision + 1)
            log(connection, self._table, name, [change])
        return revision + 1

    def history(self, name: str) -> list[Change]:
        """Return all values that a name had, oldest first."""
        with self._database.reading() as connection:
            return logged(connection, self._table, name)
