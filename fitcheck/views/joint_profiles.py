"""Profiles across a seam that was found, and how the camera looks into it (:mod:`fitcheck.seam`).

They run along the seam's line where it is clear of the card, and where the camera does not see
out past the parts' far corners.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from fitcheck.errors import Refused
from fitcheck.seam_profiles import FEWEST_BLOCKS, FEWEST_PLACES, SeamProfiles
from fitcheck.seam_shapes import Sight
from fitcheck.strips import StripFrame, Surface, blocks_beside, tilted
from fitcheck.views.joint_panorama import CARD
from fitcheck.views.joint_seam import SeamPlace
from fitcheck.views.view import Scene

Array = NDArray[np.float64]

# Depth of the parts behind the side face: a pad is 38 to 48 mm wide, from memory.
DEPTH_MM, DEPTH_RELATIVE_SD = 43.0, 0.12
FACE_SQUARE_SD_DEG = 0.7  # side face against pad; common experience, no source

CLEAR_OF_ENDS_MM = (1.5, 12.0)  # where the opening is seen past the parts' far corners
SHARE_LEFT = 0.5  # of the seam at least is measured
REACH_MM = (-0.9, 1.3)  # of the profiles, from the found line
LEAST_BELOW_MM, CLEAR_BELOW_MM = 0.35, 0.3
CLEAR_OF_CARD_MM = 0.15  # its thickness and shadow
LEAST_CLEAR = 0.5  # of the stretch
FINE_BLOCK_MM = 0.5
BLOCK_MM = 4.0
ENOUGH_PLACES = 40  # across a seam
ROWS_ALIKE = 2.0  # variance of a mean of rows over what independent rows would give


def on_line(place: SeamPlace) -> StripFrame:
    """Return the frame with its origin on the seam's line and its along axis on the line."""
    return tilted(place.frame, place.line)


def sight_into(height: float, distance: float) -> Sight:
    """Return how the camera looks into the opening, for parts of the usual depth."""
    far_share = DEPTH_MM / (distance + DEPTH_MM)
    strip = height * far_share
    lean = DEPTH_MM * (1 - far_share) * np.tan(np.radians(FACE_SQUARE_SD_DEG))
    return Sight(strip, float(np.hypot(DEPTH_RELATIVE_SD * strip, lean)), far_share)


def stretch_of(place: SeamPlace, along_camera: float, distance: float) -> tuple[float, float]:
    """Return the stretch along the seam that is measured, its two ends, mm.

    Near an end that the camera does not face, it sees out past the parts' far corner, and
    what shows in the opening is cut off on a slant.
    """
    slant = DEPTH_MM / distance
    low, high = sorted((place.butt_mm, place.end_mm))
    least, most = CLEAR_OF_ENDS_MM
    from_low = float(np.clip(slant * (along_camera - low), least, most))
    from_high = float(np.clip(slant * (high - along_camera), least, most))
    too_much = (from_low + from_high) / ((1 - SHARE_LEFT) * (high - low))
    shrink = max(1.0, too_much)
    return low + from_low / shrink, high - from_high / shrink


def profiles_across(
    scene: Scene,
    surface: Surface,
    place: SeamPlace,
    stretch: tuple[float, float],
    blur_mm: float,
) -> SeamProfiles:
    """Return profiles across the seam's line, short of the card.

    Raises
    ------
    Refused
        ``seam_hidden``, ``seam_short`` or ``seam_too_small``.
    """
    outline = scene.card_outline_px(CARD)
    card_up = float(place.frame.from_surface(surface.from_pixels(outline))[:, 1].max())
    card_up += CLEAR_OF_CARD_MM
    room = float(np.min(place.line.at(np.array(stretch)))) - card_up
    least = max(LEAST_BELOW_MM, CLEAR_BELOW_MM + 3 * blur_mm)
    below = float(np.clip(room, least, -REACH_MM[0]))
    clear = _clear_of_card(place, stretch, card_up + below)
    if clear is None:
        raise Refused(
            "seam_hidden",
            "Card B covers the seam or lies too close to it.",
            "Move the card down so that 2 to 5 mm of the riser show between it and the seam, "
            "and retake.",
        )
    fine, along, up = blocks_beside(
        scene.picture,
        surface,
        place.frame,
        place.line,
        clear,
        (-below, REACH_MM[1]),
        FINE_BLOCK_MM,
        [outline],
    )
    # Two samples a pixel; one a pixel is enough, or one a blur: nearer ones tell nothing new.
    blur_px = round(blur_mm / (2 * float(up[1] - up[0])))
    every = 2 * max(1, min(blur_px, len(up) // (2 * ENOUGH_PLACES)))
    fine, up = fine[:, ::every], up[::every]
    if len(up) < FEWEST_PLACES:
        raise Refused(
            "seam_too_small",
            "The seam is too small in the photograph to be measured.",
            "Send the photograph as it was taken, not made smaller, or go closer and retake.",
        )
    group = max(2, min(round(BLOCK_MM / FINE_BLOCK_MM), len(fine) // FEWEST_BLOCKS))
    n = len(fine) // group
    if n < FEWEST_BLOCKS:
        raise Refused(
            "seam_short",
            "Too little of the seam can be seen.",
            "Keep the whole seam in the picture, from the limb's butt to the riser's end.",
        )
    grouped = fine[: n * group].reshape(n, group, *fine.shape[1:])
    spread = np.median(np.var(grouped, axis=1, ddof=1), axis=0)
    noise = np.sqrt(ROWS_ALIKE * spread / group)
    return SeamProfiles(
        ends_mm=np.array([place.butt_mm, place.end_mm]),
        along_mm=along[: n * group].reshape(n, group).mean(axis=1),
        up_mm=up,
        light=grouped.mean(axis=1),
        noise=np.broadcast_to(noise, (n, *noise.shape)),
    )


def _clear_of_card(
    place: SeamPlace, stretch: tuple[float, float], least_up: float
) -> tuple[float, float] | None:
    """The part of a stretch where the seam runs so far up; None if that is too little."""
    along = np.arange(stretch[0], stretch[1] + 0.5, 0.5).clip(*stretch)
    clear = along[place.line.at(along) >= least_up]
    # A straight line is clear from some place to one end.
    if len(clear) < 2 or np.ptp(clear) < LEAST_CLEAR * (stretch[1] - stretch[0]):
        return None
    return float(clear[0]), float(clear[-1])
