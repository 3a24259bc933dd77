"""The accuracy set: photographs of all four views with known truth, drawn by random seed.

    python -m sample_images.making.cases --view seat --first-seed 1000 --count 50 --out DIR

Every third seed is hard: poor light, softer, noisier, held more obliquely. Beside each photo
stands a JSON of the same name with its truth.
"""

from __future__ import annotations

import argparse
import time
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sample_images.making import surfaces
from sample_images.making.bench import (
    Surroundings,
    back_wall,
    bench_top,
    block,
    room_light,
)
from sample_images.making.bow import PAD_GAP_MM, Limb, RiserEnd, seated
from sample_images.making.dressed import LimbLook, RiserLook
from sample_images.making.lens import Camera, Lens, lens_of
from sample_images.making.phone import Phone, saved
from sample_images.making.photograph import Effort, taken
from sample_images.making.records import known_of, write_record
from sample_images.making.shots import (
    Held,
    Laid,
    Paper,
    Seat,
    Shot,
    Stood,
    joint_camera,
    joint_card,
    joint_shot,
    pad_camera,
    pad_card,
    pad_shot,
    placed,
    seat_camera,
    seat_cards,
    seat_shot,
    sight_camera,
    sight_cards,
    sight_shot,
)

Array = NDArray[np.float64]

VIEWS = ("seat", "pad", "sight", "joint")
# What is in view is sampled at least this finely where edges are measured.
TEXTURE_PX_PER_MM = 5.0


@dataclass(frozen=True, eq=False)
class Case:
    """One photograph to be made: what it shows, what is around, and by which telephone."""

    shot: Shot
    seed: int
    hard: bool
    focal_35mm: int
    around: Surroundings
    phone: Phone
    white: float


def is_hard(seed: int) -> bool:
    """Tell whether a seed gives a hard photograph: every third does."""
    return seed % 3 == 2


def draw_case(view: str, seed: int, width: int) -> Case:
    """Draw a case of a view from its seed; ``width`` is the photograph's longer side."""
    if view not in VIEWS:
        raise ValueError(f"view must be one of {', '.join(VIEWS)}, got {view!r}")
    rng = np.random.default_rng([VIEWS.index(view), seed])
    drawn = {"seat": _seat, "pad": _pad, "sight": _sight, "joint": _joint}[view]
    return drawn(rng, seed, is_hard(seed), width)


def photograph(case: Case, folder: Path, name: str, effort: Effort | None = None) -> Path:
    """Trace, develop and save a case; write its truth beside it."""
    rng = np.random.default_rng(case.seed + 77)
    pixels = taken(
        case.shot,
        case.around,
        case.phone,
        case.white,
        1.3 if case.hard else 0.85,
        effort or Effort(),
        case.seed,
        rng,
    )
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / f"{name}.jpg"
    orientation = int(rng.choice([1, 1, 3, 6, 8]))
    model = f"Aldren T{case.seed}"
    saved(pixels, path, case.phone, "Aldren", model, case.focal_35mm, orientation)
    write_record(path, record(case, path.name))
    return path


def record(case: Case, photo: str) -> dict[str, Any]:
    """Return what is true of a case, as it is written beside the photograph."""
    return {
        **known_of(case.shot, photo, case.focal_35mm),
        "hard": case.hard,
        "seed": case.seed,
    }


# ---- what all views share --------------------------------------------------------------


def _lens(rng: np.random.Generator, width: int, portrait: bool) -> tuple[Lens, int]:
    tag = int(rng.choice([23, 24, 24, 26, 26, 28]))
    # The tag is a whole number and makers state a nominal lens.
    true_35mm = tag * (1 + rng.normal(0, 0.012))
    long, short = width, round(width * 3 / 4)
    size = (short, long) if portrait else (long, short)
    off = rng.normal(0, 0.0012, 2)
    k1, k2 = rng.uniform(-0.04, 0.06), rng.uniform(-0.04, 0.02)
    return lens_of(*size, true_35mm, k1, k2, (float(off[0]), float(off[1]))), tag


