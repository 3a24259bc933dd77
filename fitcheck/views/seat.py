"""View ``seat``: facing the outer face of a limb that is bolted in its pocket.

Card A lies on the limb, card B on the riser beyond the butt line. The sides of the limb are
measured on A's surface, the sides of the riser on B's, and both are brought together in the
pad frame: x to the right as one faces the limb with its tip up, y along the riser's axis
toward the tip, z out of the face. The riser's axis is the bisector of its two sides.
Where B cannot lie on the riser, the riser's face is taken parallel to A's surface, at the
face step that was measured with a caliper.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fitcheck.adjustment import draw_lens, draw_pose
from fitcheck.camera import Pose, camera_in_card, pixels_to_card
from fitcheck.cards import CARDS
from fitcheck.edges import (
    Candidate,
    Line,
    MeasuredEdge,
    StripFrame,
    Surface,
    choose,
    colour,
    measure,
    search,
)
from fitcheck.errors import Refused
from fitcheck.lines import orthogonal_line
from fitcheck.measurement import Note
from fitcheck.setup import FACE_STEP_GIVEN_SD_MM
from fitcheck.uncertainty import DRAWS, Model, Quantities, Source, draw_correlated
from fitcheck.views.view import Scene, View, ViewResult

Array = NDArray[np.float64]

SIDES = ("limb_left", "limb_right", "riser_left", "riser_right")
WIDEST_HALF_MM = 45.0  # no pocket is 90 mm wide
NARROWEST_HALF_MM = 11.0  # a butt is wider than its bolt's washer
STRETCH_MM = 50.0  # of each side that is measured, from the butt line
CLEAR_OF_BUTT_MM = 6.0
DEEPEST_WALL_MM = 60.0  # of riser and limb together
PROUD_UNDERNEATH_MM = 3.0  # how far a riser may stand out under its limb
LIMB_TO_RISER_SD_MM = 2.5  # how far a riser's side is expected from the limb's
HINT_REACH_MM = 2.0
HINT_SHORTEST_MM = 8.0
RISER_PARALLEL_SD_DEG = 1.0  # riser's face against the limb's where no card B shows it
CARD_FLATNESS_MM = 0.05  # a card on stiff stock, pressed flat; common experience, no source
CARD_LEAN_DEG = 0.1  # the same card, across its height
CARD_PITCH_DEG = 0.05  # and along its length
# Neither a hand-made side nor the light along it is quite straight. Errors against known
# truth showed ends that wander by this much, well above the blocks' own scatter.
WAVINESS_MM = 0.03
TONE_BIAS_PX = 0.03  # left after linearising the picture
TINT_SHARE = 0.12  # of the strongest line: enough, if the tint says so too
LEAST_TINT_CHANGE = 0.2  # of the logarithm of the colours
BUTT_THICKNESSES_MM = (8.0, 12.0, 16.0, 20.0)  # common practice, no source
SLIVER_MM = 0.4  # wider than this it shows as a line of its own
BUTT_UNSURE_SD_MM = 6.0
BUTT_FOUND_SD_MM = 0.4
STEEPEST_DEG = 40.0


@dataclass(frozen=True, eq=False)
class _Part:
    """One part's face: its surface, a frame with *along* toward the tip, *outward* right."""

    card: str
    surface: Surface
    axis: StripFrame
    length_mm: float

    def side(self, name: str) -> StripFrame:
        """Frame of the left or right side: outward away from the part."""
        flip = -1.0 if name.endswith("left") else 1.0
        return StripFrame(self.axis.origin_mm, self.axis.along, flip * self.axis.outward)


