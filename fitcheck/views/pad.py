"""View ``pad``: limb off, looking at the riser's end along the pad, card C standing across it.

Pad squareness is the roll of the pad's cross line, on which the card stands, against square
to the riser's two sides. Looking back toward the grip, the pad's right lies at the picture's
left; positive means the right side high.

**Lean.** The end face, whose sides are seen, lies near the card's plane and not parallel to
it. A face that lies a little before the plane makes no angle: that is a homothety about the
camera's foot point. A card that leans by α against the face does: a side at c of the camera's
distance beside the camera's foot seems turned by α·c. The same for both sides would be
squareness; that it differs for the two, by α·(c_left − c_right), tells α, since a riser's
sides are parallel. Each angle is therefore the weighted sum of the two sides' seen angles
that is least uncertain, given how cards are set, how parallel sides are and how well each
side was seen (best linear unbiased estimate). With the camera straight before the middle the
weights are a half each and the lean drops out.

**Cut and fold.** What the card's lower edge is against its print is measured where the edge
is seen, see :mod:`fitcheck.views.pad_front`, and enters as ``card_base``. It can be cancelled
altogether: print card C twice, glue both prints back to back on one board with one lower
edge, take the photograph, turn the card end for end and take it again. The lower edge's error
then changes its sign, the mean of the two is the squareness, and half their difference is the
card's own error.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from fitcheck.adjustment import draw_lens, draw_pose
from fitcheck.camera import camera_in_card, pixels_to_card, rays
from fitcheck.edges import MeasuredEdge, Rival, draw_rivals
from fitcheck.errors import Refused
from fitcheck.lines import ALL_KEPT
from fitcheck.measurement import Note
from fitcheck.side_blocks import ARRIS_MM
from fitcheck.strips import Line
from fitcheck.uncertainty import DRAWS, Model, Quantities, Source, draw_correlated
from fitcheck.views.pad_front import (
    CARD,
    BaseLine,
    Setback,
    base_y_mm,
    find_base_line,
    find_setback,
    middle_x_mm,
)
from fitcheck.views.pad_lines import SIDES
from fitcheck.views.pad_sides import (
    CARD_LEAN_SD_DEG,
    LEAN_SD_DEG,
    TAPER_SD_DEG,
    EndSide,
    SideFinder,
)
from fitcheck.views.view import Scene, View, ViewResult, Wording

Array = NDArray[np.float64]

STEEPEST_DEG = 40.0
# A hand-made side is not quite straight, nor is the light along it.
WAVINESS_MM = 0.008
# Grain that wanders over more than the measured stretch cannot be told from a turned side:
# the ends wander as far as the blocks scatter. Seen in errors against known truth.
WANDER_OF_SCATTER = 1.0
TONE_BIAS_PX = 0.03  # left after linearising the picture
# How the fold rests on the pad: 0.015 mm of dust or fibre under one end of 42 mm. Common
# experience, no source.
RESTS_SD_DEG = 0.02
WALL_REACH_MM = 8.0  # beside the riser, where its walls may hide the card's lower edge
ARRIS_CLEAR_MM = 1.5

# What pads hardly are; common practice, no source.
ODD_SQUARENESS_DEG = 3.0
USUAL_WIDTH_MM = (30.0, 56.0)
ODD_LEAN_DEG = 6.0
FAR_OFF_CENTRE_MM = 1.5  # of the card: its mark is set on the centreline to about 1 mm
ODD_TAPER_SDS = 3.0
SIDEWAYS_SD_DEG = 0.15
UNEVEN_SHARE, UNEVEN_MM = 0.6, 0.15
ASKEW_DEG = 0.1
FAR_BACK_MM = 8.0  # cards are set 0 to 6 mm from the end
MAY_BE_FAR_BACK = 0.05  # probability; before anything is seen it is a third of that
LEAST_STRIP_PER_MM = 0.05  # lower, a card far back looks like one that stands where it should

# The part of a taper that each target holds: half on the left, minus half on the right.
TARGETS = {"pad_squareness": 0.0, "squareness_left": 0.5, "squareness_right": -0.5}


def look(scene: Scene, rng: np.random.Generator) -> ViewResult:
    """Find the riser's sides below the card and prepare the pad's characteristics.

    Parameters
    ----------
    scene
        The photograph with card C.
    rng
        For the draws of the uncertainty sources.

    Returns
    -------
    Edges, model and sources.

    Raises
    ------
    Refused
        ``too_oblique``, or as :meth:`SideFinder.find`.
    """
    warnings: list[Note] = []
    _check_obliqueness(scene)
    finder = SideFinder(scene, warnings)
    sides = finder.find()
    pad = _Pad(scene, finder, sides)
    best, sources = pad.quantities(rng)
    model = pad.model()
    warnings += pad.doubts(model({name: np.asarray(v)[None] for name, v in best.items()}))
    edges = {name: _as_edge(finder, side) for name, side in sides.items()}
    return ViewResult(
        edges=edges,
        hinted=frozenset(scene.hints) & frozenset(edges),
        model=model,
        best=best,
        sources=sources,
        warnings=warnings,
    )


def best_weights(
    beside: Array, side_variance: Array, lean_variance: float, taper_variance: float, share: float
) -> Array:
    """Weights of the two sides' seen angles for the least uncertain angle.

    A side's seen angle is the true one, plus the lean times ``beside``, plus its own error.
    The true ones are the pad's angle plus and minus half the taper.

    Parameters
    ----------
    beside
        Of the left and the right side: distance beside the camera's foot point over the
        camera's distance, shape (2,).
    side_variance
        Variance of either side's own error, shape (2,).
    lean_variance, taper_variance
        Prior variances of lean and taper, same unit.
    share
        Share of the taper in the angle that is wanted: 0 for the bisector, 0.5 for the left
        side, -0.5 for the right.

    Returns
    -------
    Weights, shape (2,); their sum is 1, so that the estimate is unbiased whatever the
    pad's angle (Gauss–Markov).
    """
    taper = np.array([0.5, -0.5])
    spread = (
        np.diag(side_variance)
        + lean_variance * np.outer(beside, beside)
        + taper_variance * np.outer(taper, taper)
    )
    system = np.block([[spread, np.ones((2, 1))], [np.ones((1, 2)), np.zeros((1, 1))]])
    target = np.append(taper_variance * share * taper, 1.0)
    return np.asarray(np.linalg.solve(system, target)[:2])


class _Pad:
    """What was found, and the model from it to the characteristics."""

    def __init__(self, scene: Scene, finder: SideFinder, sides: dict[str, EndSide]) -> None:
        self.scene = scene
        self.finder = finder
        self.sides = sides
        self.place = scene.places[CARD]
        self.pixels = {n: _end_pixels(finder, side) for n, side in sides.items()}
        self.ends = {n: self._end_covariance(side) for n, side in sides.items()}
        ends_mm = np.stack([finder.face.surface.from_pixels(self.pixels[n]) for n in SIDES])
        seen = _lean(np.moveaxis(ends_mm, -1, 0))
        self.beside = (
            ends_mm[..., 0].mean(axis=1) - finder.face.camera[0]
        ) / finder.face.in_front_mm
        own = np.array([self._angle_variance(n) for n in SIDES])
        lean, taper = np.radians(LEAN_SD_DEG) ** 2, np.radians(TAPER_SD_DEG) ** 2
        self.weights = {
            target: best_weights(self.beside, own, lean, taper, share)
            for target, share in TARGETS.items()
        }
        apart = self.beside[0] - self.beside[1]
        unsure = float(own.sum()) + taper
        self.lean_share = lean * apart**2 / (lean * apart**2 + unsure)
        self.lean = float(self.lean_share * (seen[0] - seen[1]) / apart)
        self.taper_seen = float(seen[0] - seen[1])
        self.taper_usual = float(np.sqrt(lean * apart**2 + unsure))
        # How much of what the sides are seen to run apart is so, and not their own errors.
        self.apart_share = 1 - float(own.sum()) / self.taper_usual**2
        low, high = float(ends_mm[1, :, 0].mean()), float(ends_mm[0, :, 0].mean())
        # Of the lean against the face, the part that the card has against the pad.
        of_card = np.radians(CARD_LEAN_SD_DEG) ** 2
        card_lean = float(of_card * apart * self.taper_seen / self.taper_usual**2)
        card_lean_sd = float(np.sqrt(of_card - (of_card * apart / self.taper_usual) ** 2))
        self.base: BaseLine = find_base_line(scene, (low - WALL_REACH_MM, high + WALL_REACH_MM))
        self.setback: Setback = find_setback(
            scene,
            self.base,
            (low + ARRIS_CLEAR_MM, high - ARRIS_CLEAR_MM),
            -min(side.along_mm[0] for side in sides.values()) - ARRIS_CLEAR_MM,
            card_lean,
            card_lean_sd,
        )

    def quantities(self, rng: np.random.Generator) -> tuple[Quantities, list[Source]]:
        """Best estimates and the draws of every source."""
        adjustment, setup = self.scene.adjustment, self.scene.setup
        best: Quantities = {
            "camera": adjustment.parameters,
            "print_scale": np.zeros(2),
            "base_tilt": np.array(self.base.tilt),
            "lean": np.array(0.0),
            "taper": np.array(0.0),
            "setback": np.array(self.setback.middle_mm),
            "skew": np.array(self.setback.skew),
            "edges": np.zeros((2, 2)),
            "tone": np.array(0.0),
            "arris": np.zeros(2),
        }

        def normal(*shape: int) -> Array:
            return np.asarray(rng.standard_normal((DRAWS, *shape)))

        total, held = adjustment.covariance, adjustment.lens_held()
        ends = np.stack([draw_correlated(rng, self.ends[n], DRAWS) for n in SIDES], axis=1)
        px_per_mm = float(adjustment.lens.focal_px / adjustment.pose(self.place).origin_cam[2])
        arris = np.array([self.sides[n].fit.arris_sd_mm for n in SIDES])
        rests = np.radians(RESTS_SD_DEG)
        sources = [
            Source("lens", {"camera": draw_correlated(rng, total - held, DRAWS)}),
            Source("pose", {"camera": draw_correlated(rng, held, DRAWS)}),
            Source("print_scale", {"print_scale": setup.print_scale_sd * normal(2)}),
            Source("card_base", {"base_tilt": np.hypot(self.base.tilt_sd, rests) * normal()}),
            Source("card_lean", {"lean": np.radians(LEAN_SD_DEG) * normal()}),
            Source("sides_parallel", {"taper": np.radians(TAPER_SD_DEG) * normal()}),
            Source("edge", {"edges": ends, "tone": TONE_BIAS_PX / px_per_mm * normal()}),
            Source("arris", {"arris": arris * normal(2)}),
            Source(
                "setback",
                {
                    "setback": self.setback.draw_off(rng, DRAWS),
                    "skew": self.setback.skew_sd * normal(),
                },
            ),
        ]
        rivals = [Rival(self._apart(lines), likely) for lines, likely in self.finder.rivals]
        off_centre = abs(self._off_centre_mm())
        if off_centre > FAR_OFF_CENTRE_MM:
            # Either the card stands there, or one of the sides lies twice as far from where it is.
            one_side = np.repeat(np.eye(2)[:, :, None], 2, axis=2)
            rivals += [
                Rival(2 * off_centre * side, 0.5)
                for name, side in zip(SIDES, one_side, strict=True)
                if name not in self.scene.hints
            ]
        if rivals:
            sources.append(Source("other_line", {"edges": draw_rivals(rng, rivals, DRAWS)}))
        return best, sources

    def _apart(self, lines: dict[str, Line]) -> Array:
        """How far outward of the sides other lines for them lie at the sides' ends, mm, (2, 2)."""
        apart = np.zeros((len(SIDES), 2))
        for i, name in enumerate(SIDES):
            if name in lines:
                side = self.sides[name]
                ends = np.array(side.along_mm)
                apart[i] = lines[name].at(ends) - side.fit.line.at(ends)
        return apart

    def model(self) -> Model:
        """From the quantities to the characteristics."""
        middle = np.array([middle_x_mm(self.scene.setup), base_y_mm(self.scene.setup)])
        ends = np.concatenate([self.pixels[n] for n in SIDES])
        outward = np.stack([self.sides[n].frame.outward for n in SIDES], axis=1)[:, None, :, None]
        rises = np.sign([self.sides[n].fit.rise for n in SIDES])

        def model(q: Quantities) -> dict[str, Array]:
            lens, pose = draw_lens(q["camera"]), draw_pose(q["camera"], self.place)
            camera = camera_in_card(pose).T[..., None, None]
            directions = (rays(ends, lens) @ pose.card2cam).transpose(2, 0, 1)
            directions = np.ascontiguousarray(directions).reshape(3, -1, 2, 2)
            scale = 1 + q["print_scale"].T[..., None, None]
            shift = q["edges"] + (q["arris"] + q["tone"][:, None] * rises)[..., None]

            def met(depth: Array) -> Array:
                """Ends of the sides where their rays meet a depth: (x y z, draws, sides, ends)."""
                points = camera + (depth - camera[2]) / directions[2] * directions
                points[:2] = (points[:2] + shift * outward) * scale
                return np.asarray(points)

            flat = -q["setback"][:, None, None]
            on_plane = met(flat)
            seen = _lean(on_plane)
            centres = _middle(on_plane)
            beside = (centres[0] - camera[0, ..., 0] * scale[0, ..., 0]) / (flat - camera[2])[
                ..., 0
            ]

            results = {}
            for target, weights in self.weights.items():
                lean = seen @ weights
                lean = lean + q["lean"] * (beside @ weights)
                unparallel = weights @ np.array([0.5, -0.5]) - TARGETS[target]
                lean = lean + q["taper"] * unparallel
                # As seen from the tip side the frame's right is left: the sign turns.
                results[target] = np.degrees(q["base_tilt"] - lean)

            skew = q["skew"][:, None, None]
            width = _width(met(flat - skew * (on_plane[0] - middle[0])))
            # It is seen below the pad. That the sides run apart going up is followed to the pad
            # as far as it is surely seen, be it taper or lean; the rest is as sides usually are.
            below = _middle(centres[1]) - middle[1]
            unseen = q["lean"] * (beside[:, 0] - beside[:, 1]) + q["taper"]
            apart = seen[:, 0] - seen[:, 1]
            apart = self.apart_share * apart + (1 - self.apart_share) * unseen
            results["riser_width"] = width + apart * below
            return results

        return model

    def doubts(self, values: dict[str, Array]) -> list[Note]:
        """Warn of what a pad hardly is, and of what the photograph shows poorly."""
        found = {name: float(value[0]) for name, value in values.items()}
        return [*self._odd_results(found), *self._poor_sight(), *self._odd_card()]

    def _off_centre_mm(self) -> float:
        """How far the middle between the sides lies from the card's centre mark."""
        adjustment = self.scene.adjustment
        lens, pose = adjustment.lens, adjustment.pose(self.place)
        depth = -self.setback.middle_mm
        sides = [pixels_to_card(self.pixels[n], lens, pose, depth)[:, 0].mean() for n in SIDES]
        return float(np.mean(sides)) - middle_x_mm(self.scene.setup)

    def _odd_results(self, found: dict[str, float]) -> list[Note]:
        notes = []
        if abs(found["pad_squareness"]) > ODD_SQUARENESS_DEG:
            notes.append(
                Note(
                    "squareness_unusual",
                    f"The pad comes out {abs(found['pad_squareness']):.1f}° off square, which is "
                    "unusual.",
                    "See that the fold lies on the pad along its whole width, look at the drawn "
                    "edges, and retake.",
                )
            )
        off_centre = abs(self._off_centre_mm())
        if off_centre > FAR_OFF_CENTRE_MM:
            notes.append(
                Note(
                    "card_off_centre",
                    f"The middle between the sides found lies {off_centre:.1f} mm beside the "
                    "card's centre mark: the card stands off the centreline, or one of the two "
                    "is not the riser's side.",
                    "Look at the drawn edges; if one is wrong, mark it by hand. If both are "
                    "right, the result is not harmed.",
                )
            )
        if not USUAL_WIDTH_MM[0] <= found["riser_width"] <= USUAL_WIDTH_MM[1]:
            notes.append(
                Note(
                    "width_unusual",
                    f"The riser comes out {found['riser_width']:.1f} mm wide, which is unusual.",
                    "Check the width with a caliper; if it is wrong, look at the drawn edges and "
                    "mark them by hand.",
                )
            )
        if abs(self.taper_seen) > ODD_TAPER_SDS * self.taper_usual:
            notes.append(
                Note(
                    "sides_disagree",
                    f"The two sides are seen {np.degrees(abs(self.taper_seen)):.1f}° out of "
                    "parallel, more than a leaning card explains: one edge may be wrong.",
                    "Look at the drawn edges, mark the wrong one by hand, or retake with the "
                    "card upright.",
                )
            )
        return notes

    def _poor_sight(self) -> list[Note]:
        notes = []
        weights = self.weights["pad_squareness"]
        through_lean = LEAN_SD_DEG * abs(float(weights @ self.beside))
        through_taper = TAPER_SD_DEG * abs(float(weights[0] - weights[1])) / 2
        # One side that shows poorly unsettles the weights, too: that is said of the side.
        aside = LEAN_SD_DEG * abs(float(np.mean(self.beside)))
        if np.hypot(through_lean, through_taper) > SIDEWAYS_SD_DEG and aside > SIDEWAYS_SD_DEG / 2:
            notes.append(
                Note(
                    "camera_to_the_side",
                    "The photograph was taken from too far to one side: how the card leans is "
                    "most of the uncertainty.",
                    "Retake from straight in front of the riser's end.",
                )
            )
        for name, side in self.sides.items():
            fit = side.fit
            if not side.faint and (fit.kept_share < UNEVEN_SHARE or fit.scatter_mm > UNEVEN_MM):
                notes.append(
                    Note(
                        "edge_uneven",
                        f"The riser's {name.removeprefix('riser_')} side is uneven: places "
                        f"along it lie about {fit.scatter_mm:.2f} mm off a straight line, and "
                        f"{1 - fit.kept_share:.0%} of them much further."
                        if fit.kept_share < ALL_KEPT
                        else f"The riser's {name.removeprefix('riser_')} side is uneven: places "
                        f"along it lie about {fit.scatter_mm:.2f} mm off a straight line.",
                        "Look at the drawn edge; clean the edge, light it evenly, or mark it by "
                        "hand.",
                    )
                )
        return notes

    def _odd_card(self) -> list[Note]:
        notes = []
        if abs(self.lean) > np.radians(ODD_LEAN_DEG):
            notes.append(
                Note(
                    "card_leans",
                    f"Card C leans {np.degrees(abs(self.lean)):.0f}° against the riser's end.",
                    "Fold its tab to a right angle so that it stands upright, and retake.",
                )
            )
        if self.base.seen and abs(self.base.tilt) > np.radians(ASKEW_DEG):
            notes.append(
                Note(
                    "card_cut_askew",
                    f"Card C's lower edge runs {np.degrees(abs(self.base.tilt)):.2f}° off its "
                    "print; this was allowed for.",
                    "Fold it again along the printed line, or print and cut a new one.",
                )
            )
        if self.setback.middle_mm > FAR_BACK_MM:
            notes.append(
                Note(
                    "card_far_back",
                    f"Card C stands about {self.setback.middle_mm:.0f} mm from the pad's end.",
                    "Stand it about 3 mm from the end: the width is surer there.",
                )
            )
        elif self.setback.beyond(FAR_BACK_MM) > MAY_BE_FAR_BACK:
            notes.append(
                Note(
                    "card_far_back",
                    f"Card C may stand more than {FAR_BACK_MM:.0f} mm from the pad's end, and the "
                    "width hangs on it.",
                    "See that it stands about 3 mm from the end, and retake from a little higher.",
                )
            )
        elif self.setback.strip_per_mm < LEAST_STRIP_PER_MM:
            notes.append(
                Note(
                    "pad_hardly_seen",
                    "From so low the pad can hardly be seen: how far card C stands from its end "
                    "was taken as usual, and the width hangs on it.",
                    "See that it stands about 3 mm from the end, and retake from a little higher.",
                )
            )
        if self.setback.no_pad:
            notes.append(
                Note(
                    "pad_not_seen",
                    "No pad is seen before the card's base: the card may not stand on the pad.",
                    "Stand card C on its fold on the pad, about 3 mm from the pad's end, and "
                    "retake.",
                )
            )
        return notes

    def _end_covariance(self, side: EndSide) -> Array:
        """Covariance of the outward position at the two ends, waviness included, (2, 2)."""
        lever = _lever(side)
        wander = WAVINESS_MM**2 + (WANDER_OF_SCATTER * side.fit.scatter_mm) ** 2
        return np.asarray(lever @ side.fit.covariance @ lever.T + wander * np.eye(2))

    def _angle_variance(self, name: str) -> float:
        side = self.sides[name]
        step = np.array([-1.0, 1.0]) / (side.along_mm[1] - side.along_mm[0])
        return float(step @ self.ends[name] @ step)


