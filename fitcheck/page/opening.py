"""Photographs that do not come from the user: the samples, and those to open the page with."""

from __future__ import annotations

import os
from pathlib import Path

from fitcheck.errors import BadInput
from fitcheck.page.inspection import Inspection
from fitcheck.page.launch import OPEN_VARIABLE
from fitcheck.samples import sample_of, samples


def add_samples(inspection: Inspection) -> None:
    """Take in the sample photographs with their own readings, and choose the first.

    Raises
    ------
    BadInput
        If they are not installed or cannot be read.
    """
    _add(inspection, [sample.path for sample in samples()])


def add_photos_to_open(inspection: Inspection) -> None:
    """Take in the photographs that the page was launched with, if any; raises as above."""
    listed = os.environ.get(OPEN_VARIABLE, "")
    _add(inspection, [Path(name) for name in listed.split(os.pathsep) if name])


def _add(inspection: Inspection, paths: list[Path]) -> None:
    added = []
    for path in paths:
        sample = sample_of(path)
        try:
            data = path.read_bytes()
        except OSError as error:
            raise BadInput(
                "file_unreadable",
                f"{path.name} cannot be read: {error.strerror or error}.",
                "Check that it is still where it was.",
            ) from error
        setup = None if sample is None else sample.setup
        added.append(inspection.add(path.name, data, setup))
    if added:
        inspection.chosen = added[0]
