"""The riser's two sides on its end face, measured below the card that stands on its pad.

What makes it hard is the camera seeing the riser's own side wall: it begins at the side and
ends in a line that runs away from it, from the lower corner of the face up, often the stronger
of the two. Where the wall cannot be told from the face, the side is placed by that corner and
by the shade of the wood, and a warning says so. Lines and frames: see
:mod:`fitcheck.views.pad_lines`.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from fitcheck.edges import Candidate, Line, StripFrame, Surface, search
from fitcheck.errors import Refused
from fitcheck.measurement import Note
from fitcheck.side_fit import SideFit, fit_faint_side, fit_side
from fitcheck.views.pad_lines import (
    CLEAR_OF_CARD_MM,
    LEAST_CHANGE,
    LEAST_SCORE,
    OUTWARD_MM,
    SEARCHED_MM,
    SIDES,
    USUAL_SQUARENESS_DEG,
    USUAL_WIDTH_MM,
    WALL_DEPTH_MM,
    EndLines,
    Hint,
    SeenLine,
    likeliest_score,
    side_word,
)
from fitcheck.views.view import Scene

Array = NDArray[np.float64]

LOWEST_MM = 62.0  # no riser's end is deeper
CLEAR_OF_END_MM = 1.2
SHORTEST_MM = 9.0
PRESENT_SHARE, PRESENT_LEAST = 0.35, 0.08
BASE_OFF_MM = 3.0  # the sides must begin this near the card's base

SHALLOWEST_WALL_MM = 15.0
WALL_SEEN_MM = 0.3
WALL_END_MM = 0.7  # nearer than this at the card, a line is the arris itself
WALL_END_SLOPE = (np.tan(np.radians(-1.0)), np.tan(np.radians(14.0)))
WALL_BEYOND_MM = 3.0  # a wall wider than this does not disturb the side
CORNER_REACH_MM = 0.8
MOST_OFF_CORNER_MM = 3.0  # a wall whose lower end curves still leaves near the corner
CORNER_SLOPE = np.tan(np.radians(1.2))  # a wall end that leans out less is a silhouette
OUTLINE_MM = 8.5  # of the riser's outline above the corner
CORNER_SD_MM, UNSEEN_CORNER_SD_MM = 0.07, 0.2
FAINT_SLOPE_SD = np.tan(np.radians(0.2))  # a side less sure than this is tried by its shade


@dataclass(frozen=True, eq=False)
class EndSide:
    """One side of the end face.

    Attributes
    ----------
    frame
        Strip frame.
    fit
        Its line.
    along_mm
        The measured stretch, in the strip frame.
    beside_wall
        Whether the riser's side wall shows beyond it.
    faint
        Whether it was placed by corner and shade.
    """

    frame: StripFrame
    fit: SideFit
    along_mm: tuple[float, float]
    beside_wall: bool = False
    faint: bool = False


@dataclass(eq=False)
class SideFinder:
    """Finds and measures the two sides, and keeps what it doubts in ``warnings``."""

    scene: Scene
    warnings: list[Note]
    lines: EndLines = field(init=False)

    def __post_init__(self) -> None:
        self.lines = EndLines(self.scene, self.warnings)

    @property
    def surface(self) -> Surface:
        """The plane on which the sides are measured, at the usual setback."""
        return self.lines.surface

    def find(self) -> dict[str, EndSide]:
        """Find both sides.

        Returns
        -------
        Side by name.

        Raises
        ------
        Refused
            ``edge_not_found``, ``card_upside_down``, ``base_off_pad`` or ``end_too_short``.
        """
        hints = {n: self.lines.hint(n) for n in SIDES if n in self.scene.hints}
        chosen = self.lines.pair(hints, SEARCHED_MM[0])
        if chosen is None:
            faint = self._with_a_faint_side(hints)
            if faint is not None:
                return faint
            chosen = self.lines.pair(hints, SEARCHED_MM[1])
        if chosen is None:
            self._refuse_upside_down()
            missing = [n for n in SIDES if not self._upright(n)] or list(SIDES)
            raise _not_found(missing[0])
        return self._measured_pair(chosen, hints)

    def _measured_pair(
        self, chosen: dict[str, SeenLine], hints: dict[str, Hint]
    ) -> dict[str, EndSide]:
        whole = (self._lowest(chosen) if len(hints) < len(SIDES) else 0.0, -CLEAR_OF_CARD_MM)
        stretches = {n: hints[n].along_mm if n in hints else whole for n in SIDES}
        wall_ends = {n: self._wall_end(n, chosen[n].line, stretches[n]) for n in SIDES}
        sides: dict[str, EndSide] = {}
        # A side without a wall tells where the straight part ends below.
        for name in sorted(SIDES, key=lambda n: wall_ends[n] is not None):
            along, wall_end = stretches[name], wall_ends[name]
            if name not in hints:
                other = sides.get(_other(name))
                if wall_end is not None and other is not None:
                    along = other.along_mm
                if not _meets_corner(chosen[name].line, wall_end, along[0]):
                    faint = self._with_a_faint_side(hints, name)
                    if faint is not None:
                        return faint
                if wall_end is None:
                    self._warn_of_a_hidden_wall(name, chosen[name].line)
            sides[name] = self._measured(
                name, chosen[name].line, along, wall_end, cut_rounding=name not in hints
            )
        return sides

    def _warn_of_a_hidden_wall(self, name: str, line: Line) -> None:
        """Warn where the camera must see the side wall and no line tells it from the face."""
        sure = self.lines.wall_shows_mm(name, line.offset_mm, SHALLOWEST_WALL_MM, sure=True)
        if sure > WALL_SEEN_MM:
            self.lines.warn(
                "wall_may_show",
                f"The camera looks at the riser's {side_word(name)} side wall, and it cannot be "
                "told from the end face: the side may lie further in.",
                "Retake from straight in front of the riser's end, or mark the edge by hand.",
            )

    def _lowest(self, chosen: dict[str, SeenLine]) -> float:
        """Where the end face ends below, in the strip's along, clear of its arris.

        Raises
        ------
        Refused
            ``base_off_pad`` or ``end_too_short``.
        """
        ends = {name: self._ends(name, seen.line) for name, seen in chosen.items()}
        # The clearer side tells; a wall or a streak of bench can hide the other's end.
        clearer = max(SIDES, key=lambda name: ends[name][2])
        low, high, _ = ends[clearer]
        if high < -CLEAR_OF_CARD_MM - BASE_OFF_MM:
            raise Refused(
                "base_off_pad",
                f"The riser's sides begin only {-high:.0f} mm below the card's base: the card "
                "does not stand on the pad's end.",
                "Stand card C on its fold across the pad, about 3 mm from the pad's end, "
                "and retake.",
            )
        lowest = low + CLEAR_OF_END_MM
        if -CLEAR_OF_CARD_MM - lowest < SHORTEST_MM:
            raise Refused(
                "end_too_short",
                f"Only {-low:.0f} mm of the riser's end face can be seen below the card.",
                "Keep the riser's end clear of the bench and of what lies before it, and retake.",
            )
        return lowest

    def _ends(self, name: str, line: Line) -> tuple[float, float, float]:
        """Lower and upper end of a side as far as light changes across it, and how much."""
        logs, along, outward = self.lines.log_blocks(
            self.lines.frame(name), line, (-LOWEST_MM, 0.0), (-2.4, 2.0)
        )
        inside = logs[:, outward < -0.5].mean(axis=1)
        change = np.linalg.norm(logs[:, outward > 0.5].mean(axis=1) - inside, axis=1)
        trusted = (along > -CLEAR_OF_CARD_MM - SEARCHED_MM[1]) & (along < -CLEAR_OF_CARD_MM)
        if not np.any(trusted):
            return 0.0, 0.0, 0.0
        usual = float(np.median(change[trusted]))
        present = change > max(PRESENT_SHARE * usual, PRESENT_LEAST)
        middle = int(np.argmin(np.abs(along + CLEAR_OF_CARD_MM + SEARCHED_MM[1] / 2)))
        low = _run_end(present, middle, -1)
        high = _run_end(present, middle, 1)
        return float(along[low]) - 0.5, float(along[high]) + 0.5, usual

    def _wall_end(self, name: str, line: Line, along: tuple[float, float]) -> Line | None:
        """Far end of a visible side wall: a line beyond the side that diverges going up."""
        foot, top = float(line.at(along[0])), float(line.at(along[1]))
        reach = self.lines.wall_shows_mm(name, top, WALL_DEPTH_MM, sure=False)
        if reach < WALL_END_MM:
            return None
        usual = float(np.mean(WALL_END_SLOPE))
        middle = (along[0] + along[1]) / 2
        found = search(
            self.scene.picture,
            self.surface,
            self.lines.frame(name),
            along,
            (foot - 1.0, top + reach + 1.0),
            [],
            expected=Line(foot + usual * (middle - along[0]), usual, middle),
            slope_reach=float(np.ptp(WALL_END_SLOPE)) / 2,
            least_change=LEAST_CHANGE,
            white=self.scene.white,
        )
        ends = [
            c
            for c in found
            if float(c.line.at(along[1])) > top + WALL_END_MM
            and float(c.line.at(along[0])) > foot - CORNER_REACH_MM
            and c.line.slope > line.slope - np.tan(np.radians(1.0))
        ]
        return max(ends, key=lambda c: c.change).line if ends else None

    def _measured(
        self,
        name: str,
        line: Line,
        along: tuple[float, float],
        wall_end: Line | None,
        cut_rounding: bool,
    ) -> EndSide:
        """Measure a side by its step, or by its shade where that tells more."""
        near = wall_end
        if wall_end is not None and wall_end.at(along[1]) - line.at(along[1]) > WALL_BEYOND_MM:
            near = None
        frame = self.lines.frame(name)
        fit = fit_side(
            self.scene.picture,
            self.surface,
            frame,
            along,
            _about(line, along),
            self.lines.blur_px,
            [],
            near,
            None if near is None else self._corner(name, line, along, near),
            cut_rounding=cut_rounding and wall_end is None,
        )
        if fit is not None and np.sqrt(fit.covariance[1, 1]) < FAINT_SLOPE_SD:
            return EndSide(frame, fit, fit.along_mm, wall_end is not None)
        faint = self._faint(name, line, along, wall_end)
        if faint is None or (fit is not None and fit.covariance[1, 1] < faint.covariance[1, 1]):
            if fit is None:
                raise _not_found(name)
            return EndSide(frame, fit, fit.along_mm, wall_end is not None)
        self.lines.warn(
            "edge_faint",
            f"The riser's {side_word(name)} side can hardly be told from its side wall; "
            "it was placed by its lower corner and the shade of the wood.",
            "Retake from straight in front of the riser's end, or mark the edge by hand.",
        )
        return EndSide(frame, faint, faint.along_mm, beside_wall=True, faint=True)

    def _corner(
        self, name: str, line: Line, along: tuple[float, float], wall_end: Line | None
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
        stretch = (along[0], along[0] + OUTLINE_MM)
        outline = fit_side(
            self.scene.picture,
            self.surface,
            self.lines.frame(name),
            stretch,
            _about(wall_end, stretch),
            self.lines.blur_px,
            [],
            rough=True,
        )
        if outline is None or abs(outline.line.at(at) - wall_end.at(at)) > CORNER_REACH_MM:
            return at, float(wall_end.at(at)), UNSEEN_CORNER_SD_MM
        lever = np.array([1.0, at - outline.line.middle_mm])
        sd = np.hypot(np.sqrt(lever @ outline.covariance @ lever), CORNER_SD_MM)
        return at, float(outline.line.at(at)), float(sd)

    def _faint(
        self, name: str, line: Line, along: tuple[float, float], wall_end: Line | None
    ) -> SideFit | None:
        """A side placed by the shade of the wood and the corner where its wall ends, if so."""
        corner = self._corner(name, line, along, wall_end)
        if wall_end is None or corner is None:
            return None
        return fit_faint_side(
            self.scene.picture,
            self.surface,
            self.lines.frame(name),
            along,
            _about(line, along),
            corner,
            self.lines.blur_px,
            [],
            wall_end,
        )

    def _with_a_faint_side(
        self, hints: dict[str, Hint], faint: str | None = None
    ) -> dict[str, EndSide] | None:
        """Both sides where one lies between a face and a wall that look alike, if so."""
        for name in SIDES if faint is None else (faint,):
            other = _other(name)
            if name in hints:
                continue
            found = hints[other].lines if other in hints else self._upright(other)
            if not found:
                continue
            good = max(found, key=lambda seen: seen.merit)
            sides = self._beside_a_good_one(name, good.line, hints)
            if sides is not None:
                return sides
        return None

    def _upright(self, name: str) -> list[SeenLine]:
        """Lines that may be a side by themselves: nearly upright, and clear."""
        steepest = np.tan(np.radians(USUAL_SQUARENESS_DEG))
        return [
            seen
            for seen in self.lines.lines(name, SEARCHED_MM[0])
            if abs(seen.line.slope) < steepest and seen.merit > 2 * LEAST_CHANGE
        ]

    def _beside_a_good_one(
        self, name: str, good: Line, hints: dict[str, Hint]
    ) -> dict[str, EndSide] | None:
        """A faint side from the clear one opposite; None if no wall diverges there."""
        other = _other(name)
        low, high, _ = self._ends(other, good)
        along = (low + CLEAR_OF_END_MM, -CLEAR_OF_CARD_MM)
        if other in hints:
            along = hints[other].along_mm
        elif along[1] - along[0] < SHORTEST_MM or high < -CLEAR_OF_CARD_MM - BASE_OFF_MM:
            return None
        ends = self._wall_ends_beside(name, along)
        if not ends:
            return None
        clear = self._measured(other, good, along, None, cut_rounding=other not in hints)
        along = clear.along_mm
        low = along[0] - CLEAR_OF_END_MM
        wall_end = max(ends, key=lambda c: c.change).line
        corner = float(wall_end.at(low))
        width = corner + float(clear.fit.line.at(low))
        if not USUAL_WIDTH_MM[0] < width < USUAL_WIDTH_MM[1]:
            return None
        expected = Line(corner, -clear.fit.line.slope, low)
        try:
            side = self._measured(name, expected, along, wall_end, cut_rounding=False)
        except Refused:
            return None
        return {name: side, other: clear}

    def _wall_ends_beside(self, name: str, along: tuple[float, float]) -> list[Candidate]:
        """Lines that lean outward going up by 2° to 14°, where a wall can show."""
        least, most = np.tan(np.radians([2.0, 14.0]))
        middle = (along[0] + along[1]) / 2
        found = search(
            self.scene.picture,
            self.surface,
            self.lines.frame(name),
            along,
            OUTWARD_MM,
            [],
            expected=Line(sum(OUTWARD_MM) / 2, float(least + most) / 2, middle),
            slope_reach=float(most - least) / 2,
            least_change=2 * LEAST_CHANGE,
            white=self.scene.white,
        )
        return [
            c
            for c in found
            if c.line.slope >= least
            and self.lines.wall_shows_mm(name, float(c.line.at(along[0])), WALL_DEPTH_MM, False)
            > WALL_SEEN_MM
        ]

    def _refuse_upside_down(self) -> None:
        """Refuse with the reason where the riser is seen above the card's upper edge."""
        above = {n: self.lines.lines(n, SEARCHED_MM[1], upside_down=True) for n in SIDES}
        if likeliest_score(above) > 2 * LEAST_SCORE:
            raise Refused(
                "card_upside_down",
                "Card C stands upside down: the riser is seen above its upper edge.",
                "Stand the card on its fold, letter upright, and retake.",
            )


