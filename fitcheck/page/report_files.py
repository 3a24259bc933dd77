"""The written report's files, made from what the page holds."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from fitcheck.errors import BadInput, FitcheckError
from fitcheck.findings.whole import Findings
from fitcheck.page.inspection import PhotoFile
from fitcheck.page.pictures import picture_of
from fitcheck.photo import Photo
from fitcheck.reporting.amounts import Units
from fitcheck.reporting.build import build_report
from fitcheck.reporting.earlier import Kept, kept_of
from fitcheck.reporting.language import Language
from fitcheck.reporting.shop import Shop
from fitcheck.reporting.written_report import Wishes, write_forms


class _Pictures(Mapping[int, Photo]):
    """Photographs by their place, decoded one by one: all at once would fill the memory.

    ``read`` are the places of those that could be read.
    """

    def __init__(self, files: Sequence[PhotoFile | None]) -> None:
        self._files = files
        self.read: set[int] = set()

    def __getitem__(self, place: int) -> Photo:
        file = self._files[place]
        if file is None:
            raise KeyError(place)
        try:
            picture = picture_of(file.sha256, file.read, file.name)
        except FitcheckError as error:  # gone or broken: the report says that it was not measured
            raise KeyError(place) from error
        self.read.add(place)
        return picture

    def __iter__(self) -> Iterator[int]:
        return iter(range(len(self._files)))

    def __len__(self) -> int:
        return len(self._files)


def report_forms(
    files: Sequence[PhotoFile | None],
    findings: Findings,
    language: str,
    units: Units,
    shop: Shop,
    last: Kept | None = None,
) -> tuple[dict[str, bytes], Kept]:
    """Write the report in every form.

    Parameters
    ----------
    files
        The photographs in the order of the findings' inspection; None for one without a file.
    findings
        Of the whole inspection.
    language, units
        Of the report.
    shop
        Who writes it; where it has no name, the inspection's own stands.
    last
        The report that this one takes the place of.

    Returns
    -------
    The forms by file name, and what the next report needs to know of this one.

    Raises
    ------
    BadInput
        As :func:`fitcheck.reporting.build.build_report`.
    """
    say = Language(language, units).picture_words
    pictures = _Pictures(files)
    try:
        report = build_report(findings, pictures, shop=shop, last=last, say=say)
    except BadInput as error:
        if error.code != "another_report":
            raise
        report = build_report(findings, pictures, shop=shop, say=say)
    photographs = {}
    for place, file in enumerate(files):
        if file is not None and place in pictures.read:
            photographs[place + 1] = file.data
    return write_forms(report, Wishes(language, units, shop=shop), photographs), kept_of(report)
