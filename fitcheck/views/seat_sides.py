"""Finding the sides of limb and riser in a seat photograph.

What makes it hard is that a camera held by hand sees more than the two faces: a part's own
side wall, and a riser that stands out under its limb. Where the photograph cannot tell, the
user is told so.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from fitcheck.camera import camera_in_card
from fitcheck.edge_search import choose, search
from fitcheck.edges import MeasuredEdge, Rival, measure
from fitcheck.errors import Refused
from fitcheck.face_ends import Candidate
from fitcheck.lines import ALL_KEPT, orthogonal_line
from fitcheck.measurement import Note
from fitcheck.strips import Line, StripFrame, colour
from fitcheck.views.given_line import given_line
from fitcheck.views.seat_butt import UNSURE_SD_MM, find_butt_line
from fitcheck.views.seat_parts import HINT_REACH_MM, Part, blur_mm, neighbours
from fitcheck.views.seat_tints import LEAST_TINT_CHANGE, holds_riser, is_riser, tint_distance
from fitcheck.views.view import Scene

Array = NDArray[np.float64]

SIDES = ("limb_left", "limb_right", "riser_left", "riser_right")
WIDEST_HALF_MM = 45.0  # no pocket is 90 mm wide
NARROWEST_HALF_MM = 11.0  # a butt is wider than its bolt's washer
STRETCH_MM = 50.0  # of each side that is measured, from the butt line
CLEAR_OF_BUTT_MM = 6.0
LIMB_TO_RISER_SD_MM = 2.5  # how far a riser's side is expected from the limb's
HINT_SHORTEST_MM = 8.0

DEEPEST_WALL_MM = 60.0  # of riser and limb together
SHALLOWEST_WALL_MM = {"limb": 8.0, "riser": 25.0}
NO_WALL_MM = 0.1
# A rounded arris may show as two lines, its beginning and its end: so far apart, and the outer
# so clear.
ROUND_MM, ROUND_SHARE = (0.3, 0.5), 0.5
WALL_SEEN_MM = 0.2  # a wall that shows wider than this must show as a line of its own
PROUD_UNDERNEATH_MM = 3.0  # how far a riser may stand out under its limb
BUTT_THICKNESSES_MM = (8.0, 12.0, 16.0, 20.0)  # common practice, no source
USUAL_WALL_MM = {"limb": 12.0, "riser": 40.0}  # of a butt and of a riser; from memory
# A wall of the limb that shows by so little runs into its face: its end may have been measured.
BLENDED_WALL_MM, WALL_SHARE = (0.15, 0.75), 0.4
SLIVER_MM = 0.4  # wider than this it shows as a line of its own
SLIVER_STRIPS_MM = ((0.7, 0.4), (0.4, 0.12))  # inside a limb's edge: is it limb or riser?
HIDDEN_MM = 0.6  # a riser's side so far under the limb's, whatever its thickness, cannot show
OUTLINE_MM = 0.2  # a limb's edge this near the riser's outline may be the riser's
TINT_SHARE = 0.12  # of the strongest line: enough, if the tint says so too
FAINT_SHARE = 0.1  # of the chosen line: enough to be mentioned
# A block that props the riser up may show beside it, and end in a stronger line.
PROP_SHARE = 0.3  # of the stronger line
PROP_SEEN_MM = (0.6, 8.0)
PROP_WEIGHT_GAIN = 1.1  # the line further in must agree this much better with the limb's side
PROP_TINT_CHANGE = 0.25
# What is beyond the riser's side in a colour so far from its wood is another thing, wherever the
# limb's side lies; woods glued to one another come to half of it.
OTHER_THING_TINT = 0.8
DOUBTFUL_TINT = 0.4
ARRIS_MM = 0.5  # a line this near is the arris itself
COARSE_BLUR_MM = 0.22  # blurred more than this, a sliver of riser cannot be told
# Of the chosen line: as clear as this another might be the edge. Grain makes a riser's
# neighbours clearer than a limb's.
RIVAL_SHARE = {"limb": 0.3, "riser": 0.5}
LOOK = "Look at the drawn edge; if it is the wrong one, mark the edge by hand."
LAY = (
    "Look at the drawn edge and lay it by hand on the line that is it, be it the same: the other "
    "line is in the ± until then."
)


@dataclass(eq=False)
class SideFinder:
    """Finds the edges of one seat, and keeps what it found and what it doubts.

    Attributes
    ----------
    scene, limb, riser, keep_out
        The photograph, the two parts, and the cards' outlines in pixels.
    butt_mm, butt_sd_mm
        Place of the butt line along the limb's axis, and its standard uncertainty.
    edges
        What was measured, by name.
    warnings
        What the user should know.
    rivals
        Lines that may be a side instead of the one that was measured, by name.
    """

    scene: Scene
    limb: Part
    riser: Part
    keep_out: list[Array]
    butt_mm: float = 0.0
    butt_sd_mm: float = UNSURE_SD_MM
    edges: dict[str, MeasuredEdge] = field(default_factory=dict)
    warnings: list[Note] = field(default_factory=list)
    rivals: dict[str, list[Rival]] = field(default_factory=dict)
    _may_be_riser: set[str] = field(default_factory=set)
    _slivers: dict[str, Rival] = field(default_factory=dict)

    def find_all(self) -> None:
        """Find the butt line, then the limb's sides, then the riser's.

        Raises
        ------
        Refused
            ``edge_not_found`` or ``line_without_edge``.
        """
        butt = find_butt_line(self.scene, self.limb, self.riser, self.keep_out)
        self.butt_mm, self.butt_sd_mm = butt.place_mm, butt.sd_mm
        self.warnings += butt.warnings
        for name in SIDES:
            self.edges[name] = self._find_side(name)
        if butt.edge is not None:
            self.edges["butt_line"] = butt.edge
        self._warn_of_slivers()
        self._warn_of_uneven_edges()
        self._warn_where_the_riser_may_show()

    def sliver_sd_mm(self) -> Array:
        """Uncertainty of the sides' ends from a sliver of riser under the limb, mm, (4, 2).

        Where the riser stands out under the limb by less than the blur can part, the sliver
        draws the limb's edge outward by about a third of its width. How deep the pad lies is
        not known, so the widest sliver over the usual butt thicknesses counts.
        """
        sd = np.zeros((len(SIDES), 2))
        for name in ("limb_left", "limb_right"):
            seen = self._riser_seen_mm(name)
            blending = np.where(seen < SLIVER_MM, seen, 2 * SLIVER_MM - seen)
            sd[SIDES.index(name)] = np.clip(np.max(blending, axis=1), 0, SLIVER_MM) / 3
        return sd

    def _riser_seen_mm(self, name: str) -> Array:
        """How far the riser shows beyond a limb's side, at its two ends and for the usual
        butt thicknesses: shape (2, thicknesses), mm on the limb's surface, negative: hidden.
        """
        limb = self.limb
        frame = limb.side(name)
        below = self.edges[name.replace("limb", "riser")].end_pixels
        wall = frame.from_surface(limb.surface.from_pixels(below))
        slope = (wall[1, 1] - wall[0, 1]) / (wall[1, 0] - wall[0, 0])
        along = np.array(self.edges[name].along_mm)
        limb_side = self.edges[name].line.at(along)
        proud = wall[0, 1] + slope * (along - wall[0, 0]) - limb_side
        camera = camera_in_card(limb.surface.pose)
        aside = frame.from_surface(camera[None, :2])[0, 1]
        ray_slope = (limb_side - aside) / -camera[2]
        return np.asarray(
            proud[:, None] - np.array(BUTT_THICKNESSES_MM)[None, :] * ray_slope[:, None]
        )

    def _find_side(self, name: str) -> MeasuredEdge:
        is_limb = name.startswith("limb")
        part = self.limb if is_limb else self.riser
        frame = part.side(name)
        along = self._stretch(part, is_limb)
        hint = self.scene.hints.get(name)
        if hint is not None and name in self.scene.as_given:
            laid = given_line(hint, part.surface, frame, _words(name))
            self.warnings.append(laid.note())
            return laid.edge(part.surface, frame)
        expected: Line | None = None
        expected_sd = np.inf
        outward = (NARROWEST_HALF_MM, WIDEST_HALF_MM)
        slope_reach = float(np.tan(np.radians(5.0)))
        if hint is not None:
            expected, along = _hint_line(frame.from_surface(part.surface.from_pixels(hint)), along)
            expected_sd = HINT_REACH_MM / 2
            tilt = abs(expected.slope) * (along[1] - along[0]) / 2
            reach = HINT_REACH_MM + tilt
            outward = (expected.offset_mm - reach, expected.offset_mm + reach)
            slope_reach = 2 * HINT_REACH_MM / max(along[1] - along[0], HINT_SHORTEST_MM)
        elif not is_limb:
            expected = self._below_the_limb(name, frame, along)
            expected_sd = LIMB_TO_RISER_SD_MM
            slope_reach = float(np.tan(np.radians(3.0)))

        candidates = search(
            self.scene.picture,
            part.surface,
            frame,
            along,
            outward,
            self.keep_out,
            expected,
            expected_sd,
            slope_reach,
            white=self.scene.white,
            of_face=True,
        )
        if not candidates:
            raise self._edge_not_found(name)
        chosen = self._chosen(name, part, frame, along, candidates, hinted=hint is not None)
        edge = measure(
            self.scene.picture,
            part.surface,
            frame,
            along,
            chosen.line,
            neighbours(chosen, candidates, 0.0 if is_limb else ROUND_MM[1]),
            self.keep_out,
            self.scene.blur_px[part.card],
        )
        if edge is None:
            raise self._edge_not_found(name)
        return edge

    def _edge_not_found(self, name: str) -> Refused:
        """Why a side was not found: where a line was drawn by hand, the line may be at fault."""
        if name in self.scene.hints:
            return Refused(
                "line_without_edge",
                f"Near the line drawn by hand for the {_words(name)} no edge was found.",
                "Lay the line on the edge, within about 2 mm, or take it back and have the edge "
                "searched for.",
            )
        if name.replace("riser", "limb") in self.scene.as_given:
            return Refused(
                "line_without_edge",
                f"The {_words(name)} was not found: it was looked for below the line drawn by "
                "hand for the limb's side.",
                "Look whether that line lies on the limb's edge, and mark the riser's side by "
                "hand too.",
            )
        return Refused(
            "edge_not_found",
            f"The {_words(name)} was not found beside the butt line.",
            "Lay the bow on a plain cloth of another colour, keep tape and shadows off that "
            "side, or mark the edge by hand.",
        )

    def _stretch(self, part: Part, is_limb: bool) -> tuple[float, float]:
        """The measured stretch along a part: from the butt line away from the other part."""
        butt, direction = self.butt_mm, 1.0
        if not is_limb:
            on_limb = self.limb.axis.to_surface(np.array([self.butt_mm]), np.array([0.0]))
            there = part.surface.from_pixels(self.limb.surface.to_pixels(on_limb))
            butt, direction = float(part.axis.from_surface(there)[0, 0]), -1.0
        ends = butt + direction * np.array([CLEAR_OF_BUTT_MM, CLEAR_OF_BUTT_MM + STRETCH_MM])
        return float(ends.min()), float(ends.max())

    def _below_the_limb(self, name: str, frame: StripFrame, along: tuple[float, float]) -> Line:
        """Where a riser's side is expected: in line with the limb's, on the riser's surface."""
        above = self.edges[name.replace("riser", "limb")]
        points = frame.from_surface(self.riser.surface.from_pixels(above.end_pixels))
        slope = (points[1, 1] - points[0, 1]) / (points[1, 0] - points[0, 0])
        middle = (along[0] + along[1]) / 2
        return Line(float(points[0, 1] + slope * (middle - points[0, 0])), float(slope), middle)

    def _chosen(
        self,
        name: str,
        part: Part,
        frame: StripFrame,
        along: tuple[float, float],
        candidates: list[Candidate],
        hinted: bool,
    ) -> Candidate:
        """The face's edge among the candidates; warns where it may be another."""
        kind = name.split("_")[0]
        is_limb = kind == "limb"
        wall_slope = _wall_slope(part, frame, candidates[0].line.offset_mm)
        chosen, rivals = choose(candidates, wall_slope * DEEPEST_WALL_MM)
        if wall_slope * SHALLOWEST_WALL_MM["limb"] < NO_WALL_MM:
            chosen = self._over_the_round(name, np.array(along), chosen, candidates)
        if is_limb and chosen is candidates[0]:
            chosen = self._above_the_riser(name, frame, along, candidates)
        if hinted:
            self._may_be_riser.discard(name)
            return chosen
        doubtful = False
        if not is_limb:
            chosen, doubtful = self._above_a_prop(part, frame, along, chosen, candidates)

        clear = [
            r
            for r in rivals
            if r.merit > RIVAL_SHARE[kind] * chosen.merit
            and abs(r.line.offset_mm - chosen.line.offset_mm) > ARRIS_MM
            and not (is_limb and self._is_riser_beside(frame, along, chosen, r))
        ]
        ends = np.array(along)
        self.rivals[name] = self.rivals.get(name, []) + [
            Rival(r.line.at(ends) - chosen.line.at(ends), r.merit / chosen.merit) for r in clear
        ]
        if clear:
            apart = clear[0].line.offset_mm - chosen.line.offset_mm
            where = "outside" if apart > 0 else "inside"
            self._warn(
                "edge_ambiguous",
                f"Another line {abs(apart):.1f} mm {where} the {_words(name)} may be it instead.",
                LAY,
            )
        elif doubtful:
            self._warn(
                "edge_ambiguous",
                f"What lies just inside the {_words(name)} has another colour than the riser's "
                "face: it may be something else that lies there.",
                LOOK,
            )
        wall_mm = wall_slope * USUAL_WALL_MM[kind]
        blended = is_limb and BLENDED_WALL_MM[0] < wall_mm < BLENDED_WALL_MM[1]
        beyond = [
            c
            for c in candidates
            if c.line.offset_mm > chosen.line.offset_mm + 0.15
            and c.change > FAINT_SHARE * chosen.change
        ]
        least_wall = wall_slope * SHALLOWEST_WALL_MM[kind]
        unseen = least_wall > WALL_SEEN_MM and not beyond
        if blended or unseen:
            self.rivals[name].append(Rival(np.full(2, -wall_mm), WALL_SHARE))
        if unseen:
            self._warn(
                "wall_may_show",
                f"The camera looks at the wall of the {_words(name)}, and it cannot be told from "
                "the face: the edge may lie further in.",
                "Retake from straight above the seam, or mark the edge by hand.",
            )
        return chosen

    def _over_the_round(
        self, name: str, ends: Array, chosen: Candidate, candidates: list[Candidate]
    ) -> Candidate:
        """The end of a rounded arris whose beginning shows as a line, too.

        Where the camera does not see the wall nothing else lies so near beside a riser. Beside
        a limb the riser may: the outer line is a rival then.
        """
        outer = next(
            (
                c
                for c in candidates
                if ROUND_MM[0] < c.line.offset_mm - chosen.line.offset_mm < ROUND_MM[1]
                and c.merit > ROUND_SHARE * chosen.merit
            ),
            None,
        )
        if outer is None:
            return chosen
        if name.startswith("riser"):
            return outer
        apart = outer.line.at(ends) - chosen.line.at(ends)
        self.rivals.setdefault(name, []).append(Rival(apart, outer.merit / chosen.merit))
        return chosen

    def _above_the_riser(
        self,
        name: str,
        frame: StripFrame,
        along: tuple[float, float],
        candidates: list[Candidate],
    ) -> Candidate:
        """The limb's edge where a riser that stands out under it ends in a stronger line.

        A weaker line further in is the limb's edge if what lies between the two has the
        riser's tint and not the limb's.
        """
        strongest = candidates[0]
        outer = strongest.line.offset_mm
        if blur_mm(self.scene, self.limb) > COARSE_BLUR_MM:
            self._may_be_riser.add(name)
        inside = [
            c
            for c in candidates[1:]
            if c.change > FAINT_SHARE * strongest.change
            and SLIVER_MM < outer - c.line.offset_mm < PROUD_UNDERNEATH_MM
        ]
        limb_colour, known = self._limb_colour(frame, along), self._riser_colours
        if limb_colour is None or not known:
            self._may_be_riser.add(name)
            return strongest
        if inside or min(tint_distance(limb_colour, c) for c in known) < LEAST_TINT_CHANGE:
            self._may_be_riser.add(name)

        def strip_at(
            from_mm: float, to_mm: float, where: tuple[float, float] = along
        ) -> Array | None:
            return self._colour(self.limb, frame, where, (from_mm, to_mm))

        for inner in sorted(inside, key=lambda c: -c.change):
            middle = (inner.line.offset_mm + outer) / 2
            if inner.change > TINT_SHARE * strongest.change and is_riser(
                strip_at(middle - 0.12, middle + 0.12), limb_colour, known
            ):
                self._may_be_riser.discard(name)
                return inner
        # A limb that sits askew may bare the riser at one end only, and by so little that its
        # light and the limb's run into one another.
        for start, end in itertools.pairwise(np.linspace(along[0], along[1], 4).tolist()):
            side = float(strongest.line.at(np.array((start + end) / 2)))
            strips = [(a, strip_at(side - a, side - b, (start, end))) for a, b in SLIVER_STRIPS_MM]
            bared = [
                a
                for a, strip in strips
                if is_riser(strip, limb_colour, known) or holds_riser(strip, limb_colour, known)
            ]
            if not bared:
                continue
            share = (np.array([start, end]) - along[0]) / (along[1] - along[0])
            # Bared at one end, it is so less and less toward the other.
            lever = np.array([1 - share[0], share[1]])
            self._slivers[name] = Rival(-bared[0] * lever, 1.0)
            break
        return strongest

    def _limb_colour(self, frame: StripFrame, along: tuple[float, float]) -> Array | None:
        """Colour of the limb's face near a side: it lies bare between the bolt and there."""
        return self._colour(self.limb, frame, along, (12.5, 16.0))

    @cached_property
    def _riser_colours(self) -> list[Array]:
        """Colours of the riser's face at its two sides: it lies bare beside card B."""
        found = [
            self._colour(self.riser, self.riser.side(side), (-60.0, 60.0), (14.8, 16.8))
            for side in ("riser_left", "riser_right")
        ]
        return [c for c in found if c is not None]

    def _is_riser_beside(
        self, frame: StripFrame, along: tuple[float, float], chosen: Candidate, other: Candidate
    ) -> bool:
        """Whether what shows between a limb's edge and a line further out is the riser."""
        apart = other.line.offset_mm - chosen.line.offset_mm
        if not SLIVER_MM < apart < PROUD_UNDERNEATH_MM:
            return False
        limb, risers = self._limb_colour(frame, along), self._riser_colours
        if limb is None or not risers:
            return False
        middle = chosen.line.offset_mm + apart / 2
        between = self._colour(self.limb, frame, along, (middle - 0.12, middle + 0.12))
        return is_riser(between, limb, risers)

    def _above_a_prop(
        self,
        part: Part,
        frame: StripFrame,
        along: tuple[float, float],
        chosen: Candidate,
        candidates: list[Candidate],
    ) -> tuple[Candidate, bool]:
        """The riser's edge where a block that props it up, or another thing, ends further out.

        A line further in is the riser's edge if what is beyond it has another tint than the
        riser's face, as its wall would not: quite another, or the line lies nearer to the
        limb's own side. Also tells whether a tint between leaves it in doubt.
        """
        doubtful = False
        inside = [
            c
            for c in candidates
            if c.change > PROP_SHARE * chosen.change
            and PROP_SEEN_MM[0] < chosen.line.offset_mm - c.line.offset_mm < PROP_SEEN_MM[1]
        ]
        for inner in sorted(inside, key=lambda c: -c.merit):
            edge = inner.line.offset_mm
            face = self._colour(part, frame, along, (edge - 1.6, edge - 0.5))
            beyond = self._colour(part, frame, along, (edge + 0.3, chosen.line.offset_mm - 0.3))
            if face is None or beyond is None:
                continue
            tint = tint_distance(face, beyond)
            nearer = inner.weight > PROP_WEIGHT_GAIN * chosen.weight
            if tint > OTHER_THING_TINT or (nearer and tint > PROP_TINT_CHANGE):
                return inner, doubtful
            doubtful = doubtful or tint > DOUBTFUL_TINT
        return chosen, doubtful

    def _colour(
        self,
        part: Part,
        frame: StripFrame,
        along_mm: tuple[float, float],
        outward_mm: tuple[float, float],
    ) -> Array | None:
        return colour(self.scene.picture, part.surface, frame, along_mm, outward_mm, self.keep_out)

    def _warn_of_slivers(self) -> None:
        """Warn where a sliver of the riser or of the limb's own wall may show beside its face."""
        for name, sliver in self._slivers.items():
            frame, edge = self.limb.side(name), self.edges[name]
            wall_mm = max(BUTT_THICKNESSES_MM) * _wall_slope(self.limb, frame, edge.line.offset_mm)
            hidden = bool(np.all(self._riser_seen_mm(name).max(axis=1) < -HIDDEN_MM))
            if hidden and wall_mm < WALL_SEEN_MM:
                continue
            self.rivals.setdefault(name, []).append(sliver)
            self._warn(
                "edge_ambiguous",
                f"What lies just inside the {_words(name)} looks like the limb's wall: "
                "the limb may end further in."
                if hidden
                else f"What lies just inside the {_words(name)} looks like the riser: "
                "the limb may end further in.",
                "Focus on the seam and retake, or mark the edge by hand.",
            )

    def _warn_where_the_riser_may_show(self) -> None:
        """Warn where a limb's edge lies on the riser's outline and nothing tells them apart."""
        for name in sorted(self._may_be_riser):
            seen = self._riser_seen_mm(name)
            on_outline = (seen.min(axis=1) < OUTLINE_MM) & (seen.max(axis=1) > -OUTLINE_MM)
            if np.any(on_outline):
                self._warn(
                    "riser_may_show",
                    f"On the {_words(name)}, limb and riser lie one over the other and can "
                    "hardly be told apart: if the riser stands out there, its edge was measured.",
                    "Feel for a lip with a fingernail, and mark the limb's edge by hand if there "
                    "is one.",
                )

    def _warn_of_uneven_edges(self) -> None:
        for name in SIDES:
            edge = self.edges[name]
            if edge.kept_share < 0.6 or edge.scatter_mm > 0.15:
                self._warn(
                    "edge_uneven",
                    f"The {_words(name)} is uneven: places along it lie about "
                    f"{edge.scatter_mm:.2f} mm off a straight line, and "
                    f"{1 - edge.kept_share:.0%} of them much further."
                    if edge.kept_share < ALL_KEPT
                    else f"The {_words(name)} is uneven: places along it lie about "
                    f"{edge.scatter_mm:.2f} mm off a straight line.",
                    "Look at the drawn edge; clean the edge, light it evenly, or mark it by hand.",
                )

    def _warn(self, code: str, message: str, advice: str) -> None:
        self.warnings.append(Note(code, message, advice))


def _wall_slope(part: Part, frame: StripFrame, side_mm: float) -> float:
    """How wide the wall below a side shows beside the face, per depth; zero if it does not."""
    camera = camera_in_card(part.surface.pose)
    aside = frame.from_surface(camera[None, :2])[0, 1] - side_mm
    return max(0.0, float(aside / -camera[2]))


def _hint_line(points: Array, usual: tuple[float, float]) -> tuple[Line, tuple[float, float]]:
    """Line through hinted points, and the stretch to measure: between them, if long enough."""
    spot, direction = orthogonal_line(points)
    length = float(np.ptp(points[:, 0]))
    if length < HINT_SHORTEST_MM or abs(direction[0]) < abs(direction[1]):
        middle = (usual[0] + usual[1]) / 2
        return Line(float(spot[1]), 0.0, middle), usual
    slope = float(direction[1] / direction[0])
    along = (float(np.min(points[:, 0])), float(np.max(points[:, 0])))
    middle = (along[0] + along[1]) / 2
    return Line(float(spot[1] + slope * (middle - spot[0])), slope, middle), along


def _words(name: str) -> str:
    part, side = name.split("_")
    return f"{side} side of the {part}"
