"""What one visitor has on the page: photographs, readings, edges marked by hand.

This is the visitor's working copy. It lasts no longer than the visit; what outlasts it is in
the store, see :mod:`fitcheck.page.keeping`.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Protocol

from fitcheck.errors import BadInput
from fitcheck.measurement import Measurement, Point
from fitcheck.page.lengths import length_mm
from fitcheck.report import ReportHeader
from fitcheck.setup import Setup

MOST_PHOTOS = 12

Line = tuple[Point, Point]


class Shelf(Protocol):
    """Where photographs lie."""

    def keep(self, photo: PhotoFile, data: bytes) -> None:
        """Keep a photograph; raises BadInput if that cannot be done."""

    def read(self, photo: PhotoFile) -> bytes:
        """Return its bytes; raises BadInput if they are not there any more."""


class MemoryShelf:
    """A shelf that lasts as long as the program."""

    def __init__(self) -> None:
        self._kept: dict[str, bytes] = {}

    def keep(self, photo: PhotoFile, data: bytes) -> None:
        """Keep a photograph."""
        self._kept[photo.sha256] = data

    def read(self, photo: PhotoFile) -> bytes:
        """Return its bytes."""
        return self._kept[photo.sha256]


@dataclass(frozen=True)
class PhotoFile:
    """A photograph as it came.

    Attributes
    ----------
    sha256
        Of its bytes: the photograph's identity everywhere on the page.
    name
        Of its file.
    shelf
        Where its bytes lie.
    setup
        Readings that belong to this photograph alone, as with the samples; None for the
        readings that the user typed.
    """

    sha256: str
    name: str
    shelf: Shelf = field(repr=False, compare=False)
    setup: Setup | None = None

    @property
    def data(self) -> bytes:
        """Its bytes; raises BadInput if they are not there any more."""
        return self.shelf.read(self)


@dataclass
class Readings:
    """What the user typed, as it was typed; empty where nothing was measured."""

    thickness: str = ""
    bar_along: str = ""
    bar_across: str = ""
    face_step: str = ""

    def setup(self) -> Setup:
        """Return the readings as the measurement takes them.

        Raises
        ------
        BadInput
            If a text is not a length, a length cannot be right, or only one of the two check
            bars is given.
        """
        along = length_mm(self.bar_along, "The check bar along the cards")
        across = length_mm(self.bar_across, "The check bar across the cards")
        if (along is None) != (across is None):
            raise BadInput(
                "one_bar_only",
                "Only one of the two check bars is given.",
                "A printer can be true one way and not the other: measure both, "
                "or leave both empty.",
            )
        return Setup(
            length_mm(self.thickness, "The card’s thickness"),
            None if along is None or across is None else (along, across),
            length_mm(self.face_step, "The face step"),
        )


@dataclass(frozen=True)
class Written:
    """The report's files as they were written last, and the words that went into them."""

    words: tuple[ReportHeader, dict[str, str]]
    page: bytes
    numbers: bytes


@dataclass
class Inspection:
    """All that belongs together in one report.

    Attributes
    ----------
    shelf
        Where its photographs lie.
    chosen
        SHA-256 of the photograph that this visitor looks at.
    measured
        What each photograph gave last.
    written
        The report as this visitor saw it last.
    """

    shelf: Shelf = field(default_factory=MemoryShelf, repr=False)
    photos: dict[str, PhotoFile] = field(default_factory=dict)
    readings: Readings = field(default_factory=Readings)
    hints: dict[str, dict[str, Line]] = field(default_factory=dict)
    titles: dict[str, str] = field(default_factory=dict)
    header: ReportHeader = field(default_factory=ReportHeader)
    chosen: str = ""
    measured: dict[str, Measurement] = field(default_factory=dict)
    written: Written | None = None

    def add(self, name: str, data: bytes, setup: Setup | None = None) -> str:
        """Keep a photograph and choose it; the same bytes are kept once.

        Returns
        -------
        Its SHA-256.

        Raises
        ------
        BadInput
            ``too_many_photos`` if there are enough already, or if the shelf cannot keep it.
        """
        sha256 = hashlib.sha256(data).hexdigest()
        if sha256 not in self.photos and len(self.photos) >= MOST_PHOTOS:
            raise BadInput(
                "too_many_photos",
                f"{name} was not taken in: there are {MOST_PHOTOS} photographs already.",
                "Remove some, or finish this report first and begin another.",
            )
        if sha256 not in self.photos:
            photo = PhotoFile(sha256, name, self.shelf, setup)
            self.shelf.keep(photo, data)
            self.photos[sha256] = photo
        self.chosen = sha256
        return sha256

    def remove(self, sha256: str) -> None:
        """Forget a photograph and what was marked in it."""
        self.photos.pop(sha256, None)
        self.hints.pop(sha256, None)
        self.titles.pop(sha256, None)
        if self.chosen == sha256:
            self.chosen = next(iter(self.photos), "")

    def chosen_photo(self) -> PhotoFile | None:
        """Return the photograph that is looked at; None if there is none."""
        if self.chosen in self.photos:
            return self.photos[self.chosen]
        return next(iter(self.photos.values()), None)

    def setup_of(self, photo: PhotoFile) -> Setup:
        """Readings that a photograph is measured with; raises as :meth:`Readings.setup`."""
        return self.readings.setup() if photo.setup is None else photo.setup

    def mark(self, sha256: str, lines: Mapping[str, Line]) -> None:
        """Take the user's lines for a photograph's edges; none lets the program search."""
        if lines:
            self.hints[sha256] = dict(lines)
        else:
            self.hints.pop(sha256, None)