def look(scene: Scene, rng: np.random.Generator) -> ViewResult:
    """Find the sides of limb and riser and prepare the seat's characteristics.

    Parameters
    ----------
    scene
        The photograph with card A, and B or a face step.
    rng
        For the draws of the uncertainty sources.

    Returns
    -------
    Edges, model and sources.

    Raises
    ------
    Refused
        If cards lie the wrong way, the view is too oblique or an edge cannot be found.
    """
    warnings: list[Note] = []
    limb, riser = _parts(scene, warnings)
    _check_obliqueness(limb, riser)
    keep_out = [scene.card_outline_px(card, wider_mm=0.6) for card in scene.places]
    butt_mm, butt_sd_mm, butt = _butt_line(scene, limb, riser, keep_out, warnings)

    edges: dict[str, MeasuredEdge] = {}
    for name in SIDES:
        part = limb if name.startswith("limb") else riser
        edges[name] = _side(scene, name, part, (limb, riser), butt_mm, edges, keep_out, warnings)
    if butt is not None:
        edges["butt_line"] = butt
    _check_evenness(edges, warnings)
    best, sources = _quantities(scene, limb, riser, edges, (butt_mm, butt_sd_mm), rng)
    reported = {name: edges[name] for name in (*SIDES, "butt_line") if name in edges}
    return ViewResult(
        edges=reported,
        hinted=frozenset(scene.hints) & frozenset(reported),
        model=_model(scene, limb, riser, edges),
        best=best,
        sources=sources,
        warnings=warnings,
    )


def _parts(scene: Scene, warnings: list[Note]) -> tuple[_Part, _Part]:
    """Limb and riser with their frames pointing to the tip, however the cards were turned."""
    poses = {name: scene.adjustment.pose(place) for name, place in scene.places.items()}
    middle = {
        name: pose.origin_cam + pose.card2cam @ np.append(np.array(CARDS[name].board_mm) / 2, 0)
        for name, pose in poses.items()
    }
    tipward = {"A": 1.0}
    if "B" in poses:
        apart = middle["A"] - middle["B"]
        # The tip is on the far side of A as seen from B.
        tipward = {name: float(np.sign(poses[name].card2cam[:, 0] @ apart)) for name in "AB"}
        if tipward["A"] < 0 and tipward["B"] < 0:
            raise Refused(
                "cards_exchanged_or_turned",
                "Cards A and B lie with their arrows toward the riser, or are exchanged.",
                "Put A on the limb and B on the riser, both arrows toward the limb's tip, "
                "and retake.",
            )
        for name, direction in tipward.items():
            if direction < 0:
                warnings.append(
                    Note(
                        "card_turned",
                        f"Card {name} lies with its arrow away from the limb's tip; "
                        "this was allowed for.",
                        "Lay both cards with their arrows toward the tip.",
                    )
                )
    elif scene.setup.face_step_mm is None:
        raise Refused(
            "card_missing",
            "Card B was not found on the riser.",
            "Lay card B flat on the riser's face beyond the butt line, in view and evenly lit; "
            "where there is no room for it, measure the face step with a caliper and give it.",
        )

    def part(card: str, below_mm: float) -> _Part:
        turn = tipward[card]
        axis = StripFrame(
            np.array(CARDS[card].board_mm) / 2 * scene.setup.print_scale,
            np.array([turn, 0.0]),
            np.array([0.0, turn]),
        )
        return _Part(card, scene.surface(card, below_mm), axis, CARDS[card].board_mm[0])

    limb = part("A", 0.0)
    if "B" in poses:
        return limb, part("B", 0.0)
    assert scene.setup.face_step_mm is not None  # noqa: S101 - refused above
    return limb, part("A", -scene.setup.face_step_mm)


def _check_obliqueness(*parts: _Part) -> None:
    for part in parts:
        camera = camera_in_card(part.surface.pose)
        sideways = camera[:2] - part.axis.origin_mm
        lean = np.degrees(np.arctan2(np.linalg.norm(sideways), -camera[2]))
        if camera[2] > 0 or lean > STEEPEST_DEG:
            raise Refused(
                "too_oblique",
                f"The photograph looks at card {part.card} from {abs(lean):.0f}° off square.",
                "Hold the phone straight above the seam, facing the limb's outer face, "
                "and retake.",
            )