def _other(name: str) -> str:
    return SIDES[1 - SIDES.index(name)]


def _run_end(present: NDArray[np.bool_], start: int, step: int) -> int:
    """Last index of the run from ``start``, gaps of up to two bridged."""
    last, gap, i = start, 0, start
    while 0 <= i < len(present) and gap < 3:
        if present[i]:
            last, gap = i, 0
        else:
            gap += 1
        i += step
    return last


def _meets_corner(line: Line, wall_end: Line | None, lowest: float) -> bool:
    """Whether a side meets a far end of the wall that leaves it from the lower corner."""
    if wall_end is None or wall_end.slope - line.slope < CORNER_SLOPE:
        return True  # parallel: the wall ends in a silhouette of its own
    return float(wall_end.at(lowest) - line.at(lowest)) < MOST_OFF_CORNER_MM


def _about(line: Line, along: tuple[float, float]) -> Line:
    """The same line, its offset given at the middle of a stretch."""
    middle = (along[0] + along[1]) / 2
    return Line(float(line.at(middle)), line.slope, middle)


def _not_found(name: str) -> Refused:
    return Refused(
        "edge_not_found",
        f"The riser's {side_word(name)} side was not found below the card.",
        "Show the riser's whole end face below the card, against a plain ground of another "
        "colour, or mark the edge by hand.",
    )
