"""The report as data: what every form of it shows, computed once and nowhere else.

Numbers are in mm and degrees, uncertainties standard unless called expanded. Words of the
findings are English here; :mod:`fitcheck.reporting.document` puts them into a language.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from fitcheck.findings.whole import Findings
from fitcheck.inspection import Arrangement, End, PhotoEntry
from fitcheck.measurement import Measurement
from fitcheck.reporting.shop import Shop


@dataclass(frozen=True)
class Issue:
    """One issue of a report.

    Attributes
    ----------
    revision
        1 for the first.
    date
        ISO 8601, of the issue.
    program
        Name and version of the program that wrote it.
    digest
        SHA-256 of the content, without date and program.
    changes
        What changed against the issue before it; empty for the first.
    """

    revision: int
    date: str
    program: str
    digest: str
    changes: tuple[str, ...] = ()


@dataclass(frozen=True)
class Line:
    """One characteristic: value, uncertainty, limits, decision, tool, photographs.

    Attributes
    ----------
    name
        As in the findings, ``overhang_left``.
    arrangement
        Of the limbs.
    end, limb, side
        Where; None where it does not apply.
    against
        For a twist: ``"riser"`` or ``"butt"``.
    value, standard_uncertainty, unit
        ``"mm"`` or ``"deg"``.
    tool
        ``"photograph"``, ``"bench"``, ``"rule"``, ``"reckoned"`` …
    limit
        Name of the limit that it is held against; empty where there is none.
    conformity, rework
        The decision; empty where there is no limit.
    p_good, p_rework_free
        Probabilities of lying within either limit; None where there is no limit.
    what_decides
        What speaks against the value, and what would settle what is open.
    said
        Value and decision in a sentence.
    photos
        Numbers of the photographs, from 1.
    seatings, seating_range
        How many times the limb was seated for it, and largest less smallest value, in ``unit``;
        None for a single seating.
    """

    name: str
    arrangement: Arrangement
    end: End | None
    limb: str | None
    side: str | None
    against: str | None
    value: float
    standard_uncertainty: float
    unit: str
    tool: str
    limit: str = ""
    conformity: str = ""
    rework: str = ""
    p_good: float | None = None
    p_rework_free: float | None = None
    what_decides: str = ""
    said: str = ""
    photos: tuple[int, ...] = ()
    seatings: int = 1
    seating_range: float | None = None

    @property
    def expanded_uncertainty(self) -> float:
        """Half of the 95 % interval."""
        return max(1.96 * self.standard_uncertainty, 1e-3)

    @property
    def verdict(self) -> str:
        """``good``, ``acceptable``, ``rework``, ``undecided`` or empty."""
        if not self.limit:
            return ""
        if self.conformity == "conforms":
            return "good"
        if self.rework == "needed":
            return "rework"
        settled = self.conformity == "does not conform" and self.rework == "not needed"
        return "acceptable" if settled else "undecided"


@dataclass(frozen=True)
class Picture:
    """A JPEG for the report.

    Attributes
    ----------
    jpeg
        The file.
    width, height
        Pixels.
    kind
        ``"whole"``; ``"left"`` or ``"right"``: the close-up of a side's lip; ``"butt"`` or
        ``"end"``: that of a seam's end, the latter at the riser's end.
    scale_cards
        Cards beside which a scale bar is drawn; for a close-up empty.
    """

    jpeg: bytes
    width: int
    height: int
    kind: str
    scale_cards: tuple[str, ...] = ()


@dataclass(frozen=True)
class PhotoPage:
    """One photograph of the inspection.

    Attributes
    ----------
    number
        From 1, in the order of the inspection.
    entry
        What the inspection says of it.
    measurement
        What it gave; None where nothing did.
    sha256
        Of the file; empty where the file was not there.
    pictures
        Annotated; none where the file was not there.
    """

    number: int
    entry: PhotoEntry
    measurement: Measurement | None
    sha256: str
    pictures: tuple[Picture, ...] = ()


@dataclass(frozen=True)
class Change:
    """One characteristic before and after.

    Attributes
    ----------
    before, after
        Either may be missing.
    difference, standard_uncertainty
        After less before; the uncertainties of both are taken as independent.
    verdict
        ``"changed"`` beyond the expanded uncertainty of the difference, ``"not told"``, or
        ``"only before"``, ``"only after"``.
    """

    before: Line | None
    after: Line | None
    difference: float | None
    standard_uncertainty: float | None
    verdict: str


@dataclass(frozen=True)
class Earlier:
    """An earlier inspection of the same bow, and what has changed since.

    Attributes
    ----------
    number, date, stage
        Of the earlier report or inspection.
    use
        What the bow was fit for then.
    score
        Then, in words.
    changes
        By characteristic.
    """

    number: str
    date: str
    stage: str
    use: str
    score: str
    changes: tuple[Change, ...]


@dataclass(frozen=True, eq=False)
class Report:
    """Everything that a report holds.

    Attributes
    ----------
    number
        Of the report.
    issues
        This issue last.
    shop
        Who wrote it.
    findings
        With inspection and measurements.
    lines
        Every characteristic: judged ones first.
    photos
        In the order of the inspection.
    earlier
        None where there is no earlier inspection.
    unreadable
        Photographs whose file could not be read, to what was wrong.
    missing
        Those of them whose file was not there at all.
    """

    number: str
    issues: tuple[Issue, ...]
    shop: Shop
    findings: Findings
    lines: tuple[Line, ...]
    photos: tuple[PhotoPage, ...]
    earlier: Earlier | None = None
    unreadable: Mapping[str, str] = field(default_factory=dict)
    missing: frozenset[str] = frozenset()

    @property
    def issue(self) -> Issue:
        """The issue that is written."""
        return self.issues[-1]
