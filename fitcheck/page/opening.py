"""Photographs that do not come from the user: the samples, and those to open the page with."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

from fitcheck.errors import BadInput
from fitcheck.page.inspection import Inspection
from fitcheck.page.launch import OPEN_VARIABLE
from fitcheck.samples import sample_of, samples
from fitcheck.setup import Setup


def add_samples(inspection: Inspection) -> None:
    """Take in the sample photographs with their own readings.

    Raises
    ------
    BadInput
        If they are not installed or cannot be read.
    """
    _add(inspection, [sample.path for sample in samples()])


def photos_to_open() -> list[Path]:
    """Return the photographs that the page was launched with."""
    listed = os.environ.get(OPEN_VARIABLE, "")
    return [Path(name) for name in listed.split(os.pathsep) if name]


def add_photos_to_open(inspection: Inspection) -> None:
    """Take in the photographs that the page was launched with, if any; raises as above."""
    _add(inspection, photos_to_open())


def _add(inspection: Inspection, paths: list[Path]) -> None:
    ends = ("upper", "lower")
    for number, path in enumerate(paths):
        sample = sample_of(path)
        try:
            data = path.read_bytes()
        except OSError as error:
            raise BadInput(
                "file_unreadable",
                f"{path.name} cannot be read: {error.strerror or error}.",
                "Check that it is still where it was.",
            ) from error
        shows: dict[str, Any] = {}
        if sample is not None:
            end = ends[number % 2]
            shows = {"view": sample.view, "end": end, "limb": str(number % 2 + 1)}
            shows["setup"] = _fields(sample.setup)
        inspection.add(path.name, data, shows)


def _fields(setup: Setup) -> dict[str, Any]:
    """Readings that belong to a photograph alone."""
    return {
        "thickness_mm": setup.thickness_given_mm,
        "bars_mm": None if setup.bars_mm is None else list(setup.bars_mm),
        "face_step_mm": setup.face_step_mm,
    }
