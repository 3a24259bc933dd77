"""The store: one folder that holds every inspection, its photographs and its reports.

::

    fitcheck.sqlite3       everything but files, see migrations.py
    photographs/ab/ab12…   photographs as they came, each under its SHA-256
    reports/cd/cd34…       reports as they were written
    incoming/              files on their way in; empty when nothing is being saved

Nothing in it leaves the machine. Copies are made with ``fitcheck backup``, not by copying the
database file alone: changes of the last minutes may still stand beside it.
"""

from __future__ import annotations

import datetime
import os
import secrets
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from fitcheck.photo import MAX_FILE_BYTES
from fitcheck.store.changes import now
from fitcheck.store.content_files import ContentFiles
from fitcheck.store.database import PATIENCE_S, Database
from fitcheck.store.failures import in_words
from fitcheck.store.inspections import Inspections
from fitcheck.store.location import default_folder, make_private
from fitcheck.store.lots import Lots
from fitcheck.store.processes import is_alive, this_machine
from fitcheck.store.shop import LIMITS, Records

DATABASE_NAME = "fitcheck.sqlite3"
MOST_REPORT_BYTES = 256 * 2**20  # a report of 24 photographs with their pictures is 60 MiB
# How long a backup keeps files from being swept, if it cannot be seen whether it still runs.
HOLD_S = 6 * 3600

PROGRAM = "fitcheck"  # who changed it, where a program did


class Store:
    """A store of inspections.

    Parameters
    ----------
    folder
        Where it lies; it is made if it is not there. By default
        :func:`fitcheck.store.location.default_folder`.
    patience_s
        How long to wait for another writer, seconds.

    Attributes
    ----------
    inspections
        The inspections, see :class:`fitcheck.store.inspections.Inspections`.
    lots
        Lots of parts, see :class:`fitcheck.store.lots.Lots`.
    photographs, reports
        Files of inspections.

    Raises
    ------
    BadInput
        As :class:`fitcheck.store.database.Database` does.
    """

    def __init__(self, folder: Path | str | None = None, patience_s: float = PATIENCE_S) -> None:
        self.folder = (default_folder() if folder is None else Path(folder)).absolute()
        with in_words(f"The store {self.folder} could not be opened"):
            make_private(self.folder)
        self.database = Database(self.folder / DATABASE_NAME, patience_s=patience_s)
        incoming = self.folder / "incoming"
        self.photographs = ContentFiles(
            self.folder / "photographs", incoming, MAX_FILE_BYTES, "The photograph"
        )
        self.reports = ContentFiles(
            self.folder / "reports", incoming, MOST_REPORT_BYTES, "The report"
        )
        self.inspections = Inspections(self.database, self.photographs, self.reports)
        self.lots = Lots(self.database)
        self._lens_profiles = Records(self.database, "lens_profile", "lens", "profile")
        self._settings = Records(self.database, "setting", "name", "value")

    # ---- the shop ------------------------------------------------------------------------

    def lens_profile(self, lens: str) -> Any | None:
        """Return what is known of a lens, as JSON; None if it was not met yet.

        Parameters
        ----------
        lens
            Which lens of which phone at which picture size, for instance
            ``str(fitcheck.lens_profile.LensKey(…))``.
        """
        found = self._lens_profiles.get(lens)
        return None if found is None else found[0]

    def lens_profiles(self) -> dict[str, Any]:
        """Return all lens profiles by their lens."""
        return self._lens_profiles.all()

    def keep_lens_profile(self, lens: str, profile: Any, who: str = PROGRAM) -> None:
        """Keep what is known of a lens: mean and covariance as JSON."""
        self._lens_profiles.keep(lens, profile, who)

    def lens_history(self, lens: str) -> list[tuple[str, Any]]:
        """Return every profile that a lens had, with its time, oldest first: to see drift."""
        return [(change.at, change.after) for change in self._lens_profiles.history(lens)]

    def setting(self, name: str) -> Any | None:
        """Return a setting of the shop, as JSON; None if it was never made."""
        found = self._settings.get(name)
        return None if found is None else found[0]

    def keep_setting(self, name: str, value: Any, who: str, seen: int | None = None) -> int:
        """Keep a setting of the shop; see :meth:`fitcheck.store.shop.Records.keep`."""
        return self._settings.keep(name, value, who, seen)

    def limits(self) -> Any | None:
        """Return the shop's own limits, as JSON; None if it has none.

        The limits that an inspection was judged by stand in its document.
        """
        return self.setting(LIMITS)

    def keep_limits(self, limits: Any, who: str) -> None:
        """Keep the shop's own limits for the inspections to come."""
        self.keep_setting(LIMITS, limits, who)

    # ---- tidying -------------------------------------------------------------------------

    def sweep(self) -> int:
        """Take away files that nothing refers to: left by killed processes or an emptied bin.

        Returns
        -------
        How many files were taken away; none while a backup is being made.
        """
        with self.database.writing("The store was not tidied") as connection:
            _drop_dead_holds(connection)
            if connection.execute("SELECT count(*) FROM hold").fetchone()[0]:
                return 0
            connection.execute(
                "DELETE FROM file WHERE sha256 NOT IN (SELECT sha256 FROM photograph) "
                "AND sha256 NOT IN (SELECT sha256 FROM report)"
            )
            swept = self.photographs.sweep_incoming()
            for files, table in ((self.photographs, "photograph"), (self.reports, "report")):
                known = {
                    row[0]
                    for row in connection.execute(f"SELECT DISTINCT sha256 FROM {table}")  # noqa: S608
                }
                for sha256 in list(files.names()):
                    if sha256 not in known:
                        files.remove(sha256)
                        swept += 1
        return swept

    @contextmanager
    def holding_files(self) -> Iterator[None]:
        """Keep every file in place meanwhile; it ends by itself if the process is killed."""
        hold = f"{this_machine()}:{os.getpid()}:{secrets.token_hex(8)}"
        until = datetime.datetime.now(datetime.UTC) + datetime.timedelta(seconds=HOLD_S)
        with self.database.writing("The backup was not begun") as connection:
            _drop_dead_holds(connection)
            connection.execute(
                "INSERT INTO hold (id, until) VALUES (?, ?)",
                (hold, until.isoformat(timespec="microseconds")),
            )
        try:
            yield
        finally:
            with self.database.writing("The backup was not ended") as connection:
                connection.execute("DELETE FROM hold WHERE id = ?", (hold,))


def _drop_dead_holds(connection: sqlite3.Connection) -> None:
    """Drop the holds of backups that were killed; inside a writing transaction."""
    connection.execute("DELETE FROM hold WHERE until < ?", (now(),))
    for (hold,) in connection.execute("SELECT id FROM hold").fetchall():
        machine, _, rest = hold.partition(":")
        process = rest.partition(":")[0]
        if machine == this_machine() and process.isdecimal() and not is_alive(int(process)):
            connection.execute("DELETE FROM hold WHERE id = ?", (hold,))
