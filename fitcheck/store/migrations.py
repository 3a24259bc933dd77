"""The database's form, step by step from an empty file; a step is never changed afterwards.

All steps that a file lacks are taken in one transaction together with its version number
(``user_version``), so that a store is in the old form or in the new one and never between.
A step is a function of the connection that executes statements one by one: ``executescript``
would commit on its own.
"""

from __future__ import annotations

import sqlite3


def first_form(connection: sqlite3.Connection) -> None:
    """Inspections, their photographs, measurements and reports, what belongs to the shop."""
    for statement in (
        # The document is JSON; revision counts its changes; labels are what a list shows of it.
        """
        CREATE TABLE inspection (
            id TEXT PRIMARY KEY,
            origin TEXT NOT NULL,
            begun TEXT NOT NULL,
            changed TEXT NOT NULL,
            binned TEXT,
            revision INTEGER NOT NULL,
            labels TEXT NOT NULL,
            document TEXT NOT NULL
        ) STRICT
        """,
        "CREATE INDEX inspection_by_time ON inspection (changed)",
        # The files lie beside the database, by their hash.
        """
        CREATE TABLE file (
            sha256 TEXT PRIMARY KEY,
            bytes INTEGER NOT NULL,
            kept TEXT NOT NULL
        ) STRICT
        """,
        """
        CREATE TABLE photograph (
            inspection TEXT NOT NULL REFERENCES inspection (id) ON DELETE CASCADE,
            sha256 TEXT NOT NULL REFERENCES file (sha256),
            name TEXT NOT NULL,
            attached TEXT NOT NULL,
            binned TEXT,
            PRIMARY KEY (inspection, sha256)
        ) STRICT
        """,
        "CREATE INDEX photograph_by_file ON photograph (sha256)",
        """
        CREATE TABLE measurement (
            number INTEGER PRIMARY KEY,
            inspection TEXT NOT NULL REFERENCES inspection (id) ON DELETE CASCADE,
            sha256 TEXT NOT NULL,
            made TEXT NOT NULL,
            content TEXT NOT NULL
        ) STRICT
        """,
        "CREATE INDEX measurement_by_photograph ON measurement (inspection, sha256, number)",
        """
        CREATE TABLE report (
            number INTEGER PRIMARY KEY,
            inspection TEXT NOT NULL REFERENCES inspection (id) ON DELETE CASCADE,
            sha256 TEXT NOT NULL REFERENCES file (sha256),
            name TEXT NOT NULL,
            revision INTEGER NOT NULL,
            made TEXT NOT NULL
        ) STRICT
        """,
        "CREATE INDEX report_by_inspection ON report (inspection, number)",
        "CREATE INDEX report_by_file ON report (sha256)",
        """
        CREATE TABLE lens_profile (
            lens TEXT PRIMARY KEY,
            revision INTEGER NOT NULL,
            changed TEXT NOT NULL,
            profile TEXT NOT NULL
        ) STRICT
        """,
        """
        CREATE TABLE setting (
            name TEXT PRIMARY KEY,
            revision INTEGER NOT NULL,
            changed TEXT NOT NULL,
            value TEXT NOT NULL
        ) STRICT
        """,
        # before and after are JSON, NULL where there was or is nothing. taken = 0: asked for,
        # but another change of the same field had come first.
        """
        CREATE TABLE change (
            number INTEGER PRIMARY KEY AUTOINCREMENT,
            kind TEXT NOT NULL,
            subject TEXT NOT NULL,
            revision INTEGER NOT NULL,
            at TEXT NOT NULL,
            who TEXT NOT NULL,
            path TEXT NOT NULL,
            before TEXT,
            after TEXT,
            taken INTEGER NOT NULL
        ) STRICT
        """,
        "CREATE INDEX change_by_subject ON change (kind, subject, revision)",
        # While one stands, no file is removed: a backup is copying them.
        "CREATE TABLE hold (id TEXT PRIMARY KEY, until TEXT NOT NULL) STRICT",
    ):
        connection.execute(statement)


def lots(connection: sqlite3.Connection) -> None:
    """Lots of parts: what was found of each, and each photograph's measurement."""
    for statement in (
        """
        CREATE TABLE lot (
            id TEXT PRIMARY KEY,
            name TEXT NOT NULL,
            date TEXT NOT NULL,
            kept TEXT NOT NULL,
            record TEXT NOT NULL,
            UNIQUE (name, date)
        ) STRICT
        """,
        """
        CREATE TABLE lot_photograph (
            number INTEGER PRIMARY KEY,
            lot TEXT NOT NULL REFERENCES lot (id) ON DELETE CASCADE,
            photo TEXT NOT NULL,
            sha256 TEXT NOT NULL,
            shows TEXT NOT NULL,
            measurement TEXT NOT NULL
        ) STRICT
        """,
        "CREATE INDEX lot_photograph_by_lot ON lot_photograph (lot, number)",
    ):
        connection.execute(statement)


MIGRATIONS = (first_form, lots)
