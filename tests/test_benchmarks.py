"""The benchmarks' own judgement: a ratio that worsens by more than half is noticed."""

import runpy
from pathlib import Path
from types import SimpleNamespace

import pytest

MEASURE = runpy.run_path(str(Path(__file__).parent.parent / "benchmarks" / "measure.py"))


def test_a_ratio_that_worsens_by_more_than_half_is_named():
    kept = {"seat": 10.0, "pad": 20.0}
    assert MEASURE["worse"]({"seat": 15.1, "pad": 29.9}, kept) == ["seat"]
    assert MEASURE["worse"]({"seat": 14.9, "pad": 5.0}, kept) == []


def test_a_ratio_that_was_never_kept_does_not_pass():
    assert MEASURE["worse"]({"seat": 1.0}, {"pad": 1.0}) == ["seat"]


def test_what_is_worse_is_taken_again_and_its_best_counts():
    kept = {"seat": 10.0, "pad": 20.0}
    taken = {"seat": iter([16.0, 14.0]), "pad": iter([25.0])}
    jobs = {name: lambda name=name: {name: next(taken[name])} for name in taken}
    assert MEASURE["checked"](jobs, kept) == {"seat": 14.0, "pad": 25.0}


def test_what_stays_worse_is_told():
    jobs = {"seat": lambda: {"seat": 16.0}}
    assert MEASURE["worse"](MEASURE["checked"](jobs, {"seat": 10.0}), {"seat": 10.0}) == ["seat"]


def test_a_job_is_told_in_units_by_the_quietest_turn_of_each(monkeypatch):
    now = [0.0]
    clock = SimpleNamespace(perf_counter=lambda: now[0])
    monkeypatch.setitem(MEASURE["times_as_long"].__globals__, "time", clock)

    def lasting(*turns):
        left = list(turns)

        def job():
            now[0] += left.pop(0) if len(left) > 1 else left[0]

        return job

    # Other work doubles the first turn of the job and some units; waiting is time as well.
    job, unit = lasting(8.0, 4.0), lasting(1.0, 2.0, 1.5, 1.0)
    assert MEASURE["times_as_long"](job, unit, 3) == pytest.approx(4.0)
