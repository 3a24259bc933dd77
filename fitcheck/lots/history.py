"""What the store tells of cards and lens over time: lots, and inspections with their closures."""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterator, Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any

from fitcheck.errors import BadInput, FitcheckError
from fitcheck.findings.whole import find
from fitcheck.inspection import Inspection
from fitcheck.json_fields import parse_json
from fitcheck.lots.drift import Closure, Occasion, occasion_from_json, occasion_of
from fitcheck.measurement import Measurement
from fitcheck.measurement_file import measurement_from_json
from fitcheck.plain_text import visible_text
from fitcheck.store.store import Store

Reader = Callable[[Mapping[str, Any]], tuple[Inspection, list[str]]]

_log = logging.getLogger("fitcheck.lots")


def occasions_in(store: Store, reader: Reader) -> Iterator[Occasion]:
    """Return every lot and every inspection of a store as an occasion; not trials.

    Parameters
    ----------
    store
        The store.
    reader
        Makes of a kept document the inspection and the hashes of its photographs.

    Notes
    -----
    What cannot be read as an inspection, such as one that was only begun, is passed over.
    """
    for lot in store.lots.listed():
        with suppress(ValueError, KeyError, TypeError):
            record = store.lots.record(lot.identity)
            if not record["truth"]:  # else made to try the method with
                yield occasion_from_json(record["occasion"])
    for listed in store.inspections.listed():
        try:
            yield _inspected(store, listed.identity, reader)
        except (FitcheckError, ValueError, KeyError, TypeError) as error:
            _log.info("inspection %s tells nothing: %s", listed.identity, error)


def earlier_occasions(store: Store, reader: Reader, name: str, date: str) -> list[Occasion]:
    """Return the occasions that a lot is held against: those of a store up to its date.

    Parameters
    ----------
    store, reader
        As for :func:`occasions_in`.
    name, date
        Of the lot. It is left out itself where it was kept at an earlier run, for it replaces
        what was kept under its name and date; what came later tells nothing of its time.
    """
    found = occasions_in(store, reader)
    return [o for o in found if (o.name, o.date) != (name, date) and o.date <= date]


def occasion_in_file(path: Path) -> Occasion:
    """Read the occasion from the results that ``fitcheck lot`` wrote.

    Raises
    ------
    BadInput
        ``lot_unreadable``.
    """
    try:
        raw = parse_json(path.read_text(encoding="utf-8"), "the file of results")
        return occasion_from_json(raw["occasion"])
    except (OSError, UnicodeDecodeError, ValueError, KeyError, TypeError, BadInput) as error:
        raise BadInput(
            "lot_unreadable",
            f"{visible_text(path.name)} does not hold the results of a measured lot.",
            "Give the folder or the lot-results.json that fitcheck lot wrote.",
        ) from error


def _inspected(store: Store, identity: str, reader: Reader) -> Occasion:
    stored = store.inspections.get(identity)
    inspection, hashes = reader(stored.document)
    by_hash: dict[str, Measurement] = {}
    for kept in store.inspections.measurements(identity):  # oldest first: the last one counts
        with suppress(BadInput):
            by_hash[kept.sha256] = measurement_from_json(kept.content)
    measured = [by_hash.get(sha256) for sha256 in hashes]
    closures: list[Closure] = []
    if len(inspection.limbs) == 2:
        findings = find(inspection, measured)
        closures = [
            Closure(c.characteristic, c.result.value, c.result.standard_uncertainty)
            for c in findings.faults.closures
            if c.result.standard_uncertainty > 0
        ]
    date = inspection.date or stored.begun[:10]
    found = [(m, "") for m in measured if m is not None]
    return occasion_of(date, inspection.bow.name or identity[:12], found, closures)
