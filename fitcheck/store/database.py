"""The store's database file: SQLite in WAL mode, one connection for each piece of work.

In WAL mode readers and one writer do not wait for each other, and a process that is killed
leaves nothing half written: at the next opening SQLite takes up what was committed and drops
the rest (https://sqlite.org/wal.html). WAL needs a disk of this machine, not a network folder.
"""

from __future__ import annotations

import sqlite3
import time
import weakref
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing, contextmanager
from pathlib import Path

from fitcheck.errors import BadInput
from fitcheck.store.failures import in_words
from fitcheck.store.migrations import MIGRATIONS

PATIENCE_S = 10.0  # how long to wait for another writer
APPLICATION_ID = 0x66697463  # "fitc", in the file's header: this is a store and nothing else
OLDEST_SQLITE = (3, 37, 0)  # strict tables

Migration = Callable[[sqlite3.Connection], None]


class Database:
    """The database file of a store.

    Parameters
    ----------
    path
        The file; it is made if it is not there.
    migrations
        Steps from an empty file to the present form, in order.
    patience_s
        How long to wait for another writer, seconds.

    Attributes
    ----------
    close
        Call it when done, if the file is to be moved; else it is closed with the program.

    Raises
    ------
    BadInput
        ``store_too_new`` if a newer fitcheck wrote it, ``not_a_store``, ``sqlite_too_old``,
        or as :func:`fitcheck.store.failures.in_words` does.
    """

    def __init__(
        self,
        path: Path,
        migrations: Sequence[Migration] = MIGRATIONS,
        patience_s: float = PATIENCE_S,
    ) -> None:
        self.path = path.absolute()
        self._migrations = tuple(migrations)
        self._patience_s = patience_s
        if sqlite3.sqlite_version_info < OLDEST_SQLITE:
            raise BadInput(
                "sqlite_too_old",
                f"The store needs SQLite 3.37, and Python here brings {sqlite3.sqlite_version}.",
                "Install a newer Python.",
            )
        with in_words("The store could not be opened"):
            self._prepare()
            # Held open: SQLite tidies its log away whenever a file's last connection closes,
            # which would be after every piece of work.
            self.close = weakref.finalize(self, self._connect("rw", across_threads=True).close)

    @contextmanager
    def reading(
        self, what_failed: str = "The store could not be read"
    ) -> Iterator[sqlite3.Connection]:
        """Give a connection that sees one state of the store throughout."""
        with in_words(what_failed), closing(self._connect("rw")) as connection:
            self._check_version(connection)
            connection.execute("BEGIN")
            try:
                yield connection
            finally:
                if connection.in_transaction:
                    connection.execute("ROLLBACK")

    @contextmanager
    def writing(self, what_failed: str) -> Iterator[sqlite3.Connection]:
        """Give the one connection that may write; all of it is kept at the end, or nothing.

        Parameters
        ----------
        what_failed
            Begins the sentence if it fails: "The change was not saved".
        """
        with in_words(what_failed), closing(self._connect("rw")) as connection:
            connection.execute("BEGIN IMMEDIATE")
            try:
                self._check_version(connection)
                yield connection
                connection.execute("COMMIT")
            except BaseException:
                # SQLite has rolled back by itself after some errors, a full disk for one.
                if connection.in_transaction:
                    connection.execute("ROLLBACK")
                raise

    def connect(self) -> sqlite3.Connection:
        """Return a connection of one's own, to be closed; for SQLite's online backup."""
        return self._connect("rw")

    def _connect(self, mode: str, across_threads: bool = False) -> sqlite3.Connection:
        # Not made again where it has vanished: an empty store would look like a lost one.
        connection = sqlite3.connect(
            f"{self.path.as_uri()}?mode={mode}",
            uri=True,
            timeout=self._patience_s,
            isolation_level=None,
            check_same_thread=not across_threads,
        )
        try:
            connection.row_factory = sqlite3.Row
            connection.execute("PRAGMA foreign_keys=ON")
            connection.execute("PRAGMA synchronous=FULL")  # kept even if the power fails
            connection.execute("PRAGMA secure_delete=ON")  # what was deleted is wiped
            connection.execute("PRAGMA trusted_schema=OFF")
        except BaseException:
            connection.close()
            raise
        return connection

    def _prepare(self) -> None:
        with closing(self._connect("rwc")) as connection:
            self._check_is_store(connection)
            self._check_version(connection, exactly=False)
            self._use_wal(connection)
            if _version(connection) == len(self._migrations):
                return
            connection.execute("BEGIN IMMEDIATE")
            try:
                self._check_version(connection, exactly=False)  # another may have been quicker
                for number in range(_version(connection), len(self._migrations)):
                    self._migrations[number](connection)
                    connection.execute(f"PRAGMA user_version={number + 1}")
                connection.execute(f"PRAGMA application_id={APPLICATION_ID}")
                connection.execute("COMMIT")
            except BaseException:
                if connection.in_transaction:
                    connection.execute("ROLLBACK")
                raise

    def _check_is_store(self, connection: sqlite3.Connection) -> None:
        application = connection.execute("PRAGMA application_id").fetchone()[0]
        empty = connection.execute("SELECT count(*) FROM sqlite_schema").fetchone()[0] == 0
        if application != APPLICATION_ID and not (application == 0 and empty):
            raise BadInput(
                "not_a_store",
                f"{self.path} is a database of another program.",
                "Choose another folder with --store.",
            )

    def _check_version(self, connection: sqlite3.Connection, exactly: bool = True) -> None:
        version, known = _version(connection), len(self._migrations)
        if version > known:
            raise BadInput(
                "store_too_new",
                f"The store {self.path.parent} was written by a newer fitcheck "
                f"(form {version}; this one knows up to {known}).",
                "Update fitcheck, or choose another store with --store.",
            )
        if exactly and version < known:
            raise BadInput(
                "store_changed",
                f"The store {self.path.parent} was replaced by an older one.",
                "Start fitcheck again.",
            )

    def _use_wal(self, connection: sqlite3.Connection) -> None:
        """Switch to WAL, once in a file's life; SQLite itself does not wait for others here."""
        deadline = time.monotonic() + self._patience_s
        while True:
            try:
                mode = connection.execute("PRAGMA journal_mode=WAL").fetchone()[0]
            except sqlite3.OperationalError as error:
                busy = (error.sqlite_errorcode & 0xFF) == sqlite3.SQLITE_BUSY
                if not busy or time.monotonic() > deadline:
                    raise
                time.sleep(0.01)
                continue
            if mode != "wal":
                raise BadInput(
                    "store_on_network",
                    f"The store {self.path.parent} cannot be kept safely there.",
                    "Choose a folder on a disk of this machine with --store.",
                )
            return


def _version(connection: sqlite3.Connection) -> int:
    return int(connection.execute("PRAGMA user_version").fetchone()[0])
