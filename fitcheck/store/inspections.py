"""The inspections in the store: their documents, photographs, measurements, reports, and the bin.

An inspection's document is JSON that other modules give its meaning; here it is fields. Its
identity cannot be guessed (122 random bits and more), and nothing on the disk is found by it.
"""

from __future__ import annotations

import json
import re
import secrets
import sqlite3
import unicodedata
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from fitcheck.errors import BadInput
from fitcheck.store.changes import Change, Clash, log, logged, merge, name_of, now
from fitcheck.store.content_files import SHA256, ContentFiles, Incoming
from fitcheck.store.database import Database
from fitcheck.store.fields import ABSENT, Edits, edits_between, value_at
from fitcheck.store.strict_json import MOST_BYTES, check_json, same_json, write_json

IDENTITY = re.compile(r"[0-9a-f]{32}")
MOST_PHOTOGRAPHS = 200  # of one inspection
LONGEST_NAME = 200

# What a list shows of an inspection, and where its document says it.
LABELS: Mapping[str, str] = {
    "bow": "/bow/name",
    "customer": "/customer",
    "reference": "/reference",
    "date": "/date",
    "purpose": "/purpose",
    "stage": "/stage",
}

_KIND = "inspection"


@dataclass(frozen=True)
class Stored:
    """An inspection as it stands.

    Attributes
    ----------
    identity
        32 hexadecimal digits.
    document
        Values of JSON.
    revision
        Counts the changes; a change is made against the revision that its maker saw.
    begun, changed
        Times, UTC, ISO 8601.
    binned
        When it was put in the bin; None if it was not.
    origin
        Its identity in the store that it was imported from; empty if it was begun here.
    """

    identity: str
    document: Any
    revision: int
    begun: str
    changed: str
    binned: str | None
    origin: str


@dataclass(frozen=True)
class Listed:
    """An inspection in a list: see :class:`Stored`, and what :data:`LABELS` names."""

    identity: str
    revision: int
    begun: str
    changed: str
    binned: str | None
    photographs: int
    labels: dict[str, str]


@dataclass(frozen=True)
class Changed:
    """What became of a change: the inspection as it stands now, and what was not taken."""

    document: Any
    revision: int
    clashes: tuple[Clash, ...]


@dataclass(frozen=True)
class Attached:
    """A photograph of an inspection: hash, name of its file, size, when it came, when binned."""

    sha256: str
    name: str
    size_bytes: int
    attached: str
    binned: str | None


@dataclass(frozen=True)
class KeptMeasurement:
    """What a photograph gave, as ``Measurement.to_json`` wrote it, and when."""

    sha256: str
    made: str
    content: Any


@dataclass(frozen=True)
class KeptReport:
    """A report that was written: hash of its file, its name, the revision it shows, when."""

    sha256: str
    name: str
    revision: int
    made: str


def new_identity() -> str:
    """Return a new inspection's identity, 128 random bits."""
    return secrets.token_hex(16)


