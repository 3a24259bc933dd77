"""What measuring one photograph costs, as ratios to decoding it, in one process and one run.

    python benchmarks/measure.py [--megapixels 12 48] [--check | --keep]

Photographs are the sample bow's, resampled to 12 and 48 megapixels. Taken are: decoding the JPEG
to grey alone (the floor), OpenCV's marker detection on the full picture alone (what a plain script
would pay besides), our whole ``measure`` with its stages, and the memory that one measure takes in
a new process above what the interpreter and the libraries hold (Linux only); the start of the
command line and of the page against importing OpenCV; a lot against its photographs one by one.

Machines are noisy, so nothing is told in seconds. What is compared runs by turns, each for about
as long as the other, so that other work falls on both alike, and the least of several counts. All
is by the clock and with one thread, so that waiting counts as well.

``--keep`` writes the ratios to ``measure.json`` beside this file with date and machine;
``--check`` fails where one is worse than kept by more than half, and stays so when it is taken
again.
"""

import argparse
import json
import os
import platform
import subprocess
import sys
import tempfile
import time
from datetime import UTC, datetime
from functools import partial
from pathlib import Path

from fitcheck.threads import one_thread

one_thread()  # as the command line does, before NumPy is loaded

import cv2  # noqa: E402
import numpy as np  # noqa: E402
from PIL import Image  # noqa: E402

from fitcheck import pipeline  # noqa: E402
from fitcheck.cards import DICTIONARY  # noqa: E402
from fitcheck.inspection_file import read_inspection  # noqa: E402

HERE = Path(__file__).parent
KEPT = HERE / "measure.json"
WORSE = 1.5
ROUNDS = 3  # of which the best counts, where the first is worse than kept
REPEATS = 5
STAGES = ("load_photo", "_find", "_solve", "_look")  # of pipeline.measure
LEAST_STAGE = 0.5  # decodes: what takes less is noise to the whole
LOT_PHOTOGRAPHS = 12
MEMORY = """
import sys
from pathlib import Path
import fitcheck.pipeline
def of_process(what):
    status = Path("/proc/self/status").read_text()
    return int(status.split(what + ":")[1].split()[0]) * 1024
before = of_process("VmRSS")
Path("/proc/self/clear_refs").write_text("5")  # the peak starts anew
fitcheck.pipeline.measure(sys.argv[1], sys.argv[2])
print(of_process("VmHWM") - before)
"""


def times_as_long(job, unit, repeats=REPEATS):
    """How many times as long a job takes as a unit: the least of several, run by turns.

    Units run for as long as the job does, so that either has the same chance of a quiet while.
    """
    jobs, units = [], [seconds(unit)]
    for _ in range(repeats):
        jobs.append(seconds(job))
        count = max(1, round(jobs[-1] / units[-1]))
        units.append(seconds(lambda: [unit() for _ in range(count)]) / count)  # noqa: B023
    return min(jobs) / min(units[1:])


def seconds(job):
    """By the clock."""
    start = time.perf_counter()
    job()
    return time.perf_counter() - start


def enlarged(path, megapixels, folder):
    """The same photograph with so many pixels, its EXIF kept; the path of the new JPEG."""
    with Image.open(path) as image:
        scale = (megapixels * 1e6 / (image.width * image.height)) ** 0.5
        size = (round(image.width * scale), round(image.height * scale))
        target = folder / f"{path.stem}-{megapixels}.jpg"
        image.resize(size, Image.Resampling.LANCZOS).save(
            target, quality=92, subsampling="4:2:0", exif=image.info.get("exif", b"")
        )
    return target


def staged(path, view, setup):
    """Seconds of each stage of one measure."""
    spent = dict.fromkeys(STAGES, 0.0)
    originals = {name: getattr(pipeline, name) for name in STAGES}

    def timed(name):
        def run(*args, **kwargs):
            start = time.perf_counter()
            result = originals[name](*args, **kwargs)
            spent[name] += time.perf_counter() - start
            return result

        return run

    for name in STAGES:
        setattr(pipeline, name, timed(name))
    try:
        pipeline.measure(path, view, setup)
    finally:
        for name, original in originals.items():
            setattr(pipeline, name, original)
    return spent


def detect_all(grey):
    """OpenCV's marker detection on the full picture with its own defaults."""
    cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(DICTIONARY)).detectMarkers(grey)


def memory_bytes_per_pixel(path, view):
    """Peak of a new process above what its imports took, per pixel."""
    done = subprocess.run(
        [sys.executable, "-c", MEMORY, str(path), view],
        capture_output=True,
        text=True,
        check=True,
    )
    with Image.open(path) as image:
        return int(done.stdout) / (image.width * image.height)


def python(*arguments):
    """A job: Python started with these arguments, to its end."""
    return lambda: subprocess.run([sys.executable, *arguments], capture_output=True, check=True)


def page_reachable(folder):
    """Start the page with a store of its own, wait until it takes a connection, and end it."""
    from page import started

    server, _ = started(folder)
    server.kill()
    server.wait()


