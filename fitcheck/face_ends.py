"""Lines that may be an edge, weighed by whether the face's own colour ends there.

A part's face has one colour nearly up to its edge. So what lies just inside the true edge
looks like the face further in, and what lies just outside does not. A line of the cloth, of
the part's wall or of a shadow beyond the edge fails the first; grain and reflections on the
face fail the second. The light may fall off over a face, so tint tells more than brightness.
That a face has one colour is common practice with no source; a border of another wood or
paint along an edge is taken for what lies beyond it unless its line is much the clearer.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from fitcheck.strips import Line

Array = NDArray[np.float64]

FAINTEST_WEIGHED = 0.1  # of the best line's merit
# Distances outward of the line, mm: the face further in, what lies just inside the round of the
# arris, and what lies just outside.
FURTHER_IN_MM, JUST_INSIDE_MM, JUST_OUTSIDE_MM = (-np.inf, -1.8), (-1.4, -0.5), (0.4, 1.2)
FEWEST_FURTHER_IN, FEWEST_BESIDE = 10, 4  # samples across
SEEN_SHARE = 1 / 3  # of the blocks that must show a place across
# How far a face's colour wanders toward its edge and how far two sides of a line that is no
# edge differ, standard deviations of log light: tint, and brightness. Seen in rendered faces.
FACE_SD = (0.08, 0.25)
FALL_OFF_PER_MM = 0.08  # of brightness, besides
SAME_SD = (0.04, 0.1)
# What a line keeps of its weight at the least: faces may be stained, edges may be faint.
LEAST_OF_FACE, LEAST_OF_CHANGE = 0.1, 0.2
UNSEEN = 0.5  # what it keeps where too little of the face can be seen to say


@dataclass(frozen=True)
class Candidate:
    """A line that may be the edge.

    Attributes
    ----------
    line
        Where it runs, in the strip frame.
    change
        Change of log light across it.
    weight
        How well it agrees with where the edge was expected, and with the face's colour, 0 to 1.
    """

    line: Line
    change: float
    weight: float = 1.0

    @property
    def merit(self) -> float:
        """What candidates are ranked by."""
        return self.change * self.weight


def weighed_by_colour(
    candidates: list[Candidate], log_light: Array, outward_mm: Array, along_mm: Array
) -> list[Candidate]:
    """Weigh lines by whether the face's colour ends at them.

    Parameters
    ----------
    candidates
        Lines in the strip frame.
    log_light
        Logarithm of linear light of blocks of rows, shape (blocks, samples, 3), NaN where
        nothing can be seen.
    outward_mm, along_mm
        Places of samples and blocks, mm, shapes (samples,) and (blocks,).

    Returns
    -------
    The lines in the same order; those with a small part of the best one's merit keep their
    weights.
    """
    lowest = FAINTEST_WEIGHED * max((c.merit for c in candidates), default=0.0)
    weighed = []
    for c in candidates:
        if c.merit >= lowest:
            beside = _Beside(c.line, log_light, outward_mm, along_mm)
            c = replace(c, weight=c.weight * _is_end_of_face(beside))
        weighed.append(c)
    return weighed


class _Beside:
    """Mean log light of a strip as a function of the distance outward of a line."""

    def __init__(self, line: Line, log_light: Array, outward_mm: Array, along_mm: Array) -> None:
        blocks, samples, _ = log_light.shape
        step = outward_mm[1] - outward_mm[0]
        shift = np.round(line.slope * (along_mm - line.middle_mm) / step).astype(int)
        columns = np.arange(samples) + shift[:, None]
        light = log_light[np.arange(blocks)[:, None], np.clip(columns, 0, samples - 1)]
        seen = (columns >= 0) & (columns < samples) & ~np.isnan(light).any(axis=2)
        count = seen.sum(axis=0)
        total = np.sum(np.where(seen[..., None], light, 0.0), axis=0)
        enough = count >= SEEN_SHARE * blocks
        self.away_mm = (outward_mm - line.offset_mm)[enough]
        self.light = total[enough] / count[enough][:, None]

    def between(self, reach_mm: tuple[float, float], fewest: int) -> tuple[Array, float] | None:
        """Median log light, shape (3,), and middle of a stretch; None if too little is seen."""
        here = (self.away_mm > reach_mm[0]) & (self.away_mm < reach_mm[1])
        if np.count_nonzero(here) < fewest:
            return None
        return np.median(self.light[here], axis=0), float(np.median(self.away_mm[here]))


def _is_end_of_face(beside: _Beside) -> float:
    """How well a line agrees with being where the face's colour ends, up to 1."""
    further_in = beside.between(FURTHER_IN_MM, FEWEST_FURTHER_IN)
    inside = beside.between(JUST_INSIDE_MM, FEWEST_BESIDE)
    outside = beside.between(JUST_OUTSIDE_MM, FEWEST_BESIDE)
    if inside is None or further_in is None:
        return UNSEEN
    brightness = np.hypot(FACE_SD[1], FALL_OFF_PER_MM * (inside[1] - further_in[1]))
    alike = _alike(inside[0] - further_in[0], FACE_SD[0], float(brightness))
    weight = LEAST_OF_FACE + (1 - LEAST_OF_FACE) * alike
    if outside is not None:
        weight *= 1 - (1 - LEAST_OF_CHANGE) * _alike(outside[0] - inside[0], *SAME_SD)
    return weight


def _alike(apart: Array, tint_sd: float, brightness_sd: float) -> float:
    """How well two colours agree, 0 to 1, from their difference in log light, shape (3,)."""
    brightness = float(np.mean(apart))
    tint = float(np.linalg.norm(apart - brightness))
    return float(np.exp(-0.5 * ((tint / tint_sd) ** 2 + (brightness / brightness_sd) ** 2)))
