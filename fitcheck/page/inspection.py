"""What one visitor has on the page: an inspection's document and its photographs.

This is the visitor's working copy. It lasts no longer than the visit; what outlasts it is in
the store, see :mod:`fitcheck.page.keeping`.
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any, Protocol

from fitcheck.errors import BadInput, FitcheckError
from fitcheck.measurement import Measurement, Point
from fitcheck.page.document import filled, is_placed, pads_alone, photos_of, value
from fitcheck.quantities import quantity
from fitcheck.reporting.earlier import Kept
from fitcheck.setup import Setup
from fitcheck.store.fields import ABSENT, value_at, with_edit
from fitcheck.store.inspections import one_line

MOST_PHOTOS = 60

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
    fields
        What the document says of it.
    """

    sha256: str
    name: str
    shelf: Shelf = field(repr=False, compare=False)
    fields: Mapping[str, Any] = field(default_factory=dict, repr=False, compare=False)

    @property
    def data(self) -> bytes:
        """Its bytes; raises BadInput if they are not there any more."""
        return self.shelf.read(self)

    def read(self) -> bytes:
        """Return its bytes; raises as ``data``."""
        return self.data

    @property
    def view(self) -> str:
        """The view that it shows; empty if nobody said."""
        return value(self.fields, "/view")

    @property
    def placed(self) -> bool:
        """Whether it says what it shows."""
        return is_placed(self.fields)

    @property
    def as_given(self) -> frozenset[str]:
        """Edges whose line by hand is taken as it lies, not measured near it."""
        named = self.fields.get("as_given")
        given = {n for n in named if isinstance(n, str)} if isinstance(named, list) else set()
        return frozenset(given & self.hints.keys())

    @property
    def hints(self) -> dict[str, Line]:
        """Edges that were marked by hand."""
        marked = self.fields.get("hints")
        lines = {n: _line(ends) for n, ends in marked.items()} if isinstance(marked, dict) else {}
        return {name: line for name, line in lines.items() if line is not None}


@dataclass(frozen=True)
class Written:
    """The report's files as they were written last, and the state that went into them."""

    state: str
    forms: dict[str, bytes]
    numbers: bytes


