"""A small ray caster that photographs a seated limb whose truth is exactly known.

Independent of the measuring code: it shares the cards' pictures and nothing else. Rays are
cast through a distorting lens at the planes of the limb's face, the riser's face and the
bench, with several rays a pixel, then blurred in linear light, made noisy and encoded.
Sides are sharp and have no walls; what rounded and glossy wood does is for the photographs.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from fitcheck.cards import CARDS
from fitcheck.photo import Photo
from fitcheck.picture import Picture
from fitcheck.tone import LINEAR_OF_LEVEL

SIZE = (2016, 1512)  # half a 12-megapixel photograph each way
SUPERSAMPLING = 2


@dataclass(frozen=True)
class SeatScene:
    """What is photographed. Pad frame, mm and degrees, signs as the program's."""

    limb_width: float = 42.0
    riser_width: float = 41.0
    lateral_offset: float = 0.4
    lateral_angle: float = 0.3
    face_step: float = 0.8
    thickness: float = 0.5
    camera: tuple[float, float, float] = (12.0, 10.0, 330.0)  # above the butt line
    tilt: tuple[float, float, float] = (3.0, -4.0, 12.0)
    focal_px: float = 1500.0
    k1: float = 0.02
    k2: float = -0.01
    limb_light: float = 0.06
    riser_light: tuple[float, float, float] = (0.45, 0.28, 0.14)
    bench_light: float = 0.3
    blur_px: float = 0.8
    noise: float = 1.5
    card_a_turned: bool = False
    card_b_turned: bool = False
    exchanged: bool = False
    without: str = ""
    bow: dict[str, float] | None = None  # card to how far its ends lie under its middle, mm
    glare: dict[str, float] | None = None  # card to the light a lamp adds at its middle
    seed: int = 1

    @property
    def truth(self) -> dict[str, float]:
        half = (self.limb_width - self.riser_width) / 2
        return {
            "overhang_left": half - self.lateral_offset,
            "overhang_right": half + self.lateral_offset,
            "limb_width": self.limb_width,
            "riser_width": self.riser_width,
            "lateral_offset": self.lateral_offset,
            "lateral_angle": self.lateral_angle,
            "face_step": self.face_step,
        }


def random_scene(rng: np.random.Generator) -> SeatScene:
    """Draw a seat that a shop might see, well lit and held by hand."""
    riser = rng.uniform(38, 46)
    return SeatScene(
        limb_width=riser + rng.uniform(-1.5, 1.5),
        riser_width=riser,
        lateral_offset=rng.uniform(-1.2, 1.2),
        lateral_angle=rng.uniform(-0.8, 0.8),
        face_step=rng.uniform(-2, 2),
        camera=(rng.uniform(-30, 30), rng.uniform(-20, 20), rng.uniform(300, 380)),
        tilt=(rng.uniform(-6, 6), rng.uniform(-6, 6), rng.uniform(-180, 180)),
        focal_px=1500.0 * rng.uniform(0.97, 1.03),
        k1=rng.uniform(-0.04, 0.04),
        k2=rng.uniform(-0.03, 0.03),
        limb_light=rng.uniform(0.04, 0.12),
        bench_light=rng.uniform(0.25, 0.5),
        blur_px=rng.uniform(0.6, 1.3),
        noise=rng.uniform(0.5, 3),
        seed=int(rng.integers(1 << 30)),
    )


def photograph(scene: SeatScene) -> Photo:
    """Take the photograph."""
    return develop(lambda shift: _cast(scene, shift), scene.blur_px, scene.noise, scene.seed)


