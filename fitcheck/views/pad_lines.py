"""Lines below the card that may be the riser's two sides, and the likeliest pair of them.

The two sides of a riser are nearly parallel and about as far apart as risers are wide; growth
rings, the edge of a bench and the far end of a visible side wall hardly ever are, so sides are
chosen as a pair. Something that stands behind the riser, or the far end of its own wall, may
run with a side and be clearer: such lines are out of focus, or crooked.

Strip frame of a side: ``along`` runs up, zero at the card's base line, so the face lies at
negative places; ``outward`` runs away from the riser. The surface is parallel to the card's
print at the usual setback; a setback that is off changes no angle.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from fitcheck.camera import camera_in_card
from fitcheck.edges import Candidate, Line, StripFrame, Surface, blocks_beside, search
from fitcheck.lines import orthogonal_line
from fitcheck.measurement import Note
from fitcheck.side_fit import fit_side, step_blur
from fitcheck.views.pad_front import CARD, SETBACK_MM, base_y_mm, middle_x_mm
from fitcheck.views.view import Scene

Array = NDArray[np.float64]

SIDES = ("riser_left", "riser_right")
# Looking back toward the grip, the pad's right lies at the picture's left.
TO_THE_RIGHT_AS_SEEN = {"riser_left": 1.0, "riser_right": -1.0}
CLEAR_OF_CARD_MM = 2.5  # white paper shines into the first millimetres
SEARCHED_MM = (20.0, 13.0)  # height of face that is searched; of a shallow one
OUTWARD_MM = (11.0, 45.0)
LEAST_CHANGE = 0.05
MOST_LINES = 8
SAME_LINE_MM = 0.25

PARALLEL_SD_DEG = 0.8  # of two sides as seen: their taper, and a card that leans
LARGEST_TAPER_DEG = 2.2
USUAL_WIDTH_MM = (28.0, 56.0)
USUAL_SQUARENESS_DEG = 3.5
USUAL_OFF_CENTRE_MM = 8.0
LEAST_SCORE = 0.05
RIVAL_SHARE = 0.4
SAME_SIDE_MM = 0.45

BEHIND_MM = 9.0  # what stands behind the riser and shows beside it
LEAST_BEHIND = 0.3  # of the strongest line: as strong as this another may be the side
LEAST_WALL_LINE = 0.06  # a side before a wall of the same wood is as faint as this
SHARPER, IN_FOCUS, STRAIGHTER = 0.65, 1.7, 0.4
NEIGHBOUR_MM = 2.0
USUAL_GAP_MM = 1.2  # between lines: nearer ones are softened less, lest a fit slides over

HINT_REACH_MM = 2.0
HINT_SHORTEST_MM = 8.0

WALL_UNSURE_DEG = 2.0  # the riser's length against the card's normal
WALL_DEPTH_MM = 100.0
LOG_FLOOR = 0.03  # of the paper's light
LOOK = "Look at the drawn edges; if one is wrong, mark it by hand."


@dataclass(frozen=True)
class SeenLine:
    """A line that may be a side.

    Attributes
    ----------
    candidate
        Where it runs and how clear it is.
    blur
        How blurred it is, in units of the cards' blur.
    scatter_mm
        How crooked.
    """

    candidate: Candidate
    blur: float = float("inf")
    scatter_mm: float = float("inf")

    @property
    def line(self) -> Line:
        """Where it runs."""
        return self.candidate.line

    @property
    def merit(self) -> float:
        """What lines are ranked by."""
        return self.candidate.merit


@dataclass(frozen=True)
class Hint:
    """Lines near a user's two points, the user's own last, and the stretch to measure."""

    lines: list[SeenLine]
    along_mm: tuple[float, float]


@dataclass(frozen=True)
class _Pair:
    sides: tuple[SeenLine, SeenLine]
    score: float


@dataclass(eq=False)
class EndLines:
    """Searches below the card, and keeps what it doubts in ``warnings``."""

    scene: Scene
    warnings: list[Note]
    surface: Surface = field(init=False)
    camera: Array = field(init=False)

    def __post_init__(self) -> None:
        # The surface lies the setback before the print, whatever the card's thickness.
        before = -SETBACK_MM - self.scene.setup.card_thickness_mm
        self.surface = self.scene.surface(CARD, below_mm=before)
        self.camera = camera_in_card(self.surface.pose)

    @property
    def in_front_mm(self) -> float:
        """The camera's distance before the surface."""
        return float(self.surface.depth_mm - self.camera[2])

    @property
    def blur_px(self) -> float:
        """Blur of the card."""
        return self.scene.blur_px[CARD]

    def frame(self, name: str, upside_down: bool = False) -> StripFrame:
        """Strip frame of a side; of the place above the card where it stands upside down."""
        x, y = middle_x_mm(self.scene.setup), base_y_mm(self.scene.setup)
        up = np.array([0.0, -1.0])
        if upside_down:
            y, up = -2.0 * self.scene.setup.print_scale[1], -up
        return StripFrame(np.array([x, y]), up, np.array([TO_THE_RIGHT_AS_SEEN[name], 0.0]))

    def wall_shows_mm(self, name: str, offset_mm: float, depth_mm: float, sure: bool) -> float:
        """How wide a side wall of that depth shows beyond a side, mm on the surface.

        The riser's length is not known to run along the card's normal, so the camera stands
        a little further out or in: ``sure`` takes the least, otherwise the most.
        """
        frame = self.frame(name)
        aside = float(frame.from_surface(self.camera[None, :2])[0, 1]) - offset_mm
        unsure = self.in_front_mm * np.tan(np.radians(WALL_UNSURE_DEG))
        aside += -unsure if sure else unsure
        return float(max(0.0, aside * depth_mm / (self.in_front_mm + depth_mm)))

    def pair(self, hints: dict[str, Hint], height_mm: float) -> dict[str, SeenLine] | None:
        """The likeliest two sides over a height of face; None if no pair will do."""
        found = {n: hints[n].lines if n in hints else self.lines(n, height_mm) for n in SIDES}
        pairs = _pairs(found)
        if not pairs or pairs[0].score < LEAST_SCORE:
            return None
        best = dict(zip(SIDES, pairs[0].sides, strict=True))
        chosen = {n: best[n] if n in hints else self._in_focus(n, best, found[n]) for n in SIDES}
        self._name_rivals(chosen, pairs, hints)
        return chosen

    def lines(self, name: str, height_mm: float, upside_down: bool = False) -> list[SeenLine]:
        """Lines that may be a side, each fitted roughly, the clearest first."""
        frame = self.frame(name, upside_down)
        along = (-CLEAR_OF_CARD_MM - height_mm, -CLEAR_OF_CARD_MM)
        found = search(
            self.scene.picture,
            self.surface,
            frame,
            along,
            OUTWARD_MM,
            [],
            least_change=LEAST_CHANGE,
            white=self.scene.white,
        )
        strongest = sorted(found, key=lambda c: -c.change)[:MOST_LINES]
        weighed = []
        for c in strongest:
            weight = self._parts_regions(frame, c, along)
            # Nothing of the riser lies outside its sides: there are only streaks of ground.
            inside = [o.change for o in strongest if o.line.offset_mm < c.line.offset_mm]
            weight *= min(1.0, c.change / max(inside, default=c.change)) ** 2
            weighed.append(replace(c, weight=weight))
        return self._seen(name, frame, weighed, along)

    def _seen(
        self, name: str, frame: StripFrame, found: list[Candidate], along: tuple[float, float]
    ) -> list[SeenLine]:
        """The same lines fitted, those that are one line taken together."""
        seen: list[SeenLine] = []
        for c in found:
            apart = [o.line.offset_mm - c.line.offset_mm for o in found]
            gap = min((abs(a) for a in apart if abs(a) > SAME_SIDE_MM), default=USUAL_GAP_MM)
            wall = self.wall_shows_mm(name, c.line.offset_mm, WALL_DEPTH_MM, sure=False)
            beyond = [
                o.line
                for o, a in zip(found, apart, strict=True)
                if SAME_SIDE_MM < a < min(wall, NEIGHBOUR_MM) and o.change > c.change
            ]
            fit = fit_side(
                self.scene.picture,
                self.surface,
                frame,
                along,
                c.line,
                self.blur_px,
                [],
                min(beyond, key=lambda o: o.offset_mm, default=None),
                softened_share=min(1.0, gap / USUAL_GAP_MM),
                rough=True,
            )
            if fit is None or abs(fit.line.offset_mm - c.line.offset_mm) > 2 * SAME_SIDE_MM:
                continue
            if any(_same(fit.line, o.line) for o in seen):
                continue
            blur = step_blur(
                self.scene.picture, self.surface, frame, along, fit.line, self.blur_px
            )
            seen.append(SeenLine(replace(c, line=fit.line), blur, fit.scatter_mm))
        return seen

    def _parts_regions(
        self, frame: StripFrame, line: Candidate, along: tuple[float, float]
    ) -> float:
        """How much of a line's change of light holds a little way to its sides, 0.3 to 1."""
        logs, _, outward = self.log_blocks(frame, line.line, along, (-2.4, 1.6))
        if len(logs) == 0:
            return 1.0
        inside = logs[:, outward < -0.5].mean(axis=(0, 1))
        outside = logs[:, outward > 0.4].mean(axis=(0, 1))
        held = float(np.linalg.norm(outside - inside)) / np.sqrt(3)
        return float(0.3 + 0.7 * min(1.0, held / max(line.change, 1e-6)))

    def log_blocks(
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

    def _in_focus(self, name: str, best: dict[str, SeenLine], found: list[SeenLine]) -> SeenLine:
        """The face's side among lines that run with the likeliest one."""
        chosen = best[name]
        other = best[SIDES[1 - SIDES.index(name)]]
        wall = self.wall_shows_mm(name, chosen.line.offset_mm, WALL_DEPTH_MM, sure=False)
        for seen in found:
            apart = seen.line.offset_mm - chosen.line.offset_mm
            taper = np.degrees(np.arctan(seen.line.slope) + np.arctan(other.line.slope))
            walled = -wall < apart < 0 and seen.merit > LEAST_WALL_LINE
            strong = seen.candidate.change > LEAST_BEHIND * chosen.candidate.change
            near = SAME_SIDE_MM < abs(apart) < BEHIND_MM
            if not near or abs(taper) > LARGEST_TAPER_DEG or not (walled or strong):
                continue
            sharper = seen.blur < SHARPER * chosen.blur and seen.blur < IN_FOCUS
            straighter = walled and seen.scatter_mm < STRAIGHTER * chosen.scatter_mm
            if sharper or straighter:
                chosen = seen
        return chosen

    def _name_rivals(
        self, chosen: dict[str, SeenLine], pairs: list[_Pair], hints: dict[str, Hint]
    ) -> None:
        """Warn where another pair is nearly as likely and means another result."""
        score = max(_score(*(chosen[n] for n in SIDES)), LEAST_SCORE)
        for pair in pairs:
            if pair.score < RIVAL_SHARE * score:
                break
            for name, other in zip(SIDES, pair.sides, strict=True):
                offset = chosen[name].line.offset_mm
                apart = other.line.offset_mm - offset
                wall = self.wall_shows_mm(name, offset, WALL_DEPTH_MM, sure=False)
                if name in hints or abs(apart) < SAME_SIDE_MM or SAME_SIDE_MM < apart < wall:
                    continue
                where = "outside" if apart > 0 else "inside"
                self.warn(
                    "edge_ambiguous",
                    f"Another line {abs(apart):.1f} mm {where} the riser's {side_word(name)} "
                    "side may be it instead.",
                    LOOK,
                )
                return

    def hint(self, name: str) -> Hint:
        """Lines near the two points that a user marked."""
        frame = self.frame(name)
        points = frame.from_surface(self.surface.from_pixels(self.scene.hints[name]))
        spot, direction = orthogonal_line(points)
        along = (float(points[:, 0].min()), float(points[:, 0].max()))
        slope = 0.0
        if along[1] - along[0] < HINT_SHORTEST_MM or abs(direction[0]) < abs(direction[1]):
            along = (-CLEAR_OF_CARD_MM - SEARCHED_MM[0], -CLEAR_OF_CARD_MM)
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
        own = SeenLine(Candidate(expected, LEAST_CHANGE))
        return Hint([*self._seen(name, frame, found[:MOST_LINES], along), own], along)

    def warn(self, code: str, message: str, advice: str) -> None:
        """Keep a doubt for the user."""
        self.warnings.append(Note(code, message, advice))


def side_word(name: str) -> str:
    """``"left"`` or ``"right"``."""
    return name.removeprefix("riser_")


def likeliest_score(found: dict[str, list[SeenLine]]) -> float:
    """How likely the best pair is, 0 if there is none."""
    pairs = _pairs(found)
    return pairs[0].score if pairs else 0.0


def _same(one: Line, other: Line) -> bool:
    apart = abs(float(one.at(other.middle_mm)) - other.offset_mm)
    return apart < SAME_LINE_MM and abs(one.slope - other.slope) < np.tan(np.radians(1.0))


def _pairs(found: dict[str, list[SeenLine]]) -> list[_Pair]:
    """All pairs, the best first."""
    pairs = [
        _Pair((left, right), _score(left, right))
        for left in found["riser_left"]
        for right in found["riser_right"]
    ]
    return sorted(pairs, key=lambda pair: -pair.score)


def _score(left: SeenLine, right: SeenLine) -> float:
    """How likely two lines are the riser's sides: clear, parallel, as wide as risers are."""
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
        / (1 + ((lean_left + lean_right) / 2 / USUAL_SQUARENESS_DEG) ** 4)
        / (1 + (off_centre / USUAL_OFF_CENTRE_MM) ** 4)
    )
