"""What lies about on a bench: a pencil, a hex key, a steel rule, a block of cork."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sample_images.making.bench import block
from sample_images.making.meshes import Mesh, joined, loft, rotation, sheet
from sample_images.making.tracing import Thing

Array = NDArray[np.float64]


def _round(radius: float, sides: int) -> Array:
    angle = (np.arange(sides) + 0.5) / sides * 2 * np.pi
    return radius * np.stack([np.cos(angle), np.sin(angle)], axis=-1)


def _rod(length: float, radius: float, sides: int, taper_to: float = 1.0) -> Mesh:
    section = _round(radius, sides)
    corners = np.stack([section, section * taper_to])
    made = loft(np.array([0.0, length]), corners, np.full(sides, 0.15 * radius * taper_to), (0, 0))
    return joined([made.skin(), made.cap(0), made.cap(-1)])


def _laid(thing: Thing, at: tuple[float, float], turn_deg: float, z: float) -> Thing:
    turn = rotation("z", turn_deg)
    return Thing(thing.mesh.moved(turn, np.array([*at, z])), thing.look, thing.finish)


def pencil(at: tuple[float, float], turn_deg: float, bench_z: float) -> list[Thing]:
    """Return a carpenter's pencil, sharpened, its blunt end at a place on the bench."""
    parts = [
        Thing(_rod(118.0, 3.7, 6), (0.42, 0.06, 0.04), 0.25),
        Thing(_rod(14.0, 3.6, 6, 0.3).moved(np.eye(3), np.array([0, 118.0, 0])), (0.5, 0.34, 0.2)),
        Thing(
            _rod(4.0, 1.0, 6, 0.2).moved(np.eye(3), np.array([0, 132.0, 0])), (0.05, 0.05, 0.05)
        ),
    ]
    return [_laid(part, at, turn_deg, bench_z + 3.7) for part in parts]


def hex_key(at: tuple[float, float], turn_deg: float, bench_z: float) -> list[Thing]:
    """Return the key for the limb bolts, lying on the bench."""
    short = _rod(24.0, 2.6, 6).moved(rotation("z", -90.0), np.zeros(3))
    mesh = joined([_rod(72.0, 2.6, 6), short])
    return [_laid(Thing(mesh, (0.09, 0.09, 0.095), "metal"), at, turn_deg, bench_z + 2.6)]


def rule(at: tuple[float, float], turn_deg: float, bench_z: float) -> list[Thing]:
    """Return a 150 mm steel rule, its graduations 1 mm apart; for looks, not for measuring."""
    length, width, px = 156.0, 18.0, 8
    face = np.full((round(width * px), round(length * px), 3), 0.55, dtype=np.float32)
    for mm in range(151):
        long = 8.0 if mm % 10 == 0 else 6.0 if mm % 5 == 0 else 4.0
        x = round((3 + mm) * px)
        face[: round(long * px), x - 1 : x + 1] = 0.05
    y, x_grid = np.meshgrid([width, 0.0], [0.0, length], indexing="ij")
    top = np.stack([x_grid, y, np.full_like(y, 0.6)], axis=-1)
    normals = np.broadcast_to([0.0, 0.0, 1.0], top.shape).copy()
    steel = block(np.array([0.0, 0.0, 0.0]), np.array([length, width, 0.58]), (0.4, 0.4, 0.41))
    parts = [Thing(sheet(top, normals), face, 0.3), steel]
    return [_laid(part, at, turn_deg, bench_z) for part in parts]


def cork(at: tuple[float, float], turn_deg: float, bench_z: float) -> list[Thing]:
    """Return a sanding block of cork."""
    made = block(np.array([-30.0, -50, 0]), np.array([30.0, 50, 34]), (0.36, 0.22, 0.11))
    return [_laid(made, at, turn_deg, bench_z)]