def _phone(rng: np.random.Generator, hard: bool, width: int) -> tuple[Phone, float]:
    """Draw a telephone, and how bright paper comes out."""
    fine = width / 4032  # a reduced picture is sharper and cleaner, per pixel
    if hard:
        blur, gain, dark = rng.uniform(0.9, 1.5), rng.uniform(8e-4, 3e-3), rng.uniform(3e-3, 8e-3)
        white = rng.uniform(0.30, 0.85)
    else:
        blur, gain, dark = rng.uniform(0.55, 0.9), rng.uniform(1e-4, 5e-4), rng.uniform(1e-3, 3e-3)
        white = rng.uniform(0.50, 0.82)
    tint = 1 + rng.normal(0, 0.02, 3)
    phone = Phone(
        blur_px=float(blur * (0.75 + 0.25 * fine)),
        gain=float(gain),
        read_noise=float(dark),
        tint=(float(tint[0]), 1.0, float(tint[2])),
        curve=float(rng.uniform(0, 0.35)),
        sharpening=float(rng.uniform(0.1, 0.7)),
        vignetting=float(rng.uniform(0.05, 0.3)),
        quality=int(rng.integers(86, 96)),
    )
    return phone, float(white)


def _print(rng: np.random.Generator) -> Paper:
    """Draw print scale, true to size in half of the cases, and thickness of the cards."""
    scale = (1.0, 1.0)
    if rng.random() < 0.5:
        along = rng.uniform(0.97, 1.015)
        scale = (round(float(along), 4), round(float(along + rng.normal(0, 0.0015)), 4))
    return Paper(scale, float(rng.choice([0.3, 0.5, 1.0, 1.0, 1.5])))


def _looks(rng: np.random.Generator, hard: bool) -> tuple[RiserLook, LimbLook]:
    names = sorted(surfaces.WOODS)
    stripes: tuple[tuple[float, float, str], ...] = ()
    if rng.random() < 0.45:
        middle = float(rng.uniform(-3, 3))
        inner, outer = (str(n) for n in rng.choice(names, 2, replace=False))
        half = float(rng.uniform(1.2, 4.5))
        stripes = ((middle, half + float(rng.uniform(0.6, 1.5)), outer), (middle, half, inner))
    finish = float(rng.choice([0.4, 0.3, 0.2, 0.12]))
    riser = RiserLook(str(rng.choice(names)), stripes, finish, int(rng.integers(1 << 20)))
    limb = LimbLook(
        str(rng.choice(sorted(surfaces.GLASSES))),
        str(rng.choice(sorted(surfaces.CORES))),
        float(rng.choice([0.3, 0.18, 0.1] if not hard else [0.2, 0.1, 0.07])),
        int(rng.integers(1 << 20)),
    )
    return riser, limb


def _surroundings(
    rng: np.random.Generator,
    hard: bool,
    riser: RiserEnd,
    bench_z: float,
    camera: Camera,
    behind: Array | None,
) -> Surroundings:
    """Return the bench, what the riser rests on, and ``behind`` all a wall, if it shows."""
    kind = str(rng.choice(surfaces.BENCHES))
    things = [bench_top(bench_z, float(rng.uniform(-35, 35) + rng.choice([0, 90])), kind, rng)]
    if bench_z < -riser.depth - 1:
        half = float(rng.uniform(0.4, 1.1)) * riser.width
        near, far = float(rng.uniform(-30, 10)), float(rng.uniform(-130, -70))
        tone = rng.choice([[0.04, 0.04, 0.045], [0.4, 0.27, 0.15], [0.1, 0.14, 0.2]])
        low, high = np.array([-half, far, bench_z]), np.array([half, near, -riser.depth])
        things.append(block(low, high, (float(tone[0]), float(tone[1]), float(tone[2]))))
    if behind is not None:
        things.append(back_wall(behind, camera.position - behind, rng))
    return Surroundings(things, [], room_light(rng, hard, -camera.cam2world[:, 2]))


def _riser(rng: np.random.Generator, face_height: float) -> RiserEnd:
    return RiserEnd(
        width=float(rng.uniform(37, 47)),
        pad_length=float(rng.uniform(74, 104)),
        depth=float(rng.uniform(22, 42)),
        face_height=face_height,
        face_length=float(rng.uniform(100, 170)),
        taper_deg=float(rng.choice([0.0, 0.0, rng.uniform(-0.25, 0.25)])),
        draft_deg=0.0,
        arris_mm=float(rng.uniform(0.1, 0.6)),
        under_arris_mm=float(rng.uniform(2, 7)),
    )


