"""The butt line in a seat photograph: where the limb's butt meets the riser."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from fitcheck.edge_search import search
from fitcheck.edges import MeasuredEdge, measure
from fitcheck.face_ends import Candidate
from fitcheck.measurement import Note
from fitcheck.strips import Line, StripFrame
from fitcheck.views.given_line import given_line
from fitcheck.views.seat_parts import HINT_REACH_MM, Part, blur_mm, neighbours
from fitcheck.views.view import Scene

Array = NDArray[np.float64]

FOUND_SD_MM = 0.4
UNSURE_SD_MM = 6.0
HINTED_UNFOUND_SD_MM = 1.0
RIVAL_SHARE = 0.5  # of the chosen line: as clear as this another might be it
OTHER_LINE_MM = 3.0
ACROSS_MM, MEASURED_MM = 15.0, 14.0  # either side of the limb's axis
LONGEST_POCKET_MM = 130.0
USUAL_GAP_MM = 60.0
LEAST_CHANGES = (0.08, 0.04)  # limb and riser of like woods differ little there


@dataclass(frozen=True)
class ButtLine:
    """Where the butt line lies.

    Attributes
    ----------
    place_mm
        Along the limb's axis.
    sd_mm
        Its standard uncertainty.
    edge
        As measured, or as laid by hand; None where it was not found.
    warnings
        What the user should know.
    """

    place_mm: float
    sd_mm: float
    edge: MeasuredEdge | None = None
    warnings: list[Note] = field(default_factory=list)


def find_butt_line(scene: Scene, limb: Part, riser: Part, keep_out: list[Array]) -> ButtLine:
    """Find the butt line between the cards of limb and riser.

    Parameters
    ----------
    scene
        The photograph; a hint for ``butt_line`` is followed.
    limb, riser
        The two parts.
    keep_out
        The cards' outlines in pixels, shape (n, 2) each.

    Returns
    -------
    The line; midway between the cards, with a wide uncertainty and a warning, where none is
    found.
    """
    # Along runs across the limb, outward runs from the tip to the riser.
    across = StripFrame(limb.axis.origin_mm, limb.axis.outward, -limb.axis.along)
    near, far = _reach(limb, riser, across)
    hint = scene.hints.get("butt_line")
    if hint is not None and "butt_line" in scene.as_given:
        laid = given_line(hint, limb.surface, across, "butt line")
        middle = np.zeros(1)
        return ButtLine(
            -float(laid.line.at(middle)[0]),
            float(np.sqrt(laid.covariance_at(middle)[0, 0])),
            laid.edge(limb.surface, across),
            [laid.note()],
        )
    expected, expected_sd, outward = None, np.inf, (near, far)
    if hint is not None:
        place = float(np.mean(across.from_surface(limb.surface.from_pixels(hint))[:, 1]))
        expected, expected_sd = Line(place, 0.0, 0.0), HINT_REACH_MM / 2
        outward = (place - HINT_REACH_MM, place + HINT_REACH_MM)
    candidates: list[Candidate] = []
    # The light of white paper reaches over its rim, as far as the blur does.
    rim = 0.6 + 3 * blur_mm(scene, limb)
    cards = [scene.card_outline_px(card, wider_mm=rim) for card in scene.places]
    for least_change in LEAST_CHANGES:
        if candidates or outward[1] - outward[0] < 3.0:
            break
        candidates = search(
            scene.picture,
            limb.surface,
            across,
            (-ACROSS_MM, ACROSS_MM),
            outward,
            cards,
            expected,
            expected_sd,
            least_change=least_change,
            white=scene.white,
        )
    if not candidates and hint is not None:
        return ButtLine(-(outward[0] + outward[1]) / 2, HINTED_UNFOUND_SD_MM)
    if not candidates:
        not_found = Note(
            "butt_line_not_found",
            "The butt line was not found; its place was taken midway between the cards.",
            "Mark the butt line by hand, or keep it clear of shadows and tape.",
        )
        return ButtLine(
            -(near + min(far, near + USUAL_GAP_MM)) / 2, UNSURE_SD_MM, None, [not_found]
        )
    best = candidates[0]
    warnings = []
    if hint is None and any(
        c.change > RIVAL_SHARE * best.change
        and abs(c.line.offset_mm - best.line.offset_mm) > OTHER_LINE_MM
        for c in candidates[1:]
    ):
        warnings.append(
            Note(
                "butt_line_ambiguous",
                "Another line across the bow is almost as clear as the butt line.",
                "Look at the drawn butt line; if it is the wrong one, mark it by hand.",
            )
        )
    edge = measure(
        scene.picture,
        limb.surface,
        across,
        (-MEASURED_MM, MEASURED_MM),
        best.line,
        neighbours(best, candidates),
        keep_out,
        scene.blur_px[limb.card],
    )
    return ButtLine(-best.line.offset_mm, FOUND_SD_MM, edge, warnings)


def _reach(limb: Part, riser: Part, across: StripFrame) -> tuple[float, float]:
    """From where to where it is searched for: between the two cards."""
    near = limb.length_mm / 2 + 1.0
    if riser.card == limb.card:
        return near, near + LONGEST_POCKET_MM
    ends = riser.axis.to_surface(np.array([riser.length_mm / 2 - 10.0]), np.array([0.0]))
    in_limb = across.from_surface(limb.surface.from_pixels(riser.surface.to_pixels(ends)))
    return near, float(in_limb[0, 1])
