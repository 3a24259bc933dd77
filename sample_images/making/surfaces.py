"""What surfaces look like: wood, laminated glass, benches and walls, as linear reflectance.

Everything is drawn from a generator of random numbers; no photograph was used.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import map_coordinates

Array = NDArray[np.float64]
Picture = NDArray[np.float32]


@dataclass(frozen=True)
class Wood:
    """A species: its light and dark tone (linear RGB), ring spacing in mm, and how it is drawn."""

    light: tuple[float, float, float]
    dark: tuple[float, float, float]
    ring_mm: float
    contrast: float
    pores: float


WOODS = {
    "maple": Wood((0.62, 0.45, 0.28), (0.48, 0.31, 0.17), 2.6, 0.5, 0.05),
    "walnut": Wood((0.20, 0.115, 0.065), (0.075, 0.04, 0.022), 3.2, 0.9, 0.5),
    "cherry": Wood((0.38, 0.19, 0.09), (0.26, 0.11, 0.05), 2.8, 0.6, 0.12),
    "ash": Wood((0.55, 0.42, 0.27), (0.33, 0.22, 0.12), 3.6, 0.9, 0.45),
    "padauk": Wood((0.36, 0.09, 0.035), (0.20, 0.035, 0.015), 3.0, 0.7, 0.4),
    "wenge": Wood((0.085, 0.05, 0.032), (0.025, 0.015, 0.011), 1.6, 1.0, 0.3),
    "olive ash": Wood((0.42, 0.31, 0.17), (0.17, 0.11, 0.06), 4.0, 1.0, 0.35),
    "rosewood": Wood((0.17, 0.07, 0.045), (0.045, 0.02, 0.015), 2.0, 1.0, 0.3),
    "beech": Wood((0.52, 0.34, 0.21), (0.42, 0.25, 0.14), 2.4, 0.4, 0.25),
    "bubinga": Wood((0.30, 0.12, 0.07), (0.17, 0.055, 0.03), 2.6, 0.7, 0.2),
}

GLASSES = {
    "black": (0.022, 0.022, 0.024),
    "brown": (0.085, 0.045, 0.025),
    "clear over maple": (0.52, 0.37, 0.20),
    "clear over walnut": (0.16, 0.09, 0.05),
    "clear over yew": (0.46, 0.23, 0.09),
    "green": (0.05, 0.085, 0.045),
    "grey": (0.14, 0.145, 0.15),
    "white": (0.60, 0.59, 0.55),
    "red": (0.22, 0.025, 0.02),
}

CORES = {"maple": (0.58, 0.43, 0.27), "bamboo": (0.52, 0.37, 0.19), "red elm": (0.36, 0.2, 0.11)}


@cache
def _lattice(seed: int) -> NDArray[np.float32]:
    return np.random.default_rng(seed).standard_normal((48, 48, 48)).astype(np.float32)


def _noise3(points: Array, seed: int, cell_mm: tuple[float, float, float]) -> Array:
    # Its cells are centimetres wide: looked up coarsely, then drawn out.
    rows, columns = points.shape[:2]
    few = [np.unique(np.linspace(0, n - 1, max(2, n // 12)).astype(int)) for n in (rows, columns)]
    coarse = points[np.ix_(*few)]
    at = np.moveaxis(coarse / np.array(cell_mm), -1, 0) + 24.5
    found = map_coordinates(_lattice(seed % 7), at + seed % 31, order=1, mode="grid-wrap")
    return np.asarray(
        cv2.resize(found.astype(np.float32), (columns, rows), interpolation=cv2.INTER_CUBIC)
    )


def _noise2(rng: np.random.Generator, rows: int, columns: int, cell: tuple[float, float]) -> Array:
    """Smooth noise of unit spread; ``cell`` is its grain in rows and columns."""
    small = (max(2, round(rows / cell[0])), max(2, round(columns / cell[1])))
    drawn = rng.standard_normal(small).astype(np.float32)
    if small == (rows, columns):
        return np.asarray(drawn, dtype=np.float64)
    return np.asarray(cv2.resize(drawn, (columns, rows), interpolation=cv2.INTER_CUBIC))


def _mix(dark: Array, light: Array, share: Array) -> Picture:
    share = np.clip(share, 0, 1)[..., None]
    return np.asarray(dark * (1 - share) + light * share, dtype=np.float32)


def wood(points: Array, species: Wood, seed: int, px_per_mm: float) -> Picture:
    """Draw wood where texels lie: points (rows, columns, 3), mm, grain along y.

    Rings are curved sheets about a pith far to one side, so sides, faces and end grain of one
    block agree; fibres and pores are streaks along the columns.
    """
    rng = np.random.default_rng(seed)
    points = points.astype(np.float32)
    rows, columns = points.shape[:2]
    pith = np.array([rng.uniform(-60, 60), rng.choice([-1, 1]) * rng.uniform(30, 110)])
    bent = points.copy()
    wander = _noise3(points, seed, (30.0, 90.0, 30.0))
    bent[..., 0] += 2.2 * wander
    bent[..., 2] += 1.6 * _noise3(points, seed + 3, (35.0, 120.0, 35.0))
    lean = rng.uniform(-0.06, 0.06, 2)
    across = np.hypot(
        bent[..., 0] - pith[0] - lean[0] * points[..., 1],
        bent[..., 2] - pith[1] - lean[1] * points[..., 1],
    )
    ring = across / species.ring_mm
    ring = ring + 0.35 * np.interp(ring, np.arange(-5, 400), rng.standard_normal(405))
    phase = ring % 1.0
    late = np.clip((phase - 0.25) / 0.6, 0, 1) ** 2 * np.clip((1 - phase) / 0.15, 0, 1)
    end_grain = columns / max(rows, 1) < 1.6 and np.ptp(points[..., 1]) < 8
    along = 1.0 if end_grain else 22.0
    fine = px_per_mm * 0.22
    fibre = _noise2(rng, rows, columns, (max(1, fine), max(1, along * px_per_mm)))
    fibre += 0.7 * _noise2(rng, rows, columns, (max(1, 3 * fine), max(1, 3 * along * px_per_mm)))
    share = 1 - species.contrast * 0.75 * late - 0.10 * fibre - 0.10 * wander
    drawn = _mix(np.array(species.dark), np.array(species.light), share)
    short = 0.4 if end_grain else 3.5
    pore = _noise2(rng, rows, columns, (max(1, 0.14 * px_per_mm), max(1, short * px_per_mm)))
    holes = np.clip((pore - 1.7 + 0.4 * late) * 2.5, 0, 1) * species.pores
    return np.asarray(drawn * (1 - 0.75 * holes[..., None]), dtype=np.float32)


def striped(base: Picture, points: Array, stripes: list[tuple[float, float, Picture]]) -> Picture:
    """Lay lengthwise laminations into wood: (middle, half width) across x in mm, and picture."""
    out = base.copy()
    for middle, half, picture in stripes:
        inside = np.abs(points[..., 0] - middle) < half
        out[inside] = picture[inside]
    return out


def laminated_limb(
    depth: Array, thickness: Array, glass: str, core: str, seed: int, px: float
) -> Picture:
    """Draw a limb: glass on both faces, wood cores between, seen at its sides.

    ``depth`` is how far texels lie under the face, ``thickness`` the limb's there, mm.
    """
    rng = np.random.default_rng(seed)
    rows, columns = depth.shape
    tone = np.array(GLASSES[glass])
    threads = 0.5 * _noise2(rng, rows, columns, (max(1, 0.25 * px), 60 * px))
    threads += 0.4 * _noise2(rng, rows, columns, (max(1, 2.5 * px), 90 * px))
    face = tone * (1 + (0.16 if "clear" in glass else 0.05) * threads[..., None])
    if "clear" in glass:
        pore = _noise2(rng, rows, columns, (max(1, 0.2 * px), 5 * px))
        face *= 1 - 0.22 * np.clip(pore - 1.2, 0, 1)[..., None]
    fibre = _noise2(rng, rows, columns, (max(1, 0.2 * px), 18 * px))
    grain = 1 + 0.10 * fibre[..., None]
    wood_tone = np.array(CORES[core])
    wedge = np.array(CORES["red elm"] if core != "red elm" else CORES["maple"])
    side = np.broadcast_to(wood_tone, (*depth.shape, 3)) * grain
    below = thickness - depth
    glass_mm = 1.1
    # The wedge is what the butt is thicker by than the working limb.
    in_wedge = (depth > 3.2) & (below > 3.0)
    side = np.where(in_wedge[..., None], wedge * grain, side)
    line = np.abs(depth - 3.2) < 0.09
    side = np.where((line & (below > 3))[..., None], side * 0.45, side)
    edge_tone = tone * 0.8 if "clear" not in glass else np.array([0.33, 0.27, 0.16])
    in_glass = (depth < glass_mm) | (below < glass_mm)
    side = np.where(in_glass[..., None], edge_tone * (1 + 0.04 * fibre[..., None]), side)
    on_face = (depth < 0.12) | (below < 0.12)
    return np.asarray(np.where(on_face[..., None], face, side), dtype=np.float32)


BENCHES = ("boards", "felt", "plywood", "painted", "steel", "rubber")


@cache
def _bench_pattern(kind: str, variant: int) -> NDArray[np.float32]:
    """Relief of a bench about 1, one channel, 2048 pixels square at 4 px/mm."""
    rng = np.random.default_rng(1000 * variant + BENCHES.index(kind))
    n = 2048
    if kind == "felt":
        fuzz = sum(
            w * _noise2(rng, n, n, (c, c))
            for w, c in ((0.10, 1), (0.10, 3), (0.05, 8), (0.05, 90))
        )
        return np.asarray(1 + 0.9 * fuzz, dtype=np.float32)
    if kind == "rubber":
        specks = np.clip(_noise2(rng, n, n, (2, 2)) - 1.6, 0, 1)
        return np.asarray(
            1 + 0.03 * _noise2(rng, n, n, (1, 1)) + 0.05 * _noise2(rng, n, n, (60, 60)) + specks,
            dtype=np.float32,
        )
    if kind == "painted":
        marks = np.clip(_noise2(rng, n, n, (3, 160)) - 2.1, 0, 1)
        return np.asarray(
            1
            + 0.02 * _noise2(rng, n, n, (2, 2))
            + 0.05 * _noise2(rng, n, n, (150, 150))
            + 0.03 * _noise2(rng, n, n, (25, 25))
            - 0.25 * marks,
            dtype=np.float32,
        )
    if kind == "steel":
        return np.asarray(
            1
            + 0.10 * _noise2(rng, n, n, (1, 220))
            + 0.06 * _noise2(rng, n, n, (3, 500))
            + 0.06 * _noise2(rng, n, n, (120, 120)),
            dtype=np.float32,
        )
    board = n if kind == "plywood" else n // 4
    strips = []
    for _ in range(n // board):
        rows = np.arange(board)[:, None] / 4.0
        wave = _noise2(rng, board, n, (board / 2.0, 900))
        rings = (rows / 11.0 + 2.2 * wave + rng.uniform(0, 9)) % 1.0
        late = np.clip((rings - 0.3) / 0.6, 0, 1) ** 2 * np.clip((1 - rings) / 0.12, 0, 1)
        strip = rng.uniform(0.88, 1.1) - 0.28 * late
        strip = strip + 0.035 * _noise2(rng, board, n, (2, 160))
        strip = strip + 0.05 * _noise2(rng, board, n, (5, 300))
        pores = np.clip(_noise2(rng, board, n, (1.5, 24)) - 1.9, 0, 1)
        strip = strip - 0.2 * pores
        if kind == "boards":
            joint = np.minimum(np.arange(board), board - 1 - np.arange(board))[:, None]
            strip = strip * (1 - 0.7 * np.exp(-((joint / 2.0) ** 2)))
        strips.append(strip)
    return np.asarray(np.concatenate(strips), dtype=np.float32)


BENCH_TONES = {
    "boards": ((0.36, 0.24, 0.14), (0.24, 0.15, 0.09), (0.46, 0.34, 0.22), (0.30, 0.25, 0.2)),
    "felt": ((0.05, 0.12, 0.07), (0.10, 0.10, 0.11), (0.19, 0.04, 0.05), (0.04, 0.06, 0.12)),
    "plywood": ((0.50, 0.36, 0.22), (0.55, 0.43, 0.29)),
    "painted": ((0.42, 0.43, 0.42), (0.25, 0.31, 0.29), (0.5, 0.47, 0.40), (0.16, 0.19, 0.24)),
    "steel": ((0.40, 0.41, 0.43), (0.30, 0.30, 0.31)),
    "rubber": ((0.05, 0.05, 0.052), (0.10, 0.13, 0.12), (0.13, 0.13, 0.14)),
}


def bench(kind: str, rng: np.random.Generator, fine: bool = False) -> Picture:
    """Draw a bench top: 512 mm square, to be repeated in mirror image."""
    tones = BENCH_TONES[kind]
    tone = np.array(tones[rng.integers(len(tones))]) * rng.uniform(0.85, 1.15)
    pattern = _bench_pattern(kind, int(rng.integers(2)))
    if not fine:
        pattern = np.asarray(
            cv2.resize(pattern, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA), np.float32
        )
    return np.asarray(np.clip(pattern[..., None] * tone, 0.004, 0.9), dtype=np.float32)


def wall(rng: np.random.Generator) -> Picture:
    """Draw what hangs behind a bench, coarse, for it is out of focus: 256 × 512 pixels."""
    rows, columns = 256, 512
    tone = np.array([0.42, 0.41, 0.38]) * rng.uniform(0.5, 1.15) * rng.uniform(0.93, 1.07, 3)
    drawn = np.broadcast_to(tone, (rows, columns, 3)).copy()
    drawn *= 1 + 0.05 * _noise2(rng, rows, columns, (90, 90))[..., None]
    if rng.random() < 0.6:  # boards, a rail with tools, a shelf
        for x in range(0, columns, int(rng.integers(30, 60))):
            drawn[:, x : x + 1] *= 0.75
    for _ in range(int(rng.integers(0, 9))):
        x, y = int(rng.integers(columns)), int(rng.integers(20, 170))
        w, h = int(rng.integers(4, 26)), int(rng.integers(20, 90))
        colour = rng.choice(
            [
                [0.3, 0.2, 0.1],
                [0.05, 0.05, 0.06],
                [0.35, 0.06, 0.04],
                [0.4, 0.4, 0.42],
                [0.08, 0.14, 0.25],
            ]
        )
        drawn[y : y + h, x : x + w] = colour * rng.uniform(0.6, 1.2)
    return np.asarray(cv2.GaussianBlur(drawn.astype(np.float32), (0, 0), 1.5))
