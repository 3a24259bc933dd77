"""How long a store of a thousand inspections takes to open, list, search, change and back up.

    python benchmarks/store.py [--inspections 1000] [--photographs 8]

Each time is the least of several, in a process that has the program loaded; opening and listing
is also timed from a process's start, as `fitcheck inspections` pays it.
"""

from __future__ import annotations

import argparse
import json
import random
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from fitcheck.store import Store
from fitcheck.store.backup import back_up

PHOTO_BYTES = 20_000  # small: the list does not read them, and the disk is not what is measured


def document(number: int, photographs: list[str]) -> dict[str, Any]:
    """An invented inspection of usual size."""
    edges = {f"edge_{n}": [[12.5, 800.25 + n], [3020.5, 811.0]] for n in range(5)}
    return {
        "customer": f"Customer {number % 97}",
        "reference": f"2026-{number:04d}",
        "date": f"2026-{1 + number % 12:02d}-25",
        "bow": {"name": f"{58 + number % 9} in recurve", "maker": "Invented", "length": "62 in"},
        "cards": {"thickness": "0.5 mm", "check_bars": ["100.0", "99.9"]},
        "photos": [
            {"sha256": sha256, "file": f"IMG_{n}.jpg", "view": "seat", "hints": edges}
            for n, sha256 in enumerate(photographs)
        ],
        "readings": {f"reading {n}": "7 1/4 in" for n in range(40)},
        "condition": [{"item": f"item {n}", "found": False} for n in range(20)],
        "note": "a note of a few words " * 20,
    }


def measurement() -> dict[str, Any]:
    """A measurement of usual size, about 4 kB."""
    budget = dict.fromkeys(("lens", "pose", "edge", "card", "print", "arris"), 0.01)
    one = {"value": 1.5, "unit": "mm", "standard_uncertainty": 0.03, "budget": budget}
    return {"photo": "IMG.jpg", "characteristics": [{"name": str(n), **one} for n in range(10)]}


def fill(store: Store, inspections: int, photographs: int) -> None:
    rng = random.Random(1)
    for number in range(inspections):
        identity = store.inspections.begin({}, "bench").identity
        hashes = []
        for n in range(photographs):
            with store.photographs.receive() as incoming:
                incoming.write(rng.randbytes(PHOTO_BYTES))
                store.inspections.attach(identity, incoming, f"IMG_{n}.jpg", "bench")
                hashes.append(incoming.sha256)
        store.inspections.change(
            identity, {f"/{k}": v for k, v in document(number, hashes).items()}, 1, "bench"
        )
        store.inspections.keep_measurement(identity, hashes[0], measurement())
        if number % 100 == 99:
            print(f"{number + 1} inspections made", file=sys.stderr, flush=True)


def least(work: Callable[[], object], times: int = 7) -> float:
    taken = []
    for _ in range(times):
        begun = time.perf_counter()
        work()
        taken.append(time.perf_counter() - begun)
    return min(taken)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--inspections", type=int, default=1000)
    parser.add_argument("--photographs", type=int, default=8)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch) / "store"
        store = Store(folder)
        begun = time.perf_counter()
        fill(store, options.inspections, options.photographs)
        filled = time.perf_counter() - begun
        some = store.inspections.listed()[options.inspections // 2].identity
        count = [0]

        def change() -> None:
            count[0] += 1
            seen = store.inspections.revision(some)
            store.inspections.change(some, {"/note": f"note {count[0]}"}, seen, "bench")

        def list_command() -> None:
            command = [sys.executable, "-m", "fitcheck", "inspections", "--store", str(folder)]
            subprocess.run(command, check=True, stdout=subprocess.DEVNULL)

        database_mb = store.database.path.stat().st_size / 1e6
        results = {
            "inspections": options.inspections,
            "photographs each": options.photographs,
            "database, MB": round(database_mb, 1),
            "fill, s": round(filled, 1),
            "open and list, s": least(lambda: Store(folder).inspections.listed()),
            "list, s": least(store.inspections.listed),
            "search, s": least(lambda: store.inspections.listed("customer 42 recurve")),
            "open one, s": least(lambda: store.inspections.get(some)),
            "change a field, s": least(change),
            "history of one, s": least(lambda: store.inspections.history(some)),
            "sweep, s": least(store.sweep, 3),
            "fitcheck inspections, whole process, s": least(list_command, 3),
            "backup, s": least(lambda: back_up(store, Path(scratch) / f"copy-{count[0]}"), 1),
        }
        print(json.dumps({k: round(v, 4) for k, v in results.items()}, indent=1))


if __name__ == "__main__":
    main()
