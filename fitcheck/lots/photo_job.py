"""One photograph of a lot, measured wherever: in this process, in another, on another machine.

Whatever goes wrong with a photograph becomes its result; nothing of it stops the lot.
"""

from __future__ import annotations

import hashlib
import logging
import os
import platform
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from fitcheck.errors import BadInput
from fitcheck.lots.kept_results import TOKEN_FILE, Asked, KeptResults
from fitcheck.measurement import Measurement, Note, note_of

_log = logging.getLogger("fitcheck.lots")


@dataclass(frozen=True)
class Outcome:
    """What became of one photograph.

    Attributes
    ----------
    file
        Below the lot's folder.
    sha256, key
        Of its content, and under which its result is kept; empty if it has none.
    fresh
        Whether it was measured now and not found among the kept results.
    problem
        Why there is no result: the file cannot be read, or measuring it ended the process.
    """

    file: str
    sha256: str = ""
    key: str = ""
    fresh: bool = False
    problem: Note | None = None


def measure_one(folder: Path, file: str, asked: Asked, results: KeptResults) -> Outcome:
    """Measure one photograph, or find that it was measured before.

    Parameters
    ----------
    folder, file
        Where it lies.
    asked
        How it is to be measured.
    results
        Where its result is kept.

    Raises
    ------
    OSError
        If the result cannot be kept: that concerns all photographs.
    """
    data = bytes_of(folder, file)
    if isinstance(data, Note):
        return Outcome(file, problem=data)
    sha256 = hashlib.sha256(data).hexdigest()
    key = asked.key(sha256)
    if results.get(key) is not None:
        return Outcome(file, sha256, key)
    results.begin(file)
    results.keep(key, measured_record(data, file, sha256, asked))
    results.end(file)
    return Outcome(file, sha256, key, fresh=True)


def bytes_of(folder: Path, file: str) -> bytes | Note:
    """Return a photograph's bytes, or why there are none."""
    from fitcheck.photo import MAX_FILE_BYTES

    path = folder / file
    try:
        if not path.resolve().is_relative_to(folder.resolve()):  # a link that leads out
            return Note(
                "outside_folder",
                "The photograph lies outside the lot's folder.",
                "Copy it into the folder.",
            )
        if path.stat().st_size > MAX_FILE_BYTES:
            return Note("too_large", "The file is larger than any photograph.", "Take it out.")
        return path.read_bytes()
    except (OSError, ValueError) as error:
        said = getattr(error, "strerror", None) or "its name is not possible here"
        return Note("file_missing", f"The file cannot be read: {said}.", "Check name and folder.")


def measured_record(data: bytes, file: str, sha256: str, asked: Asked) -> dict[str, Any]:
    """Measure a photograph's bytes and return the record that is kept."""
    begun, processor = time.perf_counter(), time.process_time()
    found, lens = _measured(data, file, asked)
    return {
        "measurement": found.to_json(),
        "lens": lens,
        "photo_sha256": sha256,
        "program": asked.program,
        "seconds": round(time.perf_counter() - begun, 3),
        "processor_seconds": round(time.process_time() - processor, 3),
        "made": time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime()),
        "by": f"{platform.node()} {os.getpid()}",
    }


def _measured(data: bytes, file: str, asked: Asked) -> tuple[Measurement, str]:
    import cv2

    from fitcheck.photo import read_photo
    from fitcheck.pipeline import Shot, lens_key, measure_shots

    name = Path(file).name
    threads = cv2.getNumThreads()
    cv2.setNumThreads(1)  # there are as many processes as cores already
    try:
        photo = read_photo(data, name)
        shot = Shot(photo, asked.view)
        found = measure_shots([shot], asked.setup, profiles=asked.by_lens())[0]
        key = lens_key(photo)
        return found, str(key) if key.known else ""
    except BadInput as error:
        note = note_of(error)
    except Exception as error:
        _log.exception("measuring %r failed", file)
        note = note_of(error)
    finally:
        cv2.setNumThreads(threads)
    return Measurement(name, asked.view, refused=note, inputs=asked.setup.to_json()), ""


def measure_sent(
    data: bytes, file: str, sha256: str, asked: Asked, folder: str, token: str
) -> dict[str, Any]:
    """Measure bytes that were sent to a worker, maybe on another machine.

    Where the worker sees the folder of results it looks there first and keeps its result
    there, so that a result is not lost with a worker that dies before it was fetched.

    Parameters
    ----------
    data, file, sha256, asked
        As :func:`measured_record`.
    folder, token
        Of the results, and what proves that the worker's folder of that name is the same.

    Raises
    ------
    BadInput
        ``other_program`` if the worker runs another version: results would not be alike.
    """
    from fitcheck.reporting.program import program

    if program() != asked.program:
        raise BadInput(
            "other_program",
            f"A worker of the cluster runs {program()}, and this machine {asked.program}.",
            "Install the same fitcheck on all of them.",
        )
    key = asked.key(sha256)
    results = _same_folder(folder, token)
    if results is None:
        return measured_record(data, file, sha256, asked)
    if results.get(key) is None:
        results.keep(key, measured_record(data, file, sha256, asked))
    return {"kept": key}


def _same_folder(folder: str, token: str) -> KeptResults | None:
    try:
        if (Path(folder) / TOKEN_FILE).read_text(encoding="ascii") != token:
            return None
        return KeptResults(Path(folder))
    except (OSError, UnicodeDecodeError, BadInput):
        return None
