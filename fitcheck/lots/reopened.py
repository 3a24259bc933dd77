"""A lot from the store, with all that is found of it reckoned anew from its measurements."""

from __future__ import annotations

import math
from typing import Any

from fitcheck.errors import BadInput
from fitcheck.lots.acceptance import Tolerance
from fitcheck.lots.analysis import analyse
from fitcheck.lots.drift import Occasion, occasion_from_json
from fitcheck.lots.plan import Planned
from fitcheck.lots.tolerances import OWN, own_tolerance
from fitcheck.lots.values import Value, values_of
from fitcheck.lots.whole import LotFindings, PhotoLine
from fitcheck.measurement import Note
from fitcheck.measurement_file import measurement_from_json
from fitcheck.store.store import Store


def reopened_lot(store: Store, identity: str) -> LotFindings:
    """Return a lot of the store.

    Raises
    ------
    BadInput
        ``lot_unknown`` if there is none of that identity, ``lot_unreadable`` if what was kept
        cannot be read.
    """
    record = store.lots.record(identity)
    try:
        return _lot(store, identity, record)
    except (ValueError, KeyError, TypeError, AttributeError) as error:
        raise BadInput(
            "lot_unreadable",
            "This lot was kept by another version of fitcheck and cannot be shown.",
            "Measure it again.",
        ) from error


def _lot(store: Store, identity: str, record: dict[str, Any]) -> LotFindings:
    refusals = {line["photo"]: line["refused"] for line in record["photos"]}
    lines: list[PhotoLine] = []
    values: list[Value] = []
    for one in store.lots.photographs(identity):
        shows = one.shows
        planned = Planned(
            one.photo, shows["part"], shows["operator"], int(shows["repeat"]), shows["subgroup"]
        )
        raw = refusals.get(one.photo)
        refused = None if raw is None else Note(raw["code"], raw["message"], raw["advice"])
        warnings: tuple[Note, ...] = ()
        if refused is None and one.measurement is not None:
            found = measurement_from_json(one.measurement)
            warnings = found.warnings
            values += values_of(planned, found)
        lines.append(PhotoLine(planned, one.sha256, "", refused, warnings))
    truth = {str(p): dict(known) for p, known in record["truth"].items()}
    occasion: Occasion | None = None
    if record["occasion"] is not None:
        occasion = occasion_from_json(record["occasion"])
    return LotFindings(
        record["lot"],
        record["date"],
        record["view"],
        record["inputs"],
        record["program"],
        tuple(lines),
        tuple(values),
        analyse(values, _tolerances(record), truth),
        occasion,
        truth,
        tuple(Note(n["code"], n["message"], n["advice"]) for n in record["notes"]),
    )


def _tolerances(record: dict[str, Any]) -> dict[str, Tolerance]:
    """The user's own; default limits are those of today."""
    found = {}
    for one in record["characteristics"]:
        raw = one["tolerance"]
        if raw is not None and raw["source"] == OWN:
            low = -math.inf if raw["low"] is None else float(raw["low"])
            high = math.inf if raw["high"] is None else float(raw["high"])
            found[one["name"]] = own_tolerance(low, high, raw["target"])
    return found
