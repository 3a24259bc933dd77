"""View ``sight``: along the limb, over two cards that stand across it like winding sticks.

One card stands across the butt, the other across the tip, both with their centre marks on
the limb's centreline. The twist is the roll of the card at the tip against the card at the
butt, about the line between their base centres. It is taken from the cards' *up* directions:
the *across* directions would, on a tip that slopes 20°, carry 0.36° of error for each degree
by which a card is skewed.

Which card stands where is seen in the picture. C and D exchanged gives the same twist with
the cards' own errors (how they were cut and folded) reversed: the mean of both is the
twist, half the difference is the cards' own error.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from fitcheck.adjustment import draw_pose
from fitcheck.camera import Pose
from fitcheck.cards import CARDS, MARGIN_MM
from fitcheck.errors import Refused
from fitcheck.measurement import Note
from fitcheck.uncertainty import DRAWS, Model, Quantities, Source, draw_correlated
from fitcheck.views.view import Scene, View, ViewResult, Wording

Array = NDArray[np.float64]

# How well a careful user sets a card: half widths of rectangular distributions; common
# practice, no source.
CENTRE_MARK_MM = 0.5
LEAN_DEG = 2.0
# The fold's direction against the print: 0.06 mm at the ends of 124 mm. Common practice, no
# source. Exchanging the cards measures it.
FOLD_SD_DEG = 0.03
MOST_SKEW_DEG = 6.0
MOST_LEAN_DEG = 35.0  # a recurve's tip slopes 20°, and the line between the cards some more
LEAST_APART_MM = 120.0
MOST_TWIST_DEG = 8.0
MOST_OFF_ALONG_DEG = 50.0


def look(scene: Scene, rng: np.random.Generator) -> ViewResult:
    """Prepare the twist from the two cards.

    Parameters
    ----------
    scene
        The photograph with cards C and D.
    rng
        For the draws of the uncertainty sources.

    Returns
    -------
    Model and sources; no edges.

    Raises
    ------
    Refused
        ``card_upside_down``, ``cards_too_close`` or ``too_oblique``.
    """
    poses = {name: scene.adjustment.pose(scene.places[name]) for name in ("C", "D")}
    # The camera stands beyond the tip, so the nearer card is the one at the tip.
    tip, butt = sorted(poses, key=lambda name: float(np.linalg.norm(_base(poses[name], name))))
    _check(poses, butt, tip)
    best, sources = _quantities(scene, poses, rng)
    model = _model(scene, butt, tip)
    value = float(model({name: np.asarray(v)[None] for name, v in best.items()})["twist"][0])
    return ViewResult(
        edges={},
        hinted=frozenset(),
        model=model,
        best=best,
        sources=sources,
        warnings=_doubts(poses, butt, tip, value),
        observed={"card_at_tip": tip, "card_at_butt": butt},
    )


def _base(pose: Pose, card: str, sideways_mm: Array | float = 0.0) -> Array:
    """Middle of a card's fold in the camera frame, mm, shape (..., 3)."""
    length, height = CARDS[card].board_mm
    across, down = pose.card2cam[..., :, 0], pose.card2cam[..., :, 1]
    along = np.asarray(length / 2 + sideways_mm)[..., None]
    return np.asarray(pose.origin_cam + along * across + (height + MARGIN_MM) * down)


def _unit(vectors: Array) -> Array:
    return np.asarray(vectors / np.linalg.norm(vectors, axis=-1, keepdims=True))


def _twist_deg(up_butt: Array, up_tip: Array, axis: Array) -> Array:
    """Roll of one up direction against the other about an axis; right side high is positive.

    Unit vectors and an axis from butt to tip, shape (..., 3), any one frame.
    """
    along = axis - np.sum(axis * up_butt, axis=-1, keepdims=True) * up_butt
    right = np.cross(_unit(along), up_butt)
    sine = np.sum(up_tip * right, axis=-1)
    return np.asarray(-np.degrees(np.arcsin(np.clip(sine, -1.0, 1.0))))


def _check(poses: dict[str, Pose], butt: str, tip: str) -> None:
    if poses["C"].card2cam[:, 1] @ poses["D"].card2cam[:, 1] < 0:
        raise Refused(
            "card_upside_down",
            "One of the two cards stands upside down.",
            "Stand both cards on their fold, printed sides toward you, and retake.",
        )
    axis = _base(poses[tip], tip) - _base(poses[butt], butt)
    if np.linalg.norm(axis) < LEAST_APART_MM:
        raise Refused(
            "cards_too_close",
            f"The two cards stand only {np.linalg.norm(axis):.0f} mm apart.",
            "Stand one card across the limb's butt and the other across its tip, and retake.",
        )
    sight = _unit(_base(poses[butt], butt) + _base(poses[tip], tip))
    off = np.degrees(np.arccos(np.clip(-(sight @ _unit(axis)), -1.0, 1.0)))
    if off > MOST_OFF_ALONG_DEG:
        raise Refused(
            "too_oblique",
            f"The photograph looks {off:.0f}° across the limb instead of along it.",
            "Stand beyond the limb's tip, look along it from a little above, and retake.",
        )