@dataclass
class Inspection:
    """A working copy.

    Attributes
    ----------
    shelf
        Where its photographs lie.
    document
        See :mod:`fitcheck.page.document`. It is never changed in place: every change puts a new
        one here, so that what differs from the one before can be told.
    measured
        What each photograph gave last, and what it was measured with.
    written
        The report as this visitor saw it last.
    reported
        What the next report must know of the last one: its number, its revision, its values.
    """

    shelf: Shelf = field(default_factory=MemoryShelf, repr=False)
    document: dict[str, Any] = field(default_factory=dict)
    measured: dict[str, tuple[Measurement, str]] = field(default_factory=dict)
    written: Written | None = None
    reported: Kept | None = None

    @property
    def pads_alone(self) -> bool:
        """Whether nothing but the riser's pads is asked for."""
        return pads_alone(self.document)

    # ---- fields ------------------------------------------------------------------------

    def text(self, path: str) -> str:
        """Text of a field; empty where there is none."""
        return value(self.document, path)

    def put(self, path: str, new: Any) -> None:
        """Set a field; what is empty is taken away, and what lies above it if nothing is left."""
        put = ABSENT if new in ("", None, [], {}) else new
        self.document = filled_changed(with_edit(_cleared(self.document, path), path, put), path)

    def record(self, path: str, match: Mapping[str, str]) -> dict[str, Any]:
        """Return the record of a list that has these fields; empty if there is none."""
        for record in self._records(path):
            if all(record.get(name) == said for name, said in match.items()):
                return record
        return {}

    def put_record(self, path: str, match: Mapping[str, str], changes: Mapping[str, Any]) -> None:
        """Change the record of a list that has these fields; one is added if there is none."""
        records = self._records(path)
        known = self.record(path, match)
        new = filled({**(known or match), **changes})
        if known:
            records = [new if record is known else record for record in records]
        else:
            records = [*records, new]
        self.put(path, [r for r in records if set(r) - set(match) or r.get("found") is not None])

    def drop_record(self, path: str, match: Mapping[str, str]) -> None:
        """Take the record of a list away that has these fields."""
        known = self.record(path, match)
        self.put(path, [record for record in self._records(path) if record is not known])

    def _records(self, path: str) -> list[dict[str, Any]]:
        found = value_at(self.document, path)
        return [r for r in found if isinstance(r, dict)] if isinstance(found, list) else []

    # ---- photographs -------------------------------------------------------------------

    @property
    def photos(self) -> dict[str, PhotoFile]:
        """The photographs by their hash, in order."""
        return {
            fields["sha256"]: PhotoFile(
                fields["sha256"], value(fields, "/file"), self.shelf, fields
            )
            for fields in photos_of(self.document)
        }

    def add(self, name: str, data: bytes, shows: Mapping[str, Any] | None = None) -> str:
        """Keep a photograph; the same bytes are kept once.

        Parameters
        ----------
        name
            Of its file.
        data
            Its bytes.
        shows
            Fields of the document that say what it shows.

        Returns
        -------
        Its SHA-256.

        Raises
        ------
        BadInput
            ``too_many_photos`` if there are enough already, or if the shelf cannot keep it.
        """
        sha256 = hashlib.sha256(data).hexdigest()
        photos = self.photos
        if sha256 in photos:
            return sha256
        if len(photos) >= MOST_PHOTOS:
            raise BadInput(
                "too_many_photos",
                f"{name} was not taken in: there are {MOST_PHOTOS} photographs already.",
                "Remove some, or finish this report first and begin another.",
            )
        fields = {"sha256": sha256, "file": one_line(name), **(shows or {})}
        self.shelf.keep(PhotoFile(sha256, name, self.shelf, fields), data)
        self.put("/photos", [*photos_of(self.document), fields])
        return sha256

    def change_photo(self, sha256: str, **changes: Any) -> None:
        """Change what is said of a photograph."""
        self.put(
            "/photos",
            [
                {n: v for n, v in {**p, **changes}.items() if v not in ("", None, {}, [])}
                if p["sha256"] == sha256
                else p
                for p in photos_of(self.document)
            ],
        )

    def remove(self, sha256: str) -> None:
        """Forget a photograph and what was marked in it."""
        self.put("/photos", [p for p in photos_of(self.document) if p["sha256"] != sha256])

    def take_as_given(self, sha256: str, edges: Iterable[str]) -> None:
        """Say which of the user's lines are to be taken as they lie, not measured near them."""
        self.change_photo(sha256, as_given=sorted(edges) or None)

    def mark(self, sha256: str, lines: Mapping[str, Line]) -> None:
        """Take the user's lines for a photograph's edges; none lets the program search."""
        photo = self.photos[sha256]
        self.change_photo(
            sha256,
            hints={edge: [list(end) for end in line] for edge, line in lines.items()},
            as_given=sorted(lines) if photo.as_given else None,
        )

    # ---- readings that a photograph is measured with -------------------------------------

    def setup(self, photo: PhotoFile | None = None) -> Setup:
        """Return the readings as the measurement takes them.

        Parameters
        ----------
        photo
            With the face step of this photograph.

        Raises
        ------
        BadInput
            If a text is not a length, a length cannot be right, or only one of the two check
            bars is given.
        """
        if photo is not None and (own := _setup(photo.fields.get("setup"))) is not None:
            return own
        bars = value_at(self.document, "/cards/check_bars")
        along, across = bars if isinstance(bars, list) and len(bars) == 2 else ("", "")
        read = [
            _length(along, "The check bar along the cards"),
            _length(across, "The check bar across the cards"),
        ]
        if (read[0] is None) != (read[1] is None):
            raise BadInput(
                "one_bar_only",
                "Only one of the two check bars is given.",
                "A printer can be true one way and not the other: measure both, "
                "or leave both empty.",
            )
        step = None if photo is None else photo.fields.get("face_step")
        return Setup(
            _length(self.text("/cards/thickness"), "The card’s thickness"),
            None if read[0] is None or read[1] is None else (read[0], read[1]),
            _length(step, "The face step"),
        )


def _length(typed: object, what: str) -> float | None:
    if not isinstance(typed, str) or not typed.strip():
        return None
    return quantity(typed, "mm", what).value


def _cleared(document: Any, path: str) -> Any:
    """The document with nothing in the way of a field.

    A document may come from anywhere. Where it has a text or a number for what has fields here
    (``"bow": "x"``), there is no place for a field: that is taken away.
    """
    segments = path.split("/")
    for depth in range(2, len(segments)):
        above = "/".join(segments[:depth])
        stands = value_at(document, above)
        if stands is not ABSENT and not isinstance(stands, dict):
            return with_edit(document, above, ABSENT)
    return document


def filled_changed(document: Any, path: str) -> Any:
    """Take away what a change of a field has left empty above it."""
    segments = path.split("/")
    for depth in range(len(segments) - 1, 1, -1):
        above = "/".join(segments[:depth])
        if value_at(document, above) == {}:
            document = with_edit(document, above, ABSENT)
    return document


def _line(ends: Any) -> Line | None:
    try:
        (x0, y0), (x1, y1) = ends
        line = ((float(x0), float(y0)), (float(x1), float(y1)))
    except (TypeError, ValueError):
        return None
    return line if all(math.isfinite(c) for end in line for c in end) else None


def _setup(fields: Any) -> Setup | None:
    """Readings that belong to one photograph alone, as with the samples."""
    if not isinstance(fields, dict):
        return None
    try:
        bars = fields.get("bars_mm")
        return Setup(
            fields.get("thickness_mm"),
            None if bars is None else (float(bars[0]), float(bars[1])),
            fields.get("face_step_mm"),
        )
    except (FitcheckError, TypeError, ValueError, IndexError, KeyError):
        return None