def _butt_line(
    scene: Scene, limb: _Part, riser: _Part, keep_out: list[Array], warnings: list[Note]
) -> tuple[float, float, MeasuredEdge | None]:
    """Place of the butt line along the limb's axis (mm in the limb's frame), sd, and edge."""
    # Along runs across the limb, outward runs from the tip to the riser.
    across = StripFrame(limb.axis.origin_mm, limb.axis.outward, -limb.axis.along)
    near = limb.length_mm / 2 + 1.0
    if riser.card == limb.card:
        far = near + 130.0
    else:
        ends = riser.axis.to_surface(np.array([riser.length_mm / 2 - 10.0]), np.array([0.0]))
        in_limb = across.from_surface(limb.surface.from_pixels(riser.surface.to_pixels(ends)))
        far = float(in_limb[0, 1])
    hint = scene.hints.get("butt_line")
    reach_along = (-15.0, 15.0)
    if hint is not None:
        points = across.from_surface(limb.surface.from_pixels(hint))
        place = float(np.mean(points[:, 1]))
        candidates = search(
            scene.picture,
            limb.surface,
            across,
            reach_along,
            (place - HINT_REACH_MM, place + HINT_REACH_MM),
            keep_out,
            Line(place, 0.0, 0.0),
            1.0,
            white=scene.white,
        )
        if not candidates:
            return -place, 1.0, None
    elif far - near < 5.0:
        candidates = []
    else:
        # Limb and riser of like woods differ little there, so a faint line is tried for too.
        for least_change in (0.08, 0.04):
            candidates = search(
                scene.picture,
                limb.surface,
                across,
                reach_along,
                (near, far),
                keep_out,
                least_change=least_change,
                white=scene.white,
            )
            if candidates:
                break
    if not candidates:
        warnings.append(
            Note(
                "butt_line_not_found",
                "The butt line was not found; its place was taken midway between the cards.",
                "Mark the butt line by hand, or keep it clear of shadows and tape.",
            )
        )
        return -(near + min(far, near + 60.0)) / 2, BUTT_UNSURE_SD_MM, None
    best = candidates[0]
    line = best.line
    edge = measure(
        scene.picture,
        limb.surface,
        across,
        (-14.0, 14.0),
        line,
        _neighbours(best, candidates),
        keep_out,
        scene.blur_px["A"],
    )
    return -float(line.offset_mm), BUTT_FOUND_SD_MM, edge


def _neighbours(chosen: Candidate, candidates: list[Candidate]) -> list[float]:
    """Signed distances to other lines that are strong enough to disturb the profile."""
    return [
        c.line.offset_mm - chosen.line.offset_mm
        for c in candidates
        if c is not chosen and c.change > 0.2 * chosen.change
    ]


def _side(
    scene: Scene,
    name: str,
    part: _Part,
    parts: tuple[_Part, _Part],
    butt_mm: float,
    edges: dict[str, MeasuredEdge],
    keep_out: list[Array],
    warnings: list[Note],
) -> MeasuredEdge:
    limb, riser = parts
    frame = part.side(name)
    is_limb = name.startswith("limb")
    butt_here = butt_mm if is_limb else _along_on(part, limb, butt_mm)
    direction = 1.0 if is_limb else -1.0
    ends = sorted(
        (
            butt_here + direction * CLEAR_OF_BUTT_MM,
            butt_here + direction * (CLEAR_OF_BUTT_MM + STRETCH_MM),
        )
    )
    along = (ends[0], ends[1])
    expected: Line | None = None
    expected_sd = np.inf
    outward = (NARROWEST_HALF_MM, WIDEST_HALF_MM)
    slope_reach = float(np.tan(np.radians(5.0)))
    hint = scene.hints.get(name)
    if hint is not None:
        expected, along = _hint_line(frame.from_surface(part.surface.from_pixels(hint)), along)
        expected_sd = HINT_REACH_MM / 2
        middle = expected.offset_mm
        tilt = abs(expected.slope) * (along[1] - along[0]) / 2
        outward = (middle - HINT_REACH_MM - tilt, middle + HINT_REACH_MM + tilt)
        slope_reach = 2 * HINT_REACH_MM / max(along[1] - along[0], HINT_SHORTEST_MM)
    elif not is_limb:
        # A riser's side is looked for near the limb's, as seen on the riser's surface.
        above = edges[name.replace("riser", "limb")]
        points = frame.from_surface(part.surface.from_pixels(above.end_pixels))
        slope = (points[1, 1] - points[0, 1]) / (points[1, 0] - points[0, 0])
        at_butt = points[0, 1] + slope * (butt_here - points[0, 0])
        middle = (along[0] + along[1]) / 2
        expected = Line(float(at_butt + slope * (middle - butt_here)), float(slope), middle)
        expected_sd = LIMB_TO_RISER_SD_MM
        slope_reach = float(np.tan(np.radians(3.0)))

    candidates = search(
        scene.picture,
        part.surface,
        frame,
        along,
        outward,
        keep_out,
        expected,
        expected_sd,
        slope_reach,
        white=scene.white,
    )
    if not candidates:
        raise _edge_not_found(name)
    chosen, rivals = choose(candidates, _beyond(part, frame, candidates[0], is_limb))
    if is_limb and chosen is candidates[0]:
        chosen, hidden = _above_the_riser(scene, limb, riser, frame, along, candidates, keep_out)
        if hidden:
            warnings.append(
                Note(
                    "edge_ambiguous",
                    f"What lies just inside the {_words(name)} looks like the riser: "
                    "the limb may end further in.",
                    "Look at the drawn edge; focus on the seam and retake, or mark the edge "
                    "by hand.",
                )
            )
    if hint is None:
        _warn_of_rivals(name, chosen, rivals, warnings)
    edge = measure(
        scene.picture,
        part.surface,
        frame,
        along,
        chosen.line,
        _neighbours(chosen, candidates),
        keep_out,
        scene.blur_px[part.card],
    )
    if edge is None:
        raise _edge_not_found(name)
    return edge


