"""Errors against truth, over a folder of photographs with a truth file beside each.

This is how accuracy is proved. A truth file is JSON of the same name as its photograph::

    {"view": "seat", "truth": {"overhang_left": 1.71, …}, "card_thickness_mm": 0.5,
     "print_scale": [1.0, 1.0], "face_step_mm": null, "hard": false,
     "edges_px": {"limb_left": [[x, y], [x, y]], …},
     "camera": {"focal_px": 2796.0, "k1": 0.0, "k2": 0.0}}

``view`` and ``truth`` are needed, the others may be missing: a thickness and a print scale
that are not given count as not measured, ``edges_px`` serves only as hints and ``camera``
only where the lens is to be known.
"""

from __future__ import annotations

import json
import time
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

import numpy as np

from fitcheck.errors import BadInput
from fitcheck.lens_profile import LensKey, LensProfile
from fitcheck.measurement import Measurement
from fitcheck.photo import Photo, load_photo
from fitcheck.pipeline import Shot, lens_key, measure_shots, profile_after
from fitcheck.setup import Setup, setup_from
from fitcheck.views import VIEWS

Lens = Literal["unknown", "profile", "known"]

# An error above this (mm or degrees) and above 1.5 times the stated expanded uncertainty, in
# a photograph without a warning, is a silent blunder.
BLUNDER = 0.5
BLUNDER_OF_EXPANDED = 1.5
PICTURES = (".jpg", ".jpeg", ".png", ".tif", ".tiff", ".webp", ".heic")
KNOWN_LENS_SD = (1e-4, 1e-5, 1e-5)  # relative, absolute, absolute: as good as known


@dataclass(frozen=True)
class Known:
    """A photograph and what is known of it."""

    photo: Path
    view: str
    truth: dict[str, float]
    setup: Setup
    hard: bool
    edges_px: dict[str, Any]
    camera: dict[str, float]


@dataclass(frozen=True)
class Comparison:
    """One photograph, measured and held against its truth.

    Attributes
    ----------
    photo, view, hard
        Which photograph.
    errors
        Characteristic to estimate minus truth, mm or degrees.
    expanded
        Characteristic to its stated expanded uncertainty.
    held
        Characteristic to whether its 95 % interval holds the truth.
    refused
        Code of the refusal; empty if it was measured.
    warnings
        Codes.
    seconds
        Time taken, reading the file included.
    """

    photo: str
    view: str
    hard: bool
    errors: dict[str, float] = field(default_factory=dict)
    expanded: dict[str, float] = field(default_factory=dict)
    held: dict[str, bool] = field(default_factory=dict)
    refused: str = ""
    warnings: tuple[str, ...] = ()
    seconds: float = 0.0

    @property
    def blunders(self) -> tuple[str, ...]:
        """Characteristics that are badly wrong although nothing was said."""
        if self.warnings:
            return ()
        return tuple(
            name
            for name, error in self.errors.items()
            if abs(error) > BLUNDER and abs(error) > BLUNDER_OF_EXPANDED * self.expanded[name]
        )


@dataclass(frozen=True)
class Line:
    """One characteristic of one view over all its photographs; left and right together."""

    view: str
    name: str
    count: int
    median: float
    percentile95: float
    largest: float
    coverage: float
    median_expanded: float


def known_photographs(folder: Path) -> list[Known]:
    """Return the photographs of a folder that have a truth file beside them, by name.

    Raises
    ------
    BadInput
        ``no_truth`` if there are none, ``truth_unreadable`` if one cannot be right.
    """
    if not folder.is_dir():
        raise BadInput("no_folder", f"There is no folder {folder}.", "Check its name.")
    found = []
    for path in sorted(folder.iterdir()):
        beside = path.with_suffix(".json")
        if path.suffix.lower() in PICTURES and beside.is_file():
            known = _read_truth(path, beside)
            if known is not None:
                found.append(known)
    if not found:
        raise BadInput(
            "no_truth",
            f"No photograph in {folder} has a truth file beside it.",
            'Put a JSON file of the same name with "view" and "truth" beside each photograph.',
        )
    return found


