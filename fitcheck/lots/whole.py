"""A lot from its photographs, or from a table of numbers, to all that is found of it.

The one module of this package that knows the whole order.
"""

from __future__ import annotations

import datetime
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from fitcheck.errors import BadInput
from fitcheck.lens_profile import LensProfile
from fitcheck.lots.acceptance import Tolerance
from fitcheck.lots.analysis import CharacteristicFindings, analyse
from fitcheck.lots.drift import Occasion, occasion_of
from fitcheck.lots.kept_results import Asked, KeptResults
from fitcheck.lots.photo_job import Outcome
from fitcheck.lots.plan import LotPlan, Planned, count
from fitcheck.lots.running import measure_lot
from fitcheck.lots.values import Value, values_of
from fitcheck.measurement import Measurement, Note
from fitcheck.plain_text import visible_text
from fitcheck.reporting.program import program

RESULTS_FOLDER = "measurements"


@dataclass(frozen=True, slots=True)
class PhotoLine:
    """One photograph of a lot, in the table of photographs.

    Attributes
    ----------
    planned
        What it shows.
    sha256, key
        Of its content and its kept result; empty where it has none.
    refused
        Why it gave nothing, or does not count; None if it was measured.
    warnings
        Its warnings.
    """

    planned: Planned
    sha256: str
    key: str
    refused: Note | None
    warnings: tuple[Note, ...]


@dataclass(frozen=True)
class LotFindings:
    """All that is found of a lot.

    Attributes
    ----------
    name, date, view
        Of it; the view is empty for a table of numbers.
    inputs
        The cards, as :meth:`fitcheck.setup.Setup.to_json` gives them; empty for a table.
    program
        What measured it.
    photos
        One line for each; empty for a table.
    values
        All numbers.
    characteristics
        What is found of each.
    occasion
        What it tells of cards and lens; None for a table.
    truth
        Part to characteristic to what is truly so, where that is known.
    notes
        What is to be said of the lot as a whole.
    """

    name: str
    date: str
    view: str
    inputs: Mapping[str, Any]
    program: str
    photos: tuple[PhotoLine, ...]
    values: tuple[Value, ...]
    characteristics: tuple[CharacteristicFindings, ...]
    occasion: Occasion | None
    truth: Mapping[str, Mapping[str, float]]
    notes: tuple[Note, ...]

    @property
    def trial(self) -> bool:
        """Whether it was made to try the method with: the truth of some part is known."""
        return bool(self.truth)

    @property
    def refused(self) -> tuple[PhotoLine, ...]:
        """Photographs that gave nothing."""
        return tuple(line for line in self.photos if line.refused is not None)

    @property
    def warned(self) -> tuple[PhotoLine, ...]:
        """Photographs that were measured and carry a warning."""
        return tuple(line for line in self.photos if line.refused is None and line.warnings)

    @property
    def parts(self) -> tuple[str, ...]:
        """Names of the parts, also of those that were not measured."""
        names = [line.planned.part for line in self.photos] or [v.part for v in self.values]
        return tuple(dict.fromkeys(names))

    @property
    def judged(self) -> tuple[CharacteristicFindings, ...]:
        """Characteristics with a tolerance."""
        return tuple(c for c in self.characteristics if c.tolerance is not None)

    def verdicts(self) -> dict[str, str]:
        """Part to its verdict over all characteristics.

        The worst of reject, measure again, accept. A part that was measured is ``not judged``
        where it would be accepted but a characteristic with a tolerance is missing, or its
        uncertainty is; one that was not is ``not measured``.
        """
        measured = {p.part for one in self.characteristics for p in one.parts}
        return {
            part: self._verdict(part) if part in measured else "not measured"
            for part in self.parts
        }

    def _verdict(self, part: str) -> str:
        decided = [one.decisions.get(part) for one in self.judged]
        verdicts = [d.verdict if d is not None else "not judged" for d in decided]
        order = ("reject", "measure again", "not judged", "accept")
        return next((verdict for verdict in order if verdict in verdicts), "not judged")


