"""All photographs of a lot on this machine's cores, by joblib; any number of starts.

Each worker measures with one thread. A process that dies with a photograph (out of memory, a
fault in a library) breaks the pool: what it had begun is then measured apart, each photograph
in a process of its own, and only the one that ends that process too is put down as the cause.
"""

from __future__ import annotations

import os
import warnings
from collections.abc import Callable, Generator, Sequence
from concurrent.futures import BrokenExecutor, Executor
from contextlib import closing

from fitcheck.lots.kept_results import Asked, KeptResults
from fitcheck.lots.photo_job import Outcome, measure_one
from fitcheck.lots.plan import LotPlan, Planned
from fitcheck.measurement import Note
from fitcheck.threads import THREADS

Progress = Callable[[Outcome], None]


def cores() -> int:
    """How many processes this machine can run at once."""
    try:
        return len(os.sched_getaffinity(0))
    except AttributeError:  # not on this system
        return os.cpu_count() or 1


def measure_lot(
    plan: LotPlan,
    asked: Asked,
    results: KeptResults,
    workers: int | None = None,
    progress: Progress = lambda _: None,
) -> list[Outcome]:
    """Measure what was not measured before.

    Parameters
    ----------
    plan
        The lot.
    asked
        How its photographs are to be measured.
    results
        Where results are kept and looked for.
    workers
        Processes; as many as there are cores if None.
    progress
        Is told of each photograph that is done, in the order they come.

    Returns
    -------
    One outcome per photograph, in the plan's order.

    Raises
    ------
    OSError
        If results cannot be kept.
    """
    results.forget_marks()
    done: dict[str, Outcome] = {}

    def take(outcome: Outcome) -> None:
        done[outcome.file] = outcome
        progress(outcome)

    while left := [p for p in plan.photos if p.file not in done]:
        try:
            # Closed at once when a stop is asked for, and not whenever it is collected.
            with closing(_in_parallel(plan, left, asked, results, workers or cores())) as found:
                for outcome in found:
                    take(outcome)
        except BrokenExecutor:
            suspects = [p for p in left if p.file not in done and results.was_begun(p.file)]
            for photo in suspects or left[:1]:
                take(_apart(plan, photo, asked, results))
                results.end(photo.file)
    return [done[p.file] for p in plan.photos]


def _in_parallel(
    plan: LotPlan,
    photos: Sequence[Planned],
    asked: Asked,
    results: KeptResults,
    workers: int,
) -> Generator[Outcome]:
    from joblib import Parallel, delayed, parallel_config

    if workers == 1:  # joblib would measure in this process, which a fault would end
        with _one_process() as alone:
            for photo in photos:
                yield alone.submit(measure_one, plan.folder, photo.file, asked, results).result()
        return
    with parallel_config(backend="loky", inner_max_num_threads=1):
        run = Parallel(
            n_jobs=workers,
            return_as="generator_unordered",
            pre_dispatch="2*n_jobs",  # so that memory does not grow with the lot
            batch_size=1,
        )
        jobs = (delayed(measure_one)(plan.folder, p.file, asked, results) for p in photos)
        outcomes = run(jobs)
        try:
            for outcome in outcomes:  # noqa: UP028 (closed below, where its warning is expected)
                yield outcome
        finally:
            with warnings.catch_warnings():
                warnings.filterwarnings("ignore", message=".* still being processed")
                outcomes.close()


def _apart(plan: LotPlan, photo: Planned, asked: Asked, results: KeptResults) -> Outcome:
    """Measure one photograph in a process of its own, which may die of it."""
    with _one_process() as alone:
        try:
            return alone.submit(measure_one, plan.folder, photo.file, asked, results).result()
        except BrokenExecutor:
            return died(photo.file)


def _one_process() -> Executor:
    from joblib.externals.loky import ProcessPoolExecutor

    one_thread = dict.fromkeys(THREADS, "1")
    pool: Executor = ProcessPoolExecutor(1, env=one_thread)
    return pool


def died(file: str) -> Outcome:
    """The outcome of a photograph that no process survived."""
    note = Note(
        "process_died",
        "Measuring this photograph ended the process, perhaps for want of memory.",
        "Start again; if it happens again, save the photograph smaller or take another one.",
    )
    return Outcome(file, problem=note)