def _lever(side: EndSide) -> Array:
    ends = np.array(side.along_mm) - side.fit.line.middle_mm
    return np.stack([np.ones(2), ends], axis=1)


def _end_pixels(finder: SideFinder, side: EndSide) -> Array:
    """A side's ends in the picture, the lower first, shape (2, 2)."""
    ends = np.array(side.along_mm)
    points = side.frame.to_surface(ends, side.fit.line.at(ends))
    return np.asarray(finder.face.surface.to_pixels(points))


def _as_edge(finder: SideFinder, side: EndSide) -> MeasuredEdge:
    lever = _lever(side)
    return MeasuredEdge(
        line=side.fit.line,
        along_mm=side.along_mm,
        end_pixels=_end_pixels(finder, side),
        end_covariance_mm2=lever @ side.fit.covariance @ lever.T,
        offset_sd_mm=side.fit.arris_sd_mm,
        scatter_mm=side.fit.scatter_mm,
        kept_share=side.fit.kept_share,
        rise=side.fit.rise,
        radius_mm=ARRIS_MM,
        misfit=0.0,
    )


def _lean(ends_mm: Array) -> Array:
    """Seen angle of a side against the card's upright, radians; (x y, ..., 2), lower end first.

    Positive where it moves to the right as seen going up. Card y runs down.
    """
    run = ends_mm[..., 1] - ends_mm[..., 0]
    return np.asarray(np.arctan2(run[0], -run[1]))