def start_ratios(folder):
    """Starts of the command line, of the engine and of the page, in imports of OpenCV."""
    opencv = python("-c", "import cv2")
    jobs = {
        "help": python("-m", "fitcheck", "--help"),
        "help of measure": python("-m", "fitcheck", "measure", "--help"),
        "import of measure": python("-c", "import fitcheck.pipeline"),
        "page reachable": lambda: page_reachable(folder),
    }
    return {f"{name} / import cv2": times_as_long(job, opencv, 3) for name, job in jobs.items()}


def lot_ratio(folder):
    """A photograph of a lot, with one worker, against the same photographs one by one."""
    from lot import SAMPLE, SETUP, make_lot, measured

    folder = Path(tempfile.mkdtemp(dir=folder))
    make_lot(folder / "lot", LOT_PHOTOGRAPHS)
    photographs = sorted(SAMPLE.glob("*.jpg"))[:LOT_PHOTOGRAPHS]
    in_lot, alone = [], []
    for turn in range(2):
        in_lot.append(measured(folder / "lot", folder / f"out-{turn}", 1)[0])
        each = [seconds(lambda: pipeline.measure(p, "pad", SETUP)) for p in photographs]  # noqa: B023
        alone.append(sum(each) / len(each))
    return {"photograph of a lot / photograph alone": min(in_lot) / min(alone)}


def ratios_of(source, view, setup, megapixels, folder):
    """Every ratio of one view at one size; prints what the whole is made of."""
    path = enlarged(source, megapixels, folder)

    def decode():
        return cv2.imread(str(path), cv2.IMREAD_GRAYSCALE)

    def measure():
        pipeline.measure(path, view, setup)

    grey = decode()
    measure()  # loads what is loaded once
    whole = times_as_long(measure, decode, REPEATS if megapixels < 20 else 3)
    detection = times_as_long(measure, lambda: detect_all(grey), 2)
    decode_s = min(seconds(decode) for _ in range(REPEATS))
    stages = [staged(path, view, setup) for _ in range(REPEATS if megapixels < 20 else 3)]
    shares = {name: min(one[name] for one in stages) / decode_s for name in STAGES}
    name = f"{view}, {megapixels} megapixels"
    print(f"{name}: decode {decode_s * 1e3:.0f} ms", flush=True)
    return {
        f"{name}: measure / decode": whole,
        f"{name}: measure / marker detection": detection,
        f"{name}: bytes of memory per pixel": memory_bytes_per_pixel(path, view),
        **{f"{name}: {stage} / decode": max(s, LEAST_STAGE) for stage, s in shares.items()},
    }


def parts(megapixels, folder):
    """The benchmark's parts: name to a job that takes its ratios, by name."""
    sample = HERE.parent / "sample_images"
    inspection = read_inspection(sample)
    jobs = {"starts": partial(start_ratios, folder), "lot": partial(lot_ratio, folder)}
    for view in dict.fromkeys(photo.view for photo in inspection.photos):
        photo = next(p for p in inspection.photos if p.view == view)
        source, setup = sample / photo.file, inspection.setup(photo)
        for size in megapixels:
            jobs[f"{view}, {size}"] = partial(ratios_of, source, view, setup, size, folder)
    return jobs


def checked(jobs, kept):
    """The ratios of every part, the least of up to three times where one is worse than kept."""
    ratios = {}
    for job in jobs.values():
        found = job()
        for _ in range(ROUNDS - 1):
            if worse(found, kept):
                again = job()
                found = {name: min(ratio, again[name]) for name, ratio in found.items()}
        ratios |= found
    return ratios


def worse(ratios, kept):
    """Names of the ratios that are worse than kept by more than half, or not kept at all."""
    return [name for name, ratio in ratios.items() if ratio > WORSE * kept.get(name, 0.0)]


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--megapixels", type=int, nargs="+", default=[12, 48])
    parser.add_argument("--check", action="store_true", help="fail where worse than kept by half")
    parser.add_argument("--keep", action="store_true", help="keep these ratios")
    options = parser.parse_args()
    cv2.setNumThreads(1)
    kept = json.loads(KEPT.read_text("utf-8"))["ratios"]
    with tempfile.TemporaryDirectory() as folder:
        jobs = parts(options.megapixels, Path(folder))
        if options.check:
            ratios = checked(jobs, kept)
        else:
            ratios = {name: ratio for job in jobs.values() for name, ratio in job().items()}
    for name, ratio in ratios.items():
        print(f"{ratio:7.2f}  {name}")
    if options.keep:
        machine = (
            f"{platform.machine()}, {os.cpu_count()} cores, Python {platform.python_version()}, "
            f"NumPy {np.__version__}, OpenCV {cv2.__version__}"
        )
        written = {
            "date": datetime.now(UTC).date().isoformat(),
            "machine": machine,
            "ratios": {name: round(ratio, 2) for name, ratio in ratios.items()},
        }
        KEPT.write_text(json.dumps(written, indent=2) + "\n", "utf-8")
    if options.check and (names := worse(ratios, kept)):
        sys.exit("worse than kept by more than half: " + "; ".join(names))


if __name__ == "__main__":
    main()