def _limb(rng: np.random.Generator, riser: RiserEnd, thickness: float) -> Limb:
    sense = float(rng.choice([-1, 1]))  # belly or back mounted: the tip hooks up or down
    flat = riser.pad_length + float(rng.uniform(80, 115))
    return Limb(
        width=riser.width + float(rng.uniform(-1.6, 2.2)),
        tip_width=float(rng.uniform(14, 22)),
        length=float(rng.uniform(430, 520)),
        thickness=thickness,
        tip_thickness=float(rng.uniform(3.2, 5.0)),
        wedge_from=riser.pad_length - 4,
        flat_to=flat,
        deflex_deg=-sense * float(rng.uniform(2, 8)),
        tip_slope_deg=sense * float(rng.uniform(6, 22)),
        arris_mm=float(rng.uniform(0.1, 0.6)),
        under_arris_mm=float(rng.uniform(0.05, 0.3)),
    )


# ---- the views -------------------------------------------------------------------------


def _laid(rng: np.random.Generator, aside: float, skew: float) -> Laid:
    """Draw how a card was laid, uniformly within limits."""
    return Laid(
        float(rng.uniform(-aside, aside)),
        float(rng.uniform(-skew, skew)),
        float(rng.normal(0, 0.03)),
    )


def _stood(rng: np.random.Generator, aside: float, fold: float) -> Stood:
    """Draw how a card was stood up, as well as a careful user does it."""
    return Stood(
        float(rng.uniform(-aside, aside)),
        float(rng.uniform(-2, 2)),
        float(rng.uniform(-1, 1)),
        float(rng.normal(0, fold)),
        float(rng.normal(0, 0.04)),
    )


def _seat(rng: np.random.Generator, seed: int, hard: bool, width: int) -> Case:
    thickness = float(rng.uniform(8.5, 13.0))
    riser = _riser(rng, thickness + float(rng.uniform(-2.4, 2.4)))
    limb = _limb(rng, riser, thickness)
    seating = placed(
        float(rng.uniform(-1.3, 1.3)),
        float(rng.uniform(-0.8, 0.8)),
        float(rng.choice([0.0, 0.0, rng.uniform(-0.3, 0.3)])),
        0.0,
        float(rng.choice([0.0, rng.uniform(-0.2, 0.2)])),
    )
    paper = _print(rng)
    bolt_y = float(rng.uniform(24, 42))
    a_from = bolt_y + float(rng.uniform(16, 26))
    laid_a = _laid(rng, 1.5, 2.5)
    b_to = float(rng.uniform(6, 20))
    laid_b = _laid(rng, 1.5, 2.5)
    lens, tag = _lens(rng, width, portrait=rng.random() < 0.2)
    tilt = np.radians(rng.uniform(8, 18) if hard else rng.uniform(0, 7))
    towards = rng.uniform(0, 2 * np.pi)
    # The bow lies along the longer side of the frame, near enough.
    lengthwise = 0.0 if lens.height > lens.width else 90.0
    held = Held(
        lens,
        np.array([np.sin(tilt) * np.cos(towards), np.sin(tilt) * np.sin(towards), -1.0]),
        lengthwise + float(rng.choice([0, 180])) + float(rng.normal(0, 5)),
        float(rng.uniform(0.62, 0.85) if hard else rng.uniform(0.72, 0.9)),
        (float(rng.normal(0, 0.01)), float(rng.normal(0, 0.05))),
        float(rng.uniform(0.6, 1.3)),
    )
    sharp_z = thickness + float(rng.uniform(-8, 3))
    looks = _looks(rng, hard)
    seat = Seat(riser, limb, seating, *looks, bolt_y, bool(rng.random() < 0.4))
    cards = seat_cards(seat, paper, a_from, b_to, laid_a, laid_b)
    shot = seat_shot(seat, cards, seat_camera(cards, held, sharp_z), TEXTURE_PX_PER_MM)
    phone, white = _phone(rng, hard, width)
    bench_z = -riser.depth - float(rng.uniform(0, 25))
    around = _surroundings(rng, hard, riser, bench_z, shot.camera, None)
    return Case(shot, seed, hard, tag, around, phone, white)


