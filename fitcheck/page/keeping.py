"""Between the page and the store: a visitor's working copy, saved and brought up to date.

At the start of every run of the page the working copy is compared with the state that it was
taken from. What the visitor changed goes into the store, field by field; what others changed
comes into the working copy. Where both changed one field, the earlier change stands and the
visitor is told.
"""

from __future__ import annotations

import logging
import math
from collections.abc import Mapping
from contextlib import suppress
from functools import cache
from pathlib import Path
from typing import Any

from fitcheck.errors import BadInput, FitcheckError
from fitcheck.page.inspection import Inspection, Line, PhotoFile, Readings
from fitcheck.report import ReportHeader
from fitcheck.setup import Setup
from fitcheck.store import Store
from fitcheck.store.changes import Clash
from fitcheck.store.fields import ABSENT, Edits, edits_between, value_at, with_edit
from fitcheck.store.inspections import Stored, new_identity, one_line
from fitcheck.store.location import default_folder

REPORT_NAME = "fitcheck-report.html"

_log = logging.getLogger("fitcheck.page")

# Names of the header's fields in the document, and in the working copy.
_HEADER = {"customer": "customer", "shop": "shop", "reference": "reference", "note": "note"}


def store() -> Store:
    """Return the store of this process, opened once; raises BadInput if it cannot be opened."""
    return _store_in(default_folder())


@cache
def _store_in(folder: Path) -> Store:
    opened = Store(folder)
    with suppress(FitcheckError):  # tidying can wait
        opened.sweep()
    return opened


class Visit:
    """One visitor's hold on an inspection.

    Parameters
    ----------
    place
        The store.
    who
        What the visitor's device is called, for the log.
    stored
        The inspection; None to begin one. It is not in the store before there is anything in
        it, so that a page that was only opened leaves nothing behind.

    Attributes
    ----------
    identity
        Of the inspection, for the page's address.
    inspection
        The working copy. It is always the same object: what the page's fields do later, they
        do to this one.
    clashes
        Changes that were not taken, to be told and cleared by the page.
    """

    def __init__(self, place: Store, who: str, stored: Stored | None = None) -> None:
        self._store = place
        self._who = who
        self._begun = stored is not None
        self._seen: Any = {}
        self._stands: Any = {}
        self._revision = 0
        self._kept: dict[str, Any] = {}
        self.identity = new_identity() if stored is None else stored.identity
        self.inspection = Inspection(shelf=self)
        self.clashes: list[Clash] = []
        if stored is not None:
            self._take_over(stored.document, stored.revision)

    @property
    def is_new(self) -> bool:
        """Whether the inspection is not in the store yet."""
        return not self._begun

    def save(self) -> None:
        """Save what the visitor changed, and take over what others did.

        Raises
        ------
        BadInput
            If it cannot be saved; the working copy still has it, and the next call tries again.
        """
        document = document_of(self.inspection)
        edits = edits_between(self._seen, document)
        inspections = self._store.inspections
        if edits:
            self.begin()
            roomy = _making_room(self._stands, edits)
            done = inspections.change(self.identity, roomy, self._revision, self._who)
            gone = _photo_hashes(self._seen) - _photo_hashes(done.document)
            if gone:
                inspections.detach(self.identity, gone)
            self.clashes += done.clashes
            self._take_over(done.document, done.revision)
        elif self._begun and inspections.revision(self.identity) != self._revision:
            stands = inspections.get(self.identity)
            self._take_over(stands.document, stands.revision)

    def keep_results(self) -> None:
        """Keep what was measured and written since the last call; raises as :meth:`save`."""
        inspections = self._store.inspections
        for sha256, measurement in self.inspection.measured.items():
            if sha256 in self.inspection.photos and self._kept.get(sha256) is not measurement:
                inspections.keep_measurement(self.identity, sha256, measurement.to_json())
                self._kept[sha256] = measurement
        written = self.inspection.written
        if written is not None and self._kept.get("report") is not written:
            inspections.keep_report(self.identity, REPORT_NAME, written.page)
            self._kept["report"] = written

    def keep(self, photo: PhotoFile, data: bytes) -> None:
        """Keep a photograph in the store at once: the browser would not send it again."""
        self.begin()
        stands = self._store.inspections.get(self.identity)
        edits = photo_edits(photo.sha256, photo.name, photo.setup)
        roomy = _making_room(stands.document, edits)
        with self._store.photographs.receive(photo.name) as incoming:
            incoming.write(data)
            self._store.inspections.attach(
                self.identity,
                incoming,
                photo.name,
                self._who,
                roomy,
                None if roomy == edits else stands.revision,
            )

    def read(self, photo: PhotoFile) -> bytes:
        """Return a photograph's bytes; raises BadInput if the disk no longer has them."""
        return self._store.inspections.photograph(self.identity, photo.sha256)

    def begin(self) -> None:
        """Have the inspection in the store, though it may be empty: others are to find it."""
        if not self._begun:
            self._store.inspections.begin({}, self._who, self.identity)
            self._begun, self._revision = True, 1

    def _take_over(self, document: Any, revision: int) -> None:
        take_over(self.inspection, document)
        self._stands = document
        self._seen, self._revision = document_of(self.inspection), revision


