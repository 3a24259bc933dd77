"""The benchmarks' own judgement: a ratio that worsens by more than half is noticed."""

import runpy
from pathlib import Path

MEASURE = runpy.run_path(str(Path(__file__).parent.parent / "benchmarks" / "measure.py"))


def test_a_ratio_that_worsens_by_more_than_half_is_named():
    kept = {"seat": 10.0, "pad": 20.0}
    assert MEASURE["worse"]({"seat": 15.1, "pad": 29.9}, kept) == ["seat"]
    assert MEASURE["worse"]({"seat": 14.9, "pad": 5.0}, kept) == []


def test_a_ratio_that_was_never_kept_does_not_pass():
    assert MEASURE["worse"]({"seat": 1.0}, {"pad": 1.0}) == ["seat"]