def _middle(both: Array) -> Array:
    """Mean of two, (..., 2): ten times as fast as NumPy's over so short an axis."""
    return np.asarray((both[..., 0] + both[..., 1]) / 2)


def _width(ends_mm: Array) -> Array:
    """Distance of the two sides, square to both, from their ends, (x y z, draws, 2, 2)."""
    runs = ends_mm[..., 1] - ends_mm[..., 0]
    runs /= np.linalg.norm(runs, axis=0)
    along = _middle(runs)
    along /= np.linalg.norm(along, axis=0)
    middles = _middle(ends_mm)
    across = middles[..., 0] - middles[..., 1]
    across -= np.sum(across * along, axis=0) * along
    return np.asarray(np.linalg.norm(across, axis=0))


def _check_obliqueness(scene: Scene) -> None:
    camera = camera_in_card(scene.adjustment.pose(scene.places[CARD]))
    foot = np.array([middle_x_mm(scene.setup), base_y_mm(scene.setup)])
    aside = float(np.linalg.norm(camera[:2] - foot))
    lean = float(np.degrees(np.arctan2(aside, -camera[2])))
    if camera[2] > 0 or lean > STEEPEST_DEG:
        raise Refused(
            "too_oblique",
            f"The photograph looks at the card from {lean:.0f}° off square.",
            "Hold the phone straight in front of the riser's end, a little above the pad, "
            "and retake.",
        )


