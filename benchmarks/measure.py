"""What measuring one photograph costs, as ratios to decoding it, in one process and one run.

    python benchmarks/measure.py [--megapixels 12 48] [--check | --keep]

Timed is the processor's time of one thread, the least of several repeats, because machines are
noisy: decoding the JPEG to grey alone (the floor), OpenCV's marker detection on the full picture
alone (what a plain script would pay besides), our whole ``measure`` with its stages, the start of
the command line against importing OpenCV, and the memory that one measure takes above what the
interpreter and the libraries hold (Linux only). Photographs are the sample bow's, resampled to
12 megapixels. ``--keep`` writes the ratios to ``measure.json`` beside this file with date and
machine; ``--check`` fails where one is worse than kept by more than half, and stays so when it is
taken again: other work on the machine slows one part more than another.
"""

import argparse
import json
import os
import platform
import resource
import subprocess
import sys
import tempfile
import time
from datetime import UTC, datetime
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
REPEATS = 7
STAGES = ("load_photo", "_find", "_solve", "_look")
MEMORY = """
import sys
from pathlib import Path
from fitcheck.pipeline import measure
def peak():
    status = Path("/proc/self/status").read_text()
    return int(status.split("VmHWM:")[1].split()[0]) * 1024
measure(sys.argv[1], sys.argv[2])
Path("/proc/self/clear_refs").write_text("5")  # the peak starts anew
before = peak()
measure(sys.argv[3], sys.argv[2])
print(peak() - before)
"""


def least(job, repeats=REPEATS):
    """Least processor time of a job over several repeats, seconds."""
    times = []
    for _ in range(repeats):
        start = time.process_time()
        job()
        times.append(time.process_time() - start)
    return min(times)


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
            start = time.process_time()
            result = originals[name](*args, **kwargs)
            spent[name] += time.process_time() - start
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


def memory_bytes_per_pixel(small, path, view):
    """Peak above what a small photograph's measure left, per pixel of the large one."""
    done = subprocess.run(
        [sys.executable, "-c", MEMORY, str(small), view, str(path)],
        capture_output=True,
        text=True,
        check=True,
    )
    with Image.open(path) as image:
        return int(done.stdout) / (image.width * image.height)


def start_ratios():
    """Start of the command line against importing OpenCV: processor time of child processes."""

    def spent(*arguments):
        times = []
        for _ in range(REPEATS):
            before = resource.getrusage(resource.RUSAGE_CHILDREN)
            subprocess.run([sys.executable, *arguments], capture_output=True, check=True)
            after = resource.getrusage(resource.RUSAGE_CHILDREN)
            times.append(after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime)
        return min(times)

    opencv = spent("-c", "import cv2")
    return {
        "help / import cv2": spent("-m", "fitcheck", "--help") / opencv,
        "import of measure / import cv2": spent("-c", "import fitcheck.pipeline") / opencv,
        # The solvers are loaded when a card was found.
        "all that measuring loads / import cv2": spent(
            "-c", "import fitcheck.pipeline, scipy.optimize"
        )
        / opencv,
    }


def ratios_of(source, view, setup, megapixels, folder):
    """Every ratio of one view at one size; prints what the whole is made of."""
    path = enlarged(source, megapixels, folder)
    decode = least(lambda: cv2.imread(str(path), cv2.IMREAD_GRAYSCALE))
    grey = cv2.imread(str(path), cv2.IMREAD_GRAYSCALE)
    markers = least(lambda: detect_all(grey))
    whole = least(lambda: pipeline.measure(path, view, setup), 5)
    shares = ", ".join(
        f"{name.strip('_')} {seconds / decode:.1f}"
        for name, seconds in staged(path, view, setup).items()
    )
    name = f"{view}, {megapixels} megapixels"
    print(f"{name}: decode {decode * 1e3:.0f} ms; in decodes: detection {markers / decode:.1f}, ")
    print(f"    measure {whole / decode:.1f} ({shares})")
    return {
        f"{name}: measure / decode": whole / decode,
        f"{name}: measure / marker detection": whole / markers,
        f"{name}: bytes of memory per pixel": memory_bytes_per_pixel(source, path, view),
    }


def all_ratios(megapixels):
    """Every ratio of the benchmark, by name."""
    sample = HERE.parent / "sample_images"
    inspection = read_inspection(sample)
    ratios = start_ratios()
    with tempfile.TemporaryDirectory() as folder:
        for view in dict.fromkeys(photo.view for photo in inspection.photos):
            photo = next(p for p in inspection.photos if p.view == view)
            setup = inspection.setup(photo)
            for size in megapixels:
                ratios |= ratios_of(sample / photo.file, view, setup, size, Path(folder))
    return ratios


def worse(ratios, kept):
    """Names of the ratios that are worse than kept by more than half, or not kept at all."""
    return [name for name, ratio in ratios.items() if ratio > WORSE * kept.get(name, 0.0)]


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--megapixels", type=int, nargs="+", default=[12])
    parser.add_argument("--check", action="store_true", help="fail where worse than kept by half")
    parser.add_argument("--keep", action="store_true", help="keep these ratios")
    options = parser.parse_args()
    cv2.setNumThreads(1)
    ratios = all_ratios(options.megapixels)
    for name, ratio in ratios.items():
        print(f"{ratio:7.2f}  {name}")
    if options.keep:
        kept = {
            "date": datetime.now(UTC).date().isoformat(),
            "machine": f"{platform.machine()}, {os.cpu_count()} cores, Python "
            f"{platform.python_version()}, NumPy {np.__version__}, OpenCV {cv2.__version__}",
            "ratios": {name: round(ratio, 2) for name, ratio in ratios.items()},
        }
        KEPT.write_text(json.dumps(kept, indent=2) + "\n", "utf-8")
    if options.check:
        kept = json.loads(KEPT.read_text("utf-8"))["ratios"]
        for _ in range(ROUNDS - 1):
            if worse(ratios, kept):
                again = all_ratios(options.megapixels)
                ratios = {name: min(ratio, again[name]) for name, ratio in ratios.items()}
        if names := worse(ratios, kept):
            sys.exit("worse than kept by more than half: " + "; ".join(names))


if __name__ == "__main__":
    main()
