"""The bow: a riser's end with its pad, a limb, and the bolt that holds one to the other.

Seat frame, mm: origin in the middle of the riser at the butt line, on the pad; x right as one
faces the limb's outer face with its tip up, y toward the tip, z from riser into limb.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sample_images.making.meshes import Loft, Mesh, loft, rotation, turned

Array = NDArray[np.float64]

PAD_GAP_MM = 0.3  # between the limb's butt and the riser's shoulder


@dataclass(frozen=True)
class RiserEnd:
    """One end of a riser: a pad, and beyond the butt line a face that stands higher.

    Attributes
    ----------
    width
        At the butt line, mm.
    pad_length, depth
        Of the pad along y; of the riser under it, mm.
    face_height
        Of the outer face over the pad at the butt line, mm.
    face_length
        How far the face runs flat before it falls away to the grip, mm.
    taper_deg
        By which each side runs inward toward the tip.
    draft_deg
        By which each side leans outward toward the face.
    pad_squareness_deg
        Roll of the pad against the bisector of the sides; positive: right side high.
    end_lean_deg
        By which the riser's end face leans out at its lower edge.
    arris_mm, under_arris_mm
        Rounding of the face's edges, and of the riser's hand-shaped underside.
    shown_mm
        How much of the grip's side there is, mm.
    pad_arris_mm
        Rounding of the pad's long edges, along the seam; None if as that of the face.
    """

    width: float = 42.0
    pad_length: float = 90.0
    depth: float = 34.0
    face_height: float = 10.0
    face_length: float = 140.0
    taper_deg: float = 0.0
    draft_deg: float = 0.0
    pad_squareness_deg: float = 0.0
    end_lean_deg: float = 0.0
    arris_mm: float = 0.3
    under_arris_mm: float = 5.0
    shown_mm: float = 260.0
    pad_arris_mm: float | None = None

    def half_width(self, y: float, z: float) -> float:
        """Half the width at a place along, at a height over the pad, mm."""
        outward = np.tan(np.radians(self.draft_deg)) * z
        return float(self.width / 2 - np.tan(np.radians(self.taper_deg)) * y + outward)

    def _section(self, y: float, top: float, roll_deg: float, bottom: float) -> Array:
        slope = np.tan(np.radians(roll_deg))
        lean = np.tan(np.radians(self.draft_deg))
        base = self.half_width(y, bottom)
        # Where the rolled top meets the leaning sides: z = top + slope x, x = half(z).
        middle = self.half_width(y, 0.0)
        right = (middle + lean * top) / (1 - lean * slope)
        left = (middle + lean * top) / (1 + lean * slope)
        return np.array(
            [
                [-base, bottom],
                [base, bottom],
                [right, top + slope * right],
                [-left, top - slope * left],
            ]
        )

    def pad_block(self) -> Loft:
        """Return the part that carries the pad, from the butt line to the riser's end."""
        y = np.linspace(-1.0, self.pad_length, 12)
        corners = np.array(
            [self._section(v, 0.0, self.pad_squareness_deg, -self.depth) for v in y]
        )
        seam = self.arris_mm if self.pad_arris_mm is None else self.pad_arris_mm
        radii = np.array([self.under_arris_mm] * 2 + [seam] * 2)
        made = loft(y, corners, radii, (0.0, self.arris_mm))
        lean = np.tan(np.radians(self.end_lean_deg))
        share = np.clip((made.points[..., 1] - (self.pad_length - 15)) / 15, 0, 1)
        points = made.points.copy()
        points[..., 1] -= share * lean * points[..., 2]
        return Loft(points, made.normals)

    def grip_side(self) -> Loft:
        """Return the part beyond the butt line, with the face that card B lies on."""
        y = np.concatenate(
            [
                np.linspace(-self.shown_mm, -self.face_length - 70, 14)[:-1],
                np.linspace(-self.face_length - 70, -self.face_length, 24)[:-1],
                np.linspace(-self.face_length, 0.0, 12),
            ]
        )
        fall = np.clip((-self.face_length - y) / 70, 0, 1)
        fall = fall**2 * (3 - 2 * fall)
        top = self.face_height - fall * (self.face_height + self.depth * 0.35)
        bottom = -self.depth + 0.10 * self.depth * fall
        corners = np.array(
            [self._section(v, t, 0.0, b) for v, t, b in zip(y, top, bottom, strict=True)]
        )
        corners[..., 0] *= (1 - 0.22 * fall)[:, None]
        upper = self.arris_mm + 6.0 * fall
        radii = np.stack([np.full(len(y), self.under_arris_mm)] * 2 + [upper] * 2, axis=1)
        return loft(y, corners, radii, (0.0, self.arris_mm))


