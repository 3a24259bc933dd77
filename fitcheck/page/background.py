"""Measurements made in the background, one at a time, so that the page never stands still.

A measurement takes a second and a few hundred megabytes: one thread of the process makes them
all. What somebody waits for goes before what only arrived. A run of the page that is broken off,
because its visitor pressed something, loses nothing: the next run finds the same work going on.
"""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable, Hashable

from fitcheck.measurement import Measurement

MOST_REMEMBERED = 96
TOLD_EVERY_S = 0.2

Progress = Callable[[float], None]
Work = Callable[[Progress], Measurement]


class Job:
    """One measurement, to be made, under way or made.

    Attributes
    ----------
    share
        How much of it is done, 0 to 1.
    """

    def __init__(self, work: Work) -> None:
        self.share = 0.0
        self._work: Work | None = work
        self._made = threading.Event()
        self._result: Measurement | None = None
        self._error: Exception | None = None
        self.wanted = False

    @property
    def made(self) -> bool:
        """Whether :meth:`result` answers at once."""
        return self._made.is_set()

    def run(self) -> None:
        """Make it, in the thread of whoever calls."""

        def told(more: float) -> None:
            self.share = min(self.share + more, 1.0)

        work, self._work = self._work, None  # it may hold a photograph's file
        try:
            self._result = None if work is None else work(told)
        except Exception as error:  # it belongs to whoever waits for the result
            self._error = error
        self._made.set()

    def result(self, told: Progress = lambda _: None) -> Measurement:
        """Wait for the measurement; raises what the work raised.

        Parameters
        ----------
        told
            Hears the share that is done, several times a second; what it raises ends the
            waiting, not the work.
        """
        while not self._made.wait(TOLD_EVERY_S):
            told(self.share)
        if self._error is not None:
            raise self._error
        if self._result is None:
            raise RuntimeError("a job is run once")
        return self._result


class Queue:
    """Jobs by what they are, made one after the other in a thread of their own."""

    def __init__(self) -> None:
        self._jobs: OrderedDict[Hashable, Job] = OrderedDict()
        self._waiting: list[Job] = []
        self._changed = threading.Condition()
        self._thread: threading.Thread | None = None

    def job(self, key: Hashable, work: Work, wanted: bool) -> Job:
        """Return the job of that key; it is begun if there is none.

        Parameters
        ----------
        key
            All that its result depends on.
        work
            Makes it, and is given whom to tell how much more is done.
        wanted
            Whether somebody waits for it.
        """
        with self._changed:
            job = self._jobs.get(key)
            if job is None:
                job = self._jobs[key] = Job(work)
                self._waiting.append(job)
                self._forget_some()
                if self._thread is None:
                    self._thread = threading.Thread(target=self._run, daemon=True)
                    self._thread.start()
                self._changed.notify()
            self._jobs.move_to_end(key)
            job.wanted = job.wanted or wanted
            return job

    def forget(self, key: Hashable) -> None:
        """Have it made anew when it is asked for again."""
        with self._changed:
            self._jobs.pop(key, None)

    def _forget_some(self) -> None:
        for key in [k for k, job in self._jobs.items() if job.made]:
            if len(self._jobs) <= MOST_REMEMBERED:
                return
            del self._jobs[key]

    def _run(self) -> None:
        while True:
            with self._changed:
                while not self._waiting:
                    self._changed.wait()
                job = next((j for j in self._waiting if j.wanted), self._waiting[0])
                self._waiting.remove(job)
            job.run()


MEASUREMENTS = Queue()
