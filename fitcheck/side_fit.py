"""A straight side of wood measured block by block, through grain and beside a visible wall.

:func:`fitcheck.edges.measure` aligns blocks on their common mean profile. That asks for one
ground along the whole edge. Below a card that stands on the end of a riser there is wall and
bench, light and dark, within 30 mm, growth rings cross the edge, and the camera often sees
a sliver of the riser's own side beyond it. Here every block has light levels of its own:

- Each block is a blurred step between two levels with gentle slopes; where the far end of a
  visible side wall lies within reach, a second step ends it.
- The first rounds are softened, so that a line that starts a little off is drawn in. The arris
  between face and side is round: of a grid of rounds, every one is weighed by its likelihood.
- Grain changes wood's brightness and hardly its colour. The three colours are turned into
  three channels of equal noise by the face's own texture (whitening), so that a change of
  colour counts for much and one of brightness for little where the wood is lively.
- The blocks' shifts get a robust line weighted by what each block can tell. Rings run along
  an edge for several millimetres, so neighbouring blocks share errors, and the covariance is
  widened for it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from fitcheck.lines import (
    FEWEST_POINTS,
    biweight,
    median_of_few,
    terms_of_line,
    weighted_line,
    widening_of,
)
from fitcheck.picture import Colours
from fitcheck.side_blocks import ARRIS_MM, GRAIN_WIDENING, StepBlocks
from fitcheck.strips import Line, StripFrame, Surface, blocks_beside, px_per_mm_at

Array = NDArray[np.float64]

BLOCK_MM = 1.0
INNER_MM, OUTER_MM = 0.9, 0.5  # reach of a profile, beyond its blur
# A sharp step is seen from afar only when it is softened: coarse first, then as it is.
SOFTENED_MM = (0.3, 0.15, 0.08, 0.0, 0.0, 0.0, 0.0)
BESIDE_WALL_SOFTENED = 0.3  # so much of it, lest the wall's far end is taken for the side
TUNING_ROUNDS = (3, 5)  # when blur and arris are fitted
CUTTING_ROUND, UPPER_SHARE = 3, 0.6  # the upper part alone first, then as far as it is straight
SHORTEST_UPPER_MM = 13.0  # so that enough blocks are left if some do not agree
ROUNDED_MM, CLEAR_OF_ROUNDING_MM = 0.06, 1.0
COLOUR_NOISE_SHARE = 0.05  # of all the noise's variance, in either direction of pure colour
LIGHT_FLOOR = 0.0015  # linear light; no channel is quieter
WALL_BRIGHTNESS_SD = 0.1  # how far a wall's brightness wanders, as a share of the face's
NARROWEST_WALL_OF_BLUR = 1.3  # of the blurs of its two ends together
# Beside a wall the unknown light over the arris and the wall's own texture bend the line
# further than the blocks' scatter shows. Seen in errors against known truth.
WALL_WIDENING = 7.0
WALL_SHARE_SD = 0.25  # of the radius, where the wall shows: the round is a step in itself
ARRIS_MODEL_SHARE = 0.2  # of the radius: what the model of the light leaves out


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
    picture: Colours,
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
        The colours of the upright picture.
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
    current = line
    steps = StepBlocks(blur_mm)
    found: _FoundLine | None = None
    stretch = along_mm
    if cut_rounding:
        upper = max(UPPER_SHARE * (along_mm[1] - along_mm[0]), SHORTEST_UPPER_MM)
        stretch = (max(along_mm[0], along_mm[1] - upper), along_mm[1])
    softened_share = 1.0 if wall_end is None else BESIDE_WALL_SOFTENED
    for round_, softened in enumerate(SOFTENED_MM):
        steps.softened_mm = softened * softened_share
        soft = 2.0 * steps.softened_mm
        reach = (-INNER_MM - 2.5 * blur_mm - soft, OUTER_MM + 3.0 * blur_mm + soft)
        if cut_rounding and round_ == CUTTING_ROUND:
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
        wall_mm = None if wall_end is None else wall_end.at(along) - current.at(along)
        channels, whitening = _whitened(light, outward, wall_end is not None)
        told = np.ones(len(along), dtype=bool)
        if wall_end is not None:
            # Where the wall is hardly wider than its blur, its two ends are one step.
            narrowest = NARROWEST_WALL_OF_BLUR * (1 + steps.wall_end_ratio) * blur_mm
            told = wall_end.at(along) - line.at(along) > narrowest
            if np.count_nonzero(told) < FEWEST_POINTS:
                return None
        place = 0.0
        if round_ in TUNING_ROUNDS:
            steps.tune_blur(channels, outward, wall_mm, whitening)
            if wall_end is None:
                place = steps.tune_arris(channels, outward)
        shifts, sd = steps.shifts(channels, outward, wall_mm, place)
        found = _weighted_line(along[told] - current.middle_mm, shifts[told] + place, sd[told])
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
    covariance, arris_sd = found.covariance, WALL_SHARE_SD * ARRIS_MM
    if wall_end is None:
        arris_sd = steps.arris_sd_mm
        turned = 0.0
        arrises = [arris for _, arris in steps.likely_arrises]
        shifts_if = steps.shifts_if(channels, outward, arrises)
        for (likely, _), shifts in zip(steps.likely_arrises, shifts_if, strict=True):
            moved = _weighted_line(along - current.middle_mm, shifts, sd)
            if moved is not None:
                turned += likely * (moved.slope - found.slope) ** 2
        covariance = covariance + np.diag([0.0, turned])
    n = max(2, len(outward) // 6)
    face, ground = light[:, :n].mean(axis=(0, 1)), light[:, -n:].mean(axis=(0, 1))
    return SideFit(
        line=current,
        covariance=covariance,
        arris_sd_mm=float(np.hypot(arris_sd, ARRIS_MODEL_SHARE * ARRIS_MM)),
        scatter_mm=found.scatter,
        kept_share=float(np.mean(found.kept)),
        rise=float(np.mean(ground - face)),
        along_mm=stretch,
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
    noise = _covariance(inner - inner.mean(axis=1, keepdims=True)) + np.eye(3) * LIGHT_FLOOR**2
    if wall:
        mean = inner.mean(axis=(0, 1))
        noise += _covariance(inner - mean) + WALL_BRIGHTNESS_SD**2 * np.outer(mean, mean)
    else:
        outer = light[:, outward > 0.65 * outward[-1]]
        noise += 0.5 * _covariance(outer - outer.mean(axis=1, keepdims=True))
    # Telephones smooth and sharpen colour on its own: it is never as sure as it is quiet.
    grey = np.full(3, 1 / np.sqrt(3))
    noise += COLOUR_NOISE_SHARE * np.trace(noise) * (np.eye(3) - np.outer(grey, grey))
    variance, directions = np.linalg.eigh(noise)
    matrix = (directions / np.sqrt(variance)).T
    return light @ matrix.T, matrix


def _covariance(away: Array) -> Array:
    """Covariance of three colours from their differences from the mean, (n, m, 3)."""
    colours = away.reshape(-1, 3)
    return np.asarray(colours.T @ colours / (len(colours) - 1))


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
    terms = terms_of_line(along, across)
    offset, slope, extra = 0.0, 0.0, 0.0
    typical = median_of_few(sd)
    left, variance = across, sd**2
    for _ in range(50):
        ratio = left / np.sqrt(variance)
        scale = max(1.4826 * median_of_few(np.abs(ratio)), 0.3)
        weights = biweight(ratio / scale)
        kept = weights > 0
        line = weighted_line(terms, weights / variance)
        if np.count_nonzero(kept) < FEWEST_POINTS or line is None:
            return None
        moved = max(abs(line[0] - offset), abs(line[1] - slope))
        offset, slope = line
        left = across - offset - slope * along
        scatter = 1.4826 * median_of_few(np.abs(left))
        extra = max(0.0, scatter**2 - typical**2)
        variance = sd**2 + extra
        if moved < 1e-6:
            break
    count = int(np.count_nonzero(kept))
    if count < max(FEWEST_POINTS, len(along) // 2):
        return None
    ratio = np.where(kept, left / np.sqrt(variance), 0.0)
    design = np.stack([np.ones_like(along), along])
    normal = (kept / variance * design) @ design.T
    chi2 = float(ratio @ ratio) / max(count - 2, 1)
    grain = extra / (extra + typical**2)
    widening = max(widening_of(ratio), 1 + (GRAIN_WIDENING - 1) * grain)
    covariance = np.asarray(np.linalg.inv(normal) * max(chi2, 0.5) * widening)
    return _FoundLine(offset, slope, covariance, scatter, kept)


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
