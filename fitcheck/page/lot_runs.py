"""Lots that are being measured in the background, so that a lost connection stops nothing."""

from __future__ import annotations

import hashlib
import logging
import threading
from dataclasses import dataclass, field
from pathlib import Path

from fitcheck.errors import BadInput, FitcheckError
from fitcheck.lots.acceptance import Tolerance
from fitcheck.lots.kept_results import KeptResults
from fitcheck.lots.photo_job import Outcome
from fitcheck.lots.plan import LotPlan
from fitcheck.lots.tables import lot_json
from fitcheck.lots.whole import RESULTS_FOLDER, run_lot
from fitcheck.lots.written import keep_lot
from fitcheck.store import Store

LOTS_FOLDER = "lots"  # in the store's folder: measurements of lots, and uploaded photographs

_log = logging.getLogger("fitcheck.page")


class _Stopped(Exception):
    pass


@dataclass
class LotRun:
    """One lot that is being measured.

    Attributes
    ----------
    name, total
        Of the lot, and how many photographs it has.
    done, fresh
        How many are done, and how many of these were measured now.
    identity
        Of the lot in the store, once it is there.
    error
        What ended it, if something did.
    ended
        Whether it is over, one way or another.
    """

    name: str
    total: int
    done: int = 0
    fresh: int = 0
    identity: str = ""
    error: FitcheckError | None = None
    ended: bool = False
    _stop: threading.Event = field(default_factory=threading.Event)

    def stop(self) -> None:
        """Have it end after the photographs in hand; what was measured is kept."""
        self._stop.set()

    def told(self, outcome: Outcome) -> None:
        """Count a photograph; ends the run if that was asked for."""
        self.done += 1
        self.fresh += outcome.fresh
        if self._stop.is_set():
            raise _Stopped


# One at a time: each takes all cores.
_present: list[LotRun] = []
_lock = threading.Lock()


def present_run() -> LotRun | None:
    """Return the run that goes on, or the last one that ended; None before the first."""
    return _present[-1] if _present else None


def start_run(store: Store, plan: LotPlan, out: Path, tolerances: dict[str, Tolerance]) -> LotRun:
    """Begin to measure a lot.

    Raises
    ------
    BadInput
        ``lot_running`` if another one goes on.
    """
    with _lock:
        before = present_run()
        if before is not None and not before.ended:
            raise BadInput(
                "lot_running",
                f"The lot {before.name[:60]} is being measured.",
                "Wait until it is done, or stop it; it can be gone on with.",
            )
        run = LotRun(plan.name, len(plan.photos))
        _present[:] = [run]
    work = threading.Thread(
        target=_run, args=(run, store, plan, out, tolerances), name="lot", daemon=True
    )
    work.start()
    return run


def folder_for(store: Store, photographs: Path) -> Path:
    """Where the measurements of a folder are kept: the same each time, to go on from."""
    name = hashlib.sha256(str(photographs.resolve()).encode("utf-8", "replace")).hexdigest()
    return store.folder / LOTS_FOLDER / name[:16]


def _run(
    run: LotRun, store: Store, plan: LotPlan, out: Path, tolerances: dict[str, Tolerance]
) -> None:
    try:
        lot = run_lot(plan, out, tolerances, progress=run.told)
        results = KeptResults(out / RESULTS_FOLDER)
        run.identity = keep_lot(store, lot, results, lot_json(lot))
    except _Stopped:
        run.error = BadInput(
            "lot_stopped",
            f"Stopped after {run.done} of {run.total} photographs.",
            "Start the same folder again: it goes on from here.",
        )
    except FitcheckError as error:
        run.error = error
    except Exception:
        _log.exception("measuring the lot %r failed", run.name)
        run.error = BadInput(
            "internal_error",
            "fitcheck met an error of its own while measuring this lot.",
            "Start it again; the window that fitcheck was started from shows what to report.",
        )
    finally:
        run.ended = True
