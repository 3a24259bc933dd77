"""The characteristics of a seat, from its geometry and from nothing else.

Signs and names as in the README; no measuring code is used.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sample_images.making.bow import Limb, RiserEnd, Seating
from sample_images.making.lens import Camera

Array = NDArray[np.float64]


def limb_side(limb: Limb, seating: Seating, side: int, y: float) -> Array:
    """Return where the limb's side meets its outer face, both taken sharp; side -1 is left."""
    at = np.array([y])
    angle = np.radians(limb.roll_deg(at)[0])
    half = side * limb.half_width(at)[0]
    local = np.array([half * np.cos(angle), y, limb.face_z(at)[0] + half * np.sin(angle)])
    return seating.of(local)


def riser_side(riser: RiserEnd, side: int, y: float, z: float) -> Array:
    """Return the riser's side at a place along and a height over the pad; side -1 is left."""
    return np.array([side * riser.half_width(y, z), y, z])


def seat_truth(riser: RiserEnd, limb: Limb, seating: Seating) -> dict[str, float]:
    """Return the characteristics of view ``seat``."""
    over = {}
    for name, side in (("overhang_left", -1), ("overhang_right", 1)):
        # The limb's side as a straight line, carried to the butt line y = 0.
        a, b = (limb_side(limb, seating, side, y) for y in (0.0, 40.0))
        x = a[0] - a[1] * (b[0] - a[0]) / (b[1] - a[1])
        over[name] = side * float(x) - riser.half_width(0.0, riser.face_height)
    face = seating.of(limb.surface(0.0)[0])
    return {
        **over,
        "limb_width": 2 * float(limb.half_width(np.array([0.0]))[0]),
        "riser_width": 2 * riser.half_width(0.0, riser.face_height),
        "lateral_offset": (over["overhang_right"] - over["overhang_left"]) / 2,
        "lateral_angle": _axis_angle_deg(limb, seating),
        "face_step": riser.face_height - float(face[2]),
        "butt_thickness": limb.thickness,
    }


def _axis_angle_deg(limb: Limb, seating: Seating) -> float:
    directions = []
    for side in (-1, 1):
        run = limb_side(limb, seating, side, 40.0) - limb_side(limb, seating, side, 0.0)
        directions.append(np.arctan2(run[0], run[1]))
    return float(np.degrees(np.mean(directions)))


def twist_deg(near_base: Array, near_out: Array, far_base: Array, far_out: Array) -> float:
    """Return the roll of the limb's surface at the tip against that at the butt.

    ``near`` is at the butt: middle of the card's foot and the surface's normal there.
    """
    z = near_out / np.linalg.norm(near_out)
    y = far_base - near_base
    y = y - z * (y @ z)
    x = np.cross(y / np.linalg.norm(y), z)
    return float(-np.degrees(np.arcsin(far_out @ x / np.linalg.norm(far_out))))


def pad_truth(riser: RiserEnd) -> dict[str, float]:
    """Return the characteristics of view ``pad``."""
    square = riser.pad_squareness_deg
    return {
        "pad_squareness": square,
        "riser_width": 2 * riser.half_width(riser.pad_length, 0.0),
        # A right side that leans out makes the pad's right side high against it.
        "squareness_left": square - riser.draft_deg,
        "squareness_right": square + riser.draft_deg,
    }


def joint_truth(pad_line: tuple[Array, Array], limb_line: tuple[Array, Array]) -> dict[str, float]:
    """Return the characteristics of view ``joint``, from the limb's butt to the riser's end.

    The pad's and the limb's line along the seam, each by its two ends, the butt's first.
    """
    butt, end = (float(limb[2] - pad[2]) for pad, limb in zip(pad_line, limb_line, strict=True))
    length = float(pad_line[1][1] - pad_line[0][1])
    return {
        "gap_butt": butt,
        "gap_end": end,
        "gap_wedge": float(np.degrees(np.arctan((end - butt) / length))),
    }


def edge_px(camera: Camera, ends: tuple[Array, Array]) -> list[list[float]]:
    """Return where an edge's two ends land, in pixels."""
    return [[round(float(v), 2) for v in camera.project(end)] for end in ends]
