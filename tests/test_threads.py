"""One thread for linear algebra, unless the environment says otherwise."""

from __future__ import annotations

import os
import subprocess
import sys

from fitcheck.threads import THREADS

SHOWN = (
    "import os; from fitcheck import cli; cli.main(['cards', '--nonsense']); "
    "print(*map(os.environ.get, %r))"
)


def threads_of(**environment: str) -> list[str]:
    clean = {k: v for k, v in os.environ.items() if k not in THREADS} | environment
    done = subprocess.run(
        [sys.executable, "-c", SHOWN % (THREADS,)],
        env=clean,
        capture_output=True,
        text=True,
        check=True,
    )
    return done.stdout.split()[-len(THREADS) :]


def test_the_command_line_asks_for_one_thread_and_leaves_a_wish_alone():
    assert threads_of() == ["1", "1", "1"]
    assert threads_of(OMP_NUM_THREADS="4") == ["4", "1", "1"]
