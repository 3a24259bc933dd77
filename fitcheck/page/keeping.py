"""Between the page and the store: a visitor's working copy, saved and brought up to date.

At the start of every run of the page the working copy is compared with the state that it was
taken from. What the visitor changed goes into the store, field by field; what others changed
comes into the working copy. Where both changed one field, the earlier change stands and the
visitor is told.
"""

from __future__ import annotations

import json
import logging
from collections.abc import Mapping
from contextlib import suppress
from functools import cache
from pathlib import Path
from typing import Any

from fitcheck.errors import BadInput, FitcheckError
from fitcheck.measurement import Measurement
from fitcheck.measurement_file import measurement_from_json
from fitcheck.page.document import photos_of, upgraded
from fitcheck.page.inspection import Inspection, PhotoFile
from fitcheck.page.shots import shown_by
from fitcheck.reporting.earlier import Kept, kept_from_json
from fitcheck.reporting.written_report import HTML, JSON
from fitcheck.store import Store
from fitcheck.store.changes import Clash
from fitcheck.store.fields import ABSENT, Edits, edits_between, value_at, with_edit
from fitcheck.store.inspections import Stored, new_identity, one_line
from fitcheck.store.location import default_folder

ASKED = "asked"  # beside a kept measurement: what it was measured with

_log = logging.getLogger("fitcheck.page")


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
        self._revision = 0
        self._kept: dict[str, Any] = {}
        self.identity = new_identity() if stored is None else stored.identity
        self.inspection = Inspection(shelf=self)
        self.clashes: list[Clash] = []
        if stored is not None:
            self._take_over(stored.document, stored.revision)
            self._remember_measurements()
            self.inspection.reported = self._last_report()

    def save(self) -> None:
        """Save what the visitor changed, and take over what others did.

        Raises
        ------
        BadInput
            If it cannot be saved; the working copy still has it, and the next call tries again.
        """
        edits = edits_between(self._seen, self.inspection.document)
        inspections = self._store.inspections
        if edits:
            self.begin()
            roomy = _making_room(self._seen, edits)
            done = inspections.change(self.identity, roomy, self._revision, self._who)
            gone = _photo_hashes(self._seen) - _photo_hashes(done.document)
            if gone:
                inspections.detach(self.identity, gone)
            self.clashes += done.clashes
            self._take_over(done.document, done.revision)
        elif self._begun and inspections.revision(self.identity) != self._revision:
            stands = inspections.get(self.identity)
            self._take_over(stands.document, stands.revision)

    def others_were_here(self) -> bool:
        """Tell quickly whether another device or window changed something meanwhile."""
        if not self._begun:
            return False
        return self._store.inspections.revision(self.identity) != self._revision

    def keep_results(self) -> None:
        """Keep what was measured and written since the last call; raises as :meth:`save`."""
        inspections = self._store.inspections
        photos = self.inspection.photos
        for sha256, (measurement, asked) in self.inspection.measured.items():
            if sha256 in photos and self._kept.get(sha256) != asked:
                content = {**measurement.to_json(), ASKED: asked}
                inspections.keep_measurement(self.identity, sha256, content)
                self._kept[sha256] = asked
        written = self.inspection.written
        if written is not None and self._kept.get("report") is not written:
            for name in (HTML, JSON):
                inspections.keep_report(self.identity, name, written.forms[name])
            self._kept["report"] = written

    def _last_report(self) -> Kept | None:
        """The last report that was kept in a form that a later one can go on from."""
        inspections = self._store.inspections
        for kept in reversed(inspections.reports(self.identity)):
            if kept.name == JSON:
                with suppress(FitcheckError, ValueError):  # a later report begins anew
                    raw = json.loads(inspections.report(self.identity, kept.sha256))
                    return kept_from_json(raw, Path(kept.name))
        return None

    def keep(self, photo: PhotoFile, data: bytes) -> None:
        """Keep a photograph in the store at once: the browser would not send it again."""
        self.begin()
        stands = self._store.inspections.get(self.identity)
        edits = {f"/photos/[sha256={photo.sha256}]": dict(photo.fields)}
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
        self._seen, self._revision = document, revision
        self.inspection.document = upgraded(document)

    def _remember_measurements(self) -> None:
        """What was measured on an earlier day is not measured again."""
        for kept in self._store.inspections.measurements(self.identity):
            asked = kept.content.get(ASKED) if isinstance(kept.content, dict) else None
            if not isinstance(asked, str):
                continue
            measurement = _measurement(kept.content)
            if measurement is not None:
                self.inspection.measured[kept.sha256] = (measurement, asked)
                self._kept[kept.sha256] = asked


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
            "Take it out of the bin, under “Inspections”, to go on with it.",
        )
    return Visit(place, who, stored)


def photo_edits(sha256: str, name: str, asked: Mapping[str, str] | None = None) -> Edits:
    """Return what a document says of a photograph that has just come, as edits.

    Parameters
    ----------
    sha256, name
        Of the photograph.
    asked
        What the sender says that it shows: not to be trusted.
    """
    shows = {} if asked is None else shown_by(asked)
    return {f"/photos/[sha256={sha256}]": {"sha256": sha256, "file": one_line(name), **shows}}


def _measurement(content: Mapping[str, Any]) -> Measurement | None:
    try:
        return measurement_from_json({n: v for n, v in content.items() if n != ASKED})
    except FitcheckError:
        return None


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


def _photo_hashes(document: Any) -> set[str]:
    return {photo["sha256"] for photo in photos_of(document)}
