"""Before beside after, and what a new issue of a report changes."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence

from fitcheck.findings.whole import Findings
from fitcheck.inspection_file import inspection_to_json
from fitcheck.reporting.earlier import Kept
from fitcheck.reporting.model import Change, Earlier, Line, PhotoPage

# Two values whose difference is within its expanded uncertainty are not told apart.
COVERAGE_FACTOR = 1.96

MOST_FIELDS, LONGEST_VALUE = 20, 80  # named one by one, and letters of each that are shown

Key = tuple[str, str | None, str | None, str | None]


def before_and_after(before: Kept, lines: Sequence[Line]) -> Earlier:
    """Set an earlier inspection beside this one.

    Seats are compared by their end as the bow was received each time, whichever limb sat
    there; limbs that are exchanged only to find faults are not compared. The uncertainties of
    both are taken as independent: cards and telephone may have been others. Where they were
    the same, the difference is better known than is said.
    """
    then = {_key(line): line for line in before.lines if line.arrangement == "as received"}
    now = {_key(line): line for line in lines if line.arrangement == "as received"}
    changes = [_change(then.get(key), line) for key, line in now.items()]
    changes += [_change(line, None) for key, line in then.items() if key not in now]
    return Earlier(
        before.number, before.date, before.stage, before.use, before.score, tuple(changes)
    )


def _key(line: Line) -> Key:
    # A limb's own twist belongs to the limb; all else to the end that it was measured at.
    return line.name, line.end, None if line.end else line.limb, line.side or line.against


def _change(before: Line | None, after: Line | None) -> Change:
    if before is None or after is None:
        return Change(before, after, None, None, "only before" if after is None else "only after")
    by = after.value - before.value
    u = math.hypot(before.standard_uncertainty, after.standard_uncertainty)
    return Change(before, after, by, u, "changed" if abs(by) > COVERAGE_FACTOR * u else "not told")


def what_changed(
    last: Kept, lines: Sequence[Line], findings: Findings, pages: Iterable[PhotoPage]
) -> tuple[str, ...]:
    """Say what a new issue changes against the last one, in short English sentences."""
    said = []
    if findings.fitness.use != last.use:
        said.append(f"The verdict was “{last.use}” and is “{findings.fitness.use}”.")
    score = "" if findings.bow_score is None else findings.bow_score.text
    if score != last.score:
        said.append(f"The score was {last.score or 'not given'} and is {score or 'not given'}.")
    hashes = {page.sha256: page.entry.file for page in pages if page.sha256}
    added, gone = hashes.keys() - last.photos.keys(), last.photos.keys() - hashes.keys()
    if added:
        said.append(f"{len(added)} photographs are new.")
    if gone:
        said.append(f"{len(gone)} photographs were taken out.")
    then = {_whole_key(line): line for line in last.lines}
    now = {_whole_key(line): line for line in lines}
    both = [(then[key], now[key]) for key in now if key in then]
    values = sum(not _same(old, new) for old, new in both)
    if values:
        said.append(f"{values} values are others.")
    decisions = sum(old.verdict != new.verdict for old, new in both)
    if decisions:
        said.append(f"{decisions} decisions are others.")
    if now.keys() - then.keys():
        said.append(f"{len(now.keys() - then.keys())} characteristics are new.")
    if then.keys() - now.keys():
        said.append(f"{len(then.keys() - now.keys())} characteristics are no longer given.")
    said += _given_anew(last, findings)
    return tuple(said) or ("Nothing measured or given was changed; the program’s words were.",)


def _given_anew(last: Kept, findings: Findings) -> list[str]:
    """Each field of the inspection that holds something else, with what it held."""
    before = dict(_fields(last.given))
    after = dict(_fields(inspection_to_json(findings.inspection)))
    changed = [key for key in {**before, **after} if before.get(key) != after.get(key)]
    said = [
        f"Given anew, {key}: it was “{_value(before.get(key))}” and is “{_value(after.get(key))}”."
        for key in changed[:MOST_FIELDS]
    ]
    if len(changed) > MOST_FIELDS:
        said.append(f"{len(changed) - MOST_FIELDS} more fields of the inspection are others.")
    return said


def _fields(thing: object, name: str = "") -> Iterator[tuple[str, object]]:
    """Every single value of a record by its name, ``readings, tiller 1, upper``."""
    if isinstance(thing, Mapping):
        for key, value in thing.items():
            # Photographs are counted by themselves: one fewer would move all that follow it.
            if name or key != "photos":
                words = str(key).replace("_", " ")
                yield from _fields(value, f"{name}, {words}" if name else words)
    elif isinstance(thing, list | tuple):
        for i, value in enumerate(thing, start=1):
            yield from _fields(value, f"{name} {i}")
    else:
        yield name, thing


def _value(thing: object) -> str:
    if thing is None or thing == "":
        return "–"
    if isinstance(thing, bool):
        return "yes" if thing else "no"
    text = str(thing)
    return text if len(text) <= LONGEST_VALUE else f"{text[:LONGEST_VALUE]}…"


def _whole_key(line: Line) -> tuple[object, ...]:
    return line.name, line.arrangement, line.end, line.limb, line.side, line.against


def _same(old: Line, new: Line) -> bool:
    return math.isclose(old.value, new.value, abs_tol=5e-6) and math.isclose(
        old.standard_uncertainty, new.standard_uncertainty, abs_tol=5e-6
    )
