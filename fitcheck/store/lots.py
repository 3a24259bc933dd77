"""Lots in the store: what was found of each, and every photograph's measurement."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from fitcheck.errors import BadInput
from fitcheck.store.changes import now
from fitcheck.store.database import Database
from fitcheck.store.inspections import new_identity
from fitcheck.store.strict_json import write_json


@dataclass(frozen=True)
class KeptLot:
    """A lot in a list: identity, name, date of it, when it was kept, how many photographs."""

    identity: str
    name: str
    date: str
    kept: str
    photographs: int


@dataclass(frozen=True)
class LotPhotograph:
    """One photograph of a lot: its name, hash, what it shows, and what it gave as JSON."""

    photo: str
    sha256: str
    shows: Mapping[str, Any]
    measurement: Any


class Lots:
    """All lots of a store; every method is one transaction.

    The photographs themselves stay where they are. All raise as
    :func:`fitcheck.store.failures.in_words` does.
    """

    def __init__(self, database: Database) -> None:
        self._database = database

    def keep(
        self, name: str, date: str, record: bytes, photographs: Iterable[LotPhotograph]
    ) -> str:
        """Keep a lot; one of the same name and date is replaced.

        Parameters
        ----------
        name, date
            Of the lot.
        record
            What was found of it, JSON.
        photographs
            Taken one by one: they need not all be in memory.

        Returns
        -------
        Its identity.
        """
        with self._database.writing("The lot was not saved") as connection:
            connection.execute("DELETE FROM lot WHERE name = ? AND date = ?", (name, date))
            identity = new_identity()
            connection.execute(
                "INSERT INTO lot (id, name, date, kept, record) VALUES (?, ?, ?, ?, ?)",
                (identity, name, date, now(), record.decode("utf-8")),
            )
            connection.executemany(
                "INSERT INTO lot_photograph (lot, photo, sha256, shows, measurement) "
                "VALUES (?, ?, ?, ?, ?)",
                (
                    (
                        identity,
                        one.photo.encode("utf-8", "replace").decode("utf-8"),
                        one.sha256,
                        write_json(dict(one.shows)),
                        write_json(one.measurement),
                    )
                    for one in photographs
                ),
            )
        return identity

    def listed(self) -> list[KeptLot]:
        """Return all lots, the latest first."""
        with self._database.reading() as connection:
            rows = connection.execute(
                "SELECT id, name, date, kept, (SELECT count(*) FROM lot_photograph "
                "WHERE lot = lot.id) FROM lot ORDER BY date DESC, kept DESC"
            ).fetchall()
        return [KeptLot(*row) for row in rows]

    def record(self, identity: str) -> Any:
        """Return what was found of a lot; raises BadInput ``lot_unknown``."""
        with self._database.reading() as connection:
            row = connection.execute("SELECT record FROM lot WHERE id = ?", (identity,)).fetchone()
        if row is None:
            raise BadInput(
                "lot_unknown", "There is no such lot in the store.", "Look at the list of lots."
            )
        return json.loads(row[0])

    def photographs(self, identity: str) -> Iterator[LotPhotograph]:
        """Return the photographs of a lot, one by one, in its order."""
        with self._database.reading() as connection:
            for row in connection.execute(
                "SELECT photo, sha256, shows, measurement FROM lot_photograph "
                "WHERE lot = ? ORDER BY number",
                (identity,),
            ):
                yield LotPhotograph(row[0], row[1], json.loads(row[2]), json.loads(row[3]))

    def remove(self, identity: str) -> None:
        """Remove a lot for good."""
        with self._database.writing("The lot was not removed") as connection:
            connection.execute("DELETE FROM lot WHERE id = ?", (identity,))
