"""Writes seats photographed by one phone, with truth files, to see what a lens profile is worth.

    python tests/one_phone.py DIR [--count 8] [--first-seed 0]
    fitcheck accuracy DIR --lens unknown|profile|known

Ray cast by ``scene.py``; the lens is the same in all, its focal length 2 % off what EXIF says.
"""

from __future__ import annotations

import argparse
import json
from dataclasses import replace
from pathlib import Path

import numpy as np
from PIL import Image
from scene import photograph, random_scene

FOCAL_35MM = 26  # EXIF's whole number, from which the program takes its prior
FOCAL_OFF = 1.02
K1, K2 = 0.035, -0.025


def main() -> None:
    """Write the photographs."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--count", type=int, default=8)
    parser.add_argument("--first-seed", type=int, default=0)
    options = parser.parse_args()
    options.folder.mkdir(parents=True, exist_ok=True)
    for seed in range(options.first_seed, options.first_seed + options.count):
        write(options.folder / f"seat-{seed:03d}.jpg", seed)


def write(path: Path, seed: int) -> None:
    """Write one photograph and its truth."""
    rng = np.random.default_rng(seed)
    width, height = 2016, 1512
    focal_px = FOCAL_OFF * FOCAL_35MM * np.hypot(width, height) / 43.266615
    tilt = (rng.uniform(-14, 14), rng.uniform(-14, 14), rng.uniform(-180, 180))
    scene = replace(
        random_scene(rng),
        camera=(rng.uniform(-10, 10), rng.uniform(-10, 10), rng.uniform(390, 430)),
        tilt=tilt,
        focal_px=focal_px,
        k1=K1,
        k2=K2,
        seed=seed,
    )
    exif = Image.Exif()
    exif[0x010F], exif[0x0110] = "Example", "One"
    exif.get_ifd(0x8769)[0xA405] = FOCAL_35MM
    Image.fromarray(photograph(scene).pixels).save(path, quality=93, exif=exif)
    known = {
        "view": "seat",
        "truth": scene.truth,
        "card_thickness_mm": scene.thickness,
        "camera": {"focal_px": focal_px, "k1": K1, "k2": K2},
    }
    path.with_suffix(".json").write_text(json.dumps(known, indent=1), encoding="utf-8")


if __name__ == "__main__":
    main()
