"""The bow's parts with their surfaces on: wood with its laminations, glass, metal, paper."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sample_images.making import surfaces
from sample_images.making.bow import Limb, RiserEnd, Seating, bolt
from sample_images.making.cards import PlacedCard, printed
from sample_images.making.meshes import Loft
from sample_images.making.tracing import Thing

Array = NDArray[np.float64]
Picture = NDArray[np.float32]

PAPER = 0.80
INK = 0.045


@dataclass(frozen=True)
class RiserLook:
    """A riser's wood, its lengthwise stripes (middle, half width mm, wood), and its finish."""

    wood: str = "walnut"
    stripes: tuple[tuple[float, float, str], ...] = ()
    finish: float = 0.3
    seed: int = 1


@dataclass(frozen=True)
class LimbLook:
    """A limb's glass, core and finish."""

    glass: str = "black"
    core: str = "maple"
    finish: float = 0.12
    seed: int = 2


def riser_things(
    riser: RiserEnd, look: RiserLook, px_per_mm: float, end_px_per_mm: float = 5.0
) -> list[Thing]:
    """Return the riser's end, both parts of it, with wood that runs through them."""
    made = []
    for part in (riser.pad_block(), riser.grip_side()):
        skin = _wooden(part.texel_points(*_texels(part, px_per_mm)), look, px_per_mm)
        made.append(Thing(part.skin(), skin, look.finish))
        end = _wooden(_cap_points(part, -1, end_px_per_mm), look, end_px_per_mm)
        made.append(Thing(part.cap(-1), end, min(0.6, look.finish + 0.1)))
    return made


def _wooden(points: Array, look: RiserLook, px_per_mm: float) -> Picture:
    base = surfaces.wood(points, surfaces.WOODS[look.wood], look.seed, px_per_mm)
    stripes = [
        (
            middle,
            half,
            surfaces.wood(points, surfaces.WOODS[name], look.seed + 11 + i, px_per_mm),
        )
        for i, (middle, half, name) in enumerate(look.stripes)
    ]
    return surfaces.striped(base, points, stripes)


def _texels(part: Loft, px_per_mm: float) -> tuple[int, int]:
    middle = part.points[len(part.points) // 2]
    round_mm = np.linalg.norm(np.roll(middle, -1, axis=0) - middle, axis=1).sum()
    along_mm = np.ptp(part.points[..., 1])
    return max(8, round(round_mm * px_per_mm)), max(8, round(along_mm * px_per_mm))


def _cap_points(part: Loft, end: int, px_per_mm: float) -> Array:
    """Texels of an end's bounding box: rows are u (x), columns v (z), as its uv goes."""
    ring = part.points[end]
    low, high = ring.min(axis=0), ring.max(axis=0)
    columns = max(8, round((high[0] - low[0]) * px_per_mm))
    rows = max(8, round((high[2] - low[2]) * px_per_mm))
    x, z = np.meshgrid(
        low[0] + (np.arange(columns) + 0.5) / columns * (high[0] - low[0]),
        low[2] + (np.arange(rows) + 0.5) / rows * (high[2] - low[2]),
    )
    return np.stack([x, np.full_like(x, ring[:, 1].mean()), z], axis=-1)


def limb_things(limb: Limb, look: LimbLook, seating: Seating, px_per_mm: float) -> list[Thing]:
    """Return the limb on its seat."""
    straight, _ = limb.straight()
    rows, columns = _texels(straight, px_per_mm)
    made = []
    shaped = limb.shaped(straight)
    for mesh, points, px in (
        (shaped.skin(), straight.texel_points(rows, columns), px_per_mm),
        (shaped.cap(0), _cap_points(straight, 0, px_per_mm), px_per_mm),
        (shaped.cap(-1), _cap_points(straight, -1, px_per_mm), px_per_mm),
    ):
        y = points[..., 1]
        depth = limb.face_z(y) - points[..., 2]
        picture = surfaces.laminated_limb(
            depth, limb.thickness_at(y), look.glass, look.core, look.seed, px
        )
        made.append(Thing(mesh.moved(seating.limb2seat, seating.origin), picture, look.finish))
    return made


def bolt_thing(limb: Limb, seating: Seating, y: float, dark: bool) -> Thing:
    """Return the limb bolt where it stands on the limb's face."""
    at, axes = limb.surface(y)
    mesh = bolt().moved(seating.limb2seat @ axes, seating.of(at))
    return Thing(mesh, (0.10, 0.10, 0.105) if dark else (0.60, 0.59, 0.57), "metal")


def card_things(card: PlacedCard, paper: float = PAPER, ink: float = INK) -> list[Thing]:
    """Return a printed card and the board behind it."""
    grey = ink + (paper - ink) * printed(card.name)
    tone = np.array([1.0, 0.99, 0.965], dtype=np.float32)
    return [
        Thing(card.face(), grey[..., None] * tone, 0.5),
        Thing(card.board(), (0.46, 0.42, 0.36), "matte"),
    ]
