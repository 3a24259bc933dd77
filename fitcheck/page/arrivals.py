"""What is done as soon as a photograph has arrived, before the page asks for it."""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass

from fitcheck.errors import FitcheckError
from fitcheck.page.document import upgraded
from fitcheck.page.inspection import Inspection, PhotoFile
from fitcheck.page.keeping import store
from fitcheck.page.measuring import begin_measuring


@dataclass(frozen=True)
class _Stored:
    """The photographs of an inspection in the store, to be read only."""

    identity: str

    def keep(self, photo: PhotoFile, data: bytes) -> None:
        """Nothing is kept: the photograph is in the store already."""

    def read(self, photo: PhotoFile) -> bytes:
        """Return its bytes."""
        return store().inspections.photograph(self.identity, photo.sha256)


def measure_ahead(identity: str, sha256: str) -> None:
    """Begin to measure a photograph of an inspection, as far as it can be measured yet.

    What is wrong with the readings, or with the store, is said by the page when it shows the
    photograph.
    """
    with suppress(FitcheckError):
        document = upgraded(store().inspections.get(identity).document)
        inspection = Inspection(shelf=_Stored(identity), document=document)
        photo = inspection.photos.get(sha256)
        if photo is not None:
            begin_measuring(inspection, photo)
