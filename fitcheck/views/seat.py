"""View ``seat``: facing the outer face of a limb that is bolted in its pocket.

Card A lies on the limb, card B on the riser beyond the butt line. The sides of the limb are
measured on A's surface, the sides of the riser on B's, and both are brought together in the
pad frame: x to the right as one faces the limb with its tip up, y along the riser's axis
toward the tip, z out of the face. The riser's axis is the bisector of its two sides.
Where B cannot lie on the riser, the riser's face is taken parallel to A's surface, at the
face step that was measured with a caliper.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from fitcheck.adjustment import draw_lens, draw_pose
from fitcheck.camera import Pose, camera_in_card, pixels_to_card
from fitcheck.cards import CARDS
from fitcheck.edges import MeasuredEdge, draw_rivals
from fitcheck.errors import Refused
from fitcheck.measurement import Note
from fitcheck.setup import FACE_STEP_GIVEN_SD_MM
from fitcheck.strips import StripFrame
from fitcheck.uncertainty import DRAWS, Model, Quantities, Source, draw_correlated
from fitcheck.views.seat_parts import Part
from fitcheck.views.seat_sides import SIDES, SideFinder
from fitcheck.views.view import Scene, View, ViewResult, Wording

Array = NDArray[np.float64]

VIEW_EDGES = (*SIDES, "butt_line")
RISER_PARALLEL_SD_DEG = 1.0  # riser's face against the limb's where no card B shows it
CARD_FLATNESS_MM = 0.05  # a card on stiff stock, pressed flat; common experience, no source
CARD_LEAN_DEG = 0.1  # the same card, across its height
CARD_PITCH_DEG = 0.05  # and along its length
# Neither a hand-made side nor the light along it is quite straight. Errors against known
# truth showed ends that wander by this much, well above the blocks' own scatter.
WAVINESS_MM = 0.03
TONE_BIAS_PX = 0.03  # left after linearising the picture
STEEPEST_DEG = 40.0
# What seats hardly are; common practice, no source. A pad is 38 to 48 mm wide from memory.
USUAL_WIDTH_MM = (30.0, 56.0)
ODD_DIFFERENCE_MM = 5.0
ODD_ANGLE_DEG = 2.0
ODD_STEP_MM = 6.0


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
    finder = SideFinder(scene, limb, riser, keep_out, warnings=warnings)
    finder.find_all()
    best, sources = _quantities(scene, finder, rng)
    model = _model(scene, limb, riser, finder.edges)
    warnings += _implausible(model({name: value[None] for name, value in best.items()}))
    reported = {name: finder.edges[name] for name in VIEW_EDGES if name in finder.edges}
    return ViewResult(
        edges=reported,
        hinted=frozenset(scene.hints) & frozenset(reported),
        model=model,
        best=best,
        sources=sources,
        warnings=warnings,
    )


def _implausible(values: dict[str, Array]) -> list[Note]:
    """Warn of results that a real seat hardly gives; they hint at a wrong edge or card."""
    found = {name: float(value[0]) for name, value in values.items()}
    low, high = USUAL_WIDTH_MM
    warnings = []
    odd = [n for n in ("limb_width", "riser_width") if not low <= found[n] <= high]
    if odd or abs(found["limb_width"] - found["riser_width"]) > ODD_DIFFERENCE_MM:
        warnings.append(
            Note(
                "width_unusual",
                f"Limb and riser come out {found['limb_width']:.1f} and "
                f"{found['riser_width']:.1f} mm wide, which is unusual.",
                "Check the widths with a caliper; if they are wrong, look at the drawn edges and "
                "mark them by hand.",
            )
        )
    if abs(found["lateral_angle"]) > ODD_ANGLE_DEG:
        warnings.append(
            Note(
                "angle_unusual",
                f"The limb comes out {abs(found['lateral_angle']):.1f}° off the riser's axis, "
                "which is unusual.",
                "Look at the drawn edges and the butt line; mark by hand what is wrong.",
            )
        )
    if abs(found.get("face_step", 0.0)) > ODD_STEP_MM:
        warnings.append(
            Note(
                "cards_disagree",
                f"The two faces come out {abs(found['face_step']):.1f} mm apart in height, which "
                "is unusual: the cards may differ in size, or one is bent.",
                "Print both cards from one sheet at 100 %, mount them flat, and check their bars.",
            )
        )
    return warnings


def _parts(scene: Scene, warnings: list[Note]) -> tuple[Part, Part]:
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

    def part(card: str, below_mm: float) -> Part:
        turn = tipward[card]
        axis = StripFrame(
            np.array(CARDS[card].board_mm) / 2 * scene.setup.print_scale,
            np.array([turn, 0.0]),
            np.array([0.0, turn]),
        )
        return Part(card, scene.surface(card, below_mm), axis, CARDS[card].board_mm[0])

    limb = part("A", 0.0)
    if "B" in poses:
        return limb, part("B", 0.0)
    assert scene.setup.face_step_mm is not None  # noqa: S101 - refused above
    return limb, part("A", -scene.setup.face_step_mm)


def _check_obliqueness(*parts: Part) -> None:
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


def _quantities(
    scene: Scene, finder: SideFinder, rng: np.random.Generator
) -> tuple[Quantities, list[Source]]:
    """Best estimates and the draws of every source."""
    limb, riser, edges = finder.limb, finder.riser, finder.edges
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
        "butt": np.array(finder.butt_mm),
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
        Source("underneath", {"edges": finder.sliver_sd_mm() * normal(4, 1)}),
        Source("butt_line", {"butt": finder.butt_sd_mm * normal()}),
    ]
    if any(finder.rivals.values()):
        other = np.zeros((DRAWS, len(SIDES), 2))
        for i, rivals in enumerate(finder.rivals.get(n, []) for n in SIDES):
            if rivals:
                other[:, i] = draw_rivals(rng, rivals, DRAWS)
        sources.append(Source("other_line", {"edges": other}))
    if same_card:
        sources.append(Source("face_step", {"face_step": FACE_STEP_GIVEN_SD_MM * normal()}))
    return best, sources


def _model(scene: Scene, limb: Part, riser: Part, edges: dict[str, MeasuredEdge]) -> Model:
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


def _overhang(side: str) -> Wording:
    return Wording(
        f"Overhang, {side}",
        f"How far the limb’s {side} side stands out beyond the riser’s {side} side, "
        "at the butt line.",
        "limb proud",
        "riser proud",
    )


SEAT = View(
    name="seat",
    title="Limb seat",
    cards=("A",),
    optional_cards=("B",),
    edges=VIEW_EDGES,
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
    wording={
        "overhang_left": _overhang("left"),
        "overhang_right": _overhang("right"),
        "limb_width": Wording("Limb width", "Width of the limb at the butt line."),
        "riser_width": Wording(
            "Riser width", "Width of the riser: at the butt line, or at the end of a bare pad."
        ),
        "lateral_offset": Wording(
            "Sideways offset",
            "How far the limb’s centreline lies beside the riser’s, at the butt line.",
            "limb to the right",
            "limb to the left",
        ),
        "lateral_angle": Wording(
            "Sideways angle",
            "How far the limb points to a side of the riser’s own direction, seen on its face.",
            "tip to the right",
            "tip to the left",
        ),
        "face_step": Wording(
            "Face step",
            "How much higher the riser’s outer face stands than the limb’s, at the butt line.",
            "riser’s face higher",
            "limb’s face higher",
        ),
    },
    edge_names={
        "limb_left": "Limb, left edge",
        "limb_right": "Limb, right edge",
        "riser_left": "Riser, left edge",
        "riser_right": "Riser, right edge",
        "butt_line": "Butt line",
    },
    source_names={
        "underneath": "riser seen under the limb",
        "other_line": "another line that may be the edge",
        "butt_line": "place of the butt line",
        "face_step": "face step",
    },
)
