"""Path tracing with Mitsuba 3: things, lamps and a camera in, linear light per pixel out.

Rays are ours, so that the lens is exactly that of :mod:`lens`: they start on its opening,
pass through its sharp plane, and are undistorted by Newton's method. Any set of pixels can
be traced, which lets the surroundings be traced coarsely and the bow finely.
"""

from __future__ import annotations

import ctypes.util
import os
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sample_images.making.lens import Camera
from sample_images.making.meshes import Mesh, sheet

Array = NDArray[np.float64]
Picture = NDArray[np.float32]

BATCH_RAYS = 6_000_000


@dataclass(frozen=True, eq=False)
class Thing:
    """A mesh and what it is made of.

    Attributes
    ----------
    look
        Linear reflectance: a picture (rows, columns, 3), repeated in mirror image, or one
        colour.
    finish
        ``"matte"``, ``"metal"`` or a number, the roughness of a clear coat over the look.
    """

    mesh: Mesh
    look: Picture | tuple[float, float, float]
    finish: str | float = "matte"


@dataclass(frozen=True, eq=False)
class Lamp:
    """A flat square lamp: its middle, where it shines to, its side in mm, its radiance."""

    at: Array
    toward: Array
    side_mm: float
    radiance: tuple[float, float, float]


class NotInstalled(RuntimeError):
    """Mitsuba or the LLVM library that it needs is missing."""


@cache
def _mitsuba() -> Any:
    if "DRJIT_LIBLLVM_PATH" not in os.environ:
        folder = Path("/usr/lib/x86_64-linux-gnu")
        found = [p for v in range(21, 15, -1) for p in folder.glob(f"libLLVM*{v}*so*")]
        found += [p for v in range(21, 15, -1) for p in folder.glob(f"libLLVM.so.{v}*")]
        if found:
            os.environ["DRJIT_LIBLLVM_PATH"] = str(found[0])
        elif not ctypes.util.find_library("LLVM"):
            raise NotInstalled("The renderer needs LLVM 16 or newer (Debian: libllvm19).")
    try:
        import mitsuba
    except ImportError as error:
        raise NotInstalled(
            'The renderer needs Mitsuba 3: pip install "fitcheck[render]".'
        ) from error
    try:
        mitsuba.set_variant("llvm_ad_rgb")
    except ImportError as error:
        raise NotInstalled(f"Mitsuba cannot use LLVM: {error}") from error
    return mitsuba


def _coat(thing: Thing) -> dict[str, Any]:
    mi = _mitsuba()
    if isinstance(thing.look, tuple):
        colour: dict[str, Any] = {"type": "rgb", "value": list(thing.look)}
    else:
        colour = {
            "type": "bitmap",
            "bitmap": mi.Bitmap(np.ascontiguousarray(thing.look, dtype=np.float32)),
            "raw": True,
            "wrap_mode": "mirror",  # one mode for all: each one more is compiled anew
        }
    if thing.finish == "matte":
        return {"type": "diffuse", "reflectance": colour}
    if thing.finish == "metal":
        return {
            "type": "roughconductor",
            "alpha": 0.18,
            "material": "none",
            "specular_reflectance": colour,
        }
    return {
        "type": "roughplastic",
        "distribution": "ggx",
        "alpha": float(thing.finish),
        "int_ior": 1.48,
        "diffuse_reflectance": colour,
    }


def build(things: list[Thing], lamps: list[Lamp], room: Picture) -> Any:
    """Build the scene; ``room`` is the light from all around.

    It is an equirectangular picture: rows from straight up to straight down, columns the
    azimuth from y toward x.
    """
    mi = _mitsuba()
    scene: dict[str, Any] = {"type": "scene"}
    # Code is compiled for the kinds of surface that there are: the same ones in every scene.
    for i, thing in enumerate([*things, *_out_of_sight()]):
        mesh = thing.mesh
        properties = mi.Properties()
        properties["bsdf"] = mi.load_dict(_coat(thing))
        shape = mi.Mesh(
            f"thing{i}",
            vertex_count=len(mesh.vertices),
            face_count=len(mesh.faces),
            has_vertex_normals=True,
            has_vertex_texcoords=True,
            props=properties,
        )
        parameters = mi.traverse(shape)
        parameters["vertex_positions"] = np.ascontiguousarray(mesh.vertices, np.float32).ravel()
        parameters["vertex_normals"] = np.ascontiguousarray(mesh.normals, np.float32).ravel()
        parameters["vertex_texcoords"] = np.ascontiguousarray(mesh.uv, np.float32).ravel()
        parameters["faces"] = np.ascontiguousarray(mesh.faces, np.uint32).ravel()
        parameters.update()
        scene[f"thing{i}"] = shape
    turn = mi.ScalarTransform4f
    for i, lamp in enumerate(lamps):
        scene[f"lamp{i}"] = {
            "type": "rectangle",
            "to_world": turn()
            .look_at(origin=list(lamp.at), target=list(lamp.toward), up=[0.1, 0.2, 1])
            .scale(lamp.side_mm / 2),
            "bsdf": {"type": "diffuse", "reflectance": {"type": "rgb", "value": 0.5}},
            "emitter": {"type": "area", "radiance": {"type": "rgb", "value": list(lamp.radiance)}},
        }
    scene["room"] = {
        "type": "envmap",
        "bitmap": mi.Bitmap(np.ascontiguousarray(room, dtype=np.float32)),
        "to_world": turn().rotate([1, 0, 0], 90),
    }
    return mi.load_dict(scene)