PAD = View(
    name="pad",
    title="Limb pad",
    cards=(CARD,),
    optional_cards=(),
    edges=SIDES,
    units={
        "pad_squareness": "deg",
        "squareness_left": "deg",
        "squareness_right": "deg",
        "riser_width": "mm",
    },
    how_to=(
        "Unstring the bow and take the limb off. Wipe the pad clean.",
        "Stand card C on its fold across the pad, 3 mm from the pad's end, printed side toward "
        "the end, its mark on the centreline. See that no light shows under the fold.",
        "Set the riser on a plain ground of another colour, its end clear of everything.",
        "Hold the phone straight in front of the riser's end, about 25 cm away and a little "
        "above the pad, with the whole card and the whole end face in the picture.",
        "Tap to focus on the card, hold still, and take the photograph at full resolution.",
    ),
    look=look,
    wording={
        "pad_squareness": Wording(
            "Pad squareness",
            "How far the pad’s cross line is from square to the riser’s sides.",
            "right side high",
            "left side high",
        ),
        "squareness_left": Wording(
            "Squareness to the left side",
            "How far the pad’s cross line is from square to the riser’s left side.",
            "right side high",
            "left side high",
        ),
        "squareness_right": Wording(
            "Squareness to the right side",
            "How far the pad’s cross line is from square to the riser’s right side.",
            "right side high",
            "left side high",
        ),
        "riser_width": Wording(
            "Riser width", "Width of the riser: at the butt line, or at the end of a bare pad."
        ),
    },
    edge_names={
        "riser_left": "Riser, left edge",
        "riser_right": "Riser, right edge",
    },
    source_names={
        "card_base": "how the card was cut and folded",
        "card_lean": "how upright the card stands",
        "sides_parallel": "how parallel the sides are",
        "setback": "how far the card stands from the riser’s end",
        "other_line": "another line that may be the edge",
    },
)
