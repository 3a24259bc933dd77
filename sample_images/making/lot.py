"""A lot of twelve newly cut pads, each photographed three times by two people.

    python -m sample_images.making.lot --out sample_images/lot

For quality control of a lot and for a gauge study. The two have one telephone and one set of
cards, and habits of their own: Ines works at the window and stands the card at the very end,
Rolf under a lamp, hurriedly, more from above and from one side. Between photographs the card
is taken off and set again. Truth of pads and photographs is in ``lot.json``.
"""

from __future__ import annotations

import argparse
import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sample_images.making.bench import Surroundings, back_wall, bench_top, block, room_light
from sample_images.making.bow import RiserEnd
from sample_images.making.dressed import RiserLook
from sample_images.making.lens import Camera, lens_of
from sample_images.making.phone import Phone, saved
from sample_images.making.photograph import Effort, taken
from sample_images.making.records import known_of
from sample_images.making.shots import Held, Paper, Shot, Stood, pad_camera, pad_card, pad_shot

Array = NDArray[np.float64]

PADS, TRIALS = 12, 3
LOT_SEED = 2611
# The saw's fence is a little off, the hand adds the rest; the ninth slipped.
MEAN_DEG, SPREAD_DEG = 0.06, 0.09
SLIPPED, SLIPPED_DEG = 9, 0.41
SIZE = (1200, 900)
TAG_35MM = 24
LENS = lens_of(*SIZE, 24.2, -0.012, 0.006, (-0.0008, 0.0011))
MAKE, MODEL = "Aldren", "Aldren S2"
PAPER = Paper((1.0015, 1.001), 0.8)
FOLD_DEG = 0.02  # of card C, the same in all photographs


@dataclass(frozen=True)
class Habit:
    """How one of the two works.

    Attributes
    ----------
    down_deg, aside_deg
        From where the telephone looks: middle and spread.
    lean_deg, skew_deg, aside_mm, back_mm
        How the card is set: half widths, and how far from the riser's end it stands.
    blur_px, white
        Sharpness of the hand, and how bright paper comes out.
    bench, seed
        Where the photographs are taken.
    """

    down_deg: tuple[float, float]
    aside_deg: tuple[float, float]
    lean_deg: float
    skew_deg: float
    aside_mm: float
    back_mm: tuple[float, float]
    blur_px: float
    white: float
    bench: str
    seed: int


HABITS = {
    "Ines": Habit((5.0, 1.5), (0.0, 1.5), 0.8, 0.4, 0.3, (0.3, 1.5), 0.65, 0.72, "plywood", 5),
    "Rolf": Habit((14.0, 3.0), (5.0, 3.0), 2.0, 1.0, 0.8, (1.5, 5.0), 0.95, 0.6, "rubber", 12),
}


def pads() -> dict[str, RiserEnd]:
    """Return the pads by name."""
    rng = np.random.default_rng(LOT_SEED)
    found = {}
    for number in range(1, PADS + 1):
        square = round(float(rng.normal(MEAN_DEG, SPREAD_DEG)), 3)
        found[f"P{number:02d}"] = RiserEnd(
            width=round(float(rng.normal(42.3, 0.06)), 3),
            pad_length=92.0,
            depth=38.0,
            face_height=11.0,
            draft_deg=round(float(rng.normal(0, 0.04)), 3),
            pad_squareness_deg=SLIPPED_DEG if number == SLIPPED else square,
            end_lean_deg=round(float(rng.normal(0, 0.3)), 2),
            arris_mm=0.15,
            under_arris_mm=2.0,
        )
    return found


