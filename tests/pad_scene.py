"""A small ray caster that photographs a bare pad whose truth is exactly known.

Independent of the measuring code: it shares the cards' pictures and nothing else. The riser's
end is a box with sharp arrises, the pad its upper face, rolled by the squareness; card C
stands on the pad's cross line with lean, skew and a fold of its own.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import gaussian_filter, maximum_filter, minimum_filter

from fitcheck.cards import CARDS
from fitcheck.photo import Photo
from fitcheck.picture import Picture
from fitcheck.tone import LINEAR_OF_LEVEL

SUPERSAMPLING = 2
PX_PER_MM = 20  # of the card's picture
WALL_Y, BENCH_DROP = -420.0, 25.0
REST_Y = -60.0

Colour = tuple[float, float, float]


@dataclass(frozen=True)
class PadScene:
    """What is photographed. Pad frame, mm and degrees, signs as the program's."""

    squareness: float = 0.6
    width: float = 42.0
    depth: float = 32.0
    taper: float = 0.0  # both sides together lean outward, going up
    lean: float = 0.8  # the card's top away from the camera
    skew: float = -0.5
    fold: float = 0.0  # the card's lower edge against its print
    setback: float = 3.0
    raised: float = 0.0  # the card's base above the pad
    off_centre: float = 0.4
    upside_down: bool = False
    card: str = "C"
    camera: tuple[float, float, float] = (-6.0, 250.0, 24.0)  # before the end, above the pad
    tilt: tuple[float, float, float] = (-4.0, -2.0, 2.5)
    size: tuple[int, int] = (1340, 760)
    focal_px: float = 2100.0
    k1: float = 0.02
    k2: float = -0.01
    face: Colour = (0.16, 0.08, 0.045)
    walls: Colour = (0.12, 0.065, 0.04)
    pad: Colour = (0.3, 0.17, 0.1)
    bench: Colour = (0.35, 0.34, 0.3)
    room: Colour = (0.55, 0.55, 0.55)
    grain: float = 0.06
    stripe: tuple[float, float] | None = None  # a lamination's left and right edge, as the pad's
    shadow: float | None = None  # a lamp's shadow on the bench, left of here
    rest: float | None = None  # something upright behind the riser, from its middle to here
    rest_colour: Colour = (0.05, 0.06, 0.12)
    length: float = 90.0  # of the riser that is seen
    blur_px: float = 0.8
    noise: float = 1.5
    seed: int = 1

    @property
    def truth(self) -> dict[str, float]:
        return {
            "pad_squareness": self.squareness,
            # A side that leans out going up makes the pad high on its own hand against it.
            "squareness_left": self.squareness - self.taper / 2,
            "squareness_right": self.squareness + self.taper / 2,
            "riser_width": self.width,
        }


def photograph(scene: PadScene) -> Photo:
    """Take the photograph."""
    rng = np.random.default_rng(scene.seed)
    width, height = scene.size
    x, y = np.meshgrid(np.arange(width, dtype=float), np.arange(height, dtype=float))
    light = _cast(scene, np.stack([x, y], axis=-1))
    # Where something ends inside a pixel, several rays are cast.
    grey = light.sum(axis=-1)
    ends = maximum_filter(grey, 3) - minimum_filter(grey, 3) > 0.03
    pixels = np.stack([x[ends], y[ends]], axis=-1)[None]
    shifts = (np.arange(SUPERSAMPLING) + 0.5) / SUPERSAMPLING - 0.5
    rays = [_cast(scene, pixels + np.array([i, j]))[0] for i in shifts for j in shifts]
    light[ends] = np.mean(rays, axis=0)
    light = gaussian_filter(light, (scene.blur_px, scene.blur_px, 0))
    levels = 255 * np.where(
        light <= 0.0031308, 12.92 * light, 1.055 * np.maximum(light, 0) ** (1 / 2.4) - 0.055
    )
    levels += rng.normal(0, scene.noise, levels.shape)
    return Photo(
        name="pad.jpg",
        picture=Picture(np.clip(np.round(levels), 0, 255).astype(np.uint8)),
        focal_prior_px=scene.focal_px * 1.01,
        focal_prior_relative_sd=0.03,
        make="",
        model="",
        sha256="0" * 64,
    )