def _read_truth(photo: Path, beside: Path) -> Known | None:
    try:
        data = json.loads(beside.read_text(encoding="utf-8"))
        if not isinstance(data, dict) or "truth" not in data or data.get("view") not in VIEWS:
            return None
        scale = data.get("print_scale", [1.0, 1.0])
        return Known(
            photo,
            data["view"],
            {name: float(value) for name, value in data["truth"].items()},
            setup_from(
                data.get("card_thickness_mm"),
                None if scale is None else (float(scale[0]), float(scale[1])),
                data.get("face_step_mm"),
            ),
            bool(data.get("hard", False)),
            dict(data.get("edges_px", {})),
            dict(data.get("camera", {})),
        )
    except (OSError, ValueError, TypeError, AttributeError, IndexError, RecursionError) as error:
        raise BadInput(
            "truth_unreadable",
            f"The truth file {beside.name} cannot be used: {error}.",
            "See the documentation of fitcheck accuracy for what it holds.",
        ) from error


def compare_folder(
    folder: Path,
    hinted: bool = False,
    lens: Lens = "unknown",
    workers: int = 1,
    views: Sequence[str] = (),
) -> Iterator[Comparison]:
    """Measure the photographs of a folder and hold each against its truth.

    Parameters
    ----------
    folder
        Photographs with truth files.
    hinted
        Give the true edges as hints.
    lens
        What is known of the lens beforehand: nothing but EXIF, a profile gathered from the
        other photographs of the same phone in the folder, or the true lens.
    workers
        Processes to measure with.
    views
        Only these views; all when empty.

    Yields
    ------
    One comparison per photograph, in order.

    Raises
    ------
    BadInput
        As :func:`known_photographs`.
    """
    known = [k for k in known_photographs(folder) if not views or k.view in views]
    profiles = _leave_one_out(known) if lens == "profile" else {}
    jobs = [(k, hinted, lens, profiles.get(k.photo)) for k in known]
    if workers <= 1:
        yield from map(_compare, jobs)
        return
    with ProcessPoolExecutor(workers) as pool:
        yield from pool.map(_compare, jobs)


def _compare(job: tuple[Known, bool, Lens, LensProfile | None]) -> Comparison:
    known, hinted, lens, profile = job
    start = time.perf_counter()
    base = Comparison(known.photo.name, known.view, known.hard)
    try:
        photo = load_photo(known.photo)
    except BadInput as error:
        return Comparison(**{**base.__dict__, "refused": error.code})
    if lens == "known":
        profile = _true_lens(photo, known.camera)
    hints = known.edges_px if hinted else {}
    shot = Shot(photo, known.view, hints)
    profiles: dict[LensKey, LensProfile] = {} if profile is None else {lens_key(photo): profile}
    found = measure_shots([shot], known.setup, profiles=profiles)[0]
    return compare(found, known, time.perf_counter() - start)


def compare(found: Measurement, known: Known, seconds: float = 0.0) -> Comparison:
    """Hold a measurement against the truth of its photograph."""
    measured = [c for c in found.characteristics if c.name in known.truth]
    truth = known.truth
    return Comparison(
        known.photo.name,
        known.view,
        known.hard,
        {c.name: c.value - truth[c.name] for c in measured},
        {c.name: c.expanded_uncertainty for c in measured},
        {c.name: c.interval95[0] <= truth[c.name] <= c.interval95[1] for c in measured},
        "" if found.refused is None else found.refused.code,
        tuple(w.code for w in found.warnings),
        seconds,
    )


def _true_lens(photo: Photo, camera: dict[str, float]) -> LensProfile | None:
    if not {"focal_px", "k1", "k2"} <= camera.keys():
        return None
    mean = np.array([camera["focal_px"], camera["k1"], camera["k2"]])
    sd = np.array(KNOWN_LENS_SD) * [mean[0], 1.0, 1.0]
    return LensProfile(lens_key(photo), mean, np.diag(sd**2), 1)


