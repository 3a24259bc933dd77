"""The riser's side walls, where the camera sees one beyond a side of the end face.

A wall begins at the side and ends in a line that runs away from it going up, often the
stronger of the two. Both meet in the lower corner of the face.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from fitcheck.edge_search import search
from fitcheck.face_ends import Candidate
from fitcheck.side_fit import fit_side
from fitcheck.strips import Line
from fitcheck.views.pad_face import EndFace
from fitcheck.views.pad_front import CARD
from fitcheck.views.pad_lines import LEAST_CHANGE, OUTWARD_MM

Array = NDArray[np.float64]

CLEAR_OF_END_MM = 1.2
WALL_DEPTH_MM = 100.0
WALL_SEEN_MM = 0.3
WALL_END_SLOPE = (np.tan(np.radians(-1.0)), np.tan(np.radians(14.0)))
OUTLINE_MM = 8.5  # of the riser's outline above the corner
CORNER_SD_MM, UNSEEN_CORNER_SD_MM = 0.07, 0.2
CORNER_REACH_MM = 0.8
MOST_OFF_CORNER_MM = 3.0  # a wall whose lower end curves still leaves near the corner
CORNER_SLOPE = np.tan(np.radians(1.2))  # a wall end that leans out less is a silhouette


def wall_end_beyond(
    face: EndFace, name: str, line: Line, along: tuple[float, float]
) -> Line | None:
    """Far end of a visible side wall: a line beyond the side that diverges going up."""
    top = float(line.at(along[1]))
    reach = face.wall_shows_mm(name, top, WALL_DEPTH_MM, sure=False)
    if reach < WALL_SEEN_MM:
        return None
    middle = sum(along) / 2
    foot = float(line.at(along[0]))
    usual = Line(
        foot + float(np.mean(WALL_END_SLOPE)) * (middle - along[0]),
        float(np.mean(WALL_END_SLOPE)),
        middle,
    )
    found = search(
        face.scene.picture,
        face.surface,
        face.frame(name),
        along,
        (foot - 1.0, top + reach + 1.0),
        [],
        expected=usual,
        slope_reach=float(np.ptp(WALL_END_SLOPE)) / 2,
        least_change=LEAST_CHANGE,
        white=face.scene.white,
    )
    ends = [
        c
        for c in found
        if float(c.line.at(along[1])) > top + WALL_SEEN_MM
        and float(c.line.at(along[0])) > foot - CORNER_REACH_MM
        and c.line.slope > line.slope - np.tan(np.radians(1.0))
    ]
    return max(ends, key=lambda c: c.change).line if ends else None


def wall_ends_beside(face: EndFace, name: str, along: tuple[float, float]) -> list[Candidate]:
    """Lines that lean outward going up by 2° to 14°."""
    least, most = np.tan(np.radians([2.0, 14.0]))
    middle = (along[0] + along[1]) / 2
    found = search(
        face.scene.picture,
        face.surface,
        face.frame(name),
        along,
        OUTWARD_MM,
        [],
        expected=Line(sum(OUTWARD_MM) / 2, float(least + most) / 2, middle),
        slope_reach=float(most - least) / 2,
        least_change=2 * LEAST_CHANGE,
        white=face.scene.white,
    )
    return [c for c in found if c.line.slope >= least]


def wall_corner(
    face: EndFace, name: str, line: Line, along: tuple[float, float], wall_end: Line | None
) -> tuple[float, float, float] | None:
    """Where a side and its wall's far end meet below: along, outward, standard deviation.

    Just above the corner the wall is narrower than its blur, and the riser's outline is
    one step: its line leads to the corner. None if side and wall end do not meet.
    """
    at = along[0] - CLEAR_OF_END_MM
    if wall_end is None or wall_end.slope - line.slope < CORNER_SLOPE:
        return None
    if abs(float(wall_end.at(at) - line.at(at))) > CORNER_REACH_MM:
        return None
    outline = fit_side(
        face.scene.picture,
        face.surface,
        face.frame(name),
        (along[0], along[0] + OUTLINE_MM),
        about(wall_end, (along[0], along[0] + OUTLINE_MM)),
        face.scene.blur_px[CARD],
        [],
    )
    if outline is None or abs(outline.line.at(at) - wall_end.at(at)) > CORNER_REACH_MM:
        return at, float(wall_end.at(at)), UNSEEN_CORNER_SD_MM
    lever = np.array([1.0, at - outline.line.middle_mm])
    sd = np.hypot(np.sqrt(lever @ outline.covariance @ lever), CORNER_SD_MM)
    return at, float(outline.line.at(at)), float(sd)


def meets_corner(side: Candidate, wall_end: Line | None, lowest: float) -> bool:
    """Whether a side meets a far end of the wall that leaves it from the lower corner."""
    if wall_end is None or wall_end.slope - side.line.slope < CORNER_SLOPE:
        return True  # parallel: the wall ends in a silhouette of its own
    return float(wall_end.at(lowest) - side.line.at(lowest)) < MOST_OFF_CORNER_MM


def about(line: Line, along: tuple[float, float]) -> Line:
    """The same line, its offset given at the middle of a stretch."""
    middle = (along[0] + along[1]) / 2
    return Line(float(line.at(middle)), line.slope, middle)
