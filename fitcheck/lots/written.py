"""Everything of a lot as files in a folder, and in the store."""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator
from contextlib import suppress
from pathlib import Path

from fitcheck.errors import BadInput
from fitcheck.lots.course import Course
from fitcheck.lots.drift import Change
from fitcheck.lots.kept_results import KeptResults
from fitcheck.lots.lot_report import LotWishes, lot_pdf
from fitcheck.lots.plan_file import RESULT_TABLES
from fitcheck.lots.tables import lot_json, parts_csv, photos_csv, photos_parquet
from fitcheck.lots.whole import LotFindings
from fitcheck.store.lots import LotPhotograph
from fitcheck.store.store import Store

REPORT, RESULTS = "lot-report.pdf", "lot-results.json"
PHOTOS, PARTS = RESULT_TABLES
PARQUET = "lot-photos.parquet"


def lot_files(
    lot: LotFindings,
    changes: Iterable[Change] = (),
    over_time: Iterable[Course] = (),
    wishes: LotWishes | None = None,
) -> dict[str, bytes]:
    """Return all written forms of a lot by their file names; as :func:`lot_pdf`."""
    told = tuple(changes)
    return {
        REPORT: lot_pdf(lot, told, over_time, wishes),
        PARTS: parts_csv(lot),
        PHOTOS: photos_csv(lot),
        PARQUET: photos_parquet(lot),
        RESULTS: lot_json(lot, told),
    }


def write_lot(out: Path, files: dict[str, bytes]) -> list[Path]:
    """Write them into a folder, each whole or not at all; raises BadInput ``lot_not_written``."""
    beside: dict[str, Path] = {}
    try:
        out.mkdir(parents=True, exist_ok=True)
        for name, data in files.items():
            beside[name] = out / f"{name}.{os.getpid()}.new"
            beside[name].write_bytes(data)
        for name, path in beside.items():
            path.replace(out / name)
    except OSError as error:
        for path in beside.values():
            with suppress(OSError):
                path.unlink(missing_ok=True)
        raise BadInput(
            "lot_not_written",
            f"The lot's results cannot be written to {out}: {error.strerror or error}.",
            "Make room, or choose a folder that you may write to with --out; what was measured is "
            "kept.",
        ) from error
    return [out / name for name in files]


def keep_lot(store: Store, lot: LotFindings, results: KeptResults | None, record: bytes) -> str:
    """Keep a lot in the store with every photograph's measurement; returns its identity.

    Parameters
    ----------
    store
        The store.
    lot
        What was found.
    results
        Where the measurements are kept; None for a table of numbers.
    record
        What :func:`fitcheck.lots.tables.lot_json` wrote.
    """
    return store.lots.keep(lot.name, lot.date, record, _photographs(lot, results))


def _photographs(lot: LotFindings, results: KeptResults | None) -> Iterator[LotPhotograph]:
    for line in lot.photos:
        kept = results.get(line.key) if results is not None and line.key else None
        p = line.planned
        shows = {
            "part": p.part.encode("utf-8", "replace").decode("utf-8"),
            "operator": p.operator.encode("utf-8", "replace").decode("utf-8"),
            "repeat": p.repeat,
            "subgroup": p.subgroup.encode("utf-8", "replace").decode("utf-8"),
        }
        measurement = None if kept is None else kept.measurement.to_json()
        yield LotPhotograph(p.file, line.sha256, shows, measurement)