def photographed(riser: RiserEnd, grain: int, habit: Habit, rng: np.random.Generator) -> Shot:
    """Return one photograph of a pad by one of the two."""
    stood = Stood(
        float(rng.uniform(-1, 1)) * habit.aside_mm,
        float(rng.uniform(-1, 1)) * habit.lean_deg,
        float(rng.uniform(-1, 1)) * habit.skew_deg,
        FOLD_DEG,
        float(rng.normal(0, 0.02)),
    )
    card = pad_card(riser, PAPER, float(rng.uniform(*habit.back_mm)), stood)
    down, aside = np.radians(rng.normal(*habit.down_deg)), np.radians(rng.normal(*habit.aside_deg))
    forward = np.array([np.sin(aside), -np.cos(aside) * np.cos(down), -np.sin(down)])
    shift = (float(rng.normal(0, 0.02)), float(rng.normal(0, 0.02)))
    held = Held(LENS, forward, float(rng.normal(0, 1.5)), 0.8, shift, 0.7)
    look = RiserLook("walnut", ((0.0, 3.0, "maple"),), 0.5, grain)
    return pad_shot(riser, look, card, pad_camera(riser, card, held), 5.0)


def corner(habit: Habit, camera: Camera, riser: RiserEnd) -> Surroundings:
    """Return the place where one of the two works."""
    rng = np.random.default_rng(habit.seed)
    bench_z = -riser.depth - 12.0
    low, high = np.array([-26.0, -125.0, bench_z]), np.array([26.0, -30.0, -riser.depth])
    wall = np.array([0.0, -900.0, bench_z])
    things = [
        bench_top(bench_z, 25.0, habit.bench, rng),
        block(low, high, (0.35, 0.24, 0.14)),
        back_wall(wall, camera.position - wall, rng),
    ]
    return Surroundings(things, [], room_light(rng, False, -camera.cam2world[:, 2]))


def main() -> None:
    """Take the photographs and write what is true of them."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--out", type=Path, required=True)
    options = parser.parse_args()
    options.out.mkdir(parents=True, exist_ok=True)
    photos: list[dict[str, Any]] = []
    lot = pads()
    for (operator, habit), trial in ((h, t) for t in range(1, TRIALS + 1) for h in HABITS.items()):
        for number, (name, riser) in enumerate(lot.items()):
            rng = np.random.default_rng([LOT_SEED, number, habit.seed, trial])
            shot = photographed(riser, 400 + number, habit, rng)
            phone = Phone(
                blur_px=habit.blur_px, gain=1.3e-4, read_noise=0.0012, curve=0.2, quality=79
            )
            around = corner(habit, shot.camera, riser)
            seed = 100 * number + trial
            pixels = taken(shot, around, phone, habit.white, 0.9, Effort(), seed, rng)
            path = options.out / f"{name}-{operator.lower()}-{trial}.jpg"
            saved(pixels, path, phone, MAKE, MODEL, TAG_35MM)
            known = known_of(shot, path.name, TAG_35MM)
            for shared in ("view", "truth", "camera", "note", "arris_radius_mm"):
                del known[shared]
            photos.append({"pad": name, "operator": operator, "trial": trial, **known})
            print(path, f"{path.stat().st_size / 1e3:.0f} kB", flush=True)
    _write(options.out / "lot.json", lot, photos)


def _write(path: Path, lot: dict[str, RiserEnd], photos: list[dict[str, Any]]) -> None:
    content = {
        "note": "mm and degrees; names and signs as in the README",
        "view": "pad",
        "card_thickness_mm": PAPER.thickness,
        "print_scale": list(PAPER.scale),
        "card_fold": {"C": FOLD_DEG},
        "camera": {
            "focal_px": LENS.focal_px,
            "k1": LENS.k1,
            "k2": LENS.k2,
            "focal_35mm": TAG_35MM,
            "centre_px": list(LENS.centre_px),
        },
        "operators": list(HABITS),
        "pads": {
            name: {
                "pad_squareness": riser.pad_squareness_deg,
                "squareness_left": round(riser.pad_squareness_deg - riser.draft_deg, 4),
                "squareness_right": round(riser.pad_squareness_deg + riser.draft_deg, 4),
                "riser_width": riser.width,
            }
            for name, riser in lot.items()
        },
        "photos": photos,
    }
    path.write_text(json.dumps(content, indent=1, ensure_ascii=False) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