def run_lot(
    plan: LotPlan,
    out: Path,
    tolerances: Mapping[str, Tolerance] | None = None,
    profiles: Sequence[LensProfile] = (),
    workers: int | None = None,
    scheduler: str = "",
    progress: Callable[[Outcome], None] = lambda _: None,
) -> LotFindings:
    """Measure a lot and find all that its numbers tell.

    Parameters
    ----------
    plan
        The lot.
    out
        Folder in whose ``measurements`` results are kept: started again with the same folder,
        nothing is measured twice.
    tolerances
        The user's own, by characteristic.
    profiles
        What is known of lenses.
    workers
        Processes on this machine; as many as there are cores if None.
    scheduler
        Address of a Dask scheduler to measure on its cluster instead.
    progress
        Is told of each photograph that is done.

    Raises
    ------
    BadInput
        As :func:`fitcheck.lots.analysis.analyse` and
        :func:`fitcheck.lots.cluster.measure_lot_on_cluster`; ``results_not_kept``.
    """
    results = KeptResults(out / RESULTS_FOLDER)
    asked = Asked(plan.view, plan.setup, tuple(sorted(profiles, key=lambda p: p.key)), program())
    try:
        if scheduler:
            from fitcheck.lots.cluster import measure_lot_on_cluster

            outcomes = measure_lot_on_cluster(plan, asked, results, scheduler, progress)
        else:
            outcomes = measure_lot(plan, asked, results, workers, progress)
    except OSError as error:
        raise BadInput(
            "results_not_kept",
            f"A result could not be kept in {results.folder}: {error.strerror or error}.",
            "Make room, or choose another folder with --out; what was kept is not lost.",
        ) from error
    return gather_lot(plan, outcomes, results, tolerances, asked.program)


def gather_lot(
    plan: LotPlan,
    outcomes: Sequence[Outcome],
    results: KeptResults,
    tolerances: Mapping[str, Tolerance] | None = None,
    made_by: str = "",
) -> LotFindings:
    """Find all that the kept results of a lot tell; raises as :func:`analyse`."""
    lines: list[PhotoLine] = []
    values: list[Value] = []

    def one_by_one() -> Iterator[tuple[Measurement, str]]:
        """Hand on each measurement and keep its numbers only: a lot may be large."""
        first: dict[str, str] = {}
        for planned, outcome in zip(plan.photos, outcomes, strict=True):
            line, found, lens = _line(planned, outcome, results, first)
            lines.append(line)
            if found is not None:
                values.extend(values_of(planned, found))
                yield found, lens

    date = plan.date or datetime.date.today().isoformat()
    occasion = occasion_of(date, plan.name, one_by_one())
    return LotFindings(
        plan.name,
        date,
        plan.view,
        plan.setup.to_json(),
        made_by or program(),
        tuple(lines),
        tuple(values),
        analyse(values, tolerances, plan.truth),
        occasion,
        plan.truth,
        (*plan.notes, *_notes(lines)),
    )


def lot_of_values(
    values: Sequence[Value],
    name: str,
    tolerances: Mapping[str, Tolerance] | None = None,
    date: str = "",
) -> LotFindings:
    """Find all that a table of numbers tells; raises as :func:`analyse`."""
    day = date or datetime.date.today().isoformat()
    found = analyse(values, tolerances)
    return LotFindings(name, day, "", {}, program(), (), tuple(values), found, None, {}, ())


def _line(
    planned: Planned, outcome: Outcome, results: KeptResults, first: dict[str, str]
) -> tuple[PhotoLine, Measurement | None, str]:
    """A line of the table, what was measured if it counts, and the lens."""
    if outcome.problem is not None:
        return PhotoLine(planned, "", "", outcome.problem, ()), None, ""
    kept = results.get(outcome.key)
    if kept is None:
        lost = Note(
            "result_lost",
            "Its result cannot be read any more.",
            "Start again: it is measured anew.",
        )
        return PhotoLine(planned, outcome.sha256, "", lost, ()), None, ""
    original = first.setdefault(outcome.sha256, planned.file)
    if original != planned.file:
        copy = Note(
            "copy",
            f"It is the same file as {visible_text(original)}: a copy is no repeat.",
            "Take another photograph.",
        )
        return PhotoLine(planned, outcome.sha256, outcome.key, copy, ()), None, ""
    found = replace(kept.measurement, photo=planned.file)
    line = PhotoLine(
        planned,
        outcome.sha256,
        outcome.key,
        found.refused,
        () if found.refused else found.warnings,
    )
    return line, found, kept.lens


def _notes(lines: Sequence[PhotoLine]) -> list[Note]:
    measured = {line.planned.part for line in lines if line.refused is None}
    missing = [p for p in dict.fromkeys(line.planned.part for line in lines) if p not in measured]
    if not missing:
        return []
    shown = ", ".join(visible_text(part) for part in missing[:5])
    return [
        Note(
            "parts_not_measured",
            f"{count(len(missing), 'part')} could not be measured at all: {shown}"
            f"{' …' if len(missing) > 5 else ''}.",
            "Take their photographs again.",
        )
    ]