def _pad(rng: np.random.Generator, seed: int, hard: bool, width: int) -> Case:
    base = _riser(rng, float(rng.uniform(8.5, 13.0)))
    square = float(rng.choice([rng.uniform(-1.8, 1.8), rng.normal(0, 0.25)]))
    riser = replace(
        base,
        draft_deg=float(rng.choice([0.0, rng.uniform(-0.2, 0.2)])),
        pad_squareness_deg=square,
        end_lean_deg=float(rng.choice([0.0, rng.uniform(-2.0, 2.0)])),
    )
    paper = _print(rng)
    card = pad_card(riser, paper, float(rng.uniform(0.8, 6.0)), _stood(rng, 0.8, 0.015))
    lens, tag = _lens(rng, width, portrait=rng.random() < 0.1)
    down = np.radians(rng.uniform(6, 22) if hard else rng.uniform(2, 14))
    aside = np.radians(rng.normal(0, 8) if hard else rng.normal(0, 3))
    held = Held(
        lens,
        np.array([np.sin(aside), -np.cos(aside) * np.cos(down), -np.sin(down)]),
        float(rng.normal(0, 3)),
        float(rng.uniform(0.45, 0.68)),
        (float(rng.normal(0, 0.04)), float(rng.normal(0, 0.05))),
        float(rng.uniform(0.5, 1.1)),
    )
    look, _ = _looks(rng, hard)
    shot = pad_shot(riser, look, card, pad_camera(riser, card, held), TEXTURE_PX_PER_MM)
    bench_z = -riser.depth - float(rng.uniform(0, 40))
    phone, white = _phone(rng, hard, width)
    wall = np.array([0.0, -float(rng.uniform(650, 1500)), bench_z])
    around = _surroundings(rng, hard, riser, bench_z, shot.camera, wall)
    return Case(shot, seed, hard, tag, around, phone, white)


def _sight(rng: np.random.Generator, seed: int, hard: bool, width: int) -> Case:
    thickness = float(rng.uniform(8.5, 13.0))
    riser = _riser(rng, thickness + float(rng.uniform(-2, 2)))
    limb = replace(
        _limb(rng, riser, thickness),
        twist_deg=float(rng.choice([rng.uniform(-3, 3), rng.normal(0, 0.8)])),
        length=float(rng.uniform(400, 500)),
    )
    seating = seated(float(rng.uniform(-1, 1)), float(rng.uniform(-0.6, 0.6)))
    paper = _print(rng)
    names = ("C", "D") if rng.random() < 0.75 else ("D", "C")
    places = (float(rng.uniform(8, 22)), limb.length - float(rng.uniform(14, 40)))
    stood = (_stood(rng, 0.5, 0.03), _stood(rng, 0.5, 0.03))
    lens, tag = _lens(rng, width, portrait=rng.random() < 0.12)
    down = np.radians(rng.uniform(12, 32) if hard else rng.uniform(14, 26))
    aside = np.radians(rng.normal(0, 3.5) if hard else rng.normal(0, 1.5))
    tipward = seating.of(limb.surface(places[1])[0]) - seating.of(limb.surface(places[0])[0])
    level = -tipward / np.linalg.norm(tipward)
    held = Held(
        lens,
        level + np.array([np.tan(aside), 0.0, -np.tan(down)]),
        float(rng.normal(0, 4)),
        float(rng.uniform(0.6, 0.85)),
        (float(rng.normal(0, 0.02)), float(rng.normal(0, 0.02))),
        float(rng.uniform(0.25, 0.55)),
    )
    looks = _looks(rng, hard)
    lowest = min(float(limb.face_z(np.array([limb.length]))[0]) - 12, -riser.depth)
    bench_z = lowest - float(rng.uniform(0, 30))
    phone, white = _phone(rng, hard, width)
    seat = Seat(riser, limb, seating, *looks, float(rng.uniform(34, 46)), True)
    sighted = sight_cards(seat, paper, names, places, stood)
    shot = sight_shot(seat, sighted, sight_camera(sighted, held), TEXTURE_PX_PER_MM)
    wall = np.array([0.0, -float(rng.uniform(500, 900)), bench_z])
    around = _surroundings(rng, hard, riser, bench_z, shot.camera, wall)
    return Case(shot, seed, hard, tag, around, phone, white)