def _above_the_riser(
    scene: Scene,
    limb: _Part,
    riser: _Part,
    frame: StripFrame,
    along: tuple[float, float],
    candidates: list[Candidate],
    keep_out: list[Array],
) -> tuple[Candidate, bool]:
    """The limb's edge where a riser that stands out under it ends in a stronger line.

    A weaker line further in is the limb's edge if what lies between the two has the riser's
    tint and not the limb's. Also tells whether the riser shows although no such line was
    found.
    """
    strongest = candidates[0]
    outer = strongest.line.offset_mm
    weaker = [
        c
        for c in candidates[1:]
        if c.change > TINT_SHARE * strongest.change
        and SLIVER_MM < outer - c.line.offset_mm < PROUD_UNDERNEATH_MM
    ]
    # Beside card B, and between the bolt and the limb's side, both faces lie bare.
    risers = [
        colour(
            scene.picture, riser.surface, riser.side(side), (-60.0, 60.0), (14.8, 16.8), keep_out
        )
        for side in ("riser_left", "riser_right")
    ]
    known = [c for c in risers if c is not None]
    limb_colour = colour(scene.picture, limb.surface, frame, along, (12.5, 16.0), keep_out)
    if limb_colour is None or not known:
        return strongest, False

    def is_riser(from_mm: float, to_mm: float) -> bool:
        strip = colour(scene.picture, limb.surface, frame, along, (from_mm, to_mm), keep_out)
        if strip is None:
            return False
        nearest = min(known, key=lambda c: _tint_distance(strip, c))
        to_limb = _tint_distance(strip, limb_colour)
        # In the limb's shadow the riser is never brighter than its own face; a highlight
        # along the limb's arris is.
        shaded = strip.sum() < 1.05 * nearest.sum()
        alike = _tint_distance(strip, nearest) < 0.5 * to_limb
        return bool(shaded and alike and to_limb > LEAST_TINT_CHANGE)

    for inner in sorted(weaker, key=lambda c: -c.change):
        middle = (inner.line.offset_mm + outer) / 2
        if is_riser(middle - 0.12, middle + 0.12):
            return inner, False
    return strongest, is_riser(outer - 0.7, outer - 0.4)


def _tint_distance(one: Array, other: Array) -> float:
    """How far two colours are apart without their brightness, in logarithms."""
    apart = np.log(one + 0.002) - np.log(other + 0.002)
    return float(np.linalg.norm(apart - np.mean(apart)))


def _beyond(part: _Part, frame: StripFrame, strongest: Candidate, is_limb: bool) -> float:
    """How far beyond a face's edge more of the bow can show, mm on the face's surface."""
    camera = camera_in_card(part.surface.pose)
    aside = frame.from_surface(camera[None, :2])[0, 1] - strongest.line.offset_mm
    wall = max(0.0, float(aside / -camera[2])) * DEEPEST_WALL_MM
    return wall + (PROUD_UNDERNEATH_MM if is_limb else 0.0)


