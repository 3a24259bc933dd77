"""Lines that may be the two sides of a riser's end face, and which two belong together.

The two sides of a riser are parallel and end the same wood; growth rings, the edge of a bench
and the far end of a visible side wall hardly ever do, so sides are judged as a pair.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from fitcheck.edge_search import SEARCH_SLOPE, search
from fitcheck.face_ends import Candidate
from fitcheck.strips import Line, StripFrame
from fitcheck.views.pad_face import EndFace
from fitcheck.views.pad_wood import same_wood, shade_inside, unlikeness

Array = NDArray[np.float64]

SIDES = ("riser_left", "riser_right")
CLEAR_OF_CARD_MM = 2.5  # white paper shines into the first millimetres
SEARCHED_MM = (20.0, 13.0)  # height of face that is searched; of a shallow one
OUTWARD_MM = (11.0, 45.0)
LEAST_CHANGE = 0.05
PARALLEL_SD_DEG = 0.7  # of two candidates, whose slopes come in steps
LARGEST_TAPER_DEG = 1.8
PARALLEL_SLOPE = np.tan(np.radians(0.8))  # within which a line parallel to the other is sought
MOST_CANDIDATES = 10
USUAL_WIDTH_MM = (28.0, 56.0)
USUAL_SQUARENESS_DEG = 3.5
USUAL_OFF_CENTRE_MM = 8.0
SAME_SIDE_MM, NEW_LINE_MM = 0.45, 0.15


@dataclass(frozen=True)
class Pair:
    """Two lines that may be the sides, left and right, and how likely they are."""

    sides: tuple[Candidate, Candidate]
    score: float


@dataclass(eq=False)
class LineSearch:
    """Searches lines that may be the sides, and tells how likely two of them are."""

    face: EndFace
    _found: dict[tuple[str, float, bool], list[Candidate]] = field(
        init=False, default_factory=dict
    )
    _shades: dict[tuple[str, Line], Array | None] = field(init=False, default_factory=dict)

    def candidates(
        self,
        name: str,
        height_mm: float,
        upside_down: bool = False,
        parallel_to: Candidate | None = None,
    ) -> list[Candidate]:
        """Lines that may be the side; what parts two regions counts for more than a streak.

        Something that stands behind the riser draws the strongest line askew. So what runs
        parallel to a line of the opposite side is looked at once more by itself.
        """
        frame = self.face.frame(name, upside_down)
        along = (-CLEAR_OF_CARD_MM - height_mm, -CLEAR_OF_CARD_MM)

        def lines(expected: Line | None, slope_reach: float) -> list[Candidate]:
            return search(
                self.face.scene.picture,
                self.face.surface,
                frame,
                along,
                OUTWARD_MM,
                [],
                expected,
                slope_reach=slope_reach,
                least_change=LEAST_CHANGE,
                white=self.face.scene.white,
                of_face=True,
            )

        strip = name, height_mm, upside_down
        if strip not in self._found:
            self._found[strip] = lines(None, SEARCH_SLOPE)
        found = self._found[strip]
        if parallel_to is not None:
            usual = Line(sum(OUTWARD_MM) / 2, -parallel_to.line.slope, sum(along) / 2)
            found = found + [c for c in lines(usual, PARALLEL_SLOPE) if _differs(c, found)]
        strongest = sorted(found, key=_change, reverse=True)[:MOST_CANDIDATES]
        weighed = []
        for c in strongest:
            weight = c.weight * self._parts_regions(frame, c, height_mm)
            # Nothing of the riser lies outside its sides: there are only streaks of ground.
            inside = [o.change for o in strongest if o.line.offset_mm < c.line.offset_mm]
            weight *= min(1.0, c.change / max(inside, default=c.change)) ** 2
            weighed.append(replace(c, weight=weight))
        return weighed

    def _parts_regions(self, frame: StripFrame, line: Candidate, height_mm: float) -> float:
        """How much of a line's change of light holds a little way to its sides, 0.3 to 1."""
        along = (-CLEAR_OF_CARD_MM - height_mm, -CLEAR_OF_CARD_MM)
        logs, _, outward = self.face.log_blocks(frame, line.line, along, (-2.4, 1.6))
        if len(logs) == 0:
            return 1.0
        inside = logs[:, outward < -0.5].mean(axis=(0, 1))
        outside = logs[:, outward > 0.4].mean(axis=(0, 1))
        held = float(np.linalg.norm(outside - inside)) / np.sqrt(3)
        return float(0.3 + 0.7 * min(1.0, held / max(line.change, 1e-6)))

    def pairs(self, found: dict[str, list[Candidate]]) -> list[Pair]:
        """All pairs, the best first."""
        pairs = [
            Pair((left, right), self.score(left, right))
            for left in found["riser_left"]
            for right in found["riser_right"]
        ]
        return sorted(pairs, key=lambda pair: -pair.score)

    def score(self, left: Candidate, right: Candidate) -> float:
        """How likely two lines are the riser's sides.

        They are clear, parallel, as far apart as risers are wide, and end the same wood.
        """
        lean_left, lean_right = np.degrees(np.arctan([left.line.slope, -right.line.slope]))
        width = left.line.offset_mm + right.line.offset_mm
        off_centre = (left.line.offset_mm - right.line.offset_mm) / 2
        taper = lean_left - lean_right
        if abs(taper) > LARGEST_TAPER_DEG:
            return 0.0
        low, high = USUAL_WIDTH_MM
        beyond = max(low - width, width - high, 0.0)
        return float(
            np.sqrt(left.merit * right.merit)
            * np.exp(-0.5 * (taper / PARALLEL_SD_DEG) ** 2)
            * np.exp(-0.5 * (beyond / 4.0) ** 2)
            * same_wood(self.unlikeness(left, right))
            / (1 + ((lean_left + lean_right) / 2 / USUAL_SQUARENESS_DEG) ** 4)
            / (1 + (off_centre / USUAL_OFF_CENTRE_MM) ** 4)
        )

    def unlikeness(self, left: Candidate, right: Candidate) -> float:
        """How far the shades just inside two lines differ."""
        shades = []
        for name, side in zip(SIDES, (left, right), strict=True):
            if (name, side.line) not in self._shades:
                self._shades[name, side.line] = shade_inside(
                    self.face.scene.picture,
                    self.face.surface,
                    self.face.frame(name),
                    side.line,
                    (-CLEAR_OF_CARD_MM - SEARCHED_MM[1], -CLEAR_OF_CARD_MM),
                    self.face.scene.white,
                )
            shades.append(self._shades[name, side.line])
        one, other = shades
        return 0.0 if one is None or other is None else float(unlikeness(one, other))

    def upright(self, name: str) -> list[Candidate]:
        """Candidates that may be a side by themselves: nearly upright, and clear."""
        steepest = np.tan(np.radians(USUAL_SQUARENESS_DEG))
        return [
            c
            for c in self.candidates(name, SEARCHED_MM[0])
            if abs(c.line.slope) < steepest and c.merit > 2 * LEAST_CHANGE
        ]


def _change(candidate: Candidate) -> float:
    return candidate.change


def _differs(candidate: Candidate, found: list[Candidate]) -> bool:
    """Whether a line is none of those found, in its place or its direction."""
    return all(
        abs(candidate.line.offset_mm - c.line.offset_mm) > NEW_LINE_MM
        or abs(candidate.line.slope - c.line.slope) > PARALLEL_SLOPE
        for c in found
    )