def visit(place: Store, identity: str, who: str) -> Visit:
    """Return a visit to the inspection of that identity; a new one where there is none such.

    Raises
    ------
    BadInput
        ``inspection_binned``, or if the store cannot be read.
    """
    stored = place.inspections.find(identity)
    if stored is not None and stored.binned is not None:
        raise BadInput(
            "inspection_binned",
            "This inspection is in the bin.",
            "Take it out with `fitcheck bin --take-out`, or open the page without its address.",
        )
    return Visit(place, who, stored)


def document_of(inspection: Inspection) -> dict[str, Any]:
    """Return the working copy as the store's document; what is empty is left out."""
    header, readings = inspection.header, inspection.readings
    bars = [readings.bar_along, readings.bar_across]
    cards = {"thickness": readings.thickness, "check_bars": bars if any(bars) else []}
    document: dict[str, Any] = {
        **{name: getattr(header, own) for name, own in _HEADER.items()},
        "bow": _filled({"name": header.bow}),
        "cards": _filled(cards),
        "readings": _filled({"face_step": readings.face_step}),
        "photos": [_photo_fields(inspection, photo) for photo in inspection.photos.values()],
    }
    return _filled(document)


def take_over(inspection: Inspection, document: Any) -> None:
    """Bring the working copy to the state of a document, which may come from anywhere."""
    cards, readings = _object(document, "cards"), _object(document, "readings")
    bars = cards.get("check_bars")
    along, across = bars if isinstance(bars, list) and len(bars) == 2 else ("", "")
    inspection.readings = Readings(
        _text(cards.get("thickness")),
        _text(along),
        _text(across),
        _text(readings.get("face_step")),
    )
    inspection.header = ReportHeader(
        bow=_text(_object(document, "bow").get("name")),
        **{own: _text(document.get(name)) for name, own in _HEADER.items()},
    )
    photos: dict[str, PhotoFile] = {}
    hints: dict[str, dict[str, Line]] = {}
    titles: dict[str, str] = {}
    for fields in document.get("photos", []) if isinstance(document.get("photos"), list) else []:
        sha256 = _text(fields.get("sha256")) if isinstance(fields, dict) else ""
        if not sha256:
            continue
        known = inspection.photos.get(sha256)
        photos[sha256] = known or PhotoFile(
            sha256, _text(fields.get("file")), inspection.shelf, _setup(fields.get("setup"))
        )
        marked = {
            edge: line
            for edge, ends in _object(fields, "hints").items()
            if (line := _line(ends)) is not None
        }
        if marked:
            hints[sha256] = marked
        if title := _text(fields.get("title")):
            titles[sha256] = title
    # Emptied and filled, not replaced: fields on the page hold on to them.
    inspection.photos.clear()
    inspection.photos.update(photos)
    inspection.hints.clear()
    inspection.hints.update(hints)
    inspection.titles.clear()
    inspection.titles.update(titles)
    if inspection.chosen not in photos:
        inspection.chosen = next(iter(photos), "")


def photo_edits(sha256: str, name: str, setup: Setup | None = None) -> Edits:
    """Return what a document says of a photograph that has just come, as edits."""
    fields: dict[str, Any] = {"sha256": sha256, "file": one_line(name)}
    if setup is not None:
        fields["setup"] = {
            "thickness_mm": setup.thickness_given_mm,
            "bars_mm": None if setup.bars_mm is None else list(setup.bars_mm),
            "face_step_mm": setup.face_step_mm,
        }
    return {f"/photos/[sha256={sha256}]": fields}


def _making_room(document: Any, edits: Edits) -> Edits:
    """Return the edits so that nothing stands in their way in a document from anywhere.

    Where it has a text or a number for what has fields here (``"bow": "x"``), there is no place
    for a field: then the edit puts the object or the list with the field in its place.
    """
    made: dict[str, Any] = {}
    for path, value in edits.items():
        segments = path.split("/")
        for depth in range(1, len(segments)):
            above = "/".join(segments[:depth])
            wanted = list if segments[depth].startswith("[") else dict
            stands = value_at(document, above)
            if stands is not ABSENT and not isinstance(stands, wanted):
                inside = "/" + "/".join(segments[depth:])
                made[above] = with_edit(made.get(above, wanted()), inside, value)
                break
        else:
            made[path] = value
    return made


def _photo_fields(inspection: Inspection, photo: PhotoFile) -> dict[str, Any]:
    (fields,) = photo_edits(photo.sha256, photo.name, photo.setup).values()
    hints = inspection.hints.get(photo.sha256, {})
    own = {
        "title": inspection.titles.get(photo.sha256, ""),
        "hints": {edge: [list(end) for end in line] for edge, line in hints.items()},
    }
    return {**fields, **_filled(own)}


def _photo_hashes(document: Any) -> set[str]:
    photos = document.get("photos")  # of a document that may come from anywhere
    if not isinstance(photos, list):
        return set()
    return {h for photo in photos if isinstance(photo, dict) and (h := _text(photo.get("sha256")))}


def _filled(fields: dict[str, Any]) -> dict[str, Any]:
    return {name: value for name, value in fields.items() if value not in ("", {}, [])}


def _object(document: Any, name: str) -> Mapping[str, Any]:
    value = document.get(name)
    return value if isinstance(value, dict) else {}


def _text(value: Any) -> str:
    return value if isinstance(value, str) else ""


def _line(ends: Any) -> Line | None:
    try:
        (x0, y0), (x1, y1) = ends
        line = ((float(x0), float(y0)), (float(x1), float(y1)))
    except (TypeError, ValueError):
        return None
    return line if all(math.isfinite(c) for end in line for c in end) else None


def _setup(fields: Any) -> Setup | None:
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
