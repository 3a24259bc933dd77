"""The sample photographs that come with the program, and what is known of them."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path

from fitcheck.errors import BadInput
from fitcheck.setup import Setup


@dataclass(frozen=True)
class Sample:
    """A sample photograph: its file, its view, how its cards were made, its truth."""

    path: Path
    view: str
    setup: Setup
    truth: dict[str, float]


def samples() -> list[Sample]:
    """Return the sample photographs, in order of their names.

    Raises
    ------
    BadInput
        If the samples did not come with the installation.
    """
    found = []
    for path in sorted(sample_folder().glob("*.jpg")):
        known = json.loads(path.with_suffix(".json").read_text(encoding="utf-8"))
        setup = Setup(known["card_thickness_mm"], bars_mm=(100.0, 100.0))
        found.append(Sample(path, known["view"], setup, known["truth"]))
    return found


def sample_photos() -> list[Path]:
    """Return the files of the sample photographs."""
    return [sample.path for sample in samples()]


def sample_of(path: Path) -> Sample | None:
    """Return the sample that a file is, or None if it is a photograph of the user's own."""
    return next((s for s in samples() if s.path.resolve() == path.resolve()), None)


def bow_photo(name: str) -> Path | None:
    """Return a photograph of the sample bow, or None if it did not come with the installation."""
    try:
        path = sample_folder() / "bow" / name
    except BadInput:
        return None
    return path if path.is_file() else None


def sample_folder() -> Path:
    """Return the samples' folder: an inspection file, its photographs, and single photographs.

    Raises
    ------
    BadInput
        If the samples did not come with the installation.
    """
    # Beside the package in a checkout, inside the package once it is installed.
    package = Path(__file__).parent
    for folder in (package / "sample_images", package.parent / "sample_images"):
        if folder.is_dir():
            return folder
    raise BadInput(
        "samples_missing",
        "The sample photographs are not installed.",
        "Install the package again, or run from a checkout.",
    )