def develop(
    cast: Callable[[np.ndarray], np.ndarray], blur_px: float, noise: float, seed: int
) -> Photo:
    """Make a photograph from the linear light that rays meet, given a shift in pixels."""
    rng = np.random.default_rng(seed)
    steps = (np.arange(SUPERSAMPLING) + 0.5) / SUPERSAMPLING - 0.5
    light = sum(cast(np.array([i, j])) for i in steps for j in steps) / SUPERSAMPLING**2
    light = _blur(light, blur_px)
    levels = 255 * np.where(
        light <= 0.0031308, 12.92 * light, 1.055 * np.maximum(light, 0) ** (1 / 2.4) - 0.055
    )
    levels += rng.normal(0, noise, levels.shape)
    return Photo(
        name="scene.jpg",
        picture=Picture(np.clip(np.round(levels), 0, 255).astype(np.uint8)),
        focal_prior_px=1500.0,
        focal_prior_relative_sd=0.03,
        make="",
        model="",
        sha256="0" * 64,
    )


def repainted(photo: Photo, pixels: np.ndarray) -> Photo:
    """Return the same photograph with other pixels."""
    return replace(photo, picture=Picture(np.ascontiguousarray(pixels.astype(np.uint8))))


def rays_in_camera(focal_px: float, k1: float, k2: float, shift: np.ndarray) -> np.ndarray:
    """Rays through all pixels, moved by a part of a pixel, shape (height, width, 3), z = 1."""
    width, height = SIZE
    x, y = np.meshgrid(
        np.arange(width, dtype=np.float32) + np.float32(shift[0]),
        np.arange(height, dtype=np.float32) + np.float32(shift[1]),
    )
    # Single precision is good to 0.0001 mm here and takes half the time.
    centred = [x - np.float32((width - 1) / 2), y - np.float32((height - 1) / 2)]
    distorted = np.stack(centred, axis=-1) / np.float32(focal_px)
    # The distortion turns about the centre, so its inverse is one curve over the radius.
    radius = np.linspace(0.0, 1.2, 2000)
    seen = radius * (1 + radius**2 * (k1 + radius**2 * k2))
    distorted_radius = np.hypot(distorted[..., 0], distorted[..., 1])
    undistorted_radius = np.interp(distorted_radius, seen, radius)
    ratio = (undistorted_radius / np.maximum(distorted_radius, 1e-9)).astype(np.float32)
    ones = np.ones((height, width, 1), dtype=np.float32)
    return np.concatenate([distorted * ratio[..., None], ones], axis=-1)