def _leave_one_out(known: list[Known]) -> dict[Path, LensProfile]:
    """For each photograph the profile that the others of its phone make, one after another."""
    photos = {k.photo: load_photo(k.photo) for k in known}
    keys = {path: lens_key(photo) for path, photo in photos.items()}
    made: dict[Path, LensProfile] = {}
    for own in known:
        profile: LensProfile | None = None
        for other in known:
            if other is own or keys[other.photo] != keys[own.photo]:
                continue
            before = {} if profile is None else {profile.key: profile}
            photo = photos[other.photo]
            found = measure_shots([Shot(photo, other.view)], other.setup, profiles=before)[0]
            profile = profile_after(photo, found, profile) or profile
        if profile is not None:
            made[own.photo] = profile
    return made


def table(comparisons: Sequence[Comparison]) -> list[Line]:
    """Gather errors by view and characteristic; the two sides of a pair count as one."""
    groups: dict[tuple[str, str], list[tuple[float, bool, float]]] = {}
    for one in comparisons:
        for name, error in one.errors.items():
            group = name.removesuffix("_left").removesuffix("_right")
            entry = (abs(error), one.held[name], one.expanded[name])
            groups.setdefault((one.view, group), []).append(entry)
    lines = []
    for (view, name), entries in groups.items():
        errors = np.array([e for e, _, _ in entries])
        lines.append(
            Line(
                view,
                name,
                len(entries),
                float(np.median(errors)),
                float(np.quantile(errors, 0.95)),
                float(errors.max()),
                float(np.mean([held for _, held, _ in entries])),
                float(np.median([expanded for _, _, expanded in entries])),
            )
        )
    return lines


def to_json(comparisons: Sequence[Comparison]) -> dict[str, Any]:
    """Return table, photographs and totals in JSON types."""
    easy = [c for c in comparisons if not c.hard]
    return {
        "characteristics": [line.__dict__ for line in table(comparisons)],
        "photographs": [
            {**c.__dict__, "warnings": list(c.warnings), "blunders": list(c.blunders)}
            for c in comparisons
        ],
        "totals": {
            "photographs": len(comparisons),
            "measured": sum(not c.refused for c in comparisons),
            "not_hard": len(easy),
            "not_hard_measured": sum(not c.refused for c in easy),
            "warned": sum(bool(c.warnings) for c in comparisons),
            "silent_blunders": sum(bool(c.blunders) for c in comparisons),
            "seconds_per_photograph": float(np.mean([c.seconds for c in comparisons])),
        },
    }


def to_text(comparisons: Sequence[Comparison]) -> str:
    """Return the same for people: what was refused, warned of and wrong, then the table."""
    lines = []
    for c in comparisons:
        if c.refused:
            lines.append(f"{c.photo}: refused, {c.refused}")
        if c.warnings:
            lines.append(f"{c.photo}: warned, {', '.join(c.warnings)}")
        lines += [f"{c.photo}: SILENT BLUNDER, {n} off by {c.errors[n]:.3f}" for n in c.blunders]
    lines += [
        "",
        f"{'view':<7}{'characteristic':<17}{'n':>5}{'median':>9}{'95th':>9}{'largest':>9}"
        f"{'held':>8}{'U':>9}",
    ]
    lines += [
        f"{x.view:<7}{x.name:<17}{x.count:>5}{x.median:>9.3f}{x.percentile95:>9.3f}"
        f"{x.largest:>9.3f}{x.coverage:>8.1%}{x.median_expanded:>9.3f}"
        for x in table(comparisons)
    ]
    totals = to_json(comparisons)["totals"]
    lines += [
        "",
        f"{totals['measured']} of {totals['photographs']} photographs measured "
        f"({totals['not_hard_measured']} of {totals['not_hard']} not marked hard), "
        f"{totals['warned']} with a warning, {totals['silent_blunders']} with a silent blunder, "
        f"{totals['seconds_per_photograph']:.1f} s each.",
        "Errors without their sign and the median expanded uncertainty U in mm or degrees.",
    ]
    return "\n".join(lines)
