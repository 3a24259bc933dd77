"""A few photographs of one thing, measured one by one: the two-minute study for one user."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from fitcheck.errors import BadInput
from fitcheck.lots.acceptance import Tolerance
from fitcheck.lots.improvement import REMEDIES
from fitcheck.lots.one_user import OneUserStudy, one_user_study
from fitcheck.lots.part_values import independent_share, mean_budget
from fitcheck.lots.plan import Planned, count
from fitcheck.lots.tolerances import tolerance_of
from fitcheck.lots.values import Value, values_of
from fitcheck.measurement import Measurement, Note
from fitcheck.setup import Setup
from fitcheck.units import quantity_text, uncertainty_text
from fitcheck.wording import SOURCES, wording

SUITS = {
    "yes": "a single photograph suits it",
    "with care": "a single photograph can be used, with care near the limits",
    "no": "a single photograph does not suit it: take the mean of several, or improve it first",
}


@dataclass(frozen=True)
class RepeatedFinding:
    """One characteristic over all photographs.

    Attributes
    ----------
    name, unit
        Which.
    study
        How it repeats.
    largest_source
        Of the photographs' own budgets, with its standard uncertainty; None without budgets.
    """

    name: str
    unit: str
    study: OneUserStudy
    largest_source: tuple[str, float] | None


@dataclass(frozen=True)
class Repeated:
    """What repeated photographs tell.

    Attributes
    ----------
    findings
        One for each characteristic; those that have a tolerance first.
    refused
        Photographs that gave nothing, and why.
    warned
        Photographs that carry a warning; they are counted in.
    """

    findings: tuple[RepeatedFinding, ...]
    refused: tuple[tuple[str, Note], ...]
    warned: tuple[str, ...]


def repeated_photographs(
    photos: Sequence[Path],
    view: str,
    setup: Setup | None = None,
    tolerances: Mapping[str, Tolerance] | None = None,
    progress: Callable[[int], None] = lambda _: None,
) -> Repeated:
    """Measure photographs of one thing and study how they repeat.

    Parameters
    ----------
    photos
        Their files, at least 3, better 5: cards and telephone taken away each time.
    view, setup
        As for :func:`fitcheck.pipeline.measure`.
    tolerances
        The user's own, by characteristic.
    progress
        Is told how many are done.

    Raises
    ------
    BadInput
        ``too_few_repeats``, or ``same_photo`` if two files are the same.
    """
    from fitcheck.photo import load_photo
    from fitcheck.pipeline import measure_photos

    seen: dict[str, str] = {}
    found: list[Measurement] = []
    for number, path in enumerate(photos, start=1):
        try:
            photo = load_photo(path)
            if photo.sha256 in seen:
                raise BadInput(
                    "same_photo",
                    f"{path.name} is the same file as {seen[photo.sha256]}: a copy is no repeat.",
                    "Give each photograph once.",
                )
            seen[photo.sha256] = path.name
            found.append(measure_photos([photo], view, setup)[0])
        except BadInput as error:
            if error.code in ("same_photo", "unknown_view"):
                raise
            note = Note(error.code, error.message, error.advice)
            found.append(Measurement(path.name, view, refused=note))
        progress(number)
    return study_repeats(found, tolerances)


def study_repeats(
    found: Sequence[Measurement], tolerances: Mapping[str, Tolerance] | None = None
) -> Repeated:
    """Study measurements of one thing; raises BadInput ``too_few_repeats``."""
    by_name: dict[str, list[Value]] = {}
    for i, measurement in enumerate(found):
        for value in values_of(Planned(measurement.photo, "it", "", i + 1), measurement):
            by_name.setdefault(value.characteristic, []).append(value)
    if not by_name:
        one_user_study([])  # says what is missing
    own = tolerances or {}
    findings = []
    for name, values in by_name.items():
        tolerance = tolerance_of(name, own)
        study = one_user_study(
            [v.value for v in values],
            [independent_share(v) for v in values],
            None if tolerance is None else tolerance.width,
        )
        budget = mean_budget(values)
        largest = next(iter(budget.items()), None)
        findings.append(RepeatedFinding(name, values[0].unit, study, largest))
    findings.sort(key=lambda one: one.study.percent_of_tolerance is None)
    return Repeated(
        tuple(findings),
        tuple((m.photo, m.refused) for m in found if m.refused is not None),
        tuple(m.photo for m in found if m.refused is None and m.warnings),
    )


def repeated_text(found: Repeated) -> list[str]:
    """The study in plain lines."""
    lines = [f"{name}: not measured. {note.message} {note.advice}" for name, note in found.refused]
    if found.warned:
        lines.append(f"With a warning, counted in: {', '.join(found.warned)}.")
    for one in found.findings:
        lines += _of_one(one)
    lines.append(
        "What is the same in all of them (print, card thickness, how a card was folded) cannot "
        "show in this; it is in the uncertainty of each."
    )
    return lines


def _of_one(one: RepeatedFinding) -> list[str]:
    s = one.study
    name = wording(one.name).name
    if s.scatter.value <= 0:
        return [f"{name}: {count(s.count, 'reading')}, all alike."]
    mean = quantity_text(s.mean, 1.96 * s.scatter.value / s.count**0.5, one.unit)
    low, high = _size(s.scatter.low, one.unit), _size(s.scatter.high, one.unit)
    lines = [
        f"{name}: {count(s.count, 'reading')}, mean {mean}; one photograph scatters by "
        f"{_size(s.scatter.value, one.unit)} (standard deviation; 95 %: {low} to {high})."
    ]
    if s.stated is not None:
        than = "more than" if s.more_than_stated else "in keeping with"
        lines.append(f"  That is {than} what they state themselves, {_size(s.stated, one.unit)}.")
    if s.percent_of_tolerance is not None:
        p = s.percent_of_tolerance
        lines.append(
            f"  Of the tolerance it takes {p.value:.0f} % ({p.low:.0f} to {p.high:.0f} %): "
            f"{SUITS[s.suits]}."
        )
    if one.largest_source is not None and s.percent_of_tolerance is not None:
        source, u = one.largest_source
        remedy = REMEDIES.get(source, "")
        lines.append(
            f"  What would help most: {SOURCES.get(source, source)} ({_size(u, one.unit)})"
            f"{': ' + remedy if remedy else ''}."
        )
    return lines


def _size(sd: float, unit: str) -> str:
    return uncertainty_text(sd, unit).removeprefix("± ") if sd > 0 else "nothing"
