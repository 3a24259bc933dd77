"""Where a store lies, and making folders that only their owner can look into."""

from __future__ import annotations

import os
from pathlib import Path

STORE_VARIABLE = "FITCHECK_STORE"  # names the store's folder, as ``--store`` does


def default_folder() -> Path:
    """Return the store's folder: the one the environment names, else in the user's data folder.

    The user's data folder is what the system says it is (XDG base directory specification,
    ``%LOCALAPPDATA%``, ``~/Library/Application Support``).
    """
    named = os.environ.get(STORE_VARIABLE, "").strip()
    if named:
        return Path(named).expanduser()
    from platformdirs import user_data_path

    return user_data_path("fitcheck", appauthor=False) / "store"


def make_private(folder: Path) -> None:
    """Make a folder, with those above it, that other users of the machine cannot look into.

    A folder that is there already keeps its permissions: its owner has chosen them.
    """
    folder.parent.mkdir(parents=True, exist_ok=True)
    folder.mkdir(mode=0o700, exist_ok=True)