def _joint(rng: np.random.Generator, seed: int, hard: bool, width: int) -> Case:
    thickness = float(rng.uniform(8.5, 13.0))
    riser = replace(
        _riser(rng, thickness + float(rng.uniform(-2, 2))),
        depth=float(rng.uniform(30, 44)),
        taper_deg=0.0,
        arris_mm=float(rng.uniform(0.04, 0.15)),
    )
    limb = replace(
        _limb(rng, riser, thickness),
        width=riser.width + float(rng.uniform(-0.3, 0.3)),
        under_arris_mm=float(rng.uniform(0.04, 0.15)),
    )
    gap_butt, wedge = _opening(rng, riser.pad_length - PAD_GAP_MM)
    seating = placed(float(rng.uniform(-0.1, 0.1)), 0.0, 0.0, gap_butt, wedge)
    paper = _print(rng)
    below = float(rng.uniform(1.5, 4.0))
    middle_y = riser.pad_length / 2 + float(rng.uniform(-14, 14))
    laid = Laid(0.0, float(rng.normal(0, 1.0)), float(rng.normal(0, 0.03)))
    lens, tag = _lens(rng, width, portrait=False)
    high = np.radians(rng.normal(0, 3.0) if hard else rng.normal(0, 1.2))
    aside = np.radians(rng.normal(0, 8) if hard else rng.normal(0, 3))
    held = Held(
        lens,
        np.array([-np.cos(high) * np.cos(aside), np.sin(aside), -np.sin(high)]),
        float(rng.normal(0, 2.5)),
        float(rng.uniform(0.5, 0.8)),
        (float(rng.normal(0, 0.02)), float(rng.normal(0, 0.04))),
        float(rng.uniform(0.5, 1.1)),
    )
    looks = _looks(rng, hard)
    seat = Seat(riser, limb, seating, *looks, bolt_dark=bool(rng.random() < 0.5))
    card = joint_card(seat, paper, 1, below, middle_y, laid)
    camera = joint_camera(seat, card, 1, held)
    shot = joint_shot(seat, card, camera, 1, TEXTURE_PX_PER_MM)
    bench_z = -riser.depth - float(rng.uniform(0, 40))
    phone, white = _phone(rng, hard, width)
    wall = np.array([-float(rng.uniform(500, 1300)), 0.0, bench_z])
    around = _surroundings(rng, hard, riser, bench_z, camera, wall)
    return Case(shot, seed, hard, tag, around, phone, white)


def _opening(rng: np.random.Generator, length: float) -> tuple[float, float]:
    """Draw a seam: its opening at the butt, mm, and its wedge, degrees."""
    kind = rng.choice(["end", "butt", "even", "closed"], p=[0.42, 0.3, 0.2, 0.08])
    if kind == "end":
        return 0.0, float(rng.uniform(0.03, 0.5))
    if kind == "butt":
        wedge = float(rng.uniform(0.03, 0.5))
        return length * float(np.tan(np.radians(wedge))), -wedge
    if kind == "even":
        gap = float(rng.uniform(0.05, 0.5))
        return gap, float(rng.uniform(-1, 1)) * float(np.degrees(np.arctan(gap / length)))
    return 0.0, 0.0


# ---- command line ----------------------------------------------------------------------


def main() -> None:
    """Make a range of cases."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--view", choices=VIEWS, required=True)
    parser.add_argument("--first-seed", type=int, default=1000)
    parser.add_argument("--count", type=int, default=10)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--width", type=int, default=2016, help="longer side, pixels")
    options = parser.parse_args()
    for seed in range(options.first_seed, options.first_seed + options.count):
        started = time.perf_counter()
        case = draw_case(options.view, seed, options.width)
        path = photograph(case, options.out, f"{options.view}-{seed}")
        kind = "hard" if case.hard else "plain"
        print(f"{path} {kind} {time.perf_counter() - started:.1f} s", flush=True)


if __name__ == "__main__":
    main()
