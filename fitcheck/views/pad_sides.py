"""Finding the riser's two sides on its end face, below the card that stands on its pad.

The two sides of a riser are parallel; growth rings, the edge of a bench and the far end of a
visible side wall hardly ever are, so sides are chosen as a pair. What makes it hard is the
camera seeing the riser's own side wall: it begins at the side and ends in a line that runs
away from it, often the stronger of the two. Where the wall cannot be told from the face, the
side is placed by the corner at which both end and by the shade of the wood, and a warning says
so.

Strip frame of a side: ``along`` runs up, zero at the card's base line, so the face lies at
negative places; ``outward`` runs away from the riser. The surface is parallel to the card's
print at the usual setback; a setback that is off changes no angle.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from fitcheck.camera import camera_in_card
from fitcheck.edges import (
    SEARCH_SLOPE,
    WALL_SHARE,
    Candidate,
    Line,
    StripFrame,
    Surface,
    blocks_beside,
    search,
)
from fitcheck.errors import Refused
from fitcheck.faint_side import fit_faint_side
from fitcheck.lines import orthogonal_line
from fitcheck.measurement import Note
from fitcheck.side_fit import SideFit, fit_side
from fitcheck.views.given_line import GivenLine, given_line
from fitcheck.views.pad_front import CARD, SETBACK_MM, base_y_mm, middle_x_mm
from fitcheck.views.pad_wood import same_wood, shade_inside, unlikeness
from fitcheck.views.view import Scene

Array = NDArray[np.float64]

SIDES = ("riser_left", "riser_right")
# Looking back toward the grip, the pad's right lies at the picture's left.
TO_THE_RIGHT_AS_SEEN = {"riser_left": 1.0, "riser_right": -1.0}
CLEAR_OF_CARD_MM = 2.5  # white paper shines into the first millimetres
SEARCHED_MM = (20.0, 13.0)  # height of face that is searched; of a shallow one
LOWEST_MM = 62.0  # no riser's end is deeper
CLEAR_OF_END_MM = 1.2
SHORTEST_MM = 9.0
OUTWARD_MM = (11.0, 45.0)
LEAST_CHANGE = 0.05

# Of the card against the pad, ± 2.5° as cards are set, and of the face against the pad.
CARD_LEAN_SD_DEG, FACE_SQUARE_SD_DEG = 1.5, 1.0
LEAN_SD_DEG = float(np.hypot(CARD_LEAN_SD_DEG, FACE_SQUARE_SD_DEG))
TAPER_SD_DEG = 0.3  # of the riser's sides: 0.16 mm over 30 mm; common practice, no source
PARALLEL_SD_DEG = 0.7  # of two candidates, whose slopes come in steps
LARGEST_TAPER_DEG = 1.8
PARALLEL_SLOPE = np.tan(np.radians(0.8))  # within which a line parallel to the other is sought
MOST_CANDIDATES = 10
USUAL_WIDTH_MM = (28.0, 56.0)
USUAL_SQUARENESS_DEG = 3.5
USUAL_OFF_CENTRE_MM = 8.0
LEAST_SCORE = 0.05
RIVAL_SHARE = 0.5
SAME_SIDE_MM, NEW_LINE_MM = 0.45, 0.15

HINT_REACH_MM = 2.0
HINT_SHORTEST_MM = 8.0

WALL_UNSURE_DEG = 2.0  # the riser's length against the card's normal
WALL_DEPTH_MM = 100.0
SHALLOWEST_WALL_MM = 15.0
WALL_SEEN_MM = 0.3
WALL_END_SLOPE = (np.tan(np.radians(-1.0)), np.tan(np.radians(14.0)))
OUTLINE_MM = 8.5  # of the riser's outline above the corner
CORNER_SD_MM, UNSEEN_CORNER_SD_MM = 0.07, 0.2
CORNER_REACH_MM = 0.8
MOST_OFF_CORNER_MM = 3.0  # a wall whose lower end curves still leaves near the corner
CORNER_SLOPE = np.tan(np.radians(1.2))  # a wall end that leans out less is a silhouette
FAINT_SLOPE_SD = np.tan(np.radians(0.2))  # a side less sure than this is tried by its shade
LOG_FLOOR = 0.03  # of the paper's light
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


@dataclass(frozen=True)
class _Pair:
    sides: tuple[Candidate, Candidate]
    score: float


@dataclass(eq=False)
class SideFinder:
    """Finds the two sides, and keeps what it doubts in ``warnings``.

    ``rivals`` are other lines for one side or both, by name, that are nearly as likely, and how
    likely against those taken.
    """

    scene: Scene
    warnings: list[Note]
    rivals: list[tuple[dict[str, Line], float]] = field(init=False, default_factory=list)
    surface: Surface = field(init=False)
    camera: Array = field(init=False)
    _shades: dict[tuple[str, Line], Array | None] = field(init=False, default_factory=dict)
    _given: dict[str, GivenLine] = field(init=False, default_factory=dict)

    def __post_init__(self) -> None:
        # The surface lies the setback before the print, whatever the card's thickness.
        before = -SETBACK_MM - self.scene.setup.card_thickness_mm
        self.surface = self.scene.surface(CARD, below_mm=before)
        self.camera = camera_in_card(self.surface.pose)

    @property
    def in_front_mm(self) -> float:
        """The camera's distance before the surface."""
        return float(self.surface.depth_mm - self.camera[2])

    def frame(self, name: str, upside_down: bool = False) -> StripFrame:
        """Strip frame of a side; of the place above the card where it stands upside down."""
        x, y = middle_x_mm(self.scene.setup), base_y_mm(self.scene.setup)
        up = np.array([0.0, -1.0])
        if upside_down:
            y, up = -2.0 * self.scene.setup.print_scale[1], -up
        return StripFrame(np.array([x, y]), up, np.array([TO_THE_RIGHT_AS_SEEN[name], 0.0]))

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
            self._given[name] = given_line(points, self.surface, self.frame(name), words)
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
            missing = [n for n in searched if not self._upright(n)] or searched
            raise _not_found(missing[0])
        whole = (self._lowest(chosen) if len(hinted) < len(SIDES) else 0.0, -CLEAR_OF_CARD_MM)
        stretches = {n: hinted[n].along_mm if n in hinted else whole for n in SIDES}
        wall_ends = {n: self._wall_end(n, chosen[n].line, stretches[n]) for n in SIDES}
        sides: dict[str, EndSide] = {}
        # A side without a wall tells where the straight part ends below.
        for name in sorted(SIDES, key=lambda n: wall_ends[n] is not None):
            along, wall_end = stretches[name], wall_ends[name]
            if name not in hinted and wall_end is not None:
                other = sides.get(SIDES[1 - SIDES.index(name)])
                along = other.along_mm if other is not None else along
                if not _meets_corner(chosen[name], wall_end, along[0]):
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
            n: hinted[n].candidates if n in hinted else self._candidates(n, height_mm)
            for n in SIDES
        }
        for name in (n for n in SIDES if parallel and n not in hinted):
            opposite = max(found[SIDES[1 - SIDES.index(name)]], key=_merit, default=None)
            if opposite is not None:
                found[name] = self._candidates(name, height_mm, parallel_to=opposite)
        pairs = self._pairs(found)
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
        unlike = self._unlikeness(*(chosen[n] for n in SIDES))
        if unlike > UNLIKE_SIDES:
            return True
        return unlike > UNLIKE_INSIDE and any(
            self._score(*(inner if n == name else chosen[n] for n in SIDES)) > 0.0
            and self._unlikeness(*(inner if n == name else chosen[n] for n in SIDES)) < unlike / 2
            for name in SIDES
            for inner in found[name]
            if SAME_SIDE_MM < chosen[name].line.offset_mm - inner.line.offset_mm < REST_SHOWS_MM
        )

    def _candidates(
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
        frame = self.frame(name, upside_down)
        along = (-CLEAR_OF_CARD_MM - height_mm, -CLEAR_OF_CARD_MM)

        def lines(expected: Line | None, slope_reach: float) -> list[Candidate]:
            return search(
                self.scene.picture,
                self.surface,
                frame,
                along,
                OUTWARD_MM,
                [],
                expected,
                slope_reach=slope_reach,
                least_change=LEAST_CHANGE,
                white=self.scene.white,
            )

        found = lines(None, SEARCH_SLOPE)
        if parallel_to is not None:
            usual = Line(sum(OUTWARD_MM) / 2, -parallel_to.line.slope, sum(along) / 2)
            found += [c for c in lines(usual, PARALLEL_SLOPE) if _differs(c, found)]
        strongest = sorted(found, key=_change, reverse=True)[:MOST_CANDIDATES]
        weighed = []
        for c in strongest:
            weight = self._parts_regions(frame, c, height_mm)
            # Nothing of the riser lies outside its sides: there are only streaks of ground.
            inside = [o.change for o in strongest if o.line.offset_mm < c.line.offset_mm]
            weight *= min(1.0, c.change / max(inside, default=c.change)) ** 2
            weighed.append(replace(c, weight=weight))
        return weighed

    def _parts_regions(self, frame: StripFrame, line: Candidate, height_mm: float) -> float:
        """How much of a line's change of light holds a little way to its sides, 0.3 to 1."""
        along = (-CLEAR_OF_CARD_MM - height_mm, -CLEAR_OF_CARD_MM)
        logs, _, outward = self._log_blocks(frame, line.line, along, (-2.4, 1.6))
        if len(logs) == 0:
            return 1.0
        inside = logs[:, outward < -0.5].mean(axis=(0, 1))
        outside = logs[:, outward > 0.4].mean(axis=(0, 1))
        held = float(np.linalg.norm(outside - inside)) / np.sqrt(3)
        return float(0.3 + 0.7 * min(1.0, held / max(line.change, 1e-6)))

    def _log_blocks(
        self,
        frame: StripFrame,
        line: Line,
        along_mm: tuple[float, float],
        outward_mm: tuple[float, float],
    ) -> tuple[Array, Array, Array]:
        """Logarithms of light of blocks of 1 mm beside a line, and their places."""
        light, along, outward = blocks_beside(
            self.scene.picture, self.surface, frame, line, along_mm, outward_mm, 1.0, []
        )
        return np.log(light + LOG_FLOOR * self.scene.white), along, outward

    def _pairs(self, found: dict[str, list[Candidate]]) -> list[_Pair]:
        """All pairs, the best first."""
        pairs = [
            _Pair((left, right), self._score(left, right))
            for left in found["riser_left"]
            for right in found["riser_right"]
        ]
        return sorted(pairs, key=lambda pair: -pair.score)

    def _score(self, left: Candidate, right: Candidate) -> float:
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
            * same_wood(self._unlikeness(left, right))
            / (1 + ((lean_left + lean_right) / 2 / USUAL_SQUARENESS_DEG) ** 4)
            / (1 + (off_centre / USUAL_OFF_CENTRE_MM) ** 4)
        )

    def _unlikeness(self, left: Candidate, right: Candidate) -> float:
        """How far the shades just inside two lines differ."""
        shades = []
        for name, side in zip(SIDES, (left, right), strict=True):
            if (name, side.line) not in self._shades:
                self._shades[name, side.line] = shade_inside(
                    self.scene.picture,
                    self.surface,
                    self.frame(name),
                    side.line,
                    (-CLEAR_OF_CARD_MM - SEARCHED_MM[1], -CLEAR_OF_CARD_MM),
                    self.scene.white,
                )
            shades.append(self._shades[name, side.line])
        one, other = shades
        return 0.0 if one is None or other is None else unlikeness(one, other)

    def _wall_shows_mm(self, name: str, offset_mm: float, depth_mm: float, sure: bool) -> float:
        """How wide a side wall of that depth shows beyond a side, mm on the surface.

        The riser's length is not known to run along the card's normal, so the camera stands
        a little further out or in: ``sure`` takes the least, otherwise the most.
        """
        frame = self.frame(name)
        aside = float(frame.from_surface(self.camera[None, :2])[0, 1]) - offset_mm
        unsure = self.in_front_mm * np.tan(np.radians(WALL_UNSURE_DEG))
        aside += -unsure if sure else unsure
        return float(max(0.0, aside * depth_mm / (self.in_front_mm + depth_mm)))

    def _inside_the_wall(
        self, name: str, best: dict[str, Candidate], found: list[Candidate]
    ) -> Candidate:
        """The face's side where the strongest line is the far end of a wall that shows."""
        chosen = best[name]
        other = best[SIDES[1 - SIDES.index(name)]]
        reach = self._wall_shows_mm(name, chosen.line.offset_mm, WALL_DEPTH_MM, sure=False)
        inner = [
            c
            for c in found
            if c.merit >= WALL_SHARE * chosen.merit
            and SAME_SIDE_MM < chosen.line.offset_mm - c.line.offset_mm < reach
            and abs(np.degrees(np.arctan(c.line.slope) + np.arctan(other.line.slope))) < 1.2
        ]
        taken = max(inner, key=lambda c: c.merit, default=chosen)
        if taken is chosen:
            sure = self._wall_shows_mm(name, chosen.line.offset_mm, SHALLOWEST_WALL_MM, sure=True)
            beyond = [c for c in found if c.line.offset_mm > chosen.line.offset_mm + 0.15]
            if sure > WALL_SEEN_MM and not beyond and not self._wall_beside(name, chosen):
                self._warn(
                    "wall_may_show",
                    f"The camera looks at the riser's {_side(name)} side wall, and it cannot be "
                    "told from the end face: the side may lie further in.",
                    "Retake from straight in front of the riser's end, or mark the edge by hand.",
                )
        return taken

    def _wall_beside(self, name: str, line: Candidate) -> bool:
        """Whether a line's far end diverges from it: then the wall shows beyond it."""
        along = (-CLEAR_OF_CARD_MM - SEARCHED_MM[0], -CLEAR_OF_CARD_MM)
        return self._wall_end(name, line.line, along) is not None

    def _name_rivals(
        self,
        chosen: dict[str, Candidate],
        pairs: list[_Pair],
        hinted: dict[str, _Hint],
    ) -> None:
        """Warn where another pair is nearly as likely and means another result."""
        score = max(self._score(*(chosen[n] for n in SIDES)), LEAST_SCORE)
        self.rivals.clear()
        for pair in pairs:
            if pair.score < RIVAL_SHARE * score:
                break
            others: dict[str, Line] = {}
            for name, other in zip(SIDES, pair.sides, strict=True):
                apart = other.line.offset_mm - chosen[name].line.offset_mm
                wall = self._wall_shows_mm(
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
        logs, along, outward = self._log_blocks(
            self.frame(name), line, (-LOWEST_MM, 0.0), (-2.4, 2.0)
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
        present &= np.array([unlikeness(block, face) < MOST_UNLIKE for block in inside])
        middle = int(np.argmin(np.abs(along + CLEAR_OF_CARD_MM + SEARCHED_MM[1] / 2)))
        low = _run_end(present, middle, -1)
        high = _run_end(present, middle, 1)
        return float(along[low]) - 0.5, float(along[high]) + 0.5, usual

    def _wall_end(self, name: str, line: Line, along: tuple[float, float]) -> Line | None:
        """Far end of a visible side wall: a line beyond the side that diverges going up."""
        top = float(line.at(along[1]))
        reach = self._wall_shows_mm(name, top, WALL_DEPTH_MM, sure=False)
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
            self.scene.picture,
            self.surface,
            self.frame(name),
            along,
            (foot - 1.0, top + reach + 1.0),
            [],
            expected=usual,
            slope_reach=float(np.ptp(WALL_END_SLOPE)) / 2,
            least_change=LEAST_CHANGE,
            white=self.scene.white,
        )
        ends = [
            c
            for c in found
            if float(c.line.at(along[1])) > top + WALL_SEEN_MM
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
        if name in self._given:
            return self._as_given(name)
        fit = fit_side(
            self.scene.picture,
            self.surface,
            self.frame(name),
            along,
            _about(line, along),
            self.scene.blur_px[CARD],
            [],
            wall_end,
            self._corner(name, line, along, wall_end),
            cut_rounding=cut_rounding and wall_end is None,
        )
        faint = None
        if fit is None or np.sqrt(fit.covariance[1, 1]) > FAINT_SLOPE_SD:
            faint = self._faint(name, line, along, wall_end)
        if fit is None and faint is None:
            raise _not_found(name)
        taken = faint or fit
        assert taken is not None  # noqa: S101 - refused above
        return EndSide(
            self.frame(name), taken, taken.along_mm, wall_end is not None, faint is not None
        )

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
        outline = fit_side(
            self.scene.picture,
            self.surface,
            self.frame(name),
            (along[0], along[0] + OUTLINE_MM),
            _about(wall_end, (along[0], along[0] + OUTLINE_MM)),
            self.scene.blur_px[CARD],
            [],
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
        fit = fit_faint_side(
            self.scene.picture,
            self.surface,
            self.frame(name),
            along,
            _about(line, along),
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
            found = hinted[other].candidates if other in hinted else self._upright(other)
            if not found:
                continue
            good = max(found, key=lambda c: c.merit)
            sides = self._beside_a_good_one(name, other, good, hinted)
            if sides is not None:
                return sides
        return None

    def _upright(self, name: str) -> list[Candidate]:
        """Candidates that may be a side by themselves: nearly upright, and clear."""
        steepest = np.tan(np.radians(USUAL_SQUARENESS_DEG))
        return [
            c
            for c in self._candidates(name, SEARCHED_MM[0])
            if abs(c.line.slope) < steepest and c.merit > 2 * LEAST_CHANGE
        ]

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
            for c in self._wall_ends_beside(name, along)
            if self._wall_shows_mm(name, float(c.line.at(along[0])), WALL_DEPTH_MM, sure=False)
            > WALL_SEEN_MM
        ]
        if not ends:
            return None
        clear = self._measured(other, good.line, along, None, cut_rounding=other not in hinted)
        along = clear.along_mm
        low = along[0] - CLEAR_OF_END_MM
        wall_end = max(ends, key=lambda c: c.change).line
        corner = float(wall_end.at(low))
        width = corner + good.line.offset_mm
        if not USUAL_WIDTH_MM[0] < width < USUAL_WIDTH_MM[1]:
            return None
        slope = -clear.fit.line.slope
        fit = self._faint(name, Line(corner, slope, low), along, wall_end)
        if fit is None:
            return None
        return {name: EndSide(self.frame(name), fit, along, True, True), other: clear}

    def _wall_ends_beside(self, name: str, along: tuple[float, float]) -> list[Candidate]:
        """Lines that lean outward going up by 2° to 14°."""
        least, most = np.tan(np.radians([2.0, 14.0]))
        middle = (along[0] + along[1]) / 2
        found = search(
            self.scene.picture,
            self.surface,
            self.frame(name),
            along,
            OUTWARD_MM,
            [],
            expected=Line(sum(OUTWARD_MM) / 2, float(least + most) / 2, middle),
            slope_reach=float(most - least) / 2,
            least_change=2 * LEAST_CHANGE,
            white=self.scene.white,
        )
        return [c for c in found if c.line.slope >= least]

    def _refuse_upside_down(self) -> None:
        """Refuse with the reason where the riser is seen above the card's upper edge."""
        found = {name: self._candidates(name, SEARCHED_MM[1], upside_down=True) for name in SIDES}
        pairs = self._pairs(found)
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
        return EndSide(self.frame(name), fit, laid.along_mm)

    def _hint(self, name: str) -> _Hint:
        """Lines near two hinted points, and the stretch to measure."""
        if name in self._given:
            laid = self._given[name]
            return _Hint([Candidate(laid.line, LEAST_CHANGE)], laid.along_mm)
        frame = self.frame(name)
        points = frame.from_surface(self.surface.from_pixels(self.scene.hints[name]))
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
            self.surface,
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


def _change(candidate: Candidate) -> float:
    return candidate.change


def _differs(candidate: Candidate, found: list[Candidate]) -> bool:
    """Whether a line is none of those found, in its place or its direction."""
    return all(
        abs(candidate.line.offset_mm - c.line.offset_mm) > NEW_LINE_MM
        or abs(candidate.line.slope - c.line.slope) > PARALLEL_SLOPE
        for c in found
    )


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


def _meets_corner(side: Candidate, wall_end: Line | None, lowest: float) -> bool:
    """Whether a side meets a far end of the wall that leaves it from the lower corner."""
    if wall_end is None or wall_end.slope - side.line.slope < CORNER_SLOPE:
        return True  # parallel: the wall ends in a silhouette of its own
    return float(wall_end.at(lowest) - side.line.at(lowest)) < MOST_OFF_CORNER_MM


def _about(line: Line, along: tuple[float, float]) -> Line:
    """The same line, its offset given at the middle of a stretch."""
    middle = (along[0] + along[1]) / 2
    return Line(float(line.at(middle)), line.slope, middle)


def _side(name: str) -> str:
    return name.removeprefix("riser_")


def _not_found(name: str) -> Refused:
    return Refused(
        "edge_not_found",
        f"The riser's {_side(name)} side was not found below the card.",
        "Show the riser's whole end face below the card, against a plain ground of another "
        "colour, or mark the edge by hand.",
    )
