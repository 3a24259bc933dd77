"""Finding the riser's two sides on its end face, below the card that stands on its pad.

The two sides of a riser are parallel; growth rings, the edge of a bench and the far end of a
visible side wall hardly ever are, so sides are chosen as a pair. What makes it hard is the
camera seeing the riser's own side wall: it begins at the side and ends in a line that runs
away from it, often the stronger of the two. Where the wall cannot be told from the face, the
side is placed by the corner at which both end and by the shade of the wood, and a warning says
so.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from fitcheck.edge_search import WALL_SHARE, search
from fitcheck.errors import Refused
from fitcheck.face_ends import Candidate
from fitcheck.faint_side import fit_faint_side
from fitcheck.lines import orthogonal_line
from fitcheck.measurement import Note
from fitcheck.side_fit import SideFit, fit_side
from fitcheck.strips import Line, StripFrame
from fitcheck.views.given_line import GivenLine, given_line
from fitcheck.views.pad_face import EndFace
from fitcheck.views.pad_front import CARD
from fitcheck.views.pad_lines import (
    CLEAR_OF_CARD_MM,
    LEAST_CHANGE,
    SAME_SIDE_MM,
    SEARCHED_MM,
    SIDES,
    USUAL_WIDTH_MM,
    LineSearch,
    Pair,
)
from fitcheck.views.pad_walls import (
    CLEAR_OF_END_MM,
    WALL_DEPTH_MM,
    WALL_SEEN_MM,
    about,
    meets_corner,
    wall_corner,
    wall_end_beyond,
    wall_ends_beside,
)
from fitcheck.views.pad_wood import unlikeness
from fitcheck.views.view import Scene

Array = NDArray[np.float64]

LOWEST_MM = 62.0  # no riser's end is deeper
SHORTEST_MM = 9.0
# Of the card against the pad, ± 2.5° as cards are set, and of the face against the pad.
CARD_LEAN_SD_DEG, FACE_SQUARE_SD_DEG = 1.5, 1.0
LEAN_SD_DEG = float(np.hypot(CARD_LEAN_SD_DEG, FACE_SQUARE_SD_DEG))
TAPER_SD_DEG = 0.3  # of the riser's sides: 0.16 mm over 30 mm; common practice, no source
LEAST_SCORE = 0.05
RIVAL_SHARE = 0.5
HINT_REACH_MM = 2.0
HINT_SHORTEST_MM = 8.0
SHALLOWEST_WALL_MM = 15.0
FAINT_SLOPE_SD = np.tan(np.radians(0.2))  # a side less sure than this is tried by its shade
PRESENT_SHARE, PRESENT_LEAST = 0.35, 0.08
UNLIKE_SIDES, UNLIKE_INSIDE = 1.2, 0.6  # hardly one riser's; of grain at its liveliest
REST_SHOWS_MM = 10.0  # of something that stands behind the riser
MOST_UNLIKE = 3.5  # of a millimetre of wood, whose grain is livelier than a whole side's
BASE_OFF_MM = 3.0  # the sides must begin this near the card's base
LOOK = "Look at the drawn edges; if one is wrong, mark it by hand."
LAY = (
    "Look at the drawn edges and lay them by hand on the lines that are they, be they the same: "
    "the other line is in the ± until then."
)


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


@dataclass(frozen=True)
class _Hint:
    """What lies near a hint, the user's own line last, and the stretch to measure."""

    candidates: list[Candidate]
    along_mm: tuple[float, float]


