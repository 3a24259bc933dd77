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

import itertools
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
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

# The guide says 3 mm; anything from 0 to 6 mm happens. Common experience, no source.
SETBACK_MM, SETBACK_SD_MM = 3.0, 1.7
SKEW_SD = np.radians(1.0)  # design: cards are set to about this
FACE_SQUARE_SD = np.radians(1.0)  # the riser's end face against its pad
# Pad and face meet in a rounded arris, over which the light goes from one's to the other's.
# Under one lamp it shines on the way, at 1 by Lambert's law, under an even sky not at all.
# What the model leaves out moves the pad's end by the last.
ARRIS_MM, ARRIS_LOG_SD = 0.3, 0.8  # from nearly sharp to well eased; common practice, no source
SHINE, SHINE_SD = 0.5, 0.6
ARRIS_GRID = tuple(itertools.product((0.05, 0.1, 0.2, 0.3, 0.45, 0.65), (0.0, 0.4, 0.8, 1.3)))
ARRIS_MODEL_SD_MM = 0.06
ARRIS_CELLS = 12
TOP_STEP_MM = 0.02
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
        + ARRIS_MODEL_SD_MM**2
        + max(measured, 0.0) ** 2 * (FACE_SQUARE_SD**2 + lean_sd**2)
    )
    sd = float(top_sd / per_mm)
    skew_sd = float(np.hypot(np.sqrt(covariance[1, 1]), base.tilt_sd) / per_mm)
    # A card seen outside what is usual is not drawn back to it as if that could not be.
    usual_sd = max(SETBACK_SD_MM, abs(measured - SETBACK_MM) / 2)
    weight = usual_sd**2 / (usual_sd**2 + sd**2)
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

    Paper, pad and face are three levels with a blurred step and a blurred round between
    them; each block has levels of its own, all share strip and round. Every strip and round
    of a grid is weighed by its likelihood. None where too few blocks are seen.
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
    noise = np.maximum(np.std(np.diff(light, axis=1), axis=(0, 1)) / np.sqrt(2), 0.002)
    together = max(1.0, 1.5 * blur_mm / float(down[1] - down[0]))
    scaled = light / (noise * np.sqrt(together))
    tops = np.arange(TOP_STEP_MM, deepest + 0.3, TOP_STEP_MM)
    ends = scaled[:, [0, 1, 2, -3, -2, -1]].reshape(len(along), 2, 3, 3).mean(axis=2)
    steps = np.abs(ends[:, 1] - ends[:, 0]).max(axis=1).mean() + 1.0
    misfit = np.stack(
        [
            _misfits(scaled, down, tops, radius, shine, per_mm, blur_mm, float(steps))
            for radius, shine in ARRIS_GRID
        ]
    )
    usual = np.array(
        [
            (np.log(radius / ARRIS_MM) / ARRIS_LOG_SD) ** 2 + ((shine - SHINE) / SHINE_SD) ** 2
            for radius, shine in ARRIS_GRID
        ]
    )
    # Every strip of a grid of heights and slopes, over all blocks.
    slopes = per_mm * SKEW_SD * np.linspace(-3, 3, 25)
    places = np.arange(len(tops))
    total = np.empty((len(ARRIS_GRID), len(tops), len(slopes)))
    for k, slope in enumerate(slopes):
        moved = places[:, None] + slope * along / TOP_STEP_MM
        low = np.clip(np.floor(moved).astype(int), 0, len(tops) - 2)
        share = np.clip(moved - low, 0.0, 1.0)
        blocks = np.arange(len(along))
        total[:, :, k] = (
            misfit[:, blocks, low] * (1 - share) + misfit[:, blocks, low + 1] * share
        ).sum(axis=2)
    free = scaled.size / together - 15 * len(along)
    chi2 = max(1.0, float(total.min()) / max(free, 1.0))
    total = total / chi2 + usual[:, None, None] + (slopes / (per_mm * SKEW_SD)) ** 2
    likely = np.exp(-0.5 * (total - total.min())).sum(axis=0)
    likely /= likely.sum()
    offset, turn = np.meshgrid(tops, slopes, indexing="ij")
    top, slope = float(np.sum(likely * offset)), float(np.sum(likely * turn))
    off, turned = offset - top, turn - slope
    covariance = np.array(
        [
            [np.sum(likely * off * off), np.sum(likely * off * turned)],
            [np.sum(likely * off * turned), np.sum(likely * turned * turned)],
        ]
    )
    steps_mm = np.array([TOP_STEP_MM, float(slopes[1] - slopes[0])])
    return top, slope, covariance + np.diag(steps_mm**2 / 12 + [base.place_sd_mm**2, 0.0])


def _misfits(
    light: Array,
    down: Array,
    tops: Array,
    radius: float,
    shine: float,
    per_mm: float,
    blur_mm: float,
    step: float,
) -> Array:
    """Summed squares of each block that no levels explain, per height, (blocks, heights)."""
    pad = ndtr(down / blur_mm)
    face, shining = _over_the_arris(down - tops[:, None], radius, per_mm, blur_mm)
    shining = shine / 2 * shining
    levels = np.stack(
        [
            np.broadcast_to(1 - pad, face.shape),
            pad - face + shining,
            face + shining,
            np.broadcast_to((1 - pad) * down, face.shape),
            face * (down - tops[:, None]),
        ],
        axis=-1,
    )
    known = np.zeros((3, 5))
    # Light changes slowly over paper and face; the strip's is anything in between.
    known[0, 3] = known[1, 4] = 1 / (0.3 * step)
    known[2, :3] = np.array([-0.5, 1.0, -0.5]) / step
    rows = np.broadcast_to(known, (len(tops), *known.shape))
    basis, _ = np.linalg.qr(np.concatenate([levels, rows], axis=1))
    told = np.tensordot(light, basis[:, : len(down)], axes=(1, 1))
    return np.asarray(np.sum(light**2, axis=(1, 2))[:, None] - np.sum(told**2, axis=(1, 3)))


def _over_the_arris(
    down: Array, radius: float, per_mm: float, blur_mm: float
) -> tuple[Array, Array]:
    """Blurred shares of the face's light and of the shine, from where pad and face would meet.

    Light that grows evenly with the surface's direction goes from the pad's to the face's as
    (1 - cos + sin) / 2 of the angle turned, and shines by cos + sin - 1 on the way.
    """
    angle = np.linspace(0, np.pi / 2, ARRIS_CELLS + 1)
    # The pad ends the radius behind the face, and is seen from above.
    edges = radius * (1 - np.cos(angle)) - per_mm * radius * (1 - np.sin(angle))
    middle = (angle[1:] + angle[:-1]) / 2
    cosine, sine = np.cos(middle), np.sin(middle)
    reach = 4 * blur_mm
    grid = np.arange(edges[0] - reach, edges[-1] + reach, blur_mm / 4)
    past = ndtr((grid[:, None] - edges) / blur_mm)
    cells = past[:, :-1] - past[:, 1:]
    face = cells @ ((1 - cosine + sine) / 2) + past[:, -1]
    shining = cells @ (cosine + sine - 1)
    return (
        np.interp(down, grid, face, left=0.0, right=1.0),
        np.interp(down, grid, shining, left=0.0, right=0.0),
    )
