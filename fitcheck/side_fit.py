"""A straight side of wood measured block by block, through grain and beside a visible wall.

:func:`fitcheck.edges.measure` aligns blocks on their common mean profile. That asks for one
ground along the whole edge. Below a card that stands on the end of a riser there is wall and
bench, light and dark, within 30 mm, growth rings cross the edge, and the camera often sees
a sliver of the riser's own side beyond it. Here every block has light levels of its own:

- Each block is a blurred step between two levels with gentle slopes; where the far end of a
  visible side wall lies within reach, a second step ends it.
- Grain changes wood's brightness and hardly its colour. The three colours are turned into
  three channels of equal noise by the face's own texture (whitening), so that a change of
  colour counts for much and one of brightness for little where the wood is lively.
- The blocks' shifts get a robust line weighted by what each block can tell. Rings run along
  an edge for several millimetres, so neighbouring blocks share errors, and the covariance is
  widened for it.

A face and a wall of the same wood in the same light differ in nothing but a shade of colour.
:func:`fit_faint_side` looks for that shade alone, in logarithms of colour ratios.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from fitcheck.edges import Line, StripFrame, Surface, blocks_beside, px_per_mm_at
from fitcheck.lines import FEWEST_POINTS, TUKEY

Array = NDArray[np.float64]

BLOCK_MM = 1.0
INNER_MM, OUTER_MM = 0.9, 0.5  # reach of a profile, beyond its blur
ROUNDS = 6
TUNING_ROUNDS = (1, 4)
CUTTING_ROUNDS, UPPER_SHARE = 3, 0.6  # the upper part alone first, then as far as it is straight
ROUNDED_MM, CLEAR_OF_ROUNDING_MM = 0.06, 1.0
# Blur of the channels over that of the cards: JPEG stores colour at half resolution.
BLUR_RATIOS = np.exp(np.linspace(-0.1, 0.45, 6))
BLUR_RATIO_USUAL, BLUR_RATIO_LOG_SD = 1.05, 0.1
WALL_END_RATIOS = (1.0, 1.6, 2.5)  # the wall's far end is further away and less sharp
SLOPE_SHARE_PER_MM = 0.3  # of the step: light changes slowly beside an edge
LIGHT_FLOOR = 0.0015  # linear light; no channel is quieter
WALL_END_SD_MM = 0.1
NARROWEST_WALL_OF_BLUR = 1.3  # of the blurs of its two ends together
FURTHEST_SHIFT_MM = 0.4
# Rings run about 3 mm along an edge: this many blocks of 1 mm count as one.
GRAIN_WIDENING = 2.5
# Beside a wall the unknown light over the arris and the wall's own texture bend the line
# further than the blocks' scatter shows. Seen in errors against known truth.
WALL_WIDENING = 4.0

# How far a rounded arris moves the apparent step, as shares of its radius. Over the quarter
# round the light goes from the face's to the side's, and may shine on the way: the areas
# under (1 − cos φ + sin φ)/2 and cos φ + sin φ − 1, over r sin φ, are 0.357 r and 0.285 r.
ARRIS_MM = 0.3  # a lightly eased edge; common practice, no source
SIDE_LIGHT_SHARE, SIDE_LIGHT_SD = 0.357, 0.3  # of the face's light
SHINE_SHARE, SHINE_SD = 0.285, 0.2
ARRIS_LIGHT_SD = float(np.hypot(SIDE_LIGHT_SHARE * SIDE_LIGHT_SD, SHINE_SHARE * SHINE_SD))
WALL_SHARE_SD = 0.25  # where the wall shows, the round is a step in itself
MODEL_SD_MM = 0.008

FAINT_BLOCK_MM = 2.0
FAINT_INNER_MM, FAINT_OUTER_MM = 1.0, 1.2
FAINT_BLUR_RATIO = 1.25
FAINT_SLOPE_SD = 0.035  # of a side's slope, weak: it only keeps a lost fit near
FAINT_SHIFT_SD_MM = 0.5


@dataclass(frozen=True, eq=False)
class SideFit:
    """A side's line and how sure it is.

    Attributes
    ----------
    line
        In the strip frame.
    covariance
        Of the line's offset (mm) at its middle and its slope, shape (2, 2).
    arris_sd_mm
        Standard uncertainty of the side as a whole: where the rounded arris ends.
    scatter_mm
        Robust standard deviation of the blocks about the line.
    kept_share
        Share of the blocks that agree with the line.
    rise
        Change of linear light across the side, mean of the colours, signed.
    along_mm
        The stretch that was measured, in the strip frame.
    """

    line: Line
    covariance: Array
    arris_sd_mm: float
    scatter_mm: float
    kept_share: float
    rise: float
    along_mm: tuple[float, float]


def fit_side(
    picture: NDArray[np.uint8],
    surface: Surface,
    frame: StripFrame,
    along_mm: tuple[float, float],
    line: Line,
    blur_px: float,
    keep_out: list[Array],
    wall_end: Line | None = None,
    corner_mm: tuple[float, float, float] | None = None,
    cut_rounding: bool = False,
) -> SideFit | None:
    """Fit a side near a line.

    Parameters
    ----------
    picture
        RGB, upright, shape (height, width, 3), dtype uint8.
    surface, frame
        Where the side lies.
    along_mm
        The stretch to measure, in the strip frame.
    line
        Where the side is, to a few tenths of a millimetre.
    blur_px
        Blur of the photograph there (standard deviation), pixels.
    keep_out
        Convex outlines in pixels, shape (n, 2) each, of what covers the part.
    wall_end
        Far end of the side wall that the camera sees beyond the side; None if it sees none.
    corner_mm
        Where side and wall end meet, along and outward in the strip frame, and how surely
        (standard deviation), mm; None if they do not meet. Near the corner the wall is
        hardly wider than its blur, and the corner tells more than what is seen there.
    cut_rounding
        Whether to end the stretch above a corner that is rounded off: where blocks at its
        lower end fall inward of the line through the upper ones.

    Returns
    -------
    The fit; None where fewer than eight blocks, or fewer than half, agree with a line.
    """
    blur_mm = max(blur_px, 0.5) / px_per_mm_at(surface, frame, line)
    reach = (-INNER_MM - 2.5 * blur_mm, OUTER_MM + 3.0 * blur_mm)
    current = line
    steps = _StepBlocks(blur_mm)
    found: _FoundLine | None = None
    stretch = along_mm
    for round_ in range(ROUNDS):
        if cut_rounding and round_ < CUTTING_ROUNDS:
            stretch = (along_mm[1] - UPPER_SHARE * (along_mm[1] - along_mm[0]), along_mm[1])
        elif cut_rounding and round_ == CUTTING_ROUNDS:
            light, along, outward = blocks_beside(
                picture, surface, frame, current, along_mm, reach, BLOCK_MM, keep_out
            )
            shifts, sd = steps.shifts(_whitened(light, outward, False)[0], outward, None)
            stretch = (_rounded_below(along, shifts, sd, stretch[0]), along_mm[1])
        light, along, outward = blocks_beside(
            picture, surface, frame, current, stretch, reach, BLOCK_MM, keep_out
        )
        if len(along) < FEWEST_POINTS:
            return None
        placed = along
        wall_mm = None if wall_end is None else wall_end.at(along) - current.at(along)
        channels, whitening = _whitened(light, outward, wall_end is not None)
        if round_ in TUNING_ROUNDS:
            steps.tune_blur(channels, outward, wall_mm)
        shifts, sd = steps.shifts(channels, outward, wall_mm)
        if wall_end is not None:
            # Where the wall is hardly wider than its blur, its two ends are one step.
            narrowest = NARROWEST_WALL_OF_BLUR * (1 + steps.wall_end_ratio) * blur_mm
            told = wall_end.at(along) - line.at(along) > narrowest
            if np.count_nonzero(told) < FEWEST_POINTS:
                return None
            along, shifts, sd = along[told], shifts[told], sd[told]
        found = _weighted_line(along - current.middle_mm, shifts, sd)
        if found is None:
            return None
        if wall_end is not None:
            found = replace(found, covariance=found.covariance * WALL_WIDENING)
        if corner_mm is not None:
            at, out, corner_sd = corner_mm
            off = out - float(current.at(at))
            found = _through_corner(found, at - current.middle_mm, off, corner_sd)
        turn = np.arctan(current.slope) + np.arctan(found.slope)
        current = Line(current.offset_mm + found.offset, float(np.tan(turn)), current.middle_mm)
    assert found is not None  # noqa: S101 - the loop ran
    covariance = found.covariance.copy()
    covariance[1, 1] += _arris_slope_sd(light @ whitening.T, outward, placed, blur_mm) ** 2
    n = max(2, len(outward) // 6)
    face, ground = light[:, :n].mean(axis=(0, 1)), light[:, -n:].mean(axis=(0, 1))
    return SideFit(
        line=current,
        covariance=covariance,
        arris_sd_mm=_arris_sd_mm(whitening @ face, whitening @ ground, wall_end is not None),
        scatter_mm=found.scatter,
        kept_share=float(np.mean(found.kept)),
        rise=float(np.mean(ground - face)),
        along_mm=stretch,
    )


def fit_faint_side(
    picture: NDArray[np.uint8],
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
        arris_sd_mm=float(np.hypot(WALL_SHARE_SD * ARRIS_MM, MODEL_SD_MM)),
        scatter_mm=float(1.4826 * np.median(np.abs(left))),
        kept_share=float(np.mean(seen)),
        rise=float(np.mean(outer - inner)),
        along_mm=along_mm,
    )


def _rounded_below(along: Array, shifts: Array, sd: Array, upper: float) -> float:
    """Lower end of what is straight: above where two blocks running fall inward of the line.

    ``along`` rises; blocks above ``upper`` have made the line.
    """
    above = shifts[along > upper]
    scatter = 1.4826 * float(np.median(np.abs(above - np.median(above)))) if len(above) else 0.0
    inward = shifts < -np.maximum(ROUNDED_MM, 3 * np.hypot(sd, scatter))
    for i in range(int(np.searchsorted(along, upper)) - 1, 0, -1):
        if inward[i] and inward[i - 1]:
            return float(along[i]) + BLOCK_MM / 2 + CLEAR_OF_ROUNDING_MM
    return float(along[0]) - BLOCK_MM / 2


def _whitened(light: Array, outward: Array, wall: bool) -> tuple[Array, Array]:
    """Light in channels of equal noise, shape (n, m, 3), and the matrix that makes them.

    The noise is the face's texture and the ground's. Beside a wall of the same wood,
    brightness says little whatever the texture beside the edge happens to be.
    """
    inner = light[:, outward < 0.25 * outward[0]]
    grain = inner - inner.mean(axis=1, keepdims=True)
    noise = np.cov(grain.reshape(-1, 3).T) + np.eye(3) * LIGHT_FLOOR**2
    if wall:
        face = inner.reshape(-1, 3)
        mean = face.mean(axis=0)
        noise = noise + np.cov(face.T) + 0.04 * np.outer(mean, mean)
    else:
        outer = light[:, outward > 0.65 * outward[-1]]
        ground = outer - outer.mean(axis=1, keepdims=True)
        noise = noise + 0.5 * np.cov(ground.reshape(-1, 3).T)
    variance, directions = np.linalg.eigh(noise)
    matrix = (directions / np.sqrt(variance)).T
    return light @ matrix.T, matrix


class _StepBlocks:
    """Blocks as blurred steps with levels of their own; tells how far each is shifted."""

    def __init__(self, blur_mm: float) -> None:
        self.blur_mm = blur_mm
        self.ratios = np.full(3, BLUR_RATIO_USUAL)
        self.wall_end_ratio = WALL_END_RATIOS[1]

    def tune_blur(self, channels: Array, outward: Array, wall_mm: Array | None) -> None:
        """Choose each channel's blur, and that of the wall's far end, by what fits best."""
        together = self._correlated(outward)
        costs = []
        for ratio in BLUR_RATIOS:
            cost = self._solve(channels, outward, wall_mm, np.full(3, ratio))[3]
            usual = (np.log(ratio / BLUR_RATIO_USUAL) / BLUR_RATIO_LOG_SD) ** 2
            costs.append(cost / together + usual)
        self.ratios = BLUR_RATIOS[np.argmin(np.array(costs), axis=0)]
        if wall_mm is not None:
            tried = []
            for self.wall_end_ratio in WALL_END_RATIOS:
                tried.append(self._solve(channels, outward, wall_mm, self.ratios)[3].sum())
            self.wall_end_ratio = WALL_END_RATIOS[int(np.argmin(tried))]

    def shifts(
        self, channels: Array, outward: Array, wall_mm: Array | None
    ) -> tuple[Array, Array]:
        """How far each block's step lies outward of the line, and its standard deviation."""
        normal, pull, residual, _ = self._solve(channels, outward, wall_mm, self.ratios)
        variance = float(np.mean(np.median(residual**2, axis=(0, 1)))) / 0.455  # of normal noise
        variance = max(variance, 1e-6) * self._correlated(outward)
        normal = normal + np.diag([variance, variance / WALL_END_SD_MM**2])
        inverse = np.linalg.inv(normal)
        shift = np.einsum("nij,nj->ni", inverse, pull)[:, 0]
        return (
            np.clip(shift, -FURTHEST_SHIFT_MM, FURTHEST_SHIFT_MM),
            np.sqrt(inverse[:, 0, 0] * variance),
        )

    def _correlated(self, outward: Array) -> float:
        """How many samples share their noise: they lie closer than the blur."""
        return max(1.0, 1.5 * self.blur_mm / float(outward[1] - outward[0]))

    def _solve(
        self, channels: Array, outward: Array, wall_mm: Array | None, ratios: Array
    ) -> tuple[Array, Array, Array, Array]:
        """Normal equations of (side's shift, wall end's shift) per block, levels eliminated.

        Returns the normal matrices (n, 2, 2), right sides (n, 2), residuals (n, m, 3) and the
        summed squares per channel (3,).
        """
        n = len(channels)
        normal, pull = np.zeros((n, 2, 2)), np.zeros((n, 2))
        residual, cost = np.zeros_like(channels), np.zeros(3)
        ends = channels[:, [0, 1, 2, -3, -2, -1]].mean(axis=0)
        steps = np.abs(ends[3:].mean(axis=0) - ends[:3].mean(axis=0)) + 1.0
        reach = outward[-1] + 3 * self.wall_end_ratio * self.blur_mm
        near = np.zeros(n, dtype=bool) if wall_mm is None else wall_mm < reach
        groups: list[tuple[NDArray[np.int_], float | None]] = [(np.flatnonzero(~near), None)]
        if wall_mm is not None:
            groups += [(np.array([i]), max(float(wall_mm[i]), 0.02)) for i in np.flatnonzero(near)]
        for blocks, wall in groups:
            if len(blocks) == 0:
                continue
            for c in range(3):
                left, side, end = self._block_fit(
                    channels[blocks, :, c], outward, ratios[c], wall, steps[c]
                )
                residual[blocks, :, c] = left[:, : len(outward)]
                cost[c] += float(np.sum(left**2))
                normal[blocks, 0, 0] += np.sum(side * side, axis=1)
                pull[blocks, 0] += np.sum(side * left, axis=1)
                if end is not None:
                    normal[blocks, 1, 1] += np.sum(end * end, axis=1)
                    normal[blocks, 0, 1] += np.sum(side * end, axis=1)
                    normal[blocks, 1, 0] = normal[blocks, 0, 1]
                    pull[blocks, 1] += np.sum(end * left, axis=1)
        return normal, pull, residual, cost

    def _block_fit(
        self, light: Array, outward: Array, ratio: float, wall_mm: float | None, step: float
    ) -> tuple[Array, Array, Array | None]:
        """Residuals of one channel, and what a shift of the side or the wall's end changes."""
        columns = self._columns(outward, ratio, wall_mm)
        k = columns.shape[1]
        # Weak knowledge as rows: light changes slowly, and a narrow wall is like the face.
        known = np.zeros((2 if wall_mm is None else 3, k))
        known[0, 2] = known[1, 3] = 1 / (SLOPE_SHARE_PER_MM * step)
        if wall_mm is not None:
            known[2, :2] = np.array([-1.0, 1.0]) / (2 * step)
        design = np.concatenate([columns, known])
        basis, _ = np.linalg.qr(design)
        padded = np.concatenate([light, np.zeros((len(light), len(known)))], axis=1)
        levels = padded @ np.linalg.pinv(design).T
        left = padded - levels @ design.T
        tiny = 0.003

        def slope_of(forward: Array, back: Array) -> Array:
            change = np.concatenate([(forward - back) / (2 * tiny), np.zeros((len(known), k))])
            moved = levels @ change.T
            return np.asarray(moved - (moved @ basis) @ basis.T)

        if wall_mm is None:
            side = slope_of(
                self._columns(outward - tiny, ratio, None),
                self._columns(outward + tiny, ratio, None),
            )
            return left, side, None
        side = slope_of(
            self._columns(outward - tiny, ratio, wall_mm - tiny),
            self._columns(outward + tiny, ratio, wall_mm + tiny),
        )
        end = slope_of(
            self._columns(outward, ratio, wall_mm + tiny),
            self._columns(outward, ratio, wall_mm - tiny),
        )
        return left, side, end

    def _columns(self, away: Array, ratio: float, wall_mm: float | None) -> Array:
        """Face, what lies beyond, their slopes, and the ground past the wall: (m, 4 or 5)."""
        beyond = ndtr(away / (ratio * self.blur_mm))
        face_slope = (1 - beyond) * np.minimum(away, 0)
        slope = beyond * np.maximum(away, 0)
        if wall_mm is None:
            return np.stack([1 - beyond, beyond, face_slope, slope], axis=-1)
        past = ndtr((away - wall_mm) / (self.wall_end_ratio * self.blur_mm))
        wall = beyond * (1 - past)
        return np.stack([1 - beyond, wall, face_slope, slope * (1 - past), beyond * past], axis=-1)


