"""How long the report of the sample bow takes once its photographs are measured.

    python benchmarks/report.py [--measurements FILE]

Measuring takes minutes; with a file the measurements are kept there and taken from it the next
time. Timed are drawing the pictures, the model, and all forms: PDF, HTML, JSON, CSV, zip.
"""

import argparse
import json
import statistics
import time
from pathlib import Path

from fitcheck.findings.whole import find
from fitcheck.inspecting import load_photos, measure_inspection
from fitcheck.inspection_file import read_inspection
from fitcheck.measurement_file import measurement_from_json
from fitcheck.reporting.build import build_report
from fitcheck.reporting.written_report import Wishes, write_forms

SAMPLE = Path(__file__).parent.parent / "sample_images"
RUNS = 5


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("--measurements", type=Path)
    kept = parser.parse_args().measurements
    inspection = read_inspection(SAMPLE)
    photos, problems = load_photos(inspection, SAMPLE)
    if kept is not None and kept.is_file():
        measured = [measurement_from_json(m) for m in json.loads(kept.read_text("utf-8"))]
    else:
        measured = measure_inspection(inspection, photos, problems)
        if kept is not None:
            kept.write_text(json.dumps([m.to_json() for m in measured]), "utf-8")
    findings = find(inspection, measured)
    files = {i + 1: (SAMPLE / inspection.photos[i].file).read_bytes() for i in photos}
    walls, cpus = [], []
    for run in range(RUNS):
        wall, cpu = time.perf_counter(), time.process_time()
        report = build_report(findings, photos)
        built = time.perf_counter()
        forms = write_forms(report, Wishes(), files)
        walls.append(time.perf_counter() - wall)
        cpus.append(time.process_time() - cpu)
        print(
            f"run {run + 1}: {walls[-1]:.2f} s ({built - wall:.2f} s of it the model and its "
            f"pictures), {cpus[-1]:.2f} s of processor"
        )
    sizes = ", ".join(f"{name} {len(data) / 1e6:.1f} MB" for name, data in forms.items())
    print(f"first {walls[0]:.2f} s, median {statistics.median(walls):.2f} s; {sizes}")


if __name__ == "__main__":
    main()