def _along_on(part: _Part, limb: _Part, butt_mm: float) -> float:
    """Place of the butt line along another part's axis."""
    point = limb.axis.to_surface(np.array([butt_mm]), np.array([0.0]))
    there = part.surface.from_pixels(limb.surface.to_pixels(point))
    return float(part.axis.from_surface(there)[0, 0])


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


def _edge_not_found(name: str) -> Refused:
    return Refused(
        "edge_not_found",
        f"The {_words(name)} was not found beside the butt line.",
        "Lay the bow on a plain cloth of another colour, keep tape and shadows off that side, "
        "or mark the edge by hand.",
    )


def _warn_of_rivals(
    name: str, chosen: Candidate, rivals: list[Candidate], warnings: list[Note]
) -> None:
    near = [r for r in rivals if abs(r.line.offset_mm - chosen.line.offset_mm) < 6.0]
    if near and near[0].change > 0.6 * chosen.change:
        apart = near[0].line.offset_mm - chosen.line.offset_mm
        where = "outside" if apart > 0 else "inside"
        warnings.append(
            Note(
                "edge_ambiguous",
                f"Another line {abs(apart):.1f} mm {where} the {_words(name)} is almost as clear.",
                "Look at the drawn edge; if it is the wrong one, mark the edge by hand.",
            )
        )


def _check_evenness(edges: dict[str, MeasuredEdge], warnings: list[Note]) -> None:
    for name in SIDES:
        edge = edges[name]
        if edge.kept_share < 0.6 or edge.scatter_mm > 0.15:
            warnings.append(
                Note(
                    "edge_uneven",
                    f"The {_words(name)} is uneven: only {edge.kept_share:.0%} of it agrees with "
                    f"a straight line to {edge.scatter_mm:.2f} mm.",
                    "Look at the drawn edge; clean the edge, light it evenly, or mark it by hand.",
                )
            )


def _quantities(
    scene: Scene,
    limb: _Part,
    riser: _Part,
    edges: dict[str, MeasuredEdge],
    butt: tuple[float, float],
    rng: np.random.Generator,
) -> tuple[Quantities, list[Source]]:
    """Best estimates and the draws of every source; ``butt`` is its place and sd, mm."""
    butt_mm, butt_sd_mm = butt
    adjustment, setup = scene.adjustment, scene.setup
    same_card = riser.card == limb.card
    best: Quantities = {
        "camera": adjustment.parameters,
        "thickness": np.array(setup.card_thickness_mm),
        "print_scale": np.zeros(2),
        "lift": np.zeros(2),
        "lean": np.zeros((2, 2)),
        "face_step": np.array(setup.face_step_mm or 0.0),
        "edges": np.zeros((len(SIDES), 2)),
        "tone": np.array(0.0),
        "arris": np.zeros(len(SIDES)),
        "butt": np.array(butt_mm),
    }

    def normal(*shape: int) -> Array:
        return np.asarray(rng.standard_normal((DRAWS, *shape)))

    total, held = adjustment.covariance, adjustment.lens_held()
    lens = draw_correlated(rng, total - held, DRAWS)
    pose = draw_correlated(rng, held, DRAWS)
    ends = np.stack(
        [draw_correlated(rng, edges[n].end_covariance_mm2, DRAWS) for n in SIDES],
        axis=1,
    )
    px_per_mm = float(adjustment.lens.focal_px / adjustment.pose(0).origin_cam[2])
    lean = np.radians([CARD_PITCH_DEG, CARD_LEAN_DEG]) * normal(2, 2)
    lift = CARD_FLATNESS_MM * normal(2)
    if same_card:
        lift[:, 1], lean[:, 1] = lift[:, 0], lean[:, 0]
        lean[:, 1] += np.radians(RISER_PARALLEL_SD_DEG) * normal(2)
    sources = [
        Source("lens", {"camera": lens}),
        Source("pose", {"camera": pose}),
        Source("card_thickness", {"thickness": setup.card_thickness_sd_mm * normal()}),
        Source("print_scale", {"print_scale": setup.print_scale_sd * normal(2)}),
        Source("card_flatness", {"lift": lift, "lean": lean}),
        Source(
            "edge",
            {
                "edges": ends + WAVINESS_MM * normal(4, 2),
                "tone": TONE_BIAS_PX / px_per_mm * normal(),
            },
        ),
        Source("arris", {"arris": np.array([edges[n].offset_sd_mm for n in SIDES]) * normal(4)}),
        Source("underneath", {"edges": _underneath_sd(limb, edges) * normal(4, 1)}),
        Source("butt_line", {"butt": butt_sd_mm * normal()}),
    ]
    if same_card:
        sources.append(Source("face_step", {"face_step": FACE_STEP_GIVEN_SD_MM * normal()}))
    return best, sources


