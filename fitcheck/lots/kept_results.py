"""Results on disk, one file for each photograph, so that nothing is measured twice.

A result lies under the SHA-256 of everything that it depends on: the photograph's content, the
view, the cards, what was known of the lens, and the program's own code. It is written beside
and then named, so that a killed process leaves a whole result or none. Whoever measures the
same photograph with the same settings again finds it.
"""

from __future__ import annotations

import hashlib
import json
import os
import secrets
from collections.abc import Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from fitcheck.errors import BadInput
from fitcheck.lens_profile import LensKey, LensProfile
from fitcheck.measurement import Measurement
from fitcheck.measurement_file import measurement_from_json
from fitcheck.setup import Setup
from fitcheck.store.processes import is_alive, this_machine

TOKEN_FILE = "this-folder"  # noqa: S105 (no secret: it tells one folder from another)


@dataclass(frozen=True)
class Asked:
    """What all photographs of a lot are measured with.

    Attributes
    ----------
    view, setup
        Of all of them.
    profiles
        What was known of lenses; JSON of :meth:`fitcheck.lens_profile.LensProfile.to_json`.
    program
        Version and fingerprint of the code.
    """

    view: str
    setup: Setup
    profiles: tuple[LensProfile, ...]
    program: str

    def key(self, photo_sha256: str) -> str:
        """Name of the result of a photograph of that content."""
        text = json.dumps(
            [
                photo_sha256,
                self.view,
                self.setup.to_json(),
                [profile.to_json() for profile in self.profiles],
                self.program,
            ],
            sort_keys=True,
        )
        return hashlib.sha256(text.encode("utf-8")).hexdigest()

    def by_lens(self) -> dict[LensKey, LensProfile]:
        """The profiles by their lens."""
        return {profile.key: profile for profile in self.profiles}


@dataclass(frozen=True)
class Kept:
    """A result as it was kept.

    Attributes
    ----------
    measurement
        What the photograph gave. It bears the name that the photograph had when it was
        measured.
    lens
        Which lens took it, for people; empty if the phone is not known.
    seconds
        How long it took.
    """

    measurement: Measurement
    lens: str
    seconds: float


class KeptResults:
    """A folder of results.

    Parameters
    ----------
    folder
        Made if it is not there.

    Raises
    ------
    BadInput
        ``folder_not_writable``.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder.absolute()
        try:
            self.folder.mkdir(parents=True, exist_ok=True)
            if not (self.folder / TOKEN_FILE).is_file():
                self._write(TOKEN_FILE, secrets.token_hex(16).encode("ascii"))
            self.token = (self.folder / TOKEN_FILE).read_text(encoding="ascii")
        except (OSError, UnicodeDecodeError) as error:
            raise BadInput(
                "folder_not_writable",
                f"Results cannot be kept in {folder}: {getattr(error, 'strerror', error)}.",
                "Choose a folder that you may write to, with --out.",
            ) from error

    def has(self, key: str) -> bool:
        """Whether there is a result."""
        return self._path(key).is_file()

    def get(self, key: str) -> Kept | None:
        """Return a result; None if there is none, or none that can be read."""
        try:
            raw = json.loads(self._path(key).read_bytes())
            return Kept(
                measurement_from_json(raw["measurement"]), str(raw["lens"]), float(raw["seconds"])
            )
        except (OSError, ValueError, KeyError, TypeError, BadInput):
            return None

    def keep(self, key: str, record: Mapping[str, Any]) -> None:
        """Keep a result, whole or not at all; raises OSError."""
        self._path(key).parent.mkdir(exist_ok=True)
        text = json.dumps(record, allow_nan=False)
        self._write(f"{key[:2]}/{key}.json", text.encode("utf-8"))

    def begin(self, file: str) -> None:
        """Mark that a photograph is being measured: it is suspected if the process dies."""
        with suppress(OSError):
            self._mark(file).write_bytes(b"")

    def end(self, file: str) -> None:
        """Take the mark away."""
        with suppress(OSError):
            self._mark(file).unlink(missing_ok=True)

    def was_begun(self, file: str) -> bool:
        """Whether a photograph was begun and not ended."""
        return self._mark(file).exists()

    def forget_marks(self) -> None:
        """Take away all marks, and what dead processes left half written.

        Another run on the same folder goes on writing.
        """
        for left in self._left_over():
            with suppress(OSError):
                left.unlink()

    def _left_over(self) -> Iterator[Path]:
        yield from self.folder.glob("*.begun")
        for path in self.folder.rglob("*.new"):
            machine, _, process = path.name.split(".")[-2].rpartition("-")[0].partition("-")
            here = machine == this_machine() and process.isdigit()
            if here and not is_alive(int(process)):
                yield path

    def _mark(self, file: str) -> Path:
        name = hashlib.sha256(file.encode("utf-8", "surrogatepass")).hexdigest()[:24]
        return self.folder / f"{name}.begun"

    def _path(self, key: str) -> Path:
        return self.folder / key[:2] / f"{key}.json"

    def _write(self, name: str, data: bytes) -> None:
        path = self.folder / name
        writer = f"{this_machine()}-{os.getpid()}-{secrets.token_hex(4)}"
        beside = path.with_name(f"{path.name}.{writer}.new")
        with beside.open("wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        beside.replace(path)