def _cast(scene: PadScene, pixels: np.ndarray) -> np.ndarray:
    """Light that comes in at pixels, shape (rows, columns, 2)."""
    centre = (np.array(scene.size) - 1) / 2
    distorted = (pixels - centre) / scene.focal_px
    height, width = pixels.shape[:2]
    # The distortion turns about the centre, so its inverse is one curve over the radius.
    radius = np.linspace(0.0, 1.2, 2000)
    seen = radius * (1 + radius**2 * (scene.k1 + radius**2 * scene.k2))
    far = np.hypot(distorted[..., 0], distorted[..., 1])
    normalised = distorted * (np.interp(far, seen, radius) / np.maximum(far, 1e-9))[..., None]
    # Looking back toward the grip: the picture's right is the pad's left.
    cam2pad = np.array([[-1.0, 0.0, 0.0], [0.0, 0.0, -1.0], [0.0, -1.0, 0.0]])
    cam2pad = cam2pad @ _rotation(*np.radians(scene.tilt))
    rays = np.concatenate([normalised, np.ones((height, width, 1))], axis=-1) @ cam2pad.T
    camera = np.array(scene.camera)

    roll = np.tan(np.radians(scene.squareness))
    picture = np.empty((height, width, 3))
    picture[:] = scene.room
    bench_z = -scene.depth - BENCH_DROP
    hit = _meet(camera, rays, np.array([0.0, 0.0, 1.0]), bench_z)
    on_bench = (hit[..., 1] > WALL_Y) & (rays[..., 2] < 0)
    streaks = 1 + 0.05 * np.sin(hit[..., 0] / 9 + np.sin(hit[..., 1] / 60))
    picture[on_bench] = (np.array(scene.bench) * streaks[..., None])[on_bench]

    if scene.shadow is not None:
        shadowed = on_bench & (hit[..., 0] + 0.1 * hit[..., 1] < scene.shadow)
        picture[shadowed] *= 0.45

    if scene.rest is not None:
        hit = _meet(camera, rays, np.array([0.0, 1.0, 0.0]), REST_Y)
        reach = hit[..., 0] / scene.rest
        picture[(reach > 0) & (reach < 1) & (hit[..., 2] < 0) & (hit[..., 2] > bench_z)] = (
            scene.rest_colour
        )

    # Sides stand upright but for the taper, half of it each; the pad rolls against them.
    slant = np.tan(np.radians(scene.taper / 2))
    half = scene.width / 2

    def within(hit: np.ndarray) -> np.ndarray:
        along = hit[..., 1]
        return (along < 0) & (along > -scene.length) & (hit[..., 2] > -scene.depth)

    for sign in (-1.0, 1.0):
        # A side that leans outward going up by the slant, on either hand.
        normal = np.array([sign, 0.0, -slant])
        if normal @ camera > half:
            hit = _meet(camera, rays, normal, half)
            seen_side = within(hit) & (hit[..., 2] < hit[..., 0] * roll)
            picture[seen_side] = scene.walls
    hit = _meet(camera, rays, np.array([-roll, 0.0, 1.0]), 0.0)
    on_pad = within(hit) & (np.abs(hit[..., 0]) < half + slant * hit[..., 2])
    picture[on_pad] = scene.pad
    _stand_card(picture, camera, rays, scene)
    hit = _meet(camera, rays, np.array([0.0, 1.0, 0.0]), 0.0)
    across, up = hit[..., 0], hit[..., 2]
    on_face = (np.abs(across) < half + slant * up) & (up > -scene.depth) & (up < across * roll)
    rings = np.sin(2.2 * np.hypot(across + 4.0, up - 9.0)) * scene.grain
    face = np.array(scene.face) * (1 + rings)[..., None]
    if scene.stripe is not None:
        face[(across > scene.stripe[0]) & (across < scene.stripe[1])] *= 2.2
    picture[on_face] = face[on_face]
    return picture


def _stand_card(picture, camera, rays, scene) -> None:
    """Stand a card on the pad's cross line, printed side toward the camera."""
    card = CARDS[scene.card]
    length, height = card.board_mm
    roll, lean, skew = np.radians([scene.squareness, scene.lean, scene.skew])
    across = np.array([np.cos(roll), 0.0, np.sin(roll)])
    above = np.array([-np.sin(roll), 0.0, np.cos(roll)])
    back = np.array([0.0, -1.0, 0.0])
    foot = scene.off_centre * across + scene.setback * back + scene.raised * above
    up = np.cos(lean) * above + np.sin(lean) * back
    normal = np.cross(up, across)  # toward the camera, for a card that stands upright
    normal /= np.linalg.norm(normal)
    across = np.cos(skew) * across + np.sin(skew) * normal
    normal = np.cross(up, across)
    hit = _meet(camera, rays, normal, float(normal @ foot)) - foot
    u, v = -(hit @ across), hit @ up  # to the right as seen; above the fold
    turn = np.radians(scene.fold)
    # The fold is where the card stands: the print lies turned against it.
    inside_cut = v > 0
    u, v = u * np.cos(turn) - v * np.sin(turn), v * np.cos(turn) + u * np.sin(turn)
    if scene.upside_down:
        u, v = -u, height + 4.0 - v
    column = np.floor((u + length / 2 + 2.0) * PX_PER_MM).astype(int)
    row = np.floor((height + 4.0 - v) * PX_PER_MM).astype(int)
    texture = LINEAR_OF_LEVEL[card.picture(PX_PER_MM)] * 0.7 + 0.02
    inside = (column >= 0) & (column < texture.shape[1]) & (row >= 0) & inside_cut
    # The fold may run a little past the printed margin.
    row = np.minimum(row, texture.shape[0] - 1)
    picture[inside] = texture[row[inside], column[inside], None]


def _meet(camera, rays, normal, offset) -> np.ndarray:
    """Where rays meet the plane ``normal · p = offset``; far away where they do not."""
    along = rays @ normal
    reach = (offset - camera @ normal) / np.where(np.abs(along) < 1e-12, 1e-12, along)
    reach = np.where(reach > 0, reach, 1e6)
    return camera + reach[..., None] * rays


def _rotation(x: float, y: float, z: float) -> np.ndarray:
    cx, sx, cy, sy, cz, sz = np.cos(x), np.sin(x), np.cos(y), np.sin(y), np.cos(z), np.sin(z)
    about_x = np.array([[1, 0, 0], [0, cx, -sx], [0, sx, cx]])
    about_y = np.array([[cy, 0, sy], [0, 1, 0], [-sy, 0, cy]])
    about_z = np.array([[cz, -sz, 0], [sz, cz, 0], [0, 0, 1]])
    return about_x @ about_y @ about_z
