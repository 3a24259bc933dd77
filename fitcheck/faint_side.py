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
    shifts, sd = np.zeros(len(light)), np.full(len(light), np.inf)
    for i, limit in enumerate(room):
        used = outward < limit
        if np.count_nonzero(outward[used] > blur_mm) < 4:
            continue
        away = outward[used]
        beyond = ndtr(away / blur_mm)
        slopes = [(1 - beyond) * np.minimum(away, 0), beyond * np.maximum(away, 0)]
        columns = np.stack([1 - beyond, beyond, *slopes], axis=-1)
        density = np.exp(-0.5 * (away / blur_mm) ** 2) / (np.sqrt(2 * np.pi) * blur_mm)
        normal = pull = 0.0
        for c in range(2):
            values = channels[i, used, c]
            step = abs(np.median(values[away > 0]) - np.median(values[away < 0])) + 0.3
            known = np.zeros((2, 4))
            known[0, 2] = known[1, 3] = 1 / (0.15 * step)
            design = np.concatenate([columns, known])
            padded = np.append(values, [0.0, 0.0])
            levels = np.linalg.lstsq(design, padded, rcond=None)[0]
            basis, _ = np.linalg.qr(design)
            change = np.append((levels[0] - levels[1]) * density, [0.0, 0.0])
            change -= basis @ (basis.T @ change)
            normal += float(change @ change)
            pull += float(change @ (padded - design @ levels))
        normal += together / FAINT_SHIFT_SD_MM**2
        shifts[i] = np.clip(pull / normal, -FURTHEST_SHIFT_MM, FURTHEST_SHIFT_MM)
        sd[i] = np.sqrt(together / normal)
    return shifts, sd
