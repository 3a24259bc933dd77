"""What does not come from the user: the sample bow, the samples, what the page opens with."""

from __future__ import annotations

import json
import os
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from fitcheck.errors import BadInput
from fitcheck.inspection_file import read_inspection
from fitcheck.measurement import Measurement
from fitcheck.page.document import begun
from fitcheck.page.inspection import Inspection
from fitcheck.page.keeping import Visit, store
from fitcheck.page.launch import OPEN_VARIABLE
from fitcheck.page.measuring import take_as_measured
from fitcheck.samples import sample_folder, sample_of, samples
from fitcheck.setup import Setup

FILE_HEAD = ("format", "version")  # of an inspection file; the store's documents have none


def begin_sample_bow(who: str, measurements: Sequence[Measurement | None] = ()) -> str:
    """Put the sample bow into the store: all that was read of it, and its photographs.

    Parameters
    ----------
    who
        What the visitor's device is called.
    measurements
        What its photographs gave, in the order of the inspection file, if they were measured
        already; the others are measured when the page asks for them.

    Returns
    -------
    The name of the inspection.

    Raises
    ------
    BadInput
        If it is not installed, or cannot be read or kept.
    """
    folder = sample_folder()
    path = folder / "inspection.json"
    read_inspection(path)  # says what is wrong with the file
    fields = json.loads(path.read_text(encoding="utf-8"))
    there = Visit(store(), who)
    inspection = there.inspection
    inspection.document = {n: v for n, v in fields.items() if n not in (*FILE_HEAD, "photos")}
    there.save()
    measured = list(measurements) or [None] * len(fields["photos"])
    for photo, found in zip(fields["photos"], measured, strict=True):
        file = folder / photo["file"]
        shows = {name: value for name, value in photo.items() if name != "file"}
        sha256 = inspection.add(file.name, _bytes(file), shows)
        if found is not None:
            take_as_measured(inspection, inspection.photos[sha256], found)
    there.save()
    there.keep_results()
    return there.identity


def begin_samples(who: str, paths: Sequence[Path] | None = None) -> str:
    """Put photographs into the store as an inspection of their own, by default the samples.

    Returns
    -------
    The name of the inspection.

    Raises
    ------
    BadInput
        If they are not installed, or cannot be read or kept.
    """
    there = Visit(store(), who)
    there.inspection.document = sample_document()
    there.save()
    _add(there.inspection, [s.path for s in samples()] if paths is None else list(paths))
    there.save()
    return there.identity


def sample_document() -> dict[str, Any]:
    """Return the document for the sample photographs, which says that they are samples."""
    document = begun("customer")
    document["bow"] = {"name": "Sample photographs"}
    document["note"] = "Begun with the sample photographs that come with fitcheck."
    return document


def photos_to_open() -> list[Path]:
    """Return the photographs that the page was launched with."""
    listed = os.environ.get(OPEN_VARIABLE, "")
    return [Path(name) for name in listed.split(os.pathsep) if name]


def _add(inspection: Inspection, paths: list[Path]) -> None:
    ends = ("upper", "lower")
    for number, path in enumerate(paths):
        sample = sample_of(path)
        data = _bytes(path)
        shows: dict[str, Any] = {}
        if sample is not None:
            end = ends[number % 2]
            shows = {"view": sample.view, "end": end, "limb": str(number % 2 + 1)}
            shows["setup"] = _fields(sample.setup)
        inspection.add(path.name, data, shows)


def _bytes(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError as error:
        raise BadInput(
            "file_unreadable",
            f"{path.name} cannot be read: {error.strerror or error}.",
            "Check that it is still where it was.",
        ) from error


def _fields(setup: Setup) -> dict[str, Any]:
    """Readings that belong to a photograph alone."""
    return {
        "thickness_mm": setup.thickness_given_mm,
        "bars_mm": None if setup.bars_mm is None else list(setup.bars_mm),
        "face_step_mm": setup.face_step_mm,
    }