def _doubts(poses: dict[str, Pose], butt: str, tip: str, twist_deg: float) -> list[Note]:
    warnings = []
    axis = _unit(_base(poses[tip], tip) - _base(poses[butt], butt))
    for name, pose in poses.items():
        skew = abs(float(np.degrees(np.arcsin(pose.card2cam[:, 0] @ axis))))
        lean = abs(float(np.degrees(np.arcsin(pose.card2cam[:, 1] @ axis))))
        if skew > MOST_SKEW_DEG:
            warnings.append(
                Note(
                    "card_skewed",
                    f"Card {name} stands {skew:.0f}° out of square to the limb.",
                    "Set it square across the limb, centre mark on the centreline, and retake.",
                )
            )
        if lean > MOST_LEAN_DEG:
            warnings.append(
                Note(
                    "card_leans",
                    f"Card {name} leans {lean:.0f}° along the limb.",
                    "Fold its tab to a right angle so that it stands upright, and retake.",
                )
            )
    if abs(twist_deg) > MOST_TWIST_DEG:
        warnings.append(
            Note(
                "twist_unusual",
                f"The twist comes out {abs(twist_deg):.1f}°, which is unusual.",
                "See that both cards stand with their whole fold on the limb, and retake.",
            )
        )
    return warnings


def _quantities(
    scene: Scene, poses: dict[str, Pose], rng: np.random.Generator
) -> tuple[Quantities, list[Source]]:
    """Best estimates and draws; the first of each pair is card C, the second D."""
    adjustment = scene.adjustment
    best: Quantities = {
        "camera": adjustment.parameters,
        "off_centre": np.zeros(2),
        "lean": np.zeros(2),
        "fold": np.zeros(2),
    }
    total, held = adjustment.covariance, adjustment.lens_held()

    def rectangular(half_width: float) -> Array:
        return rng.uniform(-half_width, half_width, (DRAWS, 2))

    # A print longer one way than the other looks like a card that leans more or less.
    stretched = scene.setup.print_scale_sd * np.sqrt(2) * rng.standard_normal((DRAWS, 1))
    leaning = np.array([_lean_of_a_stretched_print(pose) for pose in poses.values()])
    sources = [
        Source("lens", {"camera": draw_correlated(rng, total - held, DRAWS)}),
        Source("pose", {"camera": draw_correlated(rng, held, DRAWS)}),
        Source("print_scale", {"lean": np.degrees(stretched * leaning)}),
        Source(
            "card_set",
            {"off_centre": rectangular(CENTRE_MARK_MM), "lean": rectangular(LEAN_DEG)},
        ),
        Source("card_fold", {"fold": FOLD_SD_DEG * rng.standard_normal((DRAWS, 2))}),
    ]
    return best, sources


def _lean_of_a_stretched_print(pose: Pose) -> float:
    """Lean, in radians, that a relative stretch of the print passes for, per unit of stretch.

    A card seen under the angle v to its normal is foreshortened by cos v; a stretch e passes
    for a change of v by e / tan v. Perspective bounds it where v is small.
    """
    towards = -_unit(pose.origin_cam + pose.card2cam @ np.array([60.0, 18.0, 0.0]))
    slant = np.arcsin(np.clip(abs(float(towards @ pose.card2cam[:, 1])), 0.0, 1.0))
    return float(1 / np.tan(max(slant, np.radians(6.0))))


def _model(scene: Scene, butt: str, tip: str) -> Model:
    places = {name: scene.places[name] for name in ("C", "D")}

    def model(q: Quantities) -> dict[str, Array]:
        up, base = {}, {}
        for own, (name, place) in enumerate(places.items()):
            pose = draw_pose(q["camera"], place)
            across, down, into = (pose.card2cam[..., :, i] for i in range(3))
            base[name] = _base(pose, name, q["off_centre"][:, own])
            # A card leans about its own fold, so the surface's normal is its up turned about
            # its across direction. How far it is skewed is seen and needs no allowance.
            lean, fold = (np.radians(q[k][:, own])[:, None] for k in ("lean", "fold"))
            up[name] = _unit(-down * np.cos(lean) + into * np.sin(lean) + across * fold)
        return {"twist": _twist_deg(up[butt], up[tip], base[tip] - base[butt])}

    return model


SIGHT = View(
    name="sight",
    title="Twist sight",
    cards=("C", "D"),
    optional_cards=(),
    edges=(),
    units={"twist": "deg"},
    how_to=(
        "Unstring the bow. Lay it so that the limb's outer face looks up and the limb bears no "
        "load.",
        "Stand card C across the limb's butt and card D across its tip, centre marks on the "
        "limb's centreline, the whole fold on the limb, printed sides toward you.",
        "Stand beyond the tip and look along the limb from a little above, the nearer card "
        "about 30 cm away, both cards whole in the picture and in focus.",
        "Exchange the two cards and take a second photograph: the mean of both is free of the "
        "cards' own errors.",
    ),
    look=look,
    wording={
        "twist": Wording(
            "Twist",
            "How far the limb is rolled at its tip against its butt, about its own length.",
            "right side high at the tip",
            "left side high at the tip",
        ),
    },
    source_names={
        "card_set": "how the cards were set",
        "card_fold": "how the cards were cut and folded",
    },
)
