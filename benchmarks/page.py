"""How long the page takes from a photograph's upload to its overlay, against its goal of 2 s.

    python benchmarks/page.py [--photographs 3] [--goal 2.0]

A sample photograph is enlarged to 12 megapixels (4032 × 3024) and given to the page in a real
Chromium; the time runs until the photograph with its measured edges stands on the page. Each
time another file is sent. The first is sent to warm the
server up and is told apart. Beside it, what the parts take in one process, with the seconds of
processor time, which other work on the machine does not lengthen much.
"""

from __future__ import annotations

import argparse
import io
import os
import shutil
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image

ROOT = Path(__file__).parent.parent
SAMPLE = ROOT / "sample_images" / "seat-001.jpg"
SIZE = (4032, 3024)
LONGEST_START_S = 40.0
LAUNCH = (
    "import sys; from fitcheck.threads import one_thread; one_thread(); "
    "from fitcheck.page.launch import launch; launch(int(sys.argv[1]), False)"
)
# Its row and its verdict come in one piece with its overlay; the pictures are loaded, too.
THERE = """(name) => {
  const row = [...document.querySelectorAll(".fc")].find((e) => e.innerText.includes(name));
  const pictures = [...(row?.querySelectorAll(".fc-over img") ?? [])];
  return pictures.length === 2 && pictures.every((e) => e.complete && e.naturalWidth > 0);
}"""
QUIET = ("--no-sandbox", "--disable-gpu", "--disable-quic", "--disable-background-networking")


@dataclass(frozen=True)
class Taken:
    """Seconds until a photograph was sent, until its overlay stood there, and of processor."""

    sent_s: float
    overlay_s: float
    processor_s: float

    def __str__(self) -> str:
        return f"{self.sent_s:.2f} s, {self.overlay_s:.2f} s, {self.processor_s:.2f} s"


def photograph(number: int) -> bytes:
    """A 12-megapixel JPEG; its comment makes it another file than those of other numbers."""
    with Image.open(SAMPLE) as sample:
        exif = sample.getexif()
        large = sample.convert("RGB").resize(SIZE, Image.Resampling.LANCZOS)
    buffer = io.BytesIO()
    large.save(buffer, "JPEG", quality=92, exif=exif, comment=f"number {number}")
    return buffer.getvalue()


def in_one_process(repeats: int = 5) -> None:
    """Print what the parts take without server and browser: least processor time of several.

    Beside it the same as a multiple of the photograph's decoding to grey, which tells more of
    the program and less of the machine.
    """
    from fitcheck.page.drawings import edges_svg
    from fitcheck.page.pictures import SMALL_PX, preview
    from fitcheck.photo import read_photo
    from fitcheck.pipeline import measure_photo

    def least(act: Callable[[], object]) -> float:
        times = []
        for _ in range(repeats):
            began = time.process_time()
            act()
            times.append(time.process_time() - began)
        return min(times)

    data = photograph(0)
    photo = read_photo(data, "first.jpg")
    measured = measure_photo(photo, "seat")  # loads the libraries
    grey = least(lambda: np.asarray(Image.open(io.BytesIO(data)).convert("L")))
    print(f"  {'decode to grey':24s} {grey:6.3f} s of the processor")
    for name, act in (
        ("read", lambda: read_photo(data, "second.jpg")),
        ("measure", lambda: measure_photo(photo, "seat")),
        ("small picture", lambda: preview(photo, max(SMALL_PX))),
        ("edges over it", lambda: edges_svg(measured)),
    ):
        taken = least(act)
        print(f"  {name:24s} {taken:6.3f} s, {taken / grey:6.2f} of that")


def started(folder: Path) -> tuple[subprocess.Popen[bytes], int]:
    """Start the page with a store in a folder; return it and its port once that is open."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    environment = {
        **os.environ,
        "FITCHECK_STORE": str(folder / "store"),
        "PYTHONPATH": str(ROOT),
    }
    command = [sys.executable, "-c", LAUNCH, str(port)]
    with (folder / "log").open("wb") as log:
        server = subprocess.Popen(command, env=environment, stdout=log, stderr=log)
    began = time.perf_counter()
    while server.poll() is None and time.perf_counter() - began < LONGEST_START_S:
        try:
            socket.create_connection(("127.0.0.1", port), timeout=1).close()
            return server, port
        except OSError:
            time.sleep(0.01)
    server.kill()
    raise SystemExit("the page did not start")


def in_a_browser(count: int, folder: Path) -> list[Taken]:
    """Return what each photograph took in turn, from giving its file on."""
    from playwright.sync_api import sync_playwright

    began = time.perf_counter()
    server, port = started(folder)
    try:
        print(f"  the server answers {time.perf_counter() - began:.2f} s after its start")
        with sync_playwright() as playwright:
            chromium = playwright.chromium.launch(
                executable_path=shutil.which("chromium"), args=list(QUIET)
            )
            page = chromium.new_page()
            page.goto(f"http://127.0.0.1:{port}/")
            page.get_by_role("button", name="Bow received for rework", exact=True).click()
            page.get_by_role("button", name="3 Photos", exact=True).click()
            times = []
            for number in range(count + 1):
                file = folder / f"seat-{number}.jpg"
                file.write_bytes(photograph(number))
                page.get_by_role("combobox", name="What the photograph will show").click()
                page.get_by_role("option", name="Upper seat, limb 1").first.click()
                page.get_by_text("It will be kept as: Upper seat, limb 1").wait_for()
                page.wait_for_timeout(1500)
                times.append(_taken(page, file, server.pid))
            chromium.close()
    finally:
        server.terminate()
        server.wait(timeout=20)
    return times


def _taken(page: Any, file: Path, server: int) -> Taken:
    processor = _processor_s(server)
    began = time.perf_counter()
    with page.expect_response(lambda r: r.request.method == "POST"):
        page.locator("input[type=file]").last.set_input_files(file)
    sent = time.perf_counter() - began
    # Looked for at every frame that is painted: a locator looks twice a second only.
    page.wait_for_function(THERE, arg=file.name, polling="raf", timeout=120_000)
    return Taken(sent, time.perf_counter() - began, _processor_s(server) - processor)


def _processor_s(process: int) -> float:
    """Processor time of a process so far; 0 where the system does not tell."""
    try:
        fields = Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()
    except OSError:
        return 0.0
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def main() -> None:
    """Run the benchmark and print its figures."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--photographs", type=int, default=3)
    parser.add_argument("--goal", type=float, default=2.0, help="seconds")
    options = parser.parse_args()
    print(f"12 megapixels, {os.cpu_count()} cores, load {os.getloadavg()[0]:.1f}")
    print("in one process:")
    in_one_process()
    with tempfile.TemporaryDirectory() as folder:
        first, *others = in_a_browser(options.photographs, Path(folder))
    print("in a browser: sent, overlay there, processor time of the server")
    print(f"  the first: {first}")
    for one in others:
        print(f"  {one}")
    least, median = (act([one.overlay_s for one in others]) for act in (np.min, np.median))
    print(f"upload to overlay: median {median:.2f} s, {median / options.goal:.2f} of the goal")
    print(f"                   least {least:.2f} s, {least / options.goal:.2f} of the goal")


if __name__ == "__main__":
    main()
