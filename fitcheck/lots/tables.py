"""A lot's results for other programs: CSV, Parquet, JSON."""

from __future__ import annotations

import csv
import dataclasses
import io
import json
import math
from collections.abc import Iterable, Iterator, Mapping
from typing import Any

from fitcheck.lots.drift import Change
from fitcheck.lots.whole import LotFindings
from fitcheck.reporting.as_csv import BOM, safe_cell

PHOTO_COLUMNS: dict[str, type] = {
    "lot": str,
    "date": str,
    "photo": str,
    "part": str,
    "operator": str,
    "repeat": int,
    "subgroup": str,
    "view": str,
    "characteristic": str,
    "value": float,
    "unit": str,
    "standard_uncertainty": float,
    "expanded_uncertainty_95": float,
    "warnings": str,
    "refused": str,
    "photo_sha256": str,
}
PART_COLUMNS = (
    "lot",
    "date",
    "part",
    "subgroup",
    "characteristic",
    "value",
    "unit",
    "standard_uncertainty",
    "photographs",
    "only_warned",
    "disagree",
    "low",
    "high",
    "verdict",
    "probability_within",
    "consumers_risk",
    "producers_risk",
)
FORMAT, VERSION = "fitcheck lot", 1


def photo_rows(lot: LotFindings) -> Iterator[dict[str, Any]]:
    """One row for each value, and one without a value for each photograph that gave none."""
    hashes = {line.planned.file: line.sha256 for line in lot.photos}
    for v in lot.values:
        yield {
            "lot": lot.name,
            "date": lot.date,
            "photo": v.photo,
            "part": v.part,
            "operator": v.operator,
            "repeat": v.repeat,
            "subgroup": v.subgroup,
            "view": lot.view,
            "characteristic": v.characteristic,
            "value": v.value,
            "unit": v.unit,
            "standard_uncertainty": v.standard_uncertainty,
            "expanded_uncertainty_95": v.expanded,
            "warnings": " ".join(v.warnings),
            "refused": "",
            "photo_sha256": hashes.get(v.photo, ""),
        }
    for line in lot.refused:
        p = line.planned
        yield {
            "lot": lot.name,
            "date": lot.date,
            "photo": p.file,
            "part": p.part,
            "operator": p.operator,
            "repeat": p.repeat,
            "subgroup": p.subgroup,
            "view": lot.view,
            "characteristic": "",
            "value": None,
            "unit": "",
            "standard_uncertainty": None,
            "expanded_uncertainty_95": None,
            "warnings": "",
            "refused": line.refused.code if line.refused else "",
            "photo_sha256": line.sha256,
        }


def part_rows(lot: LotFindings) -> Iterator[dict[str, Any]]:
    """One row for each part and characteristic, with what becomes of it."""
    for one in lot.characteristics:
        tolerance = one.tolerance
        for p in one.parts:
            decided = one.decisions.get(p.part)
            yield {
                "lot": lot.name,
                "date": lot.date,
                "part": p.part,
                "subgroup": p.subgroup,
                "characteristic": p.characteristic,
                "value": p.value,
                "unit": p.unit,
                "standard_uncertainty": p.standard_uncertainty,
                "photographs": p.count,
                "only_warned": p.warned,
                "disagree": p.disagree,
                "low": None if tolerance is None else _finite(tolerance.low),
                "high": None if tolerance is None else _finite(tolerance.high),
                "verdict": None if decided is None else decided.verdict,
                "probability_within": None if decided is None else decided.probability_within,
                "consumers_risk": None if decided is None else decided.consumers_risk,
                "producers_risk": None if decided is None else decided.producers_risk,
            }


def photos_csv(lot: LotFindings) -> bytes:
    """The table of values; ``fitcheck lot`` reads it back as a table of numbers."""
    return _csv(PHOTO_COLUMNS, photo_rows(lot))


def parts_csv(lot: LotFindings) -> bytes:
    """The table of parts."""
    return _csv(PART_COLUMNS, part_rows(lot))


def photos_parquet(lot: LotFindings) -> bytes:
    """The table of values as Apache Parquet, typed."""
    import pyarrow
    from pyarrow import parquet

    types = {str: pyarrow.string(), int: pyarrow.int64(), float: pyarrow.float64()}
    schema = pyarrow.schema([(name, types[kind]) for name, kind in PHOTO_COLUMNS.items()])
    rows = [
        {name: _text(cell) if isinstance(cell, str) else cell for name, cell in row.items()}
        for row in photo_rows(lot)
    ]
    sink = io.BytesIO()
    parquet.write_table(pyarrow.Table.from_pylist(rows, schema), sink)
    return sink.getvalue()


def lot_json(lot: LotFindings, changes: Iterable[Change] = ()) -> bytes:
    """All that is found, for programs; what is infinite or not to be had is null."""
    whole = {
        "format": FORMAT,
        "version": VERSION,
        "lot": lot.name,
        "date": lot.date,
        "view": lot.view,
        "inputs": dict(lot.inputs),
        "program": lot.program,
        "truth": _plain(lot.truth),
        "verdicts": lot.verdicts(),
        "photos": [
            {
                "photo": line.planned.file,
                "part": line.planned.part,
                "operator": line.planned.operator,
                "repeat": line.planned.repeat,
                "subgroup": line.planned.subgroup,
                "sha256": line.sha256,
                "refused": _plain(line.refused),
                "warnings": [note.code for note in line.warnings],
            }
            for line in lot.photos
        ],
        "characteristics": [_plain(one) for one in lot.characteristics],
        "occasion": None if lot.occasion is None else lot.occasion.to_json(),
        "changes": [_plain(change) for change in changes],
        "notes": [_plain(note) for note in lot.notes],
    }
    return (json.dumps(whole, indent=1, allow_nan=False) + "\n").encode("ascii")


def _csv(columns: Iterable[str], rows: Iterable[Mapping[str, Any]]) -> bytes:
    out = io.StringIO()
    names = list(columns)
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(names)
    for row in rows:
        writer.writerow([_cell(row[name]) for name in names])
    return (BOM + out.getvalue()).encode("utf-8")


def _cell(thing: Any) -> Any:
    if isinstance(thing, str):
        return safe_cell(thing)
    if isinstance(thing, bool):
        return "yes" if thing else "no"
    return round(thing, 7) if isinstance(thing, float) else thing


def _text(words: str) -> str:
    """A text that UTF-8 can hold: names of files may have lone surrogates."""
    return words.encode("utf-8", "replace").decode("utf-8")


def _plain(thing: Any) -> Any:
    """JSON types only."""
    if dataclasses.is_dataclass(thing) and not isinstance(thing, type):
        return {f.name: _plain(getattr(thing, f.name)) for f in dataclasses.fields(thing)}
    if isinstance(thing, Mapping):
        return {str(key): _plain(value) for key, value in thing.items()}
    if isinstance(thing, list | tuple):
        return [_plain(one) for one in thing]
    return _finite(thing) if isinstance(thing, float) else thing


def _finite(number: float) -> float | None:
    return number if math.isfinite(number) else None
