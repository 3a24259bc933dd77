"""Straight lines of a strip that may be a part's edge, the best first.

Every straight line of the strip within a few degrees is scored by how much the light changes
across it, in log light so that a dark part counts as much as a bright one, and by how evenly
it does so along its length. Grain, laminations and shadows are lines too, so the strongest
line is taken only after the view's expectation, the face's own colour
(:mod:`fitcheck.face_ends`) and the visible side wall have been thought of. What was almost as
good is kept as a rival.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

from fitcheck.face_ends import Candidate, weighed_by_colour
from fitcheck.picture import Colours
from fitcheck.strips import Line, StripFrame, Surface, block_means, resample

Array = NDArray[np.float64]

SEARCH_SLOPE = np.tan(np.radians(5.0))  # a card is laid along the part to about this
BLOCK_MM = 2.0  # rows averaged for the search
PARALLEL_SLOPE = 0.015
SAME_LINE_MM = 0.3
DARK_FLOOR = 0.03  # of the paper's light; keeps the logarithm of black finite
SEARCH_SCALE_MM = 0.16  # width of the search's derivative filter
EVEN_SHARE = 0.7  # of the blocks must show the same change of light
LEAST_CHANGE = 0.08  # change of log light below which nothing counts as an edge
RIVAL_SHARE = 0.3  # of the strongest; as strong as this is worth naming
# An inner line as strong as this may be the face's edge, and the outer one the wall's.
WALL_SHARE = 0.45
RIM_MM = 0.45  # a highlight along a rounded arris is narrower than this


def search(
    picture: Colours,
    surface: Surface,
    frame: StripFrame,
    along_mm: tuple[float, float],
    outward_mm: tuple[float, float],
    keep_out: list[Array],
    expected: Line | None = None,
    expected_sd_mm: float = np.inf,
    slope_reach: float = SEARCH_SLOPE,
    least_change: float = LEAST_CHANGE,
    white: float = 1.0,
    of_face: bool = False,
) -> list[Candidate]:
    """Find straight lines that may be the edge, the best first.

    Parameters
    ----------
    picture
        The colours of the upright picture.
    surface, frame
        Where the edge lies.
    along_mm, outward_mm
        The searched strip.
    keep_out
        Convex outlines in pixels, shape (n, 2) each, of what covers the part: the cards.
    expected, expected_sd_mm
        Where the edge should be, and how surely; candidates count less away from it.
    slope_reach
        Largest slope against the expected line, or against the frame without one.
    least_change
        Change of log light below which a line does not count.
    white
        Linear light of the card's paper: the exposure.
    of_face
        Weigh the lines by whether the face's colour ends there, the face being inward.

    Returns
    -------
    Candidates that are strong and even enough; empty if there are none.
    """
    strip = resample(picture, surface, frame, along_mm, outward_mm, BLOCK_MM / 8, keep_out)
    blocks, block_along = block_means(strip, 8)
    if len(block_along) < 6:
        return []
    step = strip.outward_mm[1] - strip.outward_mm[0]
    light = np.log(blocks + DARK_FLOOR * white)
    with_gaps = np.where(np.isnan(light), np.log(white + DARK_FLOOR * white), light)
    change = gaussian_filter1d(
        with_gaps, SEARCH_SCALE_MM / step, axis=1, order=1, mode="nearest"
    ) * (SEARCH_SCALE_MM / step * np.sqrt(2 * np.pi))
    # A sample whose filter reaches into a gap says nothing.
    gap = np.isnan(blocks).any(axis=2).astype(np.float64)
    blind = gaussian_filter1d(gap, SEARCH_SCALE_MM / step, axis=1, mode="nearest") > 0.001

    middle = float(np.mean(block_along))
    centre_slope = 0.0 if expected is None else expected.slope
    span = block_along[-1] - block_along[0]
    tilts = max(3, int(2 * slope_reach * span / (2 * step)) | 1)
    slopes = centre_slope + np.linspace(-slope_reach, slope_reach, tilts)
    shifts = slopes[:, None] * (block_along - middle) / step
    strengths = _line_strengths(change, blind, np.round(shifts).astype(int))
    weight = np.ones(strengths.shape[1])
    if expected is not None and np.isfinite(expected_sd_mm):
        away = (strip.outward_mm - expected.at(middle)) / expected_sd_mm
        weight = 1 / (1 + away**4)  # flat near the expectation, and never quite zero

    def peaks_of(chosen: NDArray[np.int_]) -> list[Candidate]:
        best = np.argmax(strengths[chosen], axis=0)
        strength = np.take_along_axis(strengths[chosen], best[None], axis=0)[0]
        merit = strength * weight
        inner = merit[1:-1]
        tops = (inner > merit[:-2]) & (inner > merit[2:]) & (inner >= least_change)
        return [
            Candidate(
                Line(
                    _peak_place(strip.outward_mm, strength, i),
                    float(slopes[chosen[best[i]]]),
                    middle,
                ),
                float(strength[i]),
                float(weight[i]),
            )
            for i in (1 + np.flatnonzero(tops)).tolist()
        ]

    found = sorted(peaks_of(np.arange(len(slopes))), key=lambda c: -c.merit)
    if found:
        # Slanting lines through a strong edge outdo a weak one beside it, so what runs
        # parallel to the strongest is looked at once more by itself.
        parallel = np.flatnonzero(np.abs(slopes - found[0].line.slope) < PARALLEL_SLOPE)
        for other in peaks_of(parallel):
            if all(abs(other.line.offset_mm - c.line.offset_mm) > SAME_LINE_MM for c in found):
                found.append(other)
    if of_face:
        found = weighed_by_colour(found, light, strip.outward_mm, block_along)
    return sorted(found, key=lambda c: -c.merit)


def choose(candidates: list[Candidate], beyond_mm: float) -> tuple[Candidate, list[Candidate]]:
    """Choose the face's edge among candidates, and name its rivals.

    The strongest line is the edge, unless the camera sees more of the bow beyond it: the
    part's own side wall, or the part underneath. Then the far end of that may be stronger,
    and the face ends at the strongest line inside it.

    Parameters
    ----------
    candidates
        From :func:`search`, not empty.
    beyond_mm
        How far beyond the face's edge more of the bow can show; zero if it cannot.

    Returns
    -------
    The edge and its rivals, strongest first.
    """
    strongest = candidates[0]
    inner = [
        c
        for c in candidates[1:]
        if c.change >= WALL_SHARE * strongest.change
        and abs(c.line.slope - strongest.line.slope) < 0.03
        and RIM_MM < strongest.line.offset_mm - c.line.offset_mm < beyond_mm
    ]
    chosen = max(inner, key=lambda c: c.change, default=strongest)
    rivals = [c for c in candidates if c is not chosen and c.merit >= RIVAL_SHARE * chosen.merit]
    return chosen, rivals


def _line_strengths(change: Array, blind: NDArray[np.bool_], shifts: NDArray[np.int_]) -> Array:
    """Even change of log light along tilted lines, for every place across.

    Parameters
    ----------
    change, blind
        Of each block of rows and place across, shape (blocks, samples, 3) and (blocks, samples).
    shifts
        How many samples further out each line lies in each block, shape (lines, blocks).

    Returns
    -------
    Shape (lines, samples); zero where a line is uneven or hardly seen.
    """
    blocks, samples, _ = change.shape
    # Blind samples and those beyond the strip count nothing. A fourth "colour" says what is seen.
    reach = int(np.max(np.abs(shifts)))
    padded = np.zeros((4, blocks, samples + 2 * reach), dtype=np.float32)
    inside = padded[:, :, reach : reach + samples]
    inside[:3] = np.moveaxis(np.where(blind[..., None], 0.0, change), -1, 0)
    inside[3] = ~blind
    shifted = np.lib.stride_tricks.sliding_window_view(padded, samples, axis=2)
    strengths = np.empty((len(shifts), samples))
    for strength, shift in zip(strengths, shifts, strict=True):
        here = shifted[:, np.arange(blocks), reach + shift]
        colours, seen = here[:3], here[3]
        count = seen.sum(axis=0)
        mean = colours.sum(axis=1) / np.maximum(count, 1)
        size2 = np.sum(mean**2, axis=0)
        along_mean = np.einsum("cbs,cs->bs", colours, mean)
        even = np.sum((along_mean > 0.5 * size2) * seen, axis=0) / np.maximum(count, 1)
        good = (count >= max(6, blocks // 3)) & (even >= EVEN_SHARE)
        strength[:] = np.where(good, np.sqrt(size2 / 3), 0.0)
    return strengths


def _peak_place(places: Array, heights: Array, i: int) -> float:
    """Top of the parabola through a peak and its two neighbours."""
    left, top, right = heights[i - 1], heights[i], heights[i + 1]
    bend = left - 2 * top + right
    shift = 0.5 * (left - right) / bend if bend < 0 else 0.0
    return float(places[i] + np.clip(shift, -1, 1) * (places[1] - places[0]))