def _cast(scene: SeatScene, shift: np.ndarray) -> np.ndarray:
    rays_cam = rays_in_camera(scene.focal_px, scene.k1, scene.k2, shift)
    # Camera looks down the pad's z: its x is the pad's x, its y the pad's -y, turned by tilt.
    turn_x, turn_y, turn_z = np.radians(scene.tilt)
    cam2pad = np.diag([1.0, -1.0, -1.0]) @ rotation(turn_x, turn_y, turn_z)
    rays = rays_cam @ cam2pad.T.astype(np.float32)
    # Aim: whatever the tilt, the camera stands so that it looks at the butt line.
    axis = cam2pad[:, 2]
    x0, y0, high = scene.camera
    camera = (np.array([x0, y0, 0.0]) - axis / -axis[2] * high).astype(np.float32)

    riser_z, limb_z = 0.0, -scene.face_step
    picture = np.empty(rays_cam.shape, dtype=np.float32)
    bench = _plane(camera, rays, -60.0)
    grain = 1 + 0.03 * np.sin(bench[..., 1] / 2.5 + 3 * np.sin(bench[..., 0] / 40))
    picture[:] = scene.bench_light * grain[..., None]

    riser = _plane(camera, rays, riser_z)
    on_riser = (np.abs(riser[..., 0]) < scene.riser_width / 2) & (
        (riser[..., 1] < 60) & (riser[..., 1] > -150)
    )
    picture[on_riser] = scene.riser_light

    limb = _plane(camera, rays, limb_z)
    angle = np.radians(scene.lateral_angle)
    # Turned about the middle of the limb's butt, which lies on the butt line.
    across = (limb[..., 0] - scene.lateral_offset) * np.cos(angle) - limb[..., 1] * np.sin(angle)
    # Width and overhang are square to the riser's axis, hence the cosine.
    on_limb = (np.abs(across) < scene.limb_width / 2 * np.cos(angle)) & (limb[..., 1] > 0)
    picture[on_limb] = scene.limb_light

    bolt = _plane(camera, rays, limb_z)
    picture[np.hypot(bolt[..., 0] - scene.lateral_offset, bolt[..., 1] - 32) < 8] = 0.5

    on_limb_card, on_riser_card = ("B", "A") if scene.exchanged else ("A", "B")
    laid = [
        (on_limb_card, limb_z, 65.0, scene.card_a_turned, (scene.lateral_offset, 0.6)),
        (on_riser_card, riser_z, -128.0, scene.card_b_turned, (-0.7, -0.4)),
    ]
    for name, surface_z, start_y, turned, (x_mid, skew_deg) in laid:
        if name in scene.without:
            continue
        bow = (scene.bow or {}).get(name, 0.0)
        middle = start_y + CARDS[name].board_mm[0] / 2
        z = surface_z + scene.thickness
        hit = _plane(camera, rays, z)
        for _ in range(3 if bow else 0):
            along = np.clip((hit[..., 1] - middle) / 60.0, -1.1, 1.1)
            hit = _plane(camera, rays, z - bow * along**2)
        _lay_card(picture, hit, name, start_y, turned, x_mid, skew_deg)
        glare = (scene.glare or {}).get(name, 0.0)
        if glare:
            away = np.hypot(hit[..., 0] - x_mid, hit[..., 1] - middle)
            picture += glare * np.exp(-0.5 * (away / 14.0) ** 2)[..., None]
    return picture


def _lay_card(picture, hit, name, start_y, turned, x_mid, skew_deg) -> None:
    """Lay a card with its x axis toward the tip (pad y), its y axis to the right (pad x)."""
    card = CARDS[name]
    length, depth = card.board_mm
    skew = np.radians(skew_deg)
    dx, dy = hit[..., 0] - x_mid, hit[..., 1] - start_y - length / 2
    u = dy * np.cos(skew) + dx * np.sin(skew)
    v = dx * np.cos(skew) - dy * np.sin(skew)
    if turned:
        u, v = -u, -v
    u, v = u + length / 2, v + depth / 2
    px_per_mm = 20
    texture = LINEAR_OF_LEVEL[card.picture(px_per_mm)] * 0.75 + 0.02
    column = np.floor((u + 2.0) * px_per_mm).astype(int)
    row = np.floor((v + 2.0) * px_per_mm).astype(int)
    inside = (column >= 0) & (column < texture.shape[1]) & (row >= 0) & (row < texture.shape[0])
    picture[inside] = texture[row[inside], column[inside], None]


def _plane(camera: np.ndarray, rays: np.ndarray, z: float | np.ndarray) -> np.ndarray:
    reach = ((np.float32(z) - camera[2]) / rays[..., 2])[..., None]
    return camera + reach * rays


def rotation(x: float, y: float, z: float) -> np.ndarray:
    cx, sx, cy, sy, cz, sz = np.cos(x), np.sin(x), np.cos(y), np.sin(y), np.cos(z), np.sin(z)
    about_x = np.array([[1, 0, 0], [0, cx, -sx], [0, sx, cx]])
    about_y = np.array([[cy, 0, sy], [0, 1, 0], [-sy, 0, cy]])
    about_z = np.array([[cz, -sz, 0], [sz, cz, 0], [0, 0, 1]])
    return about_x @ about_y @ about_z


def _blur(light: np.ndarray, sigma: float) -> np.ndarray:
    from scipy.ndimage import gaussian_filter

    # A pixel's own area already blurs like a Gaussian of 0.29 pixels.
    return gaussian_filter(light, (sigma, sigma, 0))