@dataclass(frozen=True)
class Limb:
    """A recurve limb in its own frame: z = 0 under its butt, y = 0 at its butt end.

    Attributes
    ----------
    width, tip_width, length
        At the butt, at the tip, and from butt to tip, mm.
    thickness, tip_thickness
        At the butt and at the tip, mm.
    flat_to
        How far the outer face is flat, mm; the wedge ends near there.
    deflex_deg, tip_slope_deg
        Slope of the face at mid limb, and at the tip; positive: toward z.
    twist_deg
        Roll of the face at the tip; positive: right side high.
    arris_mm, under_arris_mm
        Rounding of the outer face's edges and of those that meet the pad.
    tip_round_mm
        Over this length the tip is drawn in to a round end; 0 leaves it cut square.
    """

    width: float = 42.0
    tip_width: float = 16.0
    length: float = 480.0
    thickness: float = 10.0
    tip_thickness: float = 4.0
    wedge_from: float = 80.0
    flat_to: float = 190.0
    deflex_deg: float = -5.0
    tip_slope_deg: float = 18.0
    twist_deg: float = 0.0
    arris_mm: float = 0.3
    under_arris_mm: float = 0.2
    tip_round_mm: float = 0.0

    def slope(self, y: Array) -> Array:
        """Slope of the outer face, dz/dy, at places along."""
        share = np.clip((y - self.flat_to) / (self.length - 25 - self.flat_to), 0, 1)
        middle = np.tan(np.radians(self.deflex_deg))
        tip = np.tan(np.radians(self.tip_slope_deg))
        bend = np.sin(np.pi * np.clip(share / 0.66, 0, 1)) ** 2
        hook = np.clip((share - 0.35) / 0.6, 0, 1)
        return np.asarray(middle * bend + tip * hook**2 * (3 - 2 * hook))

    def face_z(self, y: Array) -> Array:
        """Height of the outer face at places along, mm."""
        steps = np.linspace(0.0, self.length, 2000)
        slopes = self.slope(steps)
        rise = np.concatenate([[0], np.cumsum((slopes[1:] + slopes[:-1]) / 2 * np.diff(steps))])
        return np.asarray(self.thickness + np.interp(y, steps, rise))

    def roll_deg(self, y: Array) -> Array:
        """Roll of the outer face at places along; positive: right side high."""
        share = np.clip((y - self.flat_to) / (self.length - 30 - self.flat_to), 0, 1)
        return np.asarray(self.twist_deg * share**2 * (3 - 2 * share))

    def half_width(self, y: Array) -> Array:
        """Half the limb's width at places along, mm; straight at the butt, then narrowing."""
        start = self.flat_to - 40
        share = np.clip((y - start) / (self.length - start), 0, 1)
        half = (self.width + (self.tip_width - self.width) * share**1.25) / 2
        if self.tip_round_mm:
            drawn_in = np.clip((y - self.length) / self.tip_round_mm + 1, 0, 1)
            half = half * np.sqrt(1 - 0.9 * drawn_in**2)
        return np.asarray(half)

    def thickness_at(self, y: Array) -> Array:
        """Thickness at places along, mm."""
        share = np.clip((y - self.wedge_from) / (self.flat_to - self.wedge_from), 0, 1)
        share = share**2 * (3 - 2 * share)
        working = 5.5 + (self.tip_thickness - 5.5) * np.clip(y / self.length, 0, 1)
        return np.asarray(self.thickness + (working - self.thickness) * share)

    def straight(self) -> tuple[Loft, Array]:
        """Return the limb before it is twisted, and its stations along."""
        y = np.concatenate(
            [np.linspace(0, self.flat_to, 30)[:-1], np.linspace(self.flat_to, self.length, 60)]
        )
        if self.tip_round_mm:
            y = np.unique(np.append(y, np.linspace(self.length - self.tip_round_mm, y[-1], 16)))
        half, top, thick = self.half_width(y), self.face_z(y), self.thickness_at(y)
        corners = np.stack(
            [
                np.stack([-half, top - thick], axis=-1),
                np.stack([half, top - thick], axis=-1),
                np.stack([half, top], axis=-1),
                np.stack([-half, top], axis=-1),
            ],
            axis=1,
        )
        radii = np.array([self.under_arris_mm] * 2 + [self.arris_mm] * 2)
        return loft(y, corners, radii, (self.under_arris_mm, 0.8)), y

    def shaped(self, made: Loft) -> Loft:
        """Return the loft with the slope in its normals, and twisted."""
        y = made.points[..., 1]
        slope = self.slope(y)
        normals = made.normals.copy()
        normals[..., 1] -= slope * normals[..., 2]
        normals /= np.linalg.norm(normals, axis=-1, keepdims=True)
        angle = np.radians(self.roll_deg(y))
        top = self.face_z(y)
        points = made.points.copy()
        for grid, pivot in ((points, top), (normals, np.zeros_like(top))):
            x, z = grid[..., 0].copy(), grid[..., 2] - pivot
            grid[..., 0] = x * np.cos(angle) - z * np.sin(angle)
            grid[..., 2] = x * np.sin(angle) + z * np.cos(angle) + pivot
        return Loft(points, normals)

    def surface(self, y: float) -> tuple[Array, Array]:
        """Return the face's middle at ``y``, and there the columns across, along and out."""
        at = np.array([y])
        angle = np.radians(self.roll_deg(at)[0])
        across = np.array([np.cos(angle), 0.0, np.sin(angle)])
        along = np.array([0.0, 1.0, self.slope(at)[0]])
        along /= np.linalg.norm(along)
        out = np.cross(across, along)
        out /= np.linalg.norm(out)
        along = np.cross(out, across)
        return np.array([0.0, y, self.face_z(at)[0]]), np.stack([across, along, out], axis=1)


