"""The seam's line between its two ends, told to a tenth of a millimetre.

Where the limb's butt and the riser's end lie is known (:mod:`fitcheck.views.joint_seam`). The
line from one to the other is the one that best is

- a valley of light: an opening is black, and even a closed seam has two rounded arrises with
  little light between them. A band as wide as a limb's glass is no valley;
- or, where limb and riser meet without a groove, a change of light;
- from corner to corner: at the butt the light changes along the bow above the seam and not
  below it, at the riser's end below it and not above.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

from fitcheck.strips import Line
from fitcheck.views.joint_panorama import UP_STEP_MM, Panorama

Array = NDArray[np.float64]

REACH_MM = 4.2  # how far the line may lie from where it was found
CLEAR_OF_ENDS_MM = 1.5
EVERY_ROW = 3
SMOOTH_ROWS = 2.0
VALLEY_HALVES = (1, 2, 4)  # half widths in samples across: up to 0.6 mm wide
VALLEY_SIDES = 4  # samples on either side that it is held against
DEEPEST = 0.8  # of log light; beyond it a valley is not clearer still
CHANGE_WEIGHT, STRONGEST_CHANGE = 0.55, 1.1
UNSEEN = 0.1  # what a place that the card covers counts
LEAST_SEEN = 0.4  # of the line
OTHER_LINE_MM = 0.5  # a line further away than this is another
CORNER_WEIGHT, STRONGEST_CORNER = 0.5, 0.4
# Around a corner: where the light changes along the bow, and where it does not.
CORNER_CHANGES_MM, CORNER_STAYS_MM = (0.15, 2.5), (0.1, 1.2)


@dataclass(frozen=True)
class SeamLine:
    """A seam's line in the strip frame, and what else may be it.

    Attributes
    ----------
    line
        The line.
    clear
        How clearly it is a seam: 0.5 is little and 1 much.
    rival, rival_share
        The best line elsewhere, and how clear it is as a share of this one.
    """

    line: Line
    clear: float
    rival: Line | None = None
    rival_share: float = 0.0


def seam_line(
    panorama: Panorama, line: Line, butt_mm: float, end_mm: float, reach_mm: float = REACH_MM
) -> SeamLine:
    """Find the seam's line again, now that its ends are known.

    Parameters
    ----------
    panorama
        What lies beside the card.
    line
        The line as it was found; it may be wrong by a few millimetres at either end.
    butt_mm, end_mm
        Where the limb's butt and the riser's end are, along.
    reach_mm
        How far the line may be from where it was found.

    Returns
    -------
    The line, clear by nothing where too little of it can be seen.
    """
    low, high = sorted((butt_mm, end_mm))
    along, up = panorama.along_mm, panorama.up_mm
    inside = (along > low + CLEAR_OF_ENDS_MM) & (along < high - CLEAR_OF_ENDS_MM)
    rows = np.flatnonzero(inside)[::EVERY_ROW]
    near_butt = np.flatnonzero(np.abs(up - line.at(butt_mm)) < reach_mm)
    near_end = np.flatnonzero(np.abs(up - line.at(end_mm)) < reach_mm)
    if len(rows) < 2 or not len(near_butt) or not len(near_end):
        return SeamLine(line, 0.0)
    usable = panorama.usable[rows]
    stepped = np.minimum(panorama.change[rows], STRONGEST_CHANGE)
    valleys = _valleys(panorama.light[rows].mean(axis=2, dtype=np.float64))
    clear = np.where(usable, np.maximum(valleys, CHANGE_WEIGHT * stepped), UNSEEN)
    at_butt = _corner(panorama, butt_mm, upward=True)
    at_end = _corner(panorama, end_mm, upward=False)
    share = (along[rows] - butt_mm) / (end_mm - butt_mm)
    merits = np.full((len(near_butt), len(near_end)), -np.inf)
    # Places on the line from one to the other, counted from the one near the butt: all rows lie
    # behind each other, and what differs from butt to butt is where the counting starts.
    apart = np.arange(near_end[0] - near_butt[-1], near_end[-1] - near_butt[0] + 1)
    onward = np.round(share[:, None] * apart).astype(int)
    onward += len(up) * np.arange(len(rows))[:, None]
    seen, bright = usable.ravel().view(np.uint8), clear.ravel()
    for row, i in enumerate(near_butt):
        first = near_butt[-1] - i
        places = i + onward[:, first : first + len(near_end)]
        shown = seen.take(places).sum(axis=0, dtype=int)
        enough = shown > LEAST_SEEN * len(rows)
        merits[row] = np.where(enough, bright.take(places).mean(axis=0), -np.inf)
    merits += CORNER_WEIGHT * (at_butt[near_butt][:, None] + at_end[near_end])
    best = float(merits.max())
    if not np.isfinite(best):
        return SeamLine(line, 0.0)

    def line_of(places: Array) -> Line:
        at = np.unravel_index(int(np.argmax(places)), places.shape)
        ups = up[[near_butt[at[0]], near_end[at[1]]]]
        slope = (ups[1] - ups[0]) / (end_mm - butt_mm)
        return Line(float(ups.mean()), float(slope), (butt_mm + end_mm) / 2)

    found = line_of(merits)
    middles = (up[near_butt][:, None] + up[near_end]) / 2
    elsewhere = np.where(np.abs(middles - found.offset_mm) > OTHER_LINE_MM, merits, -np.inf)
    rival_share = float(elsewhere.max()) / best if best > 0 else 1.0
    if not rival_share > 0:
        return SeamLine(found, best)
    return SeamLine(found, best, line_of(elsewhere), rival_share)


def _sums(values: Array) -> Array:
    return np.concatenate([np.zeros((len(values), 1)), np.cumsum(values, axis=1)], axis=1)


def _means(sums: Array, first: int, last: int) -> Array:
    """Means from ``first`` to ``last`` samples away from every place, from running sums."""
    n = sums.shape[1] - 1
    low = np.clip(np.arange(n) + first, 0, n)
    high = np.clip(np.arange(n) + last + 1, 0, n)
    return np.asarray((sums[:, high] - sums[:, low]) / np.maximum(high - low, 1))


def _valleys(grey: Array) -> Array:
    """How much darker every place is than what lies beside it, (rows, up)."""
    grey = gaussian_filter1d(grey, SMOOTH_ROWS, axis=0, mode="nearest")
    sums = _sums(grey)
    deepest = np.zeros(grey.shape)
    for half in VALLEY_HALVES:
        within = _means(sums, 1 - half, half - 1)
        below = _means(sums, -half - VALLEY_SIDES, -half - 1)
        above = _means(sums, half + 1, half + VALLEY_SIDES)
        depth = np.minimum(below, above) - within
        deepest = np.maximum(deepest, np.clip(depth, 0.0, DEEPEST))
    return np.asarray(deepest)


def _corner(panorama: Panorama, at_mm: float, upward: bool) -> Array:
    """How much more the light changes along the bow above every place than below it, (up,).

    ``upward`` for the butt; for the riser's end below counts against above.
    """
    light = panorama.light
    middle = int(np.argmin(np.abs(panorama.along_mm - at_mm)))
    first, last = max(middle - 8, 0), min(middle + 9, len(light))
    change = np.zeros(light.shape[1])
    for i in range(max(middle - 2, first + 6), min(middle + 3, last - 6)):
        before, after = light[i - 6 : i - 2].mean(axis=0), light[i + 3 : i + 7].mean(axis=0)
        step = np.sqrt(np.mean((after - before) ** 2, axis=1))
        # Between two parts of like colour it is no step but a dark line, their joint.
        here = light[i - 1 : i + 2].mean(axis=0)
        joint = np.mean((before + after) / 2 - here, axis=1)
        change = np.maximum(change, np.maximum(step, joint))
    seen = np.asarray(panorama.usable[first:last].all(axis=0), dtype=np.float64)
    change = np.minimum(change, STRONGEST_CORNER) * seen

    def band(low_mm: float, high_mm: float) -> Array:
        first, last = round(low_mm / UP_STEP_MM), round(high_mm / UP_STEP_MM) - 1
        total = _means(_sums(change[None]), first, last)[0]
        share = _means(_sums(seen[None]), first, last)[0]
        return np.asarray(total / np.maximum(share, 0.1))

    (near, far), (clear, reach) = CORNER_CHANGES_MM, CORNER_STAYS_MM
    if upward:
        return band(near, far) - band(-reach, -clear)
    return band(-reach, -clear) - band(near, far)