def _out_of_sight() -> list[Thing]:
    speck = sheet(np.array([[[0, 0, -9e4], [1, 0, -9e4]], [[0, 1, -9e4], [1, 1, -9e4]]], float))
    grey = (0.5, 0.5, 0.5)
    picture = np.full((2, 2, 3), 0.5, dtype=np.float32)
    return [
        Thing(speck, look, finish)
        for look in (grey, picture)
        for finish in ("matte", "metal", 0.3)
    ]


def trace(
    scene: Any,
    camera: Camera,
    pixels: Array,
    spacing: float = 1.0,
    grid: int = 3,
    depth: int = 3,
    seed: int = 0,
) -> Picture:
    """Trace the light that falls on pixels.

    Parameters
    ----------
    pixels
        Middles, shape (n, 2).
    spacing
        Side of the square that each stands for, in pixels.
    grid
        Rays are spread over ``grid * grid`` cells of that square.
    depth
        Longest path: 2 is light that comes straight from lamps, 3 adds one bounce.

    Returns
    -------
    Linear light, shape (n, 3).
    """
    each = grid * grid
    step = max(1, BATCH_RAYS // each)
    parts = [
        _trace_batch(scene, camera, pixels[i : i + step], spacing, grid, depth, seed + i)
        for i in range(0, len(pixels), step)
    ]
    return np.concatenate(parts)


def _trace_batch(
    scene: Any, camera: Camera, pixels: Array, spacing: float, grid: int, depth: int, seed: int
) -> Picture:
    mi = _mitsuba()
    import drjit as dr

    each = grid * grid
    count = len(pixels) * each
    sampler = mi.load_dict({"type": "multijitter", "sample_count": each})
    sampler.set_samples_per_wavefront(each)
    sampler.seed(seed % (1 << 31), count)
    index = dr.arange(mi.UInt32, count)
    which, cell = index // each, index % each
    column, row = cell % grid, cell // grid
    jitter = sampler.next_2d()
    x = dr.gather(mi.Float, mi.Float(np.ascontiguousarray(pixels[:, 0], np.float32)), which)
    y = dr.gather(mi.Float, mi.Float(np.ascontiguousarray(pixels[:, 1], np.float32)), which)

    lens = camera.lens
    number = [
        dr.opaque(mi.Float, float(v))
        for v in (
            *lens.centre_px,
            lens.focal_px,
            lens.k1,
            lens.k2,
            camera.aperture_radius_mm,
            camera.focus_mm,
            spacing,
        )
    ]
    centre_x, centre_y, focal, k1, k2, opening, focus, apart = number
    x += ((mi.Float(column) + jitter.x) / grid - 0.5) * apart
    y += ((mi.Float(row) + jitter.y) / grid - 0.5) * apart
    u, v = (x - centre_x) / focal, (y - centre_y) / focal
    distorted = dr.sqrt(u * u + v * v)
    radius = mi.Float(distorted)
    for _ in range(5):
        r2 = radius * radius
        value = radius * (1 + r2 * (k1 + r2 * k2)) - distorted
        radius -= value / (1 + r2 * (3 * k1 + 5 * r2 * k2))
    ratio = dr.select(distorted > 1e-7, radius / dr.maximum(distorted, 1e-7), 1.0)
    on_lens = mi.warp.square_to_uniform_disk_concentric(sampler.next_2d()) * opening
    sharp = mi.Vector3f(u * ratio * focus, v * ratio * focus, focus)
    start_cam = mi.Vector3f(on_lens.x, on_lens.y, 0)
    way_cam = dr.normalize(sharp - start_cam)
    turn = [
        [dr.opaque(mi.Float, float(camera.cam2world[i, j])) for j in range(3)] for i in range(3)
    ]
    place = [dr.opaque(mi.Float, float(p)) for p in camera.position]

    def to_world(vector: Any) -> list[Any]:
        return [t[0] * vector.x + t[1] * vector.y + t[2] * vector.z for t in turn]

    start = to_world(start_cam)
    origin = mi.Point3f(*[a + b for a, b in zip(start, place, strict=True)])
    ray = mi.RayDifferential3f(mi.Ray3f(origin, mi.Vector3f(*to_world(way_cam))))
    path = _integrator(depth)
    light, _, _ = path.sample(scene, sampler, ray)
    light = dr.minimum(light, 40.0)  # a spark from a chance path is not a photograph's
    dr.eval(light)  # here, else the paths are traced once for each channel
    sums = [dr.block_sum(channel, each) / each for channel in light]
    return np.stack([np.array(channel) for channel in sums], axis=-1).astype(np.float32)


@cache
def _integrator(depth: int) -> Any:
    return _mitsuba().load_dict({"type": "path", "max_depth": depth, "rr_depth": 99})
