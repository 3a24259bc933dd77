"""A small run of the fuzzer, and proof that it notices what it looks for."""

from __future__ import annotations

import os
import random
import sys
import time
from pathlib import Path
from typing import Any

import pytest

if sys.platform == "win32":
    pytest.skip("limits of memory are another matter there", allow_module_level=True)

import fuzz

from fitcheck.errors import BadInput

CASES = 400


@pytest.mark.parametrize("kind", ["images", "files"])
def test_no_mutated_input_breaks_a_reader(kind: str) -> None:
    outcome = fuzz.run(kind, CASES, seed=20261125)
    assert outcome.broken == [], str(outcome)
    assert outcome.cases == CASES
    assert outcome.taken > 0  # some changes do no harm
    assert sum(outcome.refused.values()) > CASES // 4
    assert len(outcome.refused) >= 4, "the changes reach different checks"
    assert outcome.peak_mib < outcome.base_mib + 1500


@pytest.mark.parametrize("kind", ["images", "files"])
def test_a_case_is_made_again_from_its_number(kind: str) -> None:
    make, corpus_of = fuzz.KINDS[kind]
    corpus = corpus_of(None)
    once = [make(number, 1, corpus) for number in range(60)]
    assert once == [make(number, 1, corpus) for number in range(60)]
    assert len(set(once)) > 50


def raises(_: bytes) -> None:
    raise KeyError("inner detail")


def hangs(_: bytes) -> None:
    time.sleep(60)


def dies(_: bytes) -> None:
    os.abort()


def refuses(_: bytes) -> None:
    raise BadInput("known", "It is wrong.", "Make it right.")


BEHAVIOURS = {"raises": raises, "hangs": hangs, "dies": dies, "refuses": refuses}


def bad_case(number: int, seed: int, corpus: Any) -> fuzz.Case:
    del seed, corpus
    return list(BEHAVIOURS)[number % len(BEHAVIOURS)], b""


REAL_WORK = fuzz._work


def bad_work(pipe: Any) -> None:
    fuzz.readers = lambda _: BEHAVIOURS  # type: ignore[assignment]
    REAL_WORK(pipe)


def test_the_fuzzer_notices_errors_hangs_and_deaths(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setattr(fuzz, "HANG_S", 0.5)
    monkeypatch.setattr(fuzz, "_work", bad_work)
    monkeypatch.setitem(fuzz.KINDS, "bad", (bad_case, lambda _: []))
    outcome = fuzz.run("bad", 6, keep=tmp_path)
    assert [number for number, _ in outcome.broken] == [0, 1, 2, 4, 5]
    told = [how for _, how in outcome.broken[:3]]
    assert "KeyError" in told[0]
    assert "hangs" in told[1]
    assert "died" in told[2]
    assert outcome.refused == {"known": 1}
    assert len(list(tmp_path.iterdir())) == 5


def test_the_mutator_changes_every_kind_of_thing() -> None:
    rng = random.Random(1)
    corpus = fuzz.image_corpus(None)
    changed = {fuzz.mutated(corpus[0], corpus, rng) for _ in range(200)}
    assert len(changed) > 190
    lengths = {len(data) for data in changed}
    assert min(lengths) < len(corpus[0]) < max(lengths)
