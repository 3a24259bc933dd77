"""A straight side between a face and a wall of the same wood in nearly the same light.

They differ in nothing but a shade of colour. That shade alone is looked for, in logarithms of
colour ratios, together with the corner in which the wall ends below.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from fitcheck.picture import Colours
from fitcheck.side_blocks import ARRIS_MM, FURTHEST_SHIFT_MM
from fitcheck.side_fit import WALL_SHARE_SD, SideFit
from fitcheck.strips import Line, StripFrame, Surface, blocks_beside, px_per_mm_at

Array = NDArray[np.float64]

ROUNDS = 6
FAINT_BLOCK_MM = 2.0
FAINT_INNER_MM, FAINT_OUTER_MM = 1.0, 1.2
FAINT_BLUR_RATIO = 1.25
FAINT_SLOPE_SD = 0.035  # of a side's slope, weak: it only keeps a lost fit near
FAINT_SHIFT_SD_MM = 0.5
FEWEST_BEYOND = 4  # samples of wall past the step's blur
LEAST_STEP = 0.3  # of shade, in its noise
SHADE_SLOPE_PER_MM = 0.15  # of the step: shade changes slowly beside a side
# Shade runs over from face to wall, and a corner is rounded: seen in rendered sides with known
# truth, as a whole and well beyond what the blocks scatter.
FAINT_PLACE_SD_MM = 0.2


def fit_faint_side(
    picture: Colours,
    surface: Surface,
    frame: StripFrame,
    along_mm: tuple[float, float],
    line: Line,
    corner_mm: tuple[float, float, float],
    blur_px: float,
    keep_out: list[Array],
    wall_end: Line,
) -> SideFit | None:
    """Fit a side beyond which the camera sees a wall of nearly the same wood and light.

    Parameters
    ----------
    picture, surface, frame, along_mm, corner_mm, blur_px, keep_out, wall_end
        As for :func:`fit_side`.
    line
        Where the side is expected.

    Returns
    -------
    The fit; None where too few blocks show both face and wall.
    """
    px_per_mm = px_per_mm_at(surface, frame, line)
    blur_mm = FAINT_BLUR_RATIO * max(blur_px, 0.5) / px_per_mm
    current = line
    corner_along, corner_outward, corner_sd = corner_mm
    for _ in range(ROUNDS):
        light, along, outward = blocks_beside(
            picture,
            surface,
            frame,
            current,
            along_mm,
            (-FAINT_INNER_MM, FAINT_OUTER_MM),
            FAINT_BLOCK_MM,
            keep_out,
        )
        room = wall_end.at(along) - current.at(along) - 3.5 * blur_mm
        shifts, sd = _shade_shifts(light, outward, room, blur_mm)
        seen = np.isfinite(sd)
        if np.count_nonzero(seen) < 3:
            return None
        # The corner is one more point of the side; a weak slope keeps a lost fit near.
        places = np.append(along[seen], corner_along) - current.middle_mm
        values = np.append(shifts[seen], corner_outward - float(current.at(corner_along)))
        sds = np.append(sd[seen], corner_sd)
        design = np.stack([np.ones_like(places), places], axis=1)
        weights = 1 / sds**2
        normal = design.T @ (weights[:, None] * design)
        normal[1, 1] += FAINT_SLOPE_SD**-2
        pull = design.T @ (weights * values)
        pull[1] += (line.slope - current.slope) / FAINT_SLOPE_SD**2
        moved = np.linalg.solve(normal, pull)
        current = Line(
            current.offset_mm + float(moved[0]),
            current.slope + float(moved[1]),
            current.middle_mm,
        )
    left = values - design @ moved
    chi2 = float(np.sum(weights * left**2)) / max(len(values) - 2, 1)
    inner = light[:, outward < -blur_mm].mean(axis=(0, 1))
    outer = light[:, (outward > 0) & (outward < 0.5)].mean(axis=(0, 1))
    return SideFit(
        line=current,
        covariance=np.asarray(np.linalg.inv(normal) * max(chi2, 1.0)),
        arris_sd_mm=float(np.hypot(WALL_SHARE_SD * ARRIS_MM, FAINT_PLACE_SD_MM)),
        scatter_mm=float(1.4826 * np.median(np.abs(left))),
        kept_share=float(np.mean(seen)),
        rise=float(np.mean(outer - inner)),
        along_mm=along_mm,
    )


def _shade_shifts(
    light: Array, outward: Array, room: Array, blur_mm: float
) -> tuple[Array, Array]:
    """Shift of each block's step in shade of colour, mm, and its standard deviation.

    The deviation is infinite where the wall is too narrow to show.
    """
    logs = np.log(light + 0.002)
    shade = np.stack([logs[..., 0] - logs[..., 1], logs[..., 2] - logs[..., 1]], axis=-1)
    face = shade[:, outward < -1.5 * blur_mm]
    noise = np.cov((face - face.mean(axis=1, keepdims=True)).reshape(-1, 2).T)
    variance, directions = np.linalg.eigh(noise + 1e-6 * np.eye(2))
    channels = shade @ (directions / np.sqrt(variance))
    together = max(1.0, 1.5 * blur_mm / float(outward[1] - outward[0]))
    used = outward < room[:, None]
    seen = np.count_nonzero(used & (outward > blur_mm), axis=1) >= FEWEST_BEYOND
    shifts, sd = np.zeros(len(light)), np.full(len(light), np.inf)
    used, values = used[seen, None], channels[seen].swapaxes(1, 2)
    beyond = ndtr(outward / blur_mm)
    slopes = [(1 - beyond) * np.minimum(outward, 0), beyond * np.maximum(outward, 0)]
    columns = np.stack([1 - beyond, beyond, *slopes], axis=-1)
    density = np.exp(-0.5 * (outward / blur_mm) ** 2) / (np.sqrt(2 * np.pi) * blur_mm)
    # Every block and channel has levels of its own: (blocks, channels, 4).
    step = _median_of_used(values, used & (outward > 0))
    step = np.abs(step - _median_of_used(values, used & (outward < 0))) + LEAST_STEP
    known = np.diag([0.0, 0.0, 1.0, 1.0]) / (SHADE_SLOPE_PER_MM * step[..., None, None]) ** 2
    normal = (columns.T * used) @ columns
    covariance = np.linalg.inv(normal[:, None] + known)
    levels = _times(covariance, (values * used) @ columns)
    left = (values - levels @ columns.T) * used
    change = (levels[..., :1] - levels[..., 1:2]) * density * used
    followed = change @ columns
    told = np.sum(change**2, axis=-1) - np.sum(followed * _times(covariance, followed), axis=-1)
    told = told.sum(axis=1) + together / FAINT_SHIFT_SD_MM**2
    shift = np.sum(change * left, axis=(1, 2)) / told
    shifts[seen] = np.clip(shift, -FURTHEST_SHIFT_MM, FURTHEST_SHIFT_MM)
    sd[seen] = np.sqrt(together / told)
    return shifts, sd


def _times(matrices: Array, vectors: Array) -> Array:
    return np.asarray((matrices @ vectors[..., None])[..., 0])


def _median_of_used(values: Array, used: NDArray[np.bool_]) -> Array:
    """Median over the last axis of those values that are used, of which there are some."""
    ordered = np.sort(np.where(used, values, np.inf), axis=-1)
    last = np.broadcast_to(np.count_nonzero(used, axis=-1), ordered.shape[:-1])[..., None]
    middle = np.take_along_axis(ordered, np.concatenate([(last - 1) // 2, last // 2], -1), -1)
    return np.asarray(middle.mean(axis=-1))
