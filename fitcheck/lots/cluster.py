"""All photographs of a lot on a Dask cluster (extra ``cluster``); Dask is the engine.

Photographs travel with their task, so workers need no disk in common with this machine; a few
of them at a time, so memory does not grow with the lot. A worker that dies loses nothing but
its own photographs in hand, which Dask gives to others.
"""

from __future__ import annotations

import hashlib
import logging
import warnings
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

from fitcheck.errors import BadInput
from fitcheck.lots.kept_results import Asked, KeptResults
from fitcheck.lots.photo_job import Outcome, bytes_of, measure_sent
from fitcheck.lots.plan import LotPlan
from fitcheck.lots.running import died
from fitcheck.measurement import Note
from fitcheck.plain_text import visible_text

CONNECT_S = 10
WORKERS_S = 60
AHEAD = 2  # tasks for each thread of the cluster: one at work, one waiting


def measure_lot_on_cluster(
    plan: LotPlan,
    asked: Asked,
    results: KeptResults,
    scheduler: str,
    progress: Callable[[Outcome], None] = lambda _: None,
) -> list[Outcome]:
    """Measure on a cluster what was not measured before.

    Parameters
    ----------
    plan, asked, results, progress
        As :func:`fitcheck.lots.running.measure_lot`.
    scheduler
        Address of the Dask scheduler, such as ``tcp://bench:8786``.

    Returns
    -------
    One outcome per photograph, in the plan's order.

    Raises
    ------
    BadInput
        ``cluster_missing`` without Dask, ``no_cluster`` if the scheduler cannot be reached or
        has no worker, ``cluster_lost`` if it is lost on the way, ``other_program`` if a worker
        runs another version.
    """
    try:
        import distributed
    except ImportError as error:
        raise BadInput(
            "cluster_missing",
            "Measuring on a cluster needs Dask, which is not installed.",
            'Install it: python -m pip install "fitcheck[cluster]".',
        ) from error
    shown = visible_text(scheduler)[:120]
    try:
        # Refused before a client is made of it: what is none waits and complains at its end.
        distributed.comm.get_address_host_port(scheduler)
        client = distributed.Client(scheduler, timeout=CONNECT_S, set_as_default=False)
    except (OSError, ValueError, TypeError) as error:
        raise BadInput(
            "no_cluster",
            f"No Dask scheduler answers at {shown}.",
            "Start one with `dask scheduler`, and give its address, such as tcp://bench:8786.",
        ) from error
    with _quiet(), client:
        try:
            client.wait_for_workers(1, timeout=WORKERS_S)
        except (TimeoutError, OSError) as error:
            raise BadInput(
                "no_cluster",
                f"The Dask scheduler at {shown} has no worker.",
                f"Start some: dask worker {shown} --nthreads 1 --nworkers auto.",
            ) from error
        return _Run(distributed, client, plan, asked, results, progress).all()


@contextmanager
def _quiet() -> Iterator[None]:
    """Keep Dask from logging what is told in a sentence here, such as a lost connection."""
    names = [name for name in logging.root.manager.loggerDict if name.startswith("distributed")]
    before = {name: logging.getLogger(name).level for name in names}
    for name in names:
        logging.getLogger(name).setLevel(logging.CRITICAL)
    try:
        yield
    finally:
        for name, level in before.items():
            logging.getLogger(name).setLevel(level)


class _Run:
    """One lot on one cluster: tasks are handed out as others come back."""

    def __init__(
        self,
        distributed: Any,
        client: Any,
        plan: LotPlan,
        asked: Asked,
        results: KeptResults,
        progress: Callable[[Outcome], None],
    ) -> None:
        self._distributed = distributed
        self._client = client
        self._plan = plan
        self._asked = asked
        self._results = results
        self._progress = progress
        self._todo = iter(plan.photos)
        self._files: dict[str, tuple[str, str]] = {}  # task to file and content
        self._done: dict[str, Outcome] = {}

    def all(self) -> list[Outcome]:
        threads = sum(self._client.nthreads().values())
        coming = self._distributed.as_completed(loop=self._client.loop)
        with warnings.catch_warnings():
            # Photographs travel with their tasks on purpose: what is scattered dies with a worker.
            warnings.filterwarnings("ignore", message="Sending large graph")
            self._hand_out(coming, AHEAD * max(1, threads))
            for task in coming:
                self._take(task)
                self._hand_out(coming, 1)
        lost = [p.file for p in self._plan.photos if p.file not in self._done]
        if lost:
            raise BadInput(
                "cluster_lost",
                f"The cluster was lost with {len(lost)} photographs left.",
                "Start again when it is back: what was measured is kept.",
            )
        return [self._done[p.file] for p in self._plan.photos]

    def _hand_out(self, coming: Any, most: int) -> None:
        for photo in self._todo:
            data = bytes_of(self._plan.folder, photo.file)
            if isinstance(data, Note):
                self._end(Outcome(photo.file, problem=data))
                continue
            sha256 = hashlib.sha256(data).hexdigest()
            key = self._asked.key(sha256)
            if self._results.get(key) is not None:
                self._end(Outcome(photo.file, sha256, key))
                continue
            task = self._client.submit(
                measure_sent,
                data,
                photo.file,
                sha256,
                self._asked,
                str(self._results.folder),
                self._results.token,
                pure=False,
            )
            self._files[task.key] = (photo.file, sha256)
            coming.add(task)
            most -= 1
            if most == 0:
                return

    def _take(self, task: Any) -> None:
        file, sha256 = self._files.pop(task.key)
        try:
            record = task.result()
        except self._distributed.KilledWorker:
            self._end(died(file))
            return
        except (self._distributed.client.FutureCancelledError, OSError) as error:
            raise BadInput(
                "cluster_lost",
                "The cluster was lost while measuring.",
                "Start again when it is back: what was measured is kept.",
            ) from error
        finally:
            task.release()
        key = self._asked.key(sha256)
        if record.get("kept") != key:
            self._results.keep(key, record)
        self._end(Outcome(file, sha256, key, fresh=True))

    def _end(self, outcome: Outcome) -> None:
        self._done[outcome.file] = outcome
        self._progress(outcome)
