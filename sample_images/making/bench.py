"""What is around the bow: a bench, a wall behind it, a room's light, lamps and a window."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from sample_images.making import surfaces
from sample_images.making.meshes import joined, loft, sheet
from sample_images.making.tracing import Lamp, Thing

Array = NDArray[np.float64]
Picture = NDArray[np.float32]

TILE_MM = 512.0


@dataclass(frozen=True, eq=False)
class Surroundings:
    """Things, lamps, and the room's light."""

    things: list[Thing]
    lamps: list[Lamp]
    room: Picture


def bench_top(
    z: float, turn_deg: float, kind: str, rng: np.random.Generator, fine: bool = False
) -> Thing:
    """Return a bench of 1.8 × 1.8 m at height ``z``."""
    half = 900.0
    y, x = np.meshgrid(np.array([half, -half]), np.array([-half, half]), indexing="ij")
    points = np.stack([x, y, np.full_like(x, z)], axis=-1)
    mesh = sheet(points, np.broadcast_to([0.0, 0.0, 1.0], points.shape).copy())
    c, s = np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))
    shift = rng.uniform(0, 2, 2)
    flat = mesh.vertices[:, :2] / TILE_MM
    mesh.uv[:] = flat @ np.array([[c, s], [-s, c]]).T + shift
    finish: str | float = "matte"
    if kind in ("painted", "steel"):
        finish = float(rng.uniform(0.25, 0.45))
    return Thing(mesh, surfaces.bench(kind, rng, fine), finish)


def block(low: Array, high: Array, tone: tuple[float, float, float]) -> Thing:
    """Return a block between two corners, as what the bow rests on."""
    x0, y0, z0 = low
    x1, y1, z1 = high
    section = np.array([[x0, z0], [x1, z0], [x1, z1], [x0, z1]])
    skin = loft(np.array([y0, y1]), np.stack([section, section]), np.full(4, 1.5), (1.5, 1.5))
    return Thing(joined([skin.skin(), skin.cap(0), skin.cap(-1)]), tone, "matte")


def back_wall(behind: Array, facing: Array, rng: np.random.Generator) -> Thing:
    """Return a wall of 3 × 1.5 m whose middle is at ``behind``, facing a direction."""
    facing = facing * np.array([1, 1, 0])
    facing = facing / np.linalg.norm(facing)
    across = np.cross(np.array([0.0, 0.0, 1.0]), facing)
    across /= np.linalg.norm(across)
    up = np.array([0.0, 0.0, 1.0])
    corners = [
        [behind - across * 1500 + up * 1300, behind + across * 1500 + up * 1300],
        [behind - across * 1500 - up * 300, behind + across * 1500 - up * 300],
    ]
    points = np.array(corners)
    return Thing(
        sheet(points, np.broadcast_to(facing, points.shape).copy()), surfaces.wall(rng), "matte"
    )


def room_light(rng: np.random.Generator, hard: bool, camera_from: Array) -> Picture:
    """Draw the light from all around: walls, ceiling, windows, lamps; 128 × 256 pixels.

    Lamps are part of it, as if far away: traced as one light, they cost few rays. Columns are
    the azimuth from y toward x. Whoever takes a good photograph has the light behind them:
    ``camera_from`` points from the bow to the camera.
    """
    rows, columns = 128, 256
    elevation = (0.5 - (np.arange(rows)[:, None] + 0.5) / rows) * np.pi
    azimuth = (np.arange(columns)[None, :] + 0.5) / columns * 2 * np.pi
    base = 0.17 + 0.22 * np.clip(np.sin(elevation), 0, 1) + 0.0 * azimuth
    warm = rng.uniform(-0.08, 0.10)
    drawn = base[..., None] * np.array([1 + warm, 1.0, 1 - warm])
    behind = np.arctan2(camera_from[0], camera_from[1])
    for _ in range(int(rng.integers(1, 3))):
        w = int(rng.integers(16, 44))
        aside = rng.uniform(-np.pi, np.pi) if hard else rng.uniform(-1.6, 1.6)
        x = int((behind + aside) / (2 * np.pi) * columns - w / 2)
        y, h = int(rng.integers(12, 36)), int(rng.integers(18, 34))
        pane = np.zeros((rows, columns, 3))
        light = rng.uniform(1.5, 5.0) * (0.3 if hard else 1.0)
        pane[y : y + h, :w] = light * np.array([0.93, 1.0, 1.08])
        pane[y + h // 2 - 1 : y + h // 2 + 1] *= 0.4
        drawn += np.roll(pane, x, axis=1)
    for share in (1.0, float(rng.choice([0.0, 0.3, 1.0]))):
        away = np.radians(rng.uniform(8, 62 if hard else 48))  # from straight above
        at_azimuth = behind + (rng.uniform(-np.pi, np.pi) if hard else rng.uniform(-1.8, 1.8))
        size = np.radians(rng.uniform(3, 9) if hard else rng.uniform(6, 24))
        cosine = np.sin(elevation) * np.cos(away) + np.cos(elevation) * np.sin(away) * np.cos(
            azimuth - at_azimuth
        )
        angle = np.arccos(np.clip(cosine, -1, 1))
        flux = share * rng.uniform(0.5, 1.8) * (0.5 if hard else 1.0)
        shine = flux / (np.pi * size**2) * np.clip((size - angle) / 0.02 + 0.5, 0, 1)
        tone = rng.uniform(-0.05, 0.2)
        drawn += shine[..., None] * np.array([1 + tone, 1.0, 1 - tone])
    return np.asarray(drawn + 0.15 * cv2.GaussianBlur(drawn, (0, 0), 12), dtype=np.float32)
