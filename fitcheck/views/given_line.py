"""Lines that are taken as the user laid them, where an eye tells an edge better than the search.

Nothing of the photograph goes into such a line: how sure it is, is how well a hand lays its two
ends on an edge. That is told in every result that rests on it, and in a warning.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fitcheck.edges import MeasuredEdge
from fitcheck.errors import Refused
from fitcheck.lines import orthogonal_line
from fitcheck.measurement import Note
from fitcheck.strips import Line, StripFrame, Surface, px_per_mm_at

Array = NDArray[np.float64]

# How well a person lays a line's end on an edge under the magnifier: where a rounded arris ends
# is a matter of opinion by so much, and a finger rests no surer than a pixel. Standard
# deviations; common experience, no source.
GIVEN_SD_MM, GIVEN_SD_PX = 0.2, 1.0
SHORTEST_MM = 8.0  # a shorter one tells no direction


@dataclass(frozen=True, eq=False)
class GivenLine:
    """A line as somebody laid it.

    Attributes
    ----------
    words
        What the edge is called in a sentence, without an article.
    line
        In the strip frame.
    along_mm
        From one of its ends to the other, in the strip frame.
    sd_mm
        Standard uncertainty of either end, across the line.
    """

    words: str
    line: Line
    along_mm: tuple[float, float]
    sd_mm: float

    @property
    def covariance(self) -> Array:
        """Of the line's offset (mm) at its middle and its slope, shape (2, 2)."""
        length = self.along_mm[1] - self.along_mm[0]
        return np.diag([self.sd_mm**2 / 2, 2 * (self.sd_mm / length) ** 2])

    def covariance_at(self, along_mm: Array) -> Array:
        """Covariance of the line's outward position at some places, mm², shape (n, n)."""
        lever = np.stack([np.ones(len(along_mm)), along_mm - self.line.middle_mm], axis=1)
        return np.asarray(lever @ self.covariance @ lever.T)

    def note(self) -> Note:
        """Return the warning that belongs to every such line."""
        return Note(
            "edge_as_given",
            f"The {self.words} is the line as it was drawn by hand, not measured.",
            f"Each of its ends is taken as good to ± {2 * self.sd_mm:.1f} mm: check the result "
            "with a gauge, or have the edge near the line measured.",
        )

    def edge(self, surface: Surface, frame: StripFrame) -> MeasuredEdge:
        """Return the line as an edge of a surface, in its strip frame."""
        ends = np.array(self.along_mm)
        return MeasuredEdge(
            line=self.line,
            along_mm=self.along_mm,
            end_pixels=surface.to_pixels(frame.to_surface(ends, self.line.at(ends))),
            end_covariance_mm2=self.sd_mm**2 * np.eye(2),
            offset_sd_mm=0.0,
            scatter_mm=0.0,
            kept_share=1.0,
            rise=0.0,
            radius_mm=0.0,
            misfit=0.0,
        )


def given_line(points_px: Array, surface: Surface, frame: StripFrame, words: str) -> GivenLine:
    """Return the line through points that the user laid on an edge.

    Parameters
    ----------
    points_px
        Pixels of the upright picture, shape (n, 2).
    surface, frame
        The surface that the edge lies on, and the strip frame along the edge; it lies outward
        of the frame's origin, where the card is.
    words
        What the edge is called in a sentence, without an article.

    Raises
    ------
    Refused
        ``line_unfit`` if the points lie close together or across the edge, ``line_elsewhere``
        if they lie where this edge cannot be.
    """
    points = frame.from_surface(surface.from_pixels(points_px))
    along = (float(np.min(points[:, 0])), float(np.max(points[:, 0])))
    spot, direction = orthogonal_line(points)
    if along[1] - along[0] < SHORTEST_MM or abs(direction[0]) < abs(direction[1]):
        raise Refused(
            "line_unfit",
            f"The line drawn by hand for the {words} is too short or runs across the edge, and "
            "cannot be taken as it lies.",
            f"Drag its ends along the edge, at least {SHORTEST_MM:.0f} mm apart, or have the edge "
            "near it measured.",
        )
    slope = float(direction[1] / direction[0])
    middle = (along[0] + along[1]) / 2
    line = Line(float(spot[1] + slope * (middle - spot[0])), slope, middle)
    if line.offset_mm <= 0:
        raise Refused(
            "line_elsewhere",
            f"The line drawn by hand for the {words} lies on the other side of the card.",
            "Lay it on the edge that it is named for: left and right are as one faces the limb's "
            "outer face with its tip up.",
        )
    sd = float(np.hypot(GIVEN_SD_MM, GIVEN_SD_PX / px_per_mm_at(surface, frame, line)))
    return GivenLine(words, line, along, sd)