class Inspections:
    """All inspections of a store; every method is one transaction.

    Methods that change something take ``who``, the device or program for the log. All raise
    BadInput: ``inspection_unknown`` if there is no such inspection, ``inspection_binned`` if a
    change is asked of one that is in the bin, and as
    :func:`fitcheck.store.failures.in_words` does.
    """

    def __init__(
        self, database: Database, photographs: ContentFiles, reports: ContentFiles
    ) -> None:
        self._database = database
        self._photographs = photographs
        self._reports = reports

    # ---- the document ------------------------------------------------------------------

    def begin(self, document: Any, who: str, identity: str | None = None) -> Stored:
        """Begin an inspection.

        Parameters
        ----------
        document
            Values of JSON, an object.
        who
            For the log.
        identity
            From :func:`new_identity`; made here if None.
        """
        identity = identity or new_identity()
        if not IDENTITY.fullmatch(identity):
            raise ValueError(f"not an identity: {identity[:80]!r}")
        with self._database.writing("The inspection was not saved") as connection:
            stored = Stored(identity, document, 1, now(), now(), None, "")
            self.insert(connection, stored)
            made = [
                Change(stored.begun, name_of(who), path, ABSENT, value, 1)
                for path, value in edits_between({}, document).items()
            ]
            log(connection, _KIND, identity, made)
        return stored

    def insert(self, connection: sqlite3.Connection, stored: Stored) -> None:
        """Add an inspection as part of a transaction; raises ``json_refused``."""
        text = _document_text(stored.document)
        try:
            connection.execute(
                "INSERT INTO inspection "
                "(id, origin, begun, changed, binned, revision, labels, document) "
                "VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
                (
                    stored.identity,
                    stored.origin,
                    stored.begun,
                    stored.changed,
                    stored.binned,
                    stored.revision,
                    write_json(_labels(stored.document)),
                    text,
                ),
            )
        except sqlite3.IntegrityError as error:
            raise BadInput(
                "inspection_exists",
                "There is an inspection of that identity already.",
                "Open that one.",
            ) from error

    def find(self, identity: str) -> Stored | None:
        """Return an inspection, in the bin or not; None if there is none of that identity."""
        if not IDENTITY.fullmatch(identity):
            return None
        with self._database.reading() as connection:
            row = _row(connection, identity)
        return None if row is None else _stored(row)

    def get(self, identity: str) -> Stored:
        """Return an inspection, in the bin or not."""
        found = self.find(identity)
        if found is None:
            raise _unknown()
        return found

    def revision(self, identity: str) -> int:
        """Return the revision that an inspection stands at: quickly, to see if it changed."""
        with self._database.reading() as connection:
            row = connection.execute(
                "SELECT revision FROM inspection WHERE id = ?", (identity,)
            ).fetchone()
        if row is None:
            raise _unknown()
        return int(row[0])

    def change(self, identity: str, edits: Edits, seen: int, who: str) -> Changed:
        """Take in changes of fields.

        Parameters
        ----------
        identity
            Of the inspection.
        edits
            Path to new value, as :func:`fitcheck.store.fields.edits_between` gives them.
        seen
            Revision that the changes were made against.
        who
            For the log.

        Returns
        -------
        The inspection afterwards, with the changes that were not taken because another had
        come first. Those are in the log too: nothing that was asked for is lost.

        Raises
        ------
        BadInput
            ``json_refused``, ``too_many_edits``, ``field_unreachable``, and as the class says.
        """
        with self._database.writing("The change was not saved") as connection:
            return self._change(connection, identity, edits, seen, who)

    def _change(
        self, connection: sqlite3.Connection, identity: str, edits: Edits, seen: int, who: str
    ) -> Changed:
        stands = _stored(_changeable(connection, identity))
        since = logged(connection, _KIND, identity, seen, taken_only=True)
        document, taken, clashes = merge(stands.document, edits, since)
        at, who, revision = now(), name_of(who), stands.revision
        if taken:
            revision += 1
            connection.execute(
                "UPDATE inspection SET document = ?, labels = ?, revision = ?, changed = ? "
                "WHERE id = ?",
                (
                    _document_text(document),
                    write_json(_labels(document)),
                    revision,
                    at,
                    identity,
                ),
            )
        entries = [Change(at, who, path, was, to, revision) for path, was, to in taken]
        entries += [
            Change(at, who, clash.path, clash.stands, clash.wanted, revision, taken=False)
            for clash in clashes
        ]
        log(connection, _KIND, identity, entries)
        return Changed(document, revision, tuple(clashes))

    def history(self, identity: str) -> list[Change]:
        """Return every change of an inspection, those that were not taken too, oldest first."""
        with self._database.reading() as connection:
            if _row(connection, identity) is None:
                raise _unknown()
            return logged(connection, _KIND, identity)

    def listed(self, search: str = "", binned: bool = False) -> list[Listed]:
        """List the inspections, the one changed last first.

        Parameters
        ----------
        search
            Words that must all occur in what the list shows, upper and lower case alike.
        binned
            Those in the bin instead of the others.
        """
        with self._database.reading() as connection:
            rows = connection.execute(
                "SELECT id, revision, begun, changed, binned, labels, "
                "(SELECT count(*) FROM photograph AS p WHERE p.inspection = i.id "
                " AND p.binned IS NULL) AS photographs "
                "FROM inspection AS i WHERE (binned IS NOT NULL) = ? ORDER BY changed DESC",
                (int(binned),),
            ).fetchall()
        words = search.casefold().split()
        found = []
        for row in rows:
            labels = json.loads(row["labels"])
            if words:
                shown = " ".join([*labels.values(), row["begun"], row["changed"]]).casefold()
                if not all(word in shown for word in words):
                    continue
            found.append(
                Listed(
                    row["id"],
                    row["revision"],
                    row["begun"],
                    row["changed"],
                    row["binned"],
                    row["photographs"],
                    labels,
                )
            )
        return found

    # ---- photographs -------------------------------------------------------------------

    def attach(
        self,
        identity: str,
        incoming: Incoming,
        name: str,
        who: str,
        edits: Edits | None = None,
        seen: int | None = None,
    ) -> Changed:
        """Keep a photograph with an inspection, and what the document says of it, as one.

        Parameters
        ----------
        identity
            Of the inspection.
        incoming
            The file, from :meth:`ContentFiles.receive` of the store's photographs.
        name
            Of the file as it came, for people.
        who
            For the log.
        edits, seen
            Changes of the document that belong to it, see :meth:`change`; without ``seen``
            they are made against the inspection as it stands. An item of a list that is there
            already stays as it is.

        Raises
        ------
        BadInput
            ``too_many_photographs``, and as :meth:`change` does.
        """
        incoming.settle()
        with self._database.writing("The photograph was not saved") as connection:
            stands = _stored(_changeable(connection, identity))
            self.attach_within(connection, identity, incoming, name)
            # Sent again, a photograph keeps what was said of it and marked in it since.
            new = {
                path: value
                for path, value in (edits or {}).items()
                if not path.rpartition("/")[2].startswith("[")
                or value_at(stands.document, path) is ABSENT
            }
            return self._change(
                connection,
                identity,
                new,
                stands.revision if seen is None else seen,
                who,
            )

    def attach_within(
        self, connection: sqlite3.Connection, identity: str, incoming: Incoming, name: str
    ) -> None:
        """Keep a settled photograph with an inspection, as part of a transaction."""
        count = connection.execute(
            "SELECT count(*) FROM photograph "
            "WHERE inspection = ? AND binned IS NULL AND sha256 <> ?",
            (identity, incoming.sha256),
        ).fetchone()[0]
        if count >= MOST_PHOTOGRAPHS:
            raise BadInput(
                "too_many_photographs",
                f"The inspection has {MOST_PHOTOGRAPHS} photographs already.",
                "Remove some, or begin another inspection.",
            )
        at = now()
        self._photographs.place(connection, incoming, at)
        connection.execute(
            "INSERT INTO photograph (inspection, sha256, name, attached) VALUES (?, ?, ?, ?) "
            "ON CONFLICT (inspection, sha256) DO UPDATE SET binned = NULL",
            (identity, incoming.sha256, one_line(name), at),
        )

    def detach(self, identity: str, sha256s: Iterable[str]) -> None:
        """Put photographs of an inspection in the bin; attaching one again takes it out."""
        with self._database.writing("The photograph was not removed") as connection:
            _changeable(connection, identity)
            connection.executemany(
                "UPDATE photograph SET binned = ? "
                "WHERE inspection = ? AND sha256 = ? AND binned IS NULL",
                [(now(), identity, sha256) for sha256 in sha256s],
            )

    def photographs(self, identity: str) -> list[Attached]:
        """Return an inspection's photographs as they came, those in the bin too."""
        with self._database.reading() as connection:
            rows = connection.execute(
                "SELECT p.sha256, p.name, f.bytes, p.attached, p.binned "
                "FROM photograph AS p JOIN file AS f USING (sha256) "
                "WHERE p.inspection = ? ORDER BY p.attached, p.sha256",
                (identity,),
            ).fetchall()
        return [Attached(*row) for row in rows]

    def photograph(self, identity: str, sha256: str) -> bytes:
        """Return a photograph's file, if it is one of that inspection.

        Raises
        ------
        BadInput
            ``photograph_unknown``; ``file_vanished`` or ``file_changed`` if the disk no longer
            holds what was saved.
        """
        row = None
        if IDENTITY.fullmatch(identity) and SHA256.fullmatch(sha256):
            with self._database.reading() as connection:
                row = connection.execute(
                    "SELECT name FROM photograph WHERE inspection = ? AND sha256 = ?",
                    (identity, sha256),
                ).fetchone()
        if row is None:
            raise BadInput(
                "photograph_unknown",
                "The inspection has no such photograph.",
                "Open the inspection again.",
            )
        return self._photographs.read(sha256, row["name"])

    # ---- measurements and reports --------------------------------------------------------

    def keep_measurement(self, identity: str, sha256: str, content: Any) -> bool:
        """Keep what a photograph gave, beside what it gave before.

        Parameters
        ----------
        identity, sha256
            Of the inspection and the photograph.
        content
            From ``Measurement.to_json``.

        Returns
        -------
        False if it gave the same the last time, which is then not kept twice.
        """
        check_json(content, "The measurement")
        with self._database.writing("The measurement was not saved") as connection:
            _changeable(connection, identity)
            row = connection.execute(
                "SELECT content FROM measurement WHERE inspection = ? AND sha256 = ? "
                "ORDER BY number DESC LIMIT 1",
                (identity, sha256),
            ).fetchone()
            if row is not None and same_json(json.loads(row[0]), content):
                return False
            self.insert_measurement(connection, identity, KeptMeasurement(sha256, now(), content))
        return True

    def insert_measurement(
        self, connection: sqlite3.Connection, identity: str, kept: KeptMeasurement
    ) -> None:
        """Add a measurement as part of a transaction."""
        connection.execute(
            "INSERT INTO measurement (inspection, sha256, made, content) VALUES (?, ?, ?, ?)",
            (identity, kept.sha256, kept.made, write_json(kept.content)),
        )

    def measurements(self, identity: str, sha256: str | None = None) -> list[KeptMeasurement]:
        """Return all measurements of an inspection, or of one photograph, oldest first."""
        with self._database.reading() as connection:
            rows = connection.execute(
                "SELECT sha256, made, content FROM measurement "
                "WHERE inspection = ? AND coalesce(sha256 = ?, TRUE) ORDER BY number",
                (identity, sha256),
            ).fetchall()
        return [KeptMeasurement(r["sha256"], r["made"], json.loads(r["content"])) for r in rows]

    def keep_report(self, identity: str, name: str, content: bytes) -> KeptReport:
        """Keep a report as it was written; the last one again is not kept twice."""
        with self._reports.receive("The report") as incoming:
            incoming.write(content)
            incoming.settle()
            with self._database.writing("The report was not saved") as connection:
                stands = _changeable(connection, identity)
                last = connection.execute(
                    "SELECT sha256, name, revision, made FROM report WHERE inspection = ? "
                    "ORDER BY number DESC LIMIT 1",
                    (identity,),
                ).fetchone()
                if last is not None and last["sha256"] == incoming.sha256:
                    return KeptReport(*last)
                kept = KeptReport(incoming.sha256, one_line(name), stands["revision"], now())
                self.insert_report(connection, identity, incoming, kept)
        return kept

    def insert_report(
        self,
        connection: sqlite3.Connection,
        identity: str,
        incoming: Incoming,
        kept: KeptReport,
    ) -> None:
        """Add a settled report as part of a transaction."""
        self._reports.place(connection, incoming, kept.made)
        connection.execute(
            "INSERT INTO report (inspection, sha256, name, revision, made) VALUES (?, ?, ?, ?, ?)",
            (identity, kept.sha256, kept.name, kept.revision, kept.made),
        )

    def reports(self, identity: str) -> list[KeptReport]:
        """Return the reports that were written of an inspection, oldest first."""
        with self._database.reading() as connection:
            rows = connection.execute(
                "SELECT sha256, name, revision, made FROM report WHERE inspection = ? "
                "ORDER BY number",
                (identity,),
            ).fetchall()
        return [KeptReport(*row) for row in rows]

    def report(self, identity: str, sha256: str) -> bytes:
        """Return a report's file, if it is one of that inspection; raises as photographs do."""
        if all(kept.sha256 != sha256 for kept in self.reports(identity)):
            raise BadInput(
                "report_unknown",
                "The inspection has no such report.",
                "Write the report anew.",
            )
        return self._reports.read(sha256)

    # ---- the bin -------------------------------------------------------------------------

    def bin(self, identity: str, who: str) -> None:
        """Put an inspection in the bin: it is listed there, and can be taken out as it was."""
        self._bin(identity, who, now())

    def take_out(self, identity: str, who: str) -> None:
        """Take an inspection out of the bin."""
        self._bin(identity, who, None)

    def _bin(self, identity: str, who: str, binned: str | None) -> None:
        with self._database.writing("The inspection was not moved") as connection:
            row = _row(connection, identity)
            if row is None:
                raise _unknown()
            if (row["binned"] is None) == (binned is None):
                return
            connection.execute("UPDATE inspection SET binned = ? WHERE id = ?", (binned, identity))
            # Not of the document: a revision of its own would clash with nothing.
            where = ("in the bin", "among the others")
            before, after = where[::-1] if binned else where
            log(
                connection,
                "bin",
                identity,
                [Change(now(), name_of(who), "", before, after, row["revision"])],
            )

    def empty_bin(self, who: str) -> int:
        """Delete what is in the bin, for good: inspections with all that belongs to them.

        Photographs that were removed from other inspections are deleted, too. Files that
        nothing refers to any more go at the next :meth:`fitcheck.store.store.Store.sweep`.

        Returns
        -------
        How many inspections were deleted.
        """
        with self._database.writing("The bin was not emptied") as connection:
            gone = [
                row[0]
                for row in connection.execute("SELECT id FROM inspection WHERE binned IS NOT NULL")
            ]
            for identity in gone:
                connection.execute(
                    "DELETE FROM change WHERE kind IN (?, 'bin') AND subject = ?",
                    (_KIND, identity),
                )
                connection.execute("DELETE FROM inspection WHERE id = ?", (identity,))
            connection.execute("DELETE FROM photograph WHERE binned IS NOT NULL")
            if gone:
                emptied = Change(now(), name_of(who), "", len(gone), 0, 0)
                log(connection, "bin", "", [emptied])
        return len(gone)