@dataclass(eq=False)
class SideFinder:
    """Finds the two sides, and keeps what it doubts in ``warnings``.

    ``rivals`` are other lines for one side or both, by name, that are nearly as likely, and how
    likely against those taken.
    """

    scene: Scene
    warnings: list[Note]
    rivals: list[tuple[dict[str, Line], float]] = field(init=False, default_factory=list)
    face: EndFace = field(init=False)
    lines: LineSearch = field(init=False)
    _given: dict[str, GivenLine] = field(init=False, default_factory=dict)

    def __post_init__(self) -> None:
        self.face = EndFace(self.scene)
        self.lines = LineSearch(self.face)

    def find(self) -> dict[str, EndSide]:
        """Find both sides.

        Returns
        -------
        Side by name.

        Raises
        ------
        Refused
            ``edge_not_found``, ``card_upside_down``, ``base_off_pad``, ``end_too_short`` or
            ``line_unfit``.
        """
        for name in (n for n in SIDES if n in self.scene.as_given):
            points = self.scene.hints[name]
            words = f"{_side(name)} side of the riser"
            self._given[name] = given_line(points, self.face.surface, self.face.frame(name), words)
            self.warnings.append(self._given[name].note())
        if len(self._given) == len(SIDES):
            return {name: self._as_given(name) for name in SIDES}
        hinted = {n: self._hint(n) for n in SIDES if n in self.scene.hints}
        chosen = self._chosen(hinted, SEARCHED_MM[0])
        if chosen is None:
            faint = self._with_a_faint_side(hinted)
            if faint is not None:
                return faint
            # A line askew that a parallel one is cut from may be a wall's end: hence this late.
            chosen = self._chosen(hinted, SEARCHED_MM[0], parallel=True) or self._chosen(
                hinted, SEARCHED_MM[1]
            )
        if chosen is None:
            self._refuse_upside_down()
            searched = [n for n in SIDES if n not in self._given]
            missing = [n for n in searched if not self.lines.upright(n)] or searched
            raise _not_found(missing[0])
        whole = (self._lowest(chosen) if len(hinted) < len(SIDES) else 0.0, -CLEAR_OF_CARD_MM)
        stretches = {n: hinted[n].along_mm if n in hinted else whole for n in SIDES}
        wall_ends = {n: wall_end_beyond(self.face, n, chosen[n].line, stretches[n]) for n in SIDES}
        sides: dict[str, EndSide] = {}
        # A side without a wall tells where the straight part ends below.
        for name in sorted(SIDES, key=lambda n: wall_ends[n] is not None):
            along, wall_end = stretches[name], wall_ends[name]
            if name not in hinted and wall_end is not None:
                other = sides.get(SIDES[1 - SIDES.index(name)])
                along = other.along_mm if other is not None else along
                if not meets_corner(chosen[name], wall_end, along[0]):
                    faint = self._with_a_faint_side(hinted, name)
                    if faint is not None:
                        return faint
            sides[name] = self._measured(
                name, chosen[name].line, along, wall_end, cut_rounding=name not in hinted
            )
        return sides

    def _chosen(
        self, hinted: dict[str, _Hint], height_mm: float, parallel: bool = False
    ) -> dict[str, Candidate] | None:
        """The pair of lines that are the sides; None if no pair will do."""
        found = {
            n: hinted[n].candidates if n in hinted else self.lines.candidates(n, height_mm)
            for n in SIDES
        }
        for name in (n for n in SIDES if parallel and n not in hinted):
            opposite = max(found[SIDES[1 - SIDES.index(name)]], key=_merit, default=None)
            if opposite is not None:
                found[name] = self.lines.candidates(name, height_mm, parallel_to=opposite)
        pairs = self.lines.pairs(found)
        if not pairs or pairs[0].score < LEAST_SCORE:
            return None
        best = dict(zip(SIDES, pairs[0].sides, strict=True))
        chosen = {
            n: best[n] if n in hinted else self._inside_the_wall(n, best, found[n]) for n in SIDES
        }
        self._name_rivals(chosen, pairs, hinted)
        named = any(note.code == "edge_ambiguous" for note in self.warnings)
        if not named and not hinted and self._other_wood_inside(chosen, found):
            self._warn(
                "edge_ambiguous",
                "What lies just inside the two sides is not the same wood: one of the lines may "
                "belong to something behind the riser.",
                LOOK,
            )
        return chosen

    def _other_wood_inside(
        self, chosen: dict[str, Candidate], found: dict[str, list[Candidate]]
    ) -> bool:
        """Whether two shades are not one riser's, or a line further in ends a liker one."""
        unlike = self.lines.unlikeness(*(chosen[n] for n in SIDES))
        if unlike > UNLIKE_SIDES:
            return True
        return unlike > UNLIKE_INSIDE and any(
            self.lines.score(*pair) > 0.0 and self.lines.unlikeness(*pair) < unlike / 2
            for name in SIDES
            for inner in found[name]
            for pair in [[inner if n == name else chosen[n] for n in SIDES]]
            if SAME_SIDE_MM < chosen[name].line.offset_mm - inner.line.offset_mm < REST_SHOWS_MM
        )

    def _inside_the_wall(
        self, name: str, best: dict[str, Candidate], found: list[Candidate]
    ) -> Candidate:
        """The face's side where the strongest line is the far end of a wall that shows."""
        chosen = best[name]
        other = best[SIDES[1 - SIDES.index(name)]]
        reach = self.face.wall_shows_mm(name, chosen.line.offset_mm, WALL_DEPTH_MM, sure=False)
        inner = [
            c
            for c in found
            if c.merit >= WALL_SHARE * chosen.merit
            and SAME_SIDE_MM < chosen.line.offset_mm - c.line.offset_mm < reach
            and abs(np.degrees(np.arctan(c.line.slope) + np.arctan(other.line.slope))) < 1.2
        ]
        taken = max(inner, key=lambda c: c.merit, default=chosen)
        if taken is chosen:
            sure = self.face.wall_shows_mm(
                name, chosen.line.offset_mm, SHALLOWEST_WALL_MM, sure=True
            )
            beyond = [c for c in found if c.line.offset_mm > chosen.line.offset_mm + 0.15]
            if sure > WALL_SEEN_MM and not beyond and not self._wall_beside(name, chosen):
                self._warn_of_a_wall(name)
        return taken

    def _warn_of_a_wall(self, name: str) -> None:
        self._warn(
            "wall_may_show",
            f"The camera looks at the riser's {_side(name)} side wall, and it cannot be "
            "told from the end face: the side may lie further in.",
            "Retake from straight in front of the riser's end, or mark the edge by hand.",
        )

    def _wall_beside(self, name: str, line: Candidate) -> bool:
        """Whether a line's far end diverges from it: then the wall shows beyond it."""
        along = (-CLEAR_OF_CARD_MM - SEARCHED_MM[0], -CLEAR_OF_CARD_MM)
        return wall_end_beyond(self.face, name, line.line, along) is not None

    def _name_rivals(
        self,
        chosen: dict[str, Candidate],
        pairs: list[Pair],
        hinted: dict[str, _Hint],
    ) -> None:
        """Warn where another pair is nearly as likely and means another result."""
        score = max(self.lines.score(*(chosen[n] for n in SIDES)), LEAST_SCORE)
        self.rivals.clear()
        for pair in pairs:
            if pair.score < RIVAL_SHARE * score:
                break
            others: dict[str, Line] = {}
            for name, other in zip(SIDES, pair.sides, strict=True):
                apart = other.line.offset_mm - chosen[name].line.offset_mm
                wall = self.face.wall_shows_mm(
                    name, chosen[name].line.offset_mm, WALL_DEPTH_MM, sure=False
                )
                if name in hinted or abs(apart) < SAME_SIDE_MM or SAME_SIDE_MM < apart < wall:
                    continue
                others[name] = other.line
                if self.rivals or len(others) > 1:  # one warning is enough
                    continue
                where = "outside" if apart > 0 else "inside"
                self._warn(
                    "edge_ambiguous",
                    f"Another line {abs(apart):.1f} mm {where} the riser's {_side(name)} side "
                    "may be it instead.",
                    LAY,
                )
            if others:
                self.rivals.append((others, min(1.0, pair.score / score)))

    def _lowest(self, lines: dict[str, Candidate]) -> float:
        """Where the end face ends below, in the strip's along, clear of its arris.

        Raises
        ------
        Refused
            ``base_off_pad`` or ``end_too_short``.
        """
        ends = {name: self._ends(name, c.line) for name, c in lines.items()}
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
        logs, along, outward = self.face.log_blocks(
            self.face.frame(name), line, (-LOWEST_MM, 0.0), (-2.4, 2.0)
        )
        inside = logs[:, outward < -0.5].mean(axis=1)
        change = np.linalg.norm(logs[:, outward > 0.5].mean(axis=1) - inside, axis=1)
        trusted = (along > -CLEAR_OF_CARD_MM - SEARCHED_MM[1]) & (along < -CLEAR_OF_CARD_MM)
        if not np.any(trusted):
            return 0.0, 0.0, 0.0
        usual = float(np.median(change[trusted]))
        present = change > max(PRESENT_SHARE * usual, PRESENT_LEAST)
        # Below the end face lies shadow beside bench: light changes there, but not at wood.
        face = np.median(inside[trusted], axis=0)
        present &= unlikeness(inside, face) < MOST_UNLIKE
        middle = int(np.argmin(np.abs(along + CLEAR_OF_CARD_MM + SEARCHED_MM[1] / 2)))
        low = _run_end(present, middle, -1)
        high = _run_end(present, middle, 1)
        return float(along[low]) - 0.5, float(along[high]) + 0.5, usual

    def _measured(
        self,
        name: str,
        line: Line,
        along: tuple[float, float],
        wall_end: Line | None,
        cut_rounding: bool,
    ) -> EndSide:
        if name in self._given:
            return self._as_given(name)
        corner = wall_corner(self.face, name, line, along, wall_end)

        def fitted(
            wall_end: Line | None, corner: tuple[float, float, float] | None
        ) -> SideFit | None:
            return fit_side(
                self.scene.picture,
                self.face.surface,
                self.face.frame(name),
                along,
                about(line, along),
                self.scene.blur_px[CARD],
                [],
                wall_end,
                corner,
                cut_rounding=cut_rounding and wall_end is None,
            )

        fit, faint = fitted(wall_end, corner), None
        if fit is None or np.sqrt(fit.covariance[1, 1]) > FAINT_SLOPE_SD:
            faint = self._faint(name, line, along, wall_end, corner)
        if fit is None and faint is None and wall_end is not None:
            # What was taken for the wall's far end is too near to tell the two lines apart.
            fit = fitted(None, None)
            if fit is not None:
                self.rivals.append(({name: wall_end}, 1.0))
                self._warn_of_a_wall(name)
        if fit is None and faint is None:
            raise _not_found(name)
        taken = faint or fit
        assert taken is not None  # noqa: S101 - refused above
        return EndSide(
            self.face.frame(name), taken, taken.along_mm, wall_end is not None, faint is not None
        )

    def _faint(
        self,
        name: str,
        line: Line,
        along: tuple[float, float],
        wall_end: Line | None,
        corner: tuple[float, float, float] | None,
    ) -> SideFit | None:
        """A side placed by the shade of the wood and the corner where its wall ends, if so."""
        if wall_end is None or corner is None:
            return None
        fit = fit_faint_side(
            self.scene.picture,
            self.face.surface,
            self.face.frame(name),
            along,
            about(line, along),
            corner,
            self.scene.blur_px[CARD],
            [],
            wall_end,
        )
        if fit is not None:
            self._warn(
                "edge_faint",
                f"The riser's {_side(name)} side can hardly be told from its side wall; "
                "it was placed by its lower corner and the shade of the wood.",
                "Retake from straight in front of the riser's end, or mark the edge by hand.",
            )
        return fit

    def _with_a_faint_side(
        self, hinted: dict[str, _Hint], faint: str | None = None
    ) -> dict[str, EndSide] | None:
        """Both sides where one lies between a face and a wall that look alike, if so."""
        for name in SIDES if faint is None else (faint,):
            other = SIDES[1 - SIDES.index(name)]
            if name in hinted:
                continue
            found = hinted[other].candidates if other in hinted else self.lines.upright(other)
            if not found:
                continue
            good = max(found, key=lambda c: c.merit)
            sides = self._beside_a_good_one(name, other, good, hinted)
            if sides is not None:
                return sides
        return None

    def _beside_a_good_one(
        self,
        name: str,
        other: str,
        good: Candidate,
        hinted: dict[str, _Hint],
    ) -> dict[str, EndSide] | None:
        """A faint side from the clear one opposite; None if no wall diverges there."""
        low, high, _ = self._ends(other, good.line)
        along = (low + CLEAR_OF_END_MM, -CLEAR_OF_CARD_MM)
        if along[1] - along[0] < SHORTEST_MM or high < -CLEAR_OF_CARD_MM - BASE_OFF_MM:
            return None
        if other in hinted:
            along = hinted[other].along_mm
        ends = [
            c
            for c in wall_ends_beside(self.face, name, along)
            if self.face.wall_shows_mm(name, float(c.line.at(along[0])), WALL_DEPTH_MM, sure=False)
            > WALL_SEEN_MM
        ]
        if not ends:
            return None
        clear = self._measured(other, good.line, along, None, cut_rounding=other not in hinted)
        along = clear.along_mm
        low = along[0] - CLEAR_OF_END_MM
        wall_end = max(ends, key=lambda c: c.change).line
        width = float(wall_end.at(low)) + good.line.offset_mm
        if not USUAL_WIDTH_MM[0] < width < USUAL_WIDTH_MM[1]:
            return None
        line = Line(float(wall_end.at(low)), -clear.fit.line.slope, low)
        corner = wall_corner(self.face, name, line, along, wall_end)
        fit = self._faint(name, line, along, wall_end, corner)
        if fit is None:
            return None
        return {name: EndSide(self.face.frame(name), fit, along, True, True), other: clear}

    def _refuse_upside_down(self) -> None:
        """Refuse with the reason where the riser is seen above the card's upper edge."""
        found = {
            name: self.lines.candidates(name, SEARCHED_MM[1], upside_down=True) for name in SIDES
        }
        pairs = self.lines.pairs(found)
        if pairs and pairs[0].score > 2 * LEAST_SCORE:
            raise Refused(
                "card_upside_down",
                "Card C stands upside down: the riser is seen above its upper edge.",
                "Stand the card on its fold, letter upright, and retake.",
            )

    def _as_given(self, name: str) -> EndSide:
        """A side that is the line as the user laid it."""
        laid = self._given[name]
        fit = SideFit(laid.line, laid.covariance, 0.0, 0.0, 1.0, 0.0, laid.along_mm)
        return EndSide(self.face.frame(name), fit, laid.along_mm)

    def _hint(self, name: str) -> _Hint:
        """Lines near two hinted points, and the stretch to measure."""
        if name in self._given:
            laid = self._given[name]
            return _Hint([Candidate(laid.line, LEAST_CHANGE)], laid.along_mm)
        frame = self.face.frame(name)
        points = frame.from_surface(self.face.surface.from_pixels(self.scene.hints[name]))
        spot, direction = orthogonal_line(points)
        usual = (-CLEAR_OF_CARD_MM - SEARCHED_MM[0], -CLEAR_OF_CARD_MM)
        along = (float(points[:, 0].min()), float(points[:, 0].max()))
        slope = 0.0
        if np.ptp(points[:, 0]) < HINT_SHORTEST_MM or abs(direction[0]) < abs(direction[1]):
            along = usual
        else:
            slope = float(direction[1] / direction[0])
        middle = (along[0] + along[1]) / 2
        expected = Line(float(spot[1] + slope * (middle - spot[0])), slope, middle)
        reach = HINT_REACH_MM + abs(slope) * (along[1] - along[0]) / 2
        found = search(
            self.scene.picture,
            self.face.surface,
            frame,
            along,
            (expected.offset_mm - reach, expected.offset_mm + reach),
            [],
            expected,
            HINT_REACH_MM / 2,
            2 * HINT_REACH_MM / (along[1] - along[0]),
            least_change=LEAST_CHANGE,
            white=self.scene.white,
        )
        # Where nothing stands out, the user's own line is where the fit starts.
        return _Hint([*found, Candidate(expected, LEAST_CHANGE)], along)

    def _warn(self, code: str, message: str, advice: str) -> None:
        self.warnings.append(Note(code, message, advice))


def _merit(candidate: Candidate) -> float:
    return candidate.merit


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


def _side(name: str) -> str:
    return name.removeprefix("riser_")


def _not_found(name: str) -> Refused:
    return Refused(
        "edge_not_found",
        f"The riser's {_side(name)} side was not found below the card.",
        "Show the riser's whole end face below the card, against a plain ground of another "
        "colour, or mark the edge by hand.",
    )
