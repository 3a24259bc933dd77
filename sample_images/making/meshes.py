"""Triangle meshes of turned, lofted and flat things, with normals that know what is round.

Sections lie in the (x, z) plane and are lofted along y. Corners are rounded with true arcs,
because what light does on a rounded arris decides where a photograph shows an edge.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

ARC_STEPS = 7


@dataclass(frozen=True, eq=False)
class Mesh:
    """Triangles: vertices and normals (n, 3) mm, uv (n, 2) from 0 to 1, faces (m, 3)."""

    vertices: Array
    normals: Array
    uv: Array
    faces: NDArray[np.int64]

    def moved(self, rotation: Array, shift: Array) -> Mesh:
        """Return the mesh turned by ``rotation`` (3, 3), then shifted by ``shift`` (3,)."""
        return Mesh(
            self.vertices @ rotation.T + shift, self.normals @ rotation.T, self.uv, self.faces
        )


def joined(meshes: list[Mesh]) -> Mesh:
    """Return several meshes as one; each keeps its own uv."""
    first = np.cumsum([0] + [len(m.vertices) for m in meshes[:-1]])
    return Mesh(
        np.concatenate([m.vertices for m in meshes]),
        np.concatenate([m.normals for m in meshes]),
        np.concatenate([m.uv for m in meshes]),
        np.concatenate([m.faces + n for m, n in zip(meshes, first, strict=True)]),
    )


def rotation(axis: str, degrees: float) -> Array:
    """Return the right-handed rotation about an axis, shape (3, 3)."""
    c, s = np.cos(np.radians(degrees)), np.sin(np.radians(degrees))
    return {
        "x": np.array([[1, 0, 0], [0, c, -s], [0, s, c]]),
        "y": np.array([[c, 0, s], [0, 1, 0], [-s, 0, c]]),
        "z": np.array([[c, -s, 0], [s, c, 0], [0, 0, 1]]),
    }[axis]


def rounded(corners: Array, radii: Array) -> tuple[Array, Array]:
    """Round the corners of a convex polygon.

    Parameters
    ----------
    corners
        Shape (n, 2), mm, counter-clockwise.
    radii
        Shape (n,), mm; each arc touches both sides of its corner.

    Returns
    -------
    Points and outward normals, shape (n * ARC_STEPS, 2) each.
    """
    before = corners - np.roll(corners, 1, axis=0)
    before /= np.linalg.norm(before, axis=1, keepdims=True)
    after = np.roll(before, -1, axis=0)
    turn = np.arctan2(
        before[:, 0] * after[:, 1] - before[:, 1] * after[:, 0], np.sum(before * after, axis=1)
    )
    tangent = radii * np.tan(turn / 2)
    start = corners - before * tangent[:, None]
    first_normal = np.stack([before[:, 1], -before[:, 0]], axis=1)
    centre = start - first_normal * radii[:, None]
    angle0 = np.arctan2(first_normal[:, 1], first_normal[:, 0])
    angles = angle0[:, None] + turn[:, None] * np.linspace(0, 1, ARC_STEPS)
    normals = np.stack([np.cos(angles), np.sin(angles)], axis=-1)
    points = centre[:, None] + radii[:, None, None] * normals
    return points.reshape(-1, 2), normals.reshape(-1, 2)


def inset(corners: Array, by: float) -> Array:
    """Return a convex counter-clockwise polygon with every side moved in by ``by`` mm."""
    along = np.roll(corners, -1, axis=0) - corners
    along /= np.linalg.norm(along, axis=1, keepdims=True)
    inward = np.stack([-along[:, 1], along[:, 0]], axis=1)
    moved = corners + inward * by
    previous_moved, previous_along = np.roll(moved, 1, axis=0), np.roll(along, 1, axis=0)
    gap = moved - previous_moved
    cross = previous_along[:, 0] * along[:, 1] - previous_along[:, 1] * along[:, 0]
    reach = (gap[:, 0] * along[:, 1] - gap[:, 1] * along[:, 0]) / cross
    return previous_moved + previous_along * reach[:, None]


@dataclass(frozen=True, eq=False)
class Loft:
    """A skin over sections: points and normals (stations, k, 3), and its two end polygons."""

    points: Array
    normals: Array

    @property
    def around(self) -> Array:
        """Share of the way round at each point of a section, 0 to 1, shape (k + 1,)."""
        middle = self.points[len(self.points) // 2]
        steps = np.linalg.norm(np.roll(middle, -1, axis=0) - middle, axis=1)
        return np.asarray(np.concatenate([[0], np.cumsum(steps)]) / steps.sum())

    @property
    def along(self) -> Array:
        """Share of the way along at each station, 0 to 1."""
        y = self.points[:, :, 1].mean(axis=1)
        return np.asarray((y - y[0]) / (y[-1] - y[0]))

    def texel_points(self, rows: int, columns: int) -> Array:
        """Where the texels of a picture on the skin lie: (rows, columns, 3), mm.

        Rows go round the section, columns along the loft.
        """
        closed = np.concatenate([self.points, self.points[:, :1]], axis=1)
        at = np.interp((np.arange(columns) + 0.5) / columns, self.along, np.arange(len(closed)))
        low = np.clip(at.astype(int), 0, len(closed) - 2)
        share = (at - low)[:, None, None]
        lines = closed[low] * (1 - share) + closed[low + 1] * share
        at = np.interp((np.arange(rows) + 0.5) / rows, self.around, np.arange(closed.shape[1]))
        low = np.clip(at.astype(int), 0, closed.shape[1] - 2)
        share = (at - low)[:, None, None]
        lines = np.swapaxes(lines, 0, 1)
        return np.asarray(lines[low] * (1 - share) + lines[low + 1] * share)

    def skin(self) -> Mesh:
        """Return the skin as a mesh; u runs along, v round."""
        stations, k = self.points.shape[:2]
        points = np.concatenate([self.points, self.points[:, :1]], axis=1)
        normals = np.concatenate([self.normals, self.normals[:, :1]], axis=1)
        u = np.broadcast_to(self.along[:, None], (stations, k + 1))
        v = np.broadcast_to(self.around[None, :], (stations, k + 1))
        return _grid(points, normals, np.stack([u, v], axis=-1))

    def cap(self, end: int) -> Mesh:
        """Return the flat end at station ``end`` (0 or -1); uv spans its bounding box."""
        ring = self.points[end]
        middle = ring.mean(axis=0)
        vertices = np.concatenate([[middle], ring])
        facing = np.array([0.0, 1.0 if end else -1.0, 0.0])
        normal = _flat_normal(ring, facing)
        low, high = vertices.min(axis=0), vertices.max(axis=0)
        uv = ((vertices - low) / np.maximum(high - low, 1e-9))[:, [0, 2]]
        i = np.arange(len(ring))
        faces = np.stack([np.zeros_like(i), 1 + i, 1 + (i + 1) % len(ring)], axis=1)
        return Mesh(vertices, np.broadcast_to(normal, vertices.shape).copy(), uv, faces)


def _flat_normal(ring: Array, facing: Array) -> Array:
    normal = np.cross(ring - np.roll(ring, 1, axis=0), np.roll(ring, -1, axis=0) - ring).sum(
        axis=0
    )
    normal /= np.linalg.norm(normal)
    return np.asarray(normal * np.sign(normal @ facing))


def loft(y: Array, corners: Array, radii: Array, end_radius: tuple[float, float]) -> Loft:
    """Loft rounded polygons along y, with rounded end arrises.

    Parameters
    ----------
    y
        Stations, rising, mm, shape (m,).
    corners
        Sections in (x, z), counter-clockwise seen from -y, shape (m, n, 2).
    radii
        Of the corners, shape (n,) or (m, n).
    end_radius
        Rounding of the first and of the last end's rim, mm; 0 for a sharp one.
    """
    radii = np.broadcast_to(radii, corners.shape[:2])
    places, points, normals, tilt = [], [], [], []

    def add(at: float, section: Array, radius: Array, lean: float) -> None:
        p, n = rounded(section, radius)
        places.append(at)
        points.append(p)
        normals.append(n)
        tilt.append(lean)

    quarter = np.linspace(0, np.pi / 2, ARC_STEPS)
    inner = np.ones(len(y), dtype=bool)
    start, end = end_radius
    if start:
        inner &= y > y[0] + start
        for angle in quarter:
            by = start * (1 - np.sin(angle))
            add(
                y[0] + start * (1 - np.cos(angle)),
                inset(corners[0], by),
                np.maximum(radii[0] - by, 0.02),
                -np.cos(angle),
            )
    if end:
        inner &= y < y[-1] - end
    for i in np.flatnonzero(inner):
        add(y[i], corners[i], radii[i], 0.0)
    if end:
        for angle in quarter[::-1]:
            by = end * (1 - np.sin(angle))
            add(
                y[-1] - end * (1 - np.cos(angle)),
                inset(corners[-1], by),
                np.maximum(radii[-1] - by, 0.02),
                np.cos(angle),
            )
    flat = np.array(points)
    out = np.array(normals)
    lean = np.array(tilt)[:, None]
    flat3 = np.stack(
        [flat[..., 0], np.broadcast_to(np.array(places)[:, None], flat.shape[:2]), flat[..., 1]],
        axis=-1,
    )
    upright = np.sqrt(1 - lean**2)
    normal3 = np.stack(
        [out[..., 0] * upright, np.broadcast_to(lean, out.shape[:2]), out[..., 1] * upright],
        axis=-1,
    )
    return Loft(flat3, normal3)


def turned(profile: Array, steps: int = 48) -> Mesh:
    """Turn a profile of (radius, height) about z; every facet keeps its own normal."""
    angles = np.linspace(0, 2 * np.pi, steps + 1)
    ring = np.stack([np.cos(angles), np.sin(angles)], axis=-1)
    parts = []
    for (r0, h0), (r1, h1) in itertools.pairwise(profile):
        slope = np.array([h0 - h1, r1 - r0])
        length = np.hypot(*slope)
        if length < 1e-9:
            continue
        out, up = slope / length
        points = np.stack(
            [np.column_stack([ring * r, np.full(steps + 1, h)]) for r, h in ((r0, h0), (r1, h1))]
        )
        # A profile that runs outward and down, or down the outside, faces out of the thing.
        normal = np.column_stack([ring * out, np.full(steps + 1, up)])
        uv = np.stack(np.meshgrid([0, 1], angles / (2 * np.pi), indexing="ij"), axis=-1)
        parts.append(_grid(points, np.stack([normal, normal]), uv))
    return joined(parts)


def sheet(points: Array, normals: Array | None = None) -> Mesh:
    """Return a surface given on a grid (rows, columns, 3); uv from 0 to 1, v down the rows."""
    rows, columns = points.shape[:2]
    uv = np.stack(np.meshgrid(np.linspace(0, 1, columns), np.linspace(0, 1, rows)), axis=-1)
    if normals is None:
        across = np.gradient(points, axis=1)
        down = np.gradient(points, axis=0)
        normals = np.cross(across, down)
        normals /= np.linalg.norm(normals, axis=-1, keepdims=True)
    return _grid(points, normals, uv)


def _grid(points: Array, normals: Array, uv: Array) -> Mesh:
    rows, columns = points.shape[:2]
    index = np.arange(rows * columns).reshape(rows, columns)
    a, b, c, d = index[:-1, :-1], index[:-1, 1:], index[1:, 1:], index[1:, :-1]
    faces = np.concatenate(
        [
            np.stack([a, b, c], axis=-1).reshape(-1, 3),
            np.stack([a, c, d], axis=-1).reshape(-1, 3),
        ]
    )
    return Mesh(points.reshape(-1, 3), normals.reshape(-1, 3), uv.reshape(-1, 2), faces)