def _row(connection: sqlite3.Connection, identity: str) -> sqlite3.Row | None:
    found: sqlite3.Row | None = connection.execute(
        "SELECT * FROM inspection WHERE id = ?", (identity,)
    ).fetchone()
    return found


def _changeable(connection: sqlite3.Connection, identity: str) -> sqlite3.Row:
    row = _row(connection, identity)
    if row is None:
        raise _unknown()
    if row["binned"] is not None:
        raise BadInput(
            "inspection_binned",
            "The inspection is in the bin.",
            "Take it out of the bin to go on with it.",
        )
    return row


def _stored(row: sqlite3.Row) -> Stored:
    return Stored(
        row["id"],
        json.loads(row["document"]),
        row["revision"],
        row["begun"],
        row["changed"],
        row["binned"],
        row["origin"],
    )


def _document_text(document: Any) -> str:
    if not isinstance(document, dict):
        raise ValueError(f"a document is an object, got {type(document).__name__}")
    check_json(document, "The inspection")
    text = write_json(document)
    if len(text) > MOST_BYTES // 4:  # a letter has at most 4 bytes
        raise BadInput(
            "inspection_too_large",
            "The inspection is larger than can be kept.",
            "Begin another inspection for the rest.",
        )
    return text


def _labels(document: Any) -> dict[str, str]:
    labels = {}
    for name, path in LABELS.items():
        value = value_at(document, path)
        if isinstance(value, str) and value:
            labels[name] = value[:LONGEST_NAME]
    return labels


def one_line(name: str) -> str:
    """Return the name of a file as it is kept: short, on one line, nothing hidden in it."""
    spaced = " ".join(name.split())
    shown = "".join(c for c in spaced if unicodedata.category(c)[0] != "C")
    return shown[:LONGEST_NAME]


def _unknown() -> BadInput:
    return BadInput(
        "inspection_unknown",
        "There is no such inspection in this store.",
        "Look for it in the list, or open another store with --store.",
    )