@dataclass(frozen=True, eq=False)
class Seating:
    """How a limb sits: turns its frame into the seat frame."""

    limb2seat: Array
    origin: Array

    def of(self, points: Array) -> Array:
        """Turn points (..., 3) of the limb's frame into the seat frame."""
        return points @ self.limb2seat.T + self.origin


def seated(
    offset: float = 0.0,
    angle_deg: float = 0.0,
    roll_deg: float = 0.0,
    gap_butt: float = 0.0,
    wedge_deg: float = 0.0,
) -> Seating:
    """Return how a limb sits on its pad.

    Parameters
    ----------
    offset
        Of its centreline at the butt line, mm; positive: to the right.
    angle_deg
        Of its axis; positive: tip to the right.
    roll_deg
        Positive: right side high.
    gap_butt, wedge_deg
        Opening under its butt, mm, and the angle by which that grows toward the riser's end.
    """
    turn = rotation("z", -angle_deg) @ rotation("x", wedge_deg) @ rotation("y", -roll_deg)
    return Seating(turn, np.array([offset, 0.0, gap_butt]))


def bolt(washer_mm: float = 11.5, head_mm: float = 7.5, height: float = 6.5) -> Mesh:
    """Return a limb bolt with its washer, standing on z = 0, seen from above."""
    return turned(
        np.array(
            [
                (0.0, height - 4.0),
                (3.4, height - 4.0),
                (3.4, height - 0.4),
                (3.8, height),
                (head_mm - 0.7, height),
                (head_mm, height - 0.7),
                (head_mm, 1.6),
                (washer_mm - 0.3, 1.6),
                (washer_mm, 1.3),
                (washer_mm, 0.0),
            ]
        )
    )
