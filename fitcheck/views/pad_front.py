"""What the front of a pad shows beside the riser's sides: the card's base line and the setback.

**The card's base line.** Pad squareness is told from the line on which card C stands. The
print knows where that line should be; how the card was cut and folded decides where it is.
Beyond the riser's two sides the card's lower edge hangs free, and where it stands out against
what lies behind, its direction against the print is measured.

**The setback.** The card stands a few millimetres behind the riser's end face, so the face
looks larger than it is, about 0.4 % for each millimetre at 25 cm. From above, a strip of pad
shows between the card's base and the face's upper arris. With H the camera's distance in
front of the print, h its height over the base line, α the card's lean against the face and v
the strip as seen on the print's plane, the setback is s = v·H / (h + v + α·H).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares
from scipy.special import ndtr

from fitcheck.camera import camera_in_card
from fitcheck.cards import CARDS, MARGIN_MM
from fitcheck.edges import Line, StripFrame, Surface, blocks_beside, px_per_mm_at
from fitcheck.lines import FEWEST_POINTS, robust_line
from fitcheck.setup import Setup
from fitcheck.step_fit import fit_steps
from fitcheck.views.view import Scene

Array = NDArray[np.float64]

CARD = "C"
# Fold and cut against the print where they cannot be seen: 0.06 mm at the ends of 124 mm.
# Common practice, no source.
FOLD_SD = np.radians(0.03)
SEEN_FOLD_SD = np.radians(0.01)  # the lower edge may be the board's and not the fold
FOLD_PLACE_SD_MM = 0.1
LEAST_RISE = 0.05  # of linear light; fainter than this, grain and noise bend the line
LARGEST_FOLD = np.radians(1.0)  # more than this and something else was seen
LARGEST_FOLD_MM = 0.8
BLOCK_MM = 2.0
CLEAR_OF_SIDE_MM = 3.0
CLEAR_OF_CUT_MM = 1.5

# The guide says 3 mm; what people do lies around it. Common experience, no source.
SETBACK_MM, SETBACK_SD_MM = 3.0, 1.5
SKEW_SD = np.radians(1.0)  # design: cards are set to about this
FACE_SQUARE_SD = np.radians(1.0)  # the riser's end face against its pad
# The upper arris is round, but the pad is seen at a grazing angle, where wood shines and the
# round does not: the step from pad to face lies at the pad, to this.
ARRIS_DROP_SD_MM = 0.05
CENTRE_MARK_MM = 2.0
LEAST_STRIP_OF_BLUR = 1.0
DEEPEST_SETBACK_MM = 25.0


@dataclass(frozen=True)
class BaseLine:
    """The card's lower edge against its print.

    Attributes
    ----------
    tilt, tilt_sd
        Its direction against the print's x axis, radians, positive when its right end (as
        seen) is lower, and the standard uncertainty.
    place_mm, place_sd_mm
        How far it lies below the printed place at the card's middle.
    seen
        Whether it was seen in the photograph, or only known from how cards are made.
    """

    tilt: float
    tilt_sd: float
    place_mm: float
    place_sd_mm: float
    seen: bool


@dataclass(frozen=True)
class Setback:
    """How far the riser's end face lies in front of the print.

    Attributes
    ----------
    middle_mm, middle_sd_mm
        At the card's middle.
    skew, skew_sd
        By how much more per millimetre to the right as seen.
    strip_mm
        Visible height of the pad's strip on the print's plane; NaN where none was measured.
    """

    middle_mm: float
    middle_sd_mm: float
    skew: float
    skew_sd: float
    strip_mm: float


def base_y_mm(setup: Setup) -> float:
    """Where the base line lies down the card by its print, mm."""
    return (CARDS[CARD].board_mm[1] + MARGIN_MM) * setup.print_scale[1]


def middle_x_mm(setup: Setup) -> float:
    """Where the centre mark lies along the card, mm."""
    return CARDS[CARD].board_mm[0] / 2 * setup.print_scale[0]


def find_base_line(scene: Scene, hidden_x_mm: tuple[float, float]) -> BaseLine:
    """Measure the card's lower edge where it hangs free.

    Parameters
    ----------
    scene
        The photograph.
    hidden_x_mm
        Card x between which the riser or its walls lie below the card.

    Returns
    -------
    The base line: measured and made means combined, or the latter alone.
    """
    made = BaseLine(0.0, float(FOLD_SD), 0.0, FOLD_PLACE_SD_MM, seen=False)
    setup = scene.setup
    frame = StripFrame(
        np.array([middle_x_mm(setup), base_y_mm(setup)]),
        np.array([1.0, 0.0]),
        np.array([0.0, 1.0]),
    )
    surface = scene.surface(CARD, below_mm=-setup.card_thickness_mm)
    half = (CARDS[CARD].board_mm[0] / 2 + MARGIN_MM) * setup.print_scale[0] - CLEAR_OF_CUT_MM
    level = Line(0.0, 0.0, 0.0)
    light, along, down = blocks_beside(
        scene.picture, surface, frame, level, (-half, half), (-1.4, 1.4), BLOCK_MM, []
    )
    if len(along) < FEWEST_POINTS:
        return made
    blur_mm = scene.blur_px[CARD] / px_per_mm_at(surface, frame, level)
    fits = fit_steps(down, light.mean(axis=2), blur_mm)
    left, right = (x - frame.origin_mm[0] for x in hidden_x_mm)
    free = (along < left - CLEAR_OF_SIDE_MM) | (along > right + CLEAR_OF_SIDE_MM)
    good = free & (np.abs(fits.rise) > LEAST_RISE) & (fits.misfit < 0.15)
    good &= (fits.blur < 2.0 * blur_mm) & (np.abs(fits.offset) < LARGEST_FOLD_MM)
    if np.count_nonzero(good & (along < left)) < 4 or np.count_nonzero(good & (along > right)) < 4:
        return made
    line = robust_line(along[good], fits.offset[good])
    if line is None or abs(line.slope) > LARGEST_FOLD:
        return made
    sd = float(np.sqrt(line.covariance[1, 1] + SEEN_FOLD_SD**2))
    weight = FOLD_SD**2 / (FOLD_SD**2 + sd**2)
    return BaseLine(
        tilt=float(np.arctan(line.slope) * weight),
        tilt_sd=float(sd * np.sqrt(weight)),
        place_mm=line.offset,
        place_sd_mm=float(np.hypot(np.sqrt(line.covariance[0, 0]), 0.01)),
        seen=True,
    )


def find_setback(
    scene: Scene,
    base: BaseLine,
    face_x_mm: tuple[float, float],
    lean: float,
    lean_sd: float,
) -> Setback:
    """Tell the setback from the strip of pad between card and face.

    Parameters
    ----------
    scene
        The photograph.
    base
        The card's base line.
    face_x_mm
        Card x of the face's two sides below the base, clear of their arrises.
    lean, lean_sd
        The card's lean against the face and its standard uncertainty, radians; positive
        where the face's lower end is further from the camera than a plane parallel to the
        card.

    Returns
    -------
    The setback: strip and usual practice combined, or the latter alone where the camera
    stands too level with the pad.
    """
    camera = camera_in_card(scene.adjustment.pose(scene.places[CARD]))
    in_front = -float(camera[2])
    height = base_y_mm(scene.setup) + base.place_mm - float(camera[1])
    surface = scene.surface(CARD, below_mm=-scene.setup.card_thickness_mm)
    frame = StripFrame(
        np.array([middle_x_mm(scene.setup), base_y_mm(scene.setup)]),
        np.array([1.0, 0.0]),
        np.array([0.0, 1.0]),
    )
    line = Line(base.place_mm, float(np.tan(base.tilt)), 0.0)
    blur_mm = scene.blur_px[CARD] / px_per_mm_at(surface, frame, line)
    usual = Setback(SETBACK_MM, SETBACK_SD_MM, 0.0, float(SKEW_SD), float("nan"))
    per_mm = height / in_front + lean  # strip's height per millimetre of setback
    if per_mm * SETBACK_MM < LEAST_STRIP_OF_BLUR * blur_mm:
        return usual
    along = (face_x_mm[0] - frame.origin_mm[0], face_x_mm[1] - frame.origin_mm[0])
    strip = _fit_strip(scene, surface, frame, line, along, blur_mm, base, per_mm)
    if strip is None:
        return usual
    top, slope, covariance = strip

    measured = top * in_front / (height + top + lean * in_front)
    top_sd = np.sqrt(
        covariance[0, 0]
        + ARRIS_DROP_SD_MM**2
        + max(measured, 0.0) ** 2 * (FACE_SQUARE_SD**2 + lean_sd**2)
    )
    sd = float(top_sd / per_mm)
    skew_sd = float(np.hypot(np.sqrt(covariance[1, 1]), base.tilt_sd) / per_mm)
    weight = SETBACK_SD_MM**2 / (SETBACK_SD_MM**2 + sd**2)
    skew_weight = SKEW_SD**2 / (SKEW_SD**2 + skew_sd**2)
    return Setback(
        middle_mm=float(SETBACK_MM + weight * (measured - SETBACK_MM)),
        middle_sd_mm=sd * float(np.sqrt(weight)),
        skew=float(skew_weight * slope / per_mm),
        skew_sd=skew_sd * float(np.sqrt(skew_weight)),
        strip_mm=float(top),
    )


def _fit_strip(
    scene: Scene,
    surface: Surface,
    frame: StripFrame,
    line: Line,
    along_mm: tuple[float, float],
    blur_mm: float,
    base: BaseLine,
    per_mm: float,
) -> tuple[float, float, Array] | None:
    """Height of the strip's lower end under the base line: middle, slope, covariance (2, 2).

    Paper, pad and face are three levels with two blurred steps between them; each block has
    levels of its own, all share the strip. None where no third level shows.
    """
    deepest = min(DEEPEST_SETBACK_MM * per_mm, 6.0)
    light, along, down = blocks_beside(
        scene.picture,
        surface,
        frame,
        line,
        along_mm,
        (-0.8 - 2 * blur_mm, deepest + 0.8 + 2 * blur_mm),
        4.0,
        [],
    )
    clear = np.abs(along) > CENTRE_MARK_MM + 2.0
    light, along = light[clear], along[clear]
    if len(along) < 4:
        return None
    span = np.ptp(along)
    noise = np.maximum(np.std(np.diff(light, axis=1), axis=(0, 1)) / np.sqrt(2), 0.002)
    together = max(1.0, 1.5 * blur_mm / float(down[1] - down[0]))
    scaled = light / (noise * np.sqrt(together))

    def residuals(theta: Array) -> Array:
        top, slope, shift = theta
        rows = []
        for i, place in enumerate(along):
            pad = ndtr((down - shift) / blur_mm)
            face = ndtr((down - top - slope * place) / blur_mm)
            columns = np.stack(
                [1 - pad, pad - face, face, (1 - pad) * (down - shift), face * (down - top)],
                axis=-1,
            )
            step = np.abs(scaled[i, -3:].mean(axis=0) - scaled[i, :3].mean(axis=0)).max() + 1.0
            known = np.zeros((3, 5))
            # Light changes slowly over paper and face; the strip's is anything in between.
            known[0, 3] = known[1, 4] = 1 / (0.3 * step)
            known[2, :3] = np.array([-0.5, 1.0, -0.5]) / step
            design = np.concatenate([columns, known])
            target = np.concatenate([scaled[i], np.zeros((3, 3))])
            levels = np.linalg.lstsq(design, target, rcond=None)[0]
            rows.append((target - design @ levels).ravel())
        known_shift = shift / max(base.place_sd_mm, 0.01)
        return np.concatenate([*rows, [known_shift, slope / (per_mm * 3 * SKEW_SD)]])

    best = None
    for setback in (1.5, 3.0, 6.0, 12.0):
        start = per_mm * setback
        if start > deepest:
            continue
        found = least_squares(
            residuals,
            [start, 0.0, 0.0],
            bounds=([0.02, -0.1, -0.3], [deepest + 0.3, 0.1, 0.3]),
            x_scale=[0.1, 0.1 / span, 0.02],
            max_nfev=20,
        )
        if best is None or found.cost < best.cost:
            best = found
    if best is None:
        return None
    free = len(best.fun) - 15 * len(along)
    chi2 = max(1.0, 2 * float(best.cost) / max(free, 1))
    covariance = np.linalg.inv(best.jac.T @ best.jac + 1e-9 * np.eye(3)) * chi2
    return float(best.x[0]), float(best.x[1]), np.asarray(covariance[:2, :2])