def _underneath_sd(limb: _Part, edges: dict[str, MeasuredEdge]) -> Array:
    """Uncertainty of the sides' ends from a sliver of riser under the limb, mm, (4, 2).

    Where the riser stands out under the limb by less than the blur can part, the sliver
    draws the limb's edge outward by about a third of its width. How deep the pad lies is
    not known, so the widest sliver over the usual butt thicknesses counts.
    """
    sd = np.zeros((len(SIDES), 2))
    camera = camera_in_card(limb.surface.pose)
    for name in ("limb_left", "limb_right"):
        frame = limb.side(name)
        below = edges[name.replace("limb", "riser")].end_pixels
        wall = frame.from_surface(limb.surface.from_pixels(below))
        slope = (wall[1, 1] - wall[0, 1]) / (wall[1, 0] - wall[0, 0])
        along = np.array(edges[name].along_mm)
        limb_side = edges[name].line.at(along)
        proud = wall[0, 1] + slope * (along - wall[0, 0]) - limb_side
        aside = frame.from_surface(camera[None, :2])[0, 1]
        ray_slope = (limb_side - aside) / -camera[2]
        seen = proud[:, None] - np.array(BUTT_THICKNESSES_MM)[None, :] * ray_slope[:, None]
        blending = np.where(seen < SLIVER_MM, seen, 2 * SLIVER_MM - seen)
        sd[SIDES.index(name)] = np.clip(np.max(blending, axis=1), 0, SLIVER_MM) / 3
    return sd


def _model(scene: Scene, limb: _Part, riser: _Part, edges: dict[str, MeasuredEdge]) -> Model:
    limb_place, riser_place = scene.places[limb.card], scene.places[riser.card]
    same_card = riser.card == limb.card
    pixels = {name: edges[name].end_pixels for name in SIDES}
    butt_frame = limb.axis

    def model(q: Quantities) -> dict[str, Array]:
        lens = draw_lens(q["camera"])
        limb_pose = draw_pose(q["camera"], limb_place)
        riser_pose = draw_pose(q["camera"], riser_place)

        def ends_cam(name: str) -> Array:
            """Ends of a side in the camera frame, shape (draws, 2, 3)."""
            on_limb = name.startswith("limb")
            part, pose, own = (limb, limb_pose, 0) if on_limb else (riser, riser_pose, 1)
            depth = q["thickness"][:, None] + q["lift"][:, own, None]
            if same_card and not on_limb:
                depth = depth - q["face_step"][:, None]
            rough = part.surface.from_pixels(pixels[name])
            from_middle = rough - part.axis.origin_mm
            depth = depth + np.tan(q["lean"][:, own]) @ from_middle.T
            points = pixels_to_card(pixels[name], lens, pose, depth)
            side = SIDES.index(name)
            tone = q["tone"] * np.sign(edges[name].rise)
            shift = q["edges"][:, side] + (q["arris"][:, side] + tone)[:, None]
            points = points + shift[..., None] * np.append(part.side(name).outward, 0.0)
            return _card_to_cam(points, pose)

        def in_pad(points_cam: Array) -> Array:
            """Camera frame to the pad frame before it is turned to the riser's axis."""
            card = (points_cam - riser_pose.origin_cam[:, None, :]) @ riser_pose.card2cam
            right, tip = riser.axis.outward, riser.axis.along
            x = (card[..., :2] - riser.axis.origin_mm) @ right * (1 + q["print_scale"][:, 1, None])
            y = (card[..., :2] - riser.axis.origin_mm) @ tip * (1 + q["print_scale"][:, 0, None])
            return np.stack([x, y, -card[..., 2]], axis=-1)

        sides = {name: in_pad(ends_cam(name)) for name in SIDES}
        angle = {name: _angle(p) for name, p in sides.items()}
        riser_angle = (angle["riser_left"] + angle["riser_right"]) / 2
        limb_angle = (angle["limb_left"] + angle["limb_right"]) / 2
        turned = {name: _turn(p, riser_angle) for name, p in sides.items()}

        on_face = butt_frame.origin_mm + q["butt"][:, None] * butt_frame.along
        butt_card = np.concatenate([on_face, q["thickness"][:, None]], axis=1)[:, None, :]
        butt_y = _turn(in_pad(_card_to_cam(butt_card, limb_pose)), riser_angle)[:, 0, 1]

        at_butt = {name: _at(p, butt_y) for name, p in turned.items()}
        limb_left, limb_right = at_butt["limb_left"][:, 0], at_butt["limb_right"][:, 0]
        riser_left, riser_right = at_butt["riser_left"][:, 0], at_butt["riser_right"][:, 0]
        limb_face = (at_butt["limb_left"][:, 1] + at_butt["limb_right"][:, 1]) / 2
        riser_face = (at_butt["riser_left"][:, 1] + at_butt["riser_right"][:, 1]) / 2
        results = {
            "overhang_left": riser_left - limb_left,
            "overhang_right": limb_right - riser_right,
            "limb_width": limb_right - limb_left,
            "riser_width": riser_right - riser_left,
            "lateral_offset": (limb_left + limb_right - riser_left - riser_right) / 2,
            "lateral_angle": np.degrees(limb_angle - riser_angle),
        }
        if not same_card:
            results["face_step"] = riser_face - limb_face
        return results

    return model


