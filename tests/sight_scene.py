"""Two cards standing on a twisted limb, ray cast, with the twist exactly known.

World frame: the butt's surface normal is z, y runs toward the tip, x to the right.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scene import develop, rays_in_camera, rotation

from fitcheck.cards import CARDS
from fitcheck.photo import Photo
from fitcheck.tone import LINEAR_OF_LEVEL

PX_PER_MM = 20


@dataclass(frozen=True)
class SightScene:
    """What is photographed: mm and degrees, signs as the program's."""

    twist: float = 1.5  # roll of the tip's surface about y
    slope: float = 12.0  # of the tip's surface along the limb
    apart: float = 450.0
    rise: float = 25.0
    at_butt: str = "C"
    at_tip: str = "D"
    lean: tuple[float, float] = (0.0, 0.0)  # butt, tip: about the card's fold
    skew: tuple[float, float] = (0.0, 0.0)  # about the surface's normal
    off_centre: tuple[float, float] = (0.0, 0.0)
    fold_error: dict[str, float] | None = None  # card to its fold's turn against the print
    upside_down: str = ""
    camera: tuple[float, float, float] = (60.0, 800.0, 230.0)
    roll: float = 2.0
    focal_px: float = 1500.0
    k1: float = 0.02
    k2: float = -0.01
    blur_px: float = 0.8
    noise: float = 1.5
    seed: int = 1

    @property
    def truth(self) -> dict[str, float]:
        butt, tip = self.surfaces
        y = self.bases[1] - self.bases[0]
        y = y - (y @ butt[:, 2]) * butt[:, 2]
        right = np.cross(y / np.linalg.norm(y), butt[:, 2])
        return {"twist": float(-np.degrees(np.arcsin(tip[:, 2] @ right)))}

    @property
    def surfaces(self) -> tuple[np.ndarray, np.ndarray]:
        """Columns x, y, z of the surface at butt and tip."""
        tip = rotation(np.radians(self.slope), 0, 0) @ rotation(0, np.radians(-self.twist), 0)
        return np.eye(3), tip

    @property
    def bases(self) -> tuple[np.ndarray, np.ndarray]:
        return np.zeros(3), np.array([0.0, self.apart, self.rise])


def photograph_sight(scene: SightScene) -> Photo:
    """Take the photograph."""
    return develop(lambda shift: _cast(scene, shift), scene.blur_px, scene.noise, scene.seed)


def _cast(scene: SightScene, shift: np.ndarray) -> np.ndarray:
    rays_cam = rays_in_camera(scene.focal_px, scene.k1, scene.k2, shift)
    camera = np.array(scene.camera)
    target = np.array([0.0, scene.apart * 0.6, 20.0])
    forward = (target - camera) / np.linalg.norm(target - camera)
    right = np.cross(forward, [0.0, 0.0, 1.0])
    right /= np.linalg.norm(right)
    down = np.cross(forward, right)
    turn = rotation(0, 0, np.radians(scene.roll))
    rays = rays_cam @ (np.stack([right, down, forward], axis=1) @ turn).T
    picture = np.full(rays.shape, 0.25)
    for own, name in enumerate((scene.at_butt, scene.at_tip)):  # the nearer one last
        _stand_card(picture, scene, camera, rays, own, name)
    return picture


def _stand_card(picture, scene, camera, rays, own, name) -> None:
    card = CARDS[name]
    length, height = card.board_mm
    fold_error = np.radians((scene.fold_error or {}).get(name, 0.0))
    # Across and up of the card; its printed side looks toward the tip, where the camera is,
    # so its x axis runs to the limb's left.
    turned = scene.surfaces[own] @ rotation(0, 0, np.radians(scene.skew[own]))
    turned = turned @ rotation(np.radians(scene.lean[own]), 0, 0)
    across, up = -turned[:, 0], turned[:, 2]
    normal = np.cross(across, -up)  # into the card
    base = scene.bases[own] + scene.off_centre[own] * scene.surfaces[own][:, 0]
    # The fold stays on the surface; the print is turned against it.
    cos, sin = np.cos(fold_error), np.sin(fold_error)
    across, up = across * cos + up * sin, up * cos - across * sin
    if name == scene.upside_down:
        across, up, base = -across, -up, base + 40.0 * up
    reach = ((base - camera) @ normal) / (rays @ normal)
    hit = camera + reach[..., None] * rays - base
    u = hit @ across + length / 2
    v = height + 2.0 - hit @ up
    texture = LINEAR_OF_LEVEL[card.picture(PX_PER_MM)] * 0.75 + 0.02
    column = np.floor((u + 2.0) * PX_PER_MM).astype(int)
    row = np.floor((v + 2.0) * PX_PER_MM).astype(int)
    inside = (column >= 0) & (column < texture.shape[1]) & (row >= 0) & (row < texture.shape[0])
    inside &= reach > 0
    picture[inside] = texture[row[inside], column[inside], None]
