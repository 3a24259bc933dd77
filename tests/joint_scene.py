"""A seam seen from the side, ray cast, with its openings exactly known.

World frame, mm: the riser's side face is z = 0, x to the picture's right, y down, z away from
the camera. Limb and riser lie flush in that face, so that nothing moves by parallax; their
arrises are round and the opening is black. Card B lies on the face, under the seam.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from scene import develop, rotation

from fitcheck.cards import CARDS
from fitcheck.photo import Photo
from fitcheck.tone import LINEAR_OF_LEVEL

SIZE = (1520, 528)
PX_PER_MM = 20
LIMB_MM, SHOULDER_MM = 11.0, 9.0
ROOM = (0.55, 0.56, 0.58)


@dataclass(frozen=True)
class JointScene:
    """What is photographed: mm, degrees and shares of light."""

    gap_butt: float = 0.0
    gap_end: float = 0.4
    length: float = 88.0
    left: bool = False  # the limb's tip lies to the picture's left
    card_turned: bool = False
    card_below: float = 3.0  # of the seam, from the card's cut edge
    skew: float = 0.6  # of the seam against the card
    radius: float = 0.08
    riser: tuple[float, float, float] = (0.24, 0.14, 0.10)
    limb: tuple[float, float, float] = (0.50, 0.38, 0.24)
    # Lines and bands of the limb: from and to over its lower edge, and their light.
    laminations: tuple[tuple[float, float, float], ...] = ((3.2, 3.4, 0.45),)
    in_opening: tuple[float, float, float] = (0.004, 0.004, 0.004)  # its light
    figure: float = 0.06  # of the wood, from dark to light
    without_limb: bool = False
    riser_goes_on: bool = False  # past its end, as far as the eye can tell
    butt_hidden: bool = False  # the limb's butt has the shoulder's colour
    tape: tuple[float, float] | None = None  # over the seam, from and to along it
    high: float = 1.0  # degrees by which the camera stands over the pad
    aside: float = 2.0
    distance: float = 152.0
    focal_px: float = 1680.0
    blur_px: float = 0.9
    noise: float = 1.5
    seed: int = 1

    @property
    def truth(self) -> dict[str, float]:
        wedge = float(np.degrees(np.arctan((self.gap_end - self.gap_butt) / self.length)))
        return {"gap_butt": self.gap_butt, "gap_end": self.gap_end, "gap_wedge": wedge}

    @property
    def edges_px(self) -> Mapping[str, list[tuple[float, float]]]:
        """Where pad line and limb line run, from butt to end."""
        camera, turn = _camera(self)
        lines = {}
        for name, share in (("pad_line", 0.0), ("limb_line", 1.0)):
            points = []
            for along, gap in ((0.0, self.gap_butt), (self.length, self.gap_end)):
                seen = turn.T @ (_world(self, along, share * gap) - camera)
                at = seen[:2] / seen[2] * self.focal_px + (np.array(SIZE) - 1) / 2
                points.append((float(at[0]), float(at[1])))
            lines[name] = points
        return lines


def random_joint(rng: np.random.Generator) -> JointScene:
    """Draw a seam that an ordinary photograph shows."""
    gap = float(rng.uniform(0.1, 0.6))
    ends = [(0.0, gap), (gap, 0.0), (gap, gap * float(rng.uniform(0.5, 1.5)))][rng.integers(3)]
    return JointScene(
        gap_butt=ends[0],
        gap_end=ends[1],
        length=float(rng.uniform(76, 96)),
        left=bool(rng.random() < 0.5),
        skew=float(rng.normal(0, 0.8)),
        radius=float(rng.uniform(0.04, 0.15)),
        laminations=((1.0, 3.2, float(rng.uniform(0.7, 1.3))), (3.2, 3.4, 0.45)),
        high=float(rng.normal(0, 1.5)),
        aside=float(rng.normal(0, 3)),
        blur_px=float(rng.uniform(0.7, 1.2)),
        seed=int(rng.integers(1 << 30)),
    )


def photograph_joint(scene: JointScene) -> Photo:
    """Take the photograph."""
    made = develop(lambda shift: _cast(scene, shift), scene.blur_px, scene.noise, scene.seed)
    return replace(made, focal_prior_px=scene.focal_px * 1.01)


def _world(scene: JointScene, along: float, up: float) -> np.ndarray:
    """A place of the seam, along from its butt and up from the pad, in the world."""
    slope = np.radians(scene.skew)
    middle = along - scene.length / 2
    x = middle * np.cos(slope) - up * np.sin(slope)
    y = -(middle * np.sin(slope) + up * np.cos(slope))
    return np.array([-x if scene.left else x, y, 0.0])


def _camera(scene: JointScene) -> tuple[np.ndarray, np.ndarray]:
    """Return where the camera is, and how its axes lie in the world, as columns."""
    turn = rotation(-np.radians(scene.high), np.radians(scene.aside), np.radians(0.5))
    return np.array([0.0, 9.0, 0.0]) - turn[:, 2] * scene.distance, turn


def _cast(scene: JointScene, shift: np.ndarray) -> np.ndarray:
    width, height = SIZE
    x, y = np.meshgrid(np.arange(width) + shift[0], np.arange(height) + shift[1])
    centred = np.stack([x - (width - 1) / 2, y - (height - 1) / 2], axis=-1) / scene.focal_px
    camera, turn = _camera(scene)
    rays = np.concatenate([centred, np.ones((height, width, 1))], axis=-1) @ turn.T
    # Single precision is good to 0.0001 mm here and takes half the time.
    rays = rays.astype(np.float32)

    def meet(z: float) -> tuple[np.ndarray, np.ndarray]:
        reach = np.float32(z - camera[2]) / rays[..., 2]
        x, y = np.float32(camera[0]), np.float32(camera[1])
        return x + reach * rays[..., 0], y + reach * rays[..., 1]

    picture = np.empty(rays.shape, dtype=np.float32)
    picture[:] = ROOM
    across, down = meet(0.0)
    _paint_bow(picture, scene, -across if scene.left else across, down)
    across, down = meet(-0.5)
    _lay_card(picture, scene, across, down)
    return picture


def _paint_bow(picture, scene, x, down) -> None:
    slope = float(np.radians(scene.skew))
    cos, sin = float(np.cos(slope)), float(np.sin(slope))
    along = x * cos - down * sin + scene.length / 2
    up = -x * sin - down * cos
    gap = scene.gap_butt + (scene.gap_end - scene.gap_butt) * along / scene.length
    over = up - gap
    grain = 1 + scene.figure * np.sin(up / 0.7 + np.sin(along / 9) + along / 25)
    riser = grain[..., None] * np.array(scene.riser, dtype=np.float32)

    ends = np.inf if scene.riser_goes_on else scene.length
    pad = (up < 0) & (up > -42) & (along < ends) & (along > -60)
    edge = np.where(along > -0.4, _rounded(-up, scene.radius), 1.0)
    picture[pad] = (riser * edge[..., None])[pad]
    shoulder = (along < -0.4) & (along > -60) & (up >= 0) & (up < SHOULDER_MM)
    picture[shoulder] = riser[shoulder]
    if scene.without_limb:
        return
    reach = (along >= -0.4) & (along < scene.length + 60)
    picture[reach & (up >= 0) & (over < LIMB_MM) & (along < ends)] = scene.in_opening
    tone = np.ones_like(up)
    for low, high, light in scene.laminations:
        tone = np.where((over >= low) & (over < high), light, tone)
    limb = (tone * _rounded(over, scene.radius) * (1 + scene.figure * np.sin(over / 0.4)))[
        ..., None
    ] * np.array(scene.riser if scene.butt_hidden else scene.limb)
    butt = -0.4 if scene.butt_hidden else 0.0
    on_limb = reach & (along >= butt) & (over >= 0) & (over < LIMB_MM)
    picture[on_limb] = limb[on_limb]
    if scene.tape is not None:
        low, high = scene.tape
        picture[(along > low) & (along < high) & (np.abs(up) < 1.4)] = (0.6, 0.58, 0.5)


def _rounded(inward: np.ndarray, radius: float) -> np.ndarray:
    """Light of a side near its rounded edge: it turns into the shadow of the other part."""
    away = np.clip((radius - inward) / radius, 0.0, 1.0)
    return 1 - away**2


def _lay_card(picture, scene, x, down) -> None:
    card = CARDS["B"]
    length, height = card.board_mm
    u = x + length / 2
    v = down - scene.card_below - 2.0
    if scene.left != scene.card_turned:
        u, v = length - u, height - v
    texture = LINEAR_OF_LEVEL[card.picture(PX_PER_MM)] * 0.75 + 0.02
    column = np.floor((u + 2.0) * PX_PER_MM).astype(int)
    row = np.floor((v + 2.0) * PX_PER_MM).astype(int)
    inside = (column >= 0) & (column < texture.shape[1]) & (row >= 0) & (row < texture.shape[0])
    picture[inside] = texture[row[inside], column[inside], None]