def _card_to_cam(points: Array, pose: Pose) -> Array:
    """Points of the card frame, (draws, n, 3), in the camera frame."""
    turned = points @ np.swapaxes(pose.card2cam, -1, -2)
    return np.asarray(turned + pose.origin_cam[:, None, :])


def _angle(points: Array) -> Array:
    """Angle of a side against y, radians, positive when its tip end lies to the right."""
    run = points[:, 1] - points[:, 0]
    # An edge's ends are ordered by the strip, so the run may point either way along y.
    return np.asarray(np.arctan(run[:, 0] / run[:, 1]))


def _turn(points: Array, angle: Array) -> Array:
    """Turn about z so that an axis at ``angle`` from y comes to lie on y."""
    cosine, sine = np.cos(angle)[:, None], np.sin(angle)[:, None]
    x = cosine * points[..., 0] - sine * points[..., 1]
    y = sine * points[..., 0] + cosine * points[..., 1]
    return np.stack([x, y, points[..., 2]], axis=-1)


def _at(points: Array, y: Array) -> Array:
    """Where the line through two points, (draws, 2, 3), has that y: its x and z, (draws, 2)."""
    share = (y - points[:, 0, 1]) / (points[:, 1, 1] - points[:, 0, 1])
    there = points[:, 0] + share[:, None] * (points[:, 1] - points[:, 0])
    return there[:, [0, 2]]


SEAT = View(
    name="seat",
    title="Seated limb, facing its outer face",
    cards=("A",),
    optional_cards=("B",),
    edges=(*SIDES, "butt_line"),
    units={
        "overhang_left": "mm",
        "overhang_right": "mm",
        "limb_width": "mm",
        "riser_width": "mm",
        "lateral_offset": "mm",
        "lateral_angle": "deg",
        "face_step": "mm",
    },
    how_to=(
        "Unstring the bow. Bolt the limb in its pocket as for shooting.",
        "Lay card A flat on the limb's outer face, on the tip side of the bolt, "
        "arrow toward the tip.",
        "Lay card B flat on the riser's face just beyond the butt line, arrow toward the tip.",
        "Put the bow on a plain cloth of another colour, in even light, without flash.",
        "Hold the phone straight above the butt line, about 40 cm away, "
        "with both cards whole in the picture.",
        "Tap to focus on the seam, hold still, and take the photograph at full resolution.",
    ),
    look=look,
)
