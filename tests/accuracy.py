"""Errors against truth, over a folder of photographs with a truth file beside each.

    python tests/accuracy.py FOLDER [--hints]

Prints count, median, 95th percentile and largest error, how often the 95 % interval holds the
truth, and every refusal, warning and silent blunder. A truth file is JSON with ``view``,
``truth``, ``card_thickness_mm`` and, for ``--hints``, ``edges_px``; the print is true to size.
"""

from __future__ import annotations

import argparse
import json
from collections import defaultdict
from pathlib import Path

import numpy as np

from fitcheck.measurement import Measurement
from fitcheck.pipeline import measure
from fitcheck.setup import Setup
from fitcheck.views import VIEWS

BLUNDER = 0.5  # mm or degrees, and past 1.5 times the expanded uncertainty, and no warning


def main() -> None:
    """Measure the folder and print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--hints", action="store_true", help="give the true edges as hints")
    options = parser.parse_args()

    errors: dict[str, list[float]] = defaultdict(list)
    held: dict[str, list[bool]] = defaultdict(list)
    for path in sorted(options.folder.glob("*.jpg")):
        known = json.loads(path.with_suffix(".json").read_text(encoding="utf-8"))
        if known["view"] not in VIEWS:
            continue
        setup = Setup(known["card_thickness_mm"], bars_mm=(100.0, 100.0))
        found = measure(path, known["view"], setup, known["edges_px"] if options.hints else None)
        if found.refused is not None:
            print(f"{path.name}: refused, {found.refused.code}")
            continue
        if found.warnings:
            print(f"{path.name}: warned, {', '.join(w.code for w in found.warnings)}")
        for name, blundered in compare(found, known["truth"], errors, held).items():
            if blundered:
                print(f"{path.name}: SILENT BLUNDER in {name}")

    print(f"\n{'':<16}{'n':>4}{'median':>9}{'95th':>9}{'largest':>9}{'held':>9}")
    for name, values in errors.items():
        print(
            f"{name:<16}{len(values):>4}{np.median(values):>9.3f}"
            f"{np.quantile(values, 0.95):>9.3f}{max(values):>9.3f}"
            f"{sum(held[name]):>5}/{len(values)}"
        )


def compare(
    found: Measurement,
    truth: dict[str, float],
    errors: dict[str, list[float]],
    held: dict[str, list[bool]],
) -> dict[str, bool]:
    """Add a measurement's errors to the lists; tell which of them are silent blunders."""
    blunders = {}
    for one in found.characteristics:
        error = abs(one.value - truth[one.name])
        group = one.name.removesuffix("_left").removesuffix("_right")
        errors[group].append(error)
        held[group].append(one.interval95[0] <= truth[one.name] <= one.interval95[1])
        large = error > BLUNDER and error > 1.5 * one.expanded_uncertainty
        blunders[one.name] = large and not found.warnings
    return blunders


if __name__ == "__main__":
    main()
