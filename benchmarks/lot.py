"""How fast lots are measured, how much memory that takes, and whether a cluster loses nothing.

    python benchmarks/lot.py speed [--photographs 24]
    python benchmarks/lot.py memory
    python benchmarks/lot.py cluster [--photographs 200]

The photographs are those of the sample lot, again and again under other names, with a few bytes
behind the picture's end so that no two files are the same. On a machine that does other work as
well the ratio of `speed` is worse than the program's: say how busy it was.
"""

from __future__ import annotations

import argparse
import hashlib
import io
import json
import os
import resource
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path
from typing import Any

from PIL import Image

from fitcheck.lots.kept_results import Asked, KeptResults
from fitcheck.lots.plan_file import read_plan
from fitcheck.lots.running import cores, measure_lot
from fitcheck.reporting.program import program
from fitcheck.setup import setup_from

SAMPLE = Path(__file__).parent.parent / "sample_images" / "lot"
TURNS = 3
SETUP = setup_from(0.8, (1.0015, 1.001))


def make_lot(folder: Path, count: int) -> None:
    """Photographs P001-x-1.jpg and so on, no two alike."""
    sources = sorted(SAMPLE.glob("*.jpg"))
    folder.mkdir(parents=True)
    for i in range(count):
        data = sources[i % len(sources)].read_bytes()
        (folder / f"P{i:05d}.jpg").write_bytes(data + f"copy {i}".encode())


def make_refused_lot(folder: Path, count: int) -> None:
    """Small grey pictures without a card: refused at once, so that many of them can be tried."""
    buffer = io.BytesIO()
    Image.new("L", (640, 640), 128).save(buffer, "JPEG")
    folder.mkdir(parents=True)
    for i in range(count):
        (folder / f"P{i:05d}.jpg").write_bytes(buffer.getvalue() + f"copy {i}".encode())


def measured(folder: Path, out: Path, workers: int) -> tuple[float, float]:
    """Seconds a photograph: by the clock, the processes' start not counted, and of processor."""
    plan = read_plan(folder, setup=SETUP)
    asked = Asked(plan.view, plan.setup, (), program())
    times: list[float] = []
    kept = KeptResults(out)
    measure_lot(plan, asked, kept, workers, lambda _: times.append(time.perf_counter()))
    found = [json.loads(path.read_bytes()) for path in kept.folder.rglob("*.json")]
    # From the first result of each process on: before that they load their libraries.
    clock = (times[-1] - times[workers - 1]) / (len(times) - workers)
    return clock, sum(one["processor_seconds"] for one in found) / len(found)


def speed(count: int) -> None:
    print(f"{cores()} cores, load {os.getloadavg()[0]:.1f} at the start")
    took: dict[int, list[tuple[float, float]]] = {1: [], 2: []}
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name) / "lot"
        make_lot(folder, count)
        for turn in range(TURNS):  # in turn, so that other work falls on both alike
            for workers in took:
                out = Path(name) / f"{workers}-{turn}"
                took[workers].append(measured(folder, out, workers))
    (one, one_cpu), (two, two_cpu) = (
        [sum(column) / TURNS for column in zip(*took[workers], strict=True)] for workers in took
    )
    print(f"one worker {one:.2f} s a photograph, two {two:.2f} s: ratio {one / two:.2f}")
    print(f"of processor {one_cpu:.2f} s and {two_cpu:.2f} s; load {os.getloadavg()[0]:.1f}")


def memory() -> None:
    for kind, make, sizes in (
        ("sample photographs", make_lot, (12, 48)),
        ("small pictures without a card", make_refused_lot, (200, 2000)),
    ):
        for count in sizes:
            with tempfile.TemporaryDirectory() as name:
                folder = Path(name) / "lot"
                make(folder, count)
                command = [sys.executable, __file__, "one", str(folder), f"{name}/out"]
                done = subprocess.run(command, check=True, capture_output=True, text=True)
                print(f"{count} {kind}: {done.stdout.strip()}", flush=True)


def one(folder: Path, out: Path) -> None:
    measured(folder, out, 2)
    own, workers = (
        resource.getrusage(who).ru_maxrss / 1024
        for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)
    )
    from joblib.externals.loky import get_reusable_executor

    get_reusable_executor().shutdown(wait=True)
    workers = max(workers, resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024)
    print(f"peak {own:.0f} MiB in the program, {workers:.0f} MiB in its largest worker")


def journal(log: Path) -> Any:
    """A plugin that has every worker write down what it has measured to the end."""
    from distributed import WorkerPlugin

    class Journal(WorkerPlugin):
        def setup(self, worker: object) -> None:  # noqa: ARG002 (as Dask calls it)
            from fitcheck.lots import photo_job

            measure = photo_job.measured_record

            def written_down(data: bytes, file: str, sha256: str, asked: Asked) -> dict[str, Any]:
                record = measure(data, file, sha256, asked)
                with log.open("a") as lines:
                    lines.write(f"{file}\n")
                return record

            photo_job.measured_record = written_down

    return Journal()


def cluster(count: int) -> None:
    from distributed import Client, LocalCluster

    from fitcheck.lots.cluster import measure_lot_on_cluster

    with tempfile.TemporaryDirectory() as name:
        folder = Path(name) / "lot"
        make_lot(folder, count)
        plan = read_plan(folder, setup=SETUP)
        asked = Asked(plan.view, plan.setup, (), program())
        log = Path(name) / "journal"
        killed: list[int] = []
        results = KeptResults(Path(name) / "out")
        with (
            LocalCluster(2, threads_per_worker=1, dashboard_address=":0") as workers,
            Client(workers.scheduler_address) as client,
        ):
            client.register_plugin(journal(log))
            done = 0

            def told(_: object) -> None:
                nonlocal done
                done += 1
                if done == count // 2:
                    killed.append(workers.workers[0].pid)
                    os.kill(killed[0], signal.SIGKILL)

            measure_lot_on_cluster(plan, asked, results, workers.scheduler_address, told)
        lines = Counter(log.read_text().split())
        print(f"worker {killed[0]} killed after {count // 2} of {count} photographs")
        most = max(lines.values())
        print(f"measured to the end: {len(lines)} photographs, none more than {most} times")
        undisturbed = KeptResults(Path(name) / "undisturbed")
        sample = shutil.copytree(SAMPLE, Path(name) / "sample")
        small = read_plan(sample, setup=SETUP)
        asked_small = Asked(small.view, small.setup, (), program())
        measure_lot(small, asked_small, undisturbed, 2)
        names = sorted(p.name for p in sample.glob("*.jpg"))
        differ = 0
        for i, photo in enumerate(plan.photos):
            own = results.get(asked.key(_sha256(folder / photo.file)))
            other = undisturbed.get(asked_small.key(_sha256(sample / names[i % len(names)])))
            if own is None or other is None:
                differ += 1
                continue
            a, b = (m.measurement.to_json() | {"photo": ""} for m in (own, other))
            differ += json.dumps(a) != json.dumps(b)
        print(f"{count - differ} of {count} results equal the undisturbed ones")


def _sha256(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("what", choices=("speed", "memory", "cluster", "one"))
    parser.add_argument("more", nargs="*", help=argparse.SUPPRESS)
    parser.add_argument("--photographs", type=int)
    options = parser.parse_args()
    if options.what == "speed":
        speed(options.photographs or 24)
    elif options.what == "memory":
        memory()
    elif options.what == "cluster":
        cluster(options.photographs or 200)
    else:
        one(*map(Path, options.more))


if __name__ == "__main__":
    main()