@dataclass(frozen=True, eq=False)
class _FoundLine:
    offset: float
    slope: float
    covariance: Array
    scatter: float
    kept: NDArray[np.bool_]


def _weighted_line(along: Array, across: Array, sd: Array) -> _FoundLine | None:
    """Robust line through points of unequal standard deviation (Tukey's biweight).

    What the points scatter beyond their own standard deviations is taken for grain: it is
    added to each, and the covariance is widened by the residuals' autocorrelation, at least
    as far as grain is known to run along an edge.
    """
    design = np.stack([np.ones_like(along), along], axis=1)
    solution, extra = np.zeros(2), 0.0
    typical = float(np.median(sd))
    kept = np.ones(len(along), dtype=bool)
    for _ in range(50):
        total = np.hypot(sd, extra)
        ratio = (across - design @ solution) / total
        scale = max(1.4826 * float(np.median(np.abs(ratio))), 0.3)
        share = ratio / (TUKEY * scale)
        kept = np.abs(share) < 1
        weights = np.where(kept, (1 - share**2) ** 2, 0.0) / total**2
        normal = design.T @ (weights[:, None] * design)
        if np.count_nonzero(kept) < FEWEST_POINTS or np.linalg.cond(normal) > 1e12:
            return None
        updated = np.linalg.solve(normal, design.T @ (weights * across))
        moved = float(np.max(np.abs(updated - solution)))
        solution = updated
        left = across - design @ solution
        scatter = 1.4826 * float(np.median(np.abs(left)))
        extra = float(np.sqrt(max(0.0, scatter**2 - typical**2)))
        if moved < 1e-8:
            break
    if np.count_nonzero(kept) < max(FEWEST_POINTS, len(along) // 2):
        return None
    total = np.hypot(sd, extra)
    ratio = np.where(kept, (across - design @ solution) / total, 0.0)
    normal = design.T @ ((kept / total**2)[:, None] * design)
    chi2 = float(np.sum(ratio**2)) / max(int(np.count_nonzero(kept)) - 2, 1)
    grain = extra**2 / (extra**2 + typical**2)
    widening = max(_widening(ratio), 1 + (GRAIN_WIDENING - 1) * grain)
    covariance = np.asarray(np.linalg.inv(normal) * max(chi2, 0.5) * widening)
    return _FoundLine(float(solution[0]), float(solution[1]), covariance, scatter, kept)


def _through_corner(found: _FoundLine, along: float, across: float, sd: float) -> _FoundLine:
    """A line drawn to one more point, as far as either is sure (a Kalman update)."""
    lever = np.array([1.0, along])
    spread = found.covariance @ lever
    gain = spread / (float(lever @ spread) + sd**2)
    moved = gain * (across - found.offset - found.slope * along)
    return replace(
        found,
        offset=found.offset + float(moved[0]),
        slope=found.slope + float(moved[1]),
        covariance=found.covariance - np.outer(gain, spread),
    )


def _widening(residual: Array) -> float:
    """By how much correlated neighbours widen the variance of a mean: 1 + 2 Σ correlation."""
    total = max(float(np.sum(residual**2)), 1e-18)
    widening = 1.0
    for lag in range(1, min(8, len(residual) // 4)):
        correlation = float(np.sum(residual[lag:] * residual[:-lag])) / total
        if correlation < 0.05:
            break
        widening += 2 * correlation
    return widening


def _arris_sd_mm(face: Array, beyond: Array, wall: bool) -> float:
    """Standard uncertainty of where the side ends, from whitened light on either side, mm.

    An unknown light over the round moves the fitted step by its share of the step: little
    where dark wood stands against a bright ground, much the other way round.
    """
    if wall:
        return float(np.hypot(WALL_SHARE_SD * ARRIS_MM, MODEL_SD_MM))
    step = beyond - face
    share = abs(float(face @ step)) / max(float(step @ step), 1e-9)
    return float(np.hypot(ARRIS_MM * ARRIS_LIGHT_SD * min(share, 3.0), MODEL_SD_MM))


def _arris_slope_sd(channels: Array, outward: Array, along: Array, blur_mm: float) -> float:
    """Standard uncertainty of the side's slope from the light over its arris.

    Where the ground changes along the side, the unknown light over the round moves the step
    by a share that changes with it, and so turns the line.
    """
    face = channels[:, outward < -2 * blur_mm].mean(axis=1)
    beyond = channels[:, outward > 2 * blur_mm].mean(axis=1)
    step = beyond - face
    share = np.sum(face * step, axis=1) / np.maximum(np.sum(step**2, axis=1), 1e-9)
    slope = np.polynomial.polynomial.polyfit(along, np.clip(share, -3.0, 3.0), 1)[1]
    return abs(float(slope)) * ARRIS_LIGHT_SD * ARRIS_MM


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
