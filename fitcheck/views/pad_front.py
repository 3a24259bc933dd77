"""What the front of a pad shows beside the riser's sides: the card's base line and the setback.

**The card's base line.** Pad squareness is told from the line on which card C stands. The
print knows where that line should be; how the card was cut and folded decides where it is.
Beyond the riser's two sides the card's lower edge hangs free, and where it stands out against
what lies behind, its direction against the print is measured.

**The setback.** The card stands a few millimetres behind the riser's end face, so the face
looks larger than it is, about 0.4 % for each millimetre at 25 cm. From above, a strip of pad
shows between the card's base and the face's upper arris. With H the camera's distance in
front of the print, h its height over the base line, α the card's lean against the pad and v
the strip as seen on the print's plane, v = s·(h + α·H) / (H − s) for the setback s. A low
camera makes that a poor measure, more so the further back the card stands, so every setback
and lean is weighed by how likely it is and how likely it makes the strip that is seen.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from fitcheck.camera import camera_in_card
from fitcheck.cards import CARDS, MARGIN_MM
from fitcheck.lines import FEWEST_POINTS, robust_line
from fitcheck.setup import Setup
from fitcheck.step_fit import fit_steps
from fitcheck.strips import Line, StripFrame, Surface, blocks_beside, px_per_mm_at
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

# The guide says 3 mm; anything from 0 to 6 mm happens, and once in a while a card stands far
# back. Common experience, no source.
SETBACK_MM, SETBACK_SD_MM = 3.0, 1.7
SELDOM, FAR_SETBACK_MM = 0.08, 8.0  # how often it is so, and how far on average
DEEPEST_SETBACK_MM = 60.0
SETBACK_STEPS_MM: Array = np.concatenate([np.arange(0.05, 8.0, 0.1), np.geomspace(8.0, 60.0, 60)])
SKEW_SD = np.radians(1.0)  # design: cards are set to about this
LEAN_SDS: Array = np.linspace(-2.5, 2.5, 11)  # tried leans of the card, in standard deviations
# Pad and face meet in a rounded arris. Over it the light goes from the pad's to the face's, and
# a lamp or a window is mirrored on the way, now nearer to the pad, now to the face: how brightly
# is told by the photograph. What the model leaves out moves the pad's end by the last.
ARRIS_MM, ARRIS_LOG_SD = 0.3, 0.8  # from nearly sharp to well eased; common practice, no source
ARRIS_GRID = (0.05, 0.1, 0.15, 0.2, 0.3, 0.4, 0.5, 0.65, 0.85)
ARRIS_MODEL_SD_MM = 0.06
AT_ONCE = 48  # heights of the strip
ARRIS_CELLS = 12
NO_PAD_MM = 0.7  # a setback below this shows no pad
TOP_STEP_MM = 0.02
CENTRE_MARK_MM = 2.0
DEEPEST_STRIP_MM = 15.0
MOST_TOPS, TOP_STEP_OF_BLUR = 240, 0.35
LEAST_PER_MM = 0.02  # a rounded arris shows so much even to a camera level with the pad
COARSE_OF_BLUR = 0.7
COARSE_ARRIS = (0.1, 0.3, 0.65)
# How far light levels wander, as shares of the step from paper to face: over a millimetre of
# paper or face, from the card's foot to the pad's end, and where a lamp is mirrored.
SLOPE_SHARE_PER_MM, FOOT_SHARE, SHINE_SHARE = 0.3, 0.3, 0.5
UNLIKELY = 40.0  # summed squares over the best that are looked at no further


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


@dataclass(frozen=True, eq=False)
class Setback:
    """How far the riser's end face lies in front of the print.

    Attributes
    ----------
    middle_mm
        At the card's middle, the median of what is likely.
    likely
        Probability of every one of ``SETBACK_STEPS_MM``.
    skew, skew_sd
        By how much more per millimetre to the right as seen.
    strip_mm
        Visible height of the pad's strip on the print's plane; NaN where none was measured.
    strip_per_mm
        What it grows by with the setback, mm per mm: how well the camera looks onto the pad.
    no_pad
        Whether the photograph shows no pad before the card.
    """

    middle_mm: float
    likely: Array
    skew: float
    skew_sd: float
    strip_mm: float
    strip_per_mm: float
    no_pad: bool = False

    def beyond(self, far_mm: float) -> float:
        """How likely it is that the card stands further back than that."""
        return float(self.likely[far_mm < SETBACK_STEPS_MM].sum())

    def draw_off(self, rng: np.random.Generator, draws: int) -> Array:
        """How far the setback may lie from its median, mm, shape (draws,)."""
        return _quantile(self.likely, rng.random(draws)) - self.middle_mm


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
    left, right = (x - frame.origin_mm[0] for x in hidden_x_mm)
    free = (along < left - CLEAR_OF_SIDE_MM) | (along > right + CLEAR_OF_SIDE_MM)
    light, along = light[free], along[free]
    if len(along) < FEWEST_POINTS:
        return made
    blur_mm = scene.blur_px[CARD] / px_per_mm_at(surface, frame, level)
    fits = fit_steps(down, light.mean(axis=2), blur_mm)
    good = (np.abs(fits.rise) > LEAST_RISE) & (fits.misfit < 0.15)
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
    deepest_mm: float,
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
    deepest_mm
        How far below the base line the strip can end.
    lean, lean_sd
        The card's lean against the pad's normal and its standard uncertainty, radians;
        positive where the card's top leans away from the camera.

    Returns
    -------
    The setback: strip and usual practice combined, or the latter alone where no strip can be
    seen.
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
    along = (face_x_mm[0] - frame.origin_mm[0], face_x_mm[1] - frame.origin_mm[0])
    # What a millimetre of setback adds to the strip, for every lean that is tried.
    per_mm = height / in_front + lean + lean_sd * LEAN_SDS
    deepest = min(
        DEEPEST_SETBACK_MM * max(float(per_mm[-3]), 0.0) * 1.3, DEEPEST_STRIP_MM, deepest_mm
    )
    strip_per_mm = float(np.mean(per_mm))
    usual_per_mm = max(strip_per_mm, LEAST_PER_MM)
    strip = _fit_strip(scene, surface, frame, line, along, blur_mm, base, usual_per_mm, deepest)
    likely = _likely_setbacks(strip, per_mm, in_front)
    middle = float(_quantile(likely, np.array([0.5]))[0])
    no_pad = strip is not None and middle < NO_PAD_MM
    if no_pad:
        # Either the card does not stand on the pad, or its strip passes for paper or face.
        likely = (likely + _likely_setbacks(None, per_mm, in_front)) / 2
        middle = float(_quantile(likely, np.array([0.5]))[0])
    if strip is None:
        return Setback(middle, likely, 0.0, float(SKEW_SD), float("nan"), strip_per_mm)
    skew_sd = float(np.hypot(strip.slope_sd, base.tilt_sd) / usual_per_mm)
    skew_weight = SKEW_SD**2 / (SKEW_SD**2 + skew_sd**2)
    return Setback(
        middle_mm=middle,
        likely=likely,
        skew=float(skew_weight * strip.slope / usual_per_mm),
        skew_sd=skew_sd * float(np.sqrt(skew_weight)),
        strip_mm=strip.top_mm,
        strip_per_mm=strip_per_mm,
        no_pad=no_pad,
    )


@dataclass(frozen=True, eq=False)
class _Strip:
    """Where the strip of pad seems to end, mm below the base line.

    ``likely`` is the likelihood, up to a factor, of each of ``tops_mm``, (n,), evenly spaced.
    """

    tops_mm: Array
    likely: Array
    top_mm: float
    slope: float
    slope_sd: float


def _likely_setbacks(strip: _Strip | None, per_mm: Array, in_front_mm: float) -> Array:
    """Probability of every one of ``SETBACK_STEPS_MM``.

    ``per_mm`` is how much strip a millimetre of setback near the card makes, for each of
    ``LEAN_SDS``.
    """
    usual = np.exp(-0.5 * ((SETBACK_STEPS_MM - SETBACK_MM) / SETBACK_SD_MM) ** 2)
    usual *= (1 - SELDOM) / (SETBACK_SD_MM * np.sqrt(2 * np.pi))
    far = SELDOM / FAR_SETBACK_MM * np.exp(-SETBACK_STEPS_MM / FAR_SETBACK_MM)
    likely = (usual + far) * np.gradient(SETBACK_STEPS_MM)
    if strip is not None:
        setback = SETBACK_STEPS_MM[:, None]
        # A pad that the camera looks at from below shows no strip.
        top = np.maximum(setback * in_front_mm * per_mm / (in_front_mm - setback), 0.0)
        seen = np.interp(top, strip.tops_mm, strip.likely, right=0.0)
        likely = likely * (seen @ np.exp(-0.5 * LEAN_SDS**2) + 1e-12)
    return np.asarray(likely / likely.sum())


def _quantile(likely: Array, share: Array) -> Array:
    """Setbacks below which a share of the probability lies, mm, shape as ``share``."""
    edges = np.concatenate([[0.0], (SETBACK_STEPS_MM[1:] + SETBACK_STEPS_MM[:-1]) / 2])
    edges = np.append(edges, SETBACK_STEPS_MM[-1])
    return np.asarray(np.interp(share, np.append(0.0, np.cumsum(likely)), edges))


def _fit_strip(
    scene: Scene,
    surface: Surface,
    frame: StripFrame,
    line: Line,
    along_mm: tuple[float, float],
    blur_mm: float,
    base: BaseLine,
    per_mm: float,
    deepest_mm: float,
) -> _Strip | None:
    """Height of the strip's lower end under the base line.

    Paper, pad and face are three levels with a blurred step and a blurred round between
    them; each block has levels of its own, all share strip and round. Every strip and round
    of a grid is weighed by its likelihood, a coarse grid first. None where too few blocks are
    seen.
    """
    reach = 0.8 + 2 * blur_mm

    light, along, down = blocks_beside(
        scene.picture, surface, frame, line, along_mm, (-reach, deepest_mm + reach), 4.0, []
    )
    clear = np.abs(along) > CENTRE_MARK_MM + 2.0
    light, along = light[clear], along[clear]
    if len(along) < 4:
        return None
    coarse = np.arange(TOP_STEP_MM, deepest_mm + 0.3, max(COARSE_OF_BLUR * blur_mm, TOP_STEP_MM))
    rough = _weighed(light, along, down, coarse, COARSE_ARRIS, np.zeros(1), per_mm, blur_mm)
    near = coarse[np.min(rough, axis=(0, 2)) < rough.min() + UNLIKELY]
    low = max(float(near[0] - 2 * (coarse[1] - coarse[0])), TOP_STEP_MM)
    high = float(near[-1] + 2 * (coarse[1] - coarse[0]))
    step = max(TOP_STEP_OF_BLUR * blur_mm, TOP_STEP_MM, (high - low) / MOST_TOPS)
    tops = np.arange(low, high + step, step)
    near_by = down < tops[-1] + reach + (down[1] - down[0]) / 2
    light, down = light[:, near_by], down[near_by]
    slopes = per_mm * SKEW_SD * np.linspace(-3, 3, 25)
    total = _weighed(light, along, down, tops, ARRIS_GRID, slopes, per_mm, blur_mm)
    likely = np.exp(-0.5 * (total - total.min())).sum(axis=0)
    likely /= likely.sum()
    top, slope = float(likely.sum(axis=1) @ tops), float(likely.sum(axis=0) @ slopes)
    turned = float(likely.sum(axis=0) @ (slopes - slope) ** 2)
    turned += float(slopes[1] - slopes[0]) ** 2 / 12
    # What model and base line leave uncertain; from the base line down, evenly spaced.
    sd = float(np.hypot(ARRIS_MODEL_SD_MM, base.place_sd_mm))
    places = np.arange(0.0, tops[-1] + 4 * sd, step)
    spread = np.exp(-0.5 * ((places[:, None] - tops) / sd) ** 2) @ likely.sum(axis=1)
    return _Strip(places, spread, top, slope, float(np.sqrt(turned)))


def _weighed(
    light: Array,
    along: Array,
    down: Array,
    tops: Array,
    arrises: tuple[float, ...],
    slopes: Array,
    per_mm: float,
    blur_mm: float,
) -> Array:
    """Summed squares, prior knowledge included, of every strip: (arrises, tops, slopes)."""
    noise = np.maximum(np.std(np.diff(light, axis=1), axis=(0, 1)) / np.sqrt(2), 0.002)
    together = max(1.0, 1.5 * blur_mm / float(down[1] - down[0]))
    scaled = light / (noise * np.sqrt(together))
    ends = scaled[:, [0, 1, 2, -3, -2, -1]].reshape(len(along), 2, 3, 3).mean(axis=2)
    steps = np.abs(ends[:, 1] - ends[:, 0]).max(axis=1).mean() + 1.0
    misfit = _misfits(scaled, down, tops, arrises, per_mm, blur_mm, float(steps))
    usual = ((np.log(arrises) - np.log(ARRIS_MM)) / ARRIS_LOG_SD) ** 2
    # Every strip of a grid of heights and slopes, over all blocks.
    moved = np.arange(len(tops))[:, None, None] + slopes[:, None] * along / float(
        tops[1] - tops[0]
    )
    low = np.clip(np.floor(moved).astype(int), 0, len(tops) - 2)
    share = np.clip(moved - low, 0.0, 1.0)
    blocks = np.arange(len(along))
    total = np.stack(
        [
            np.sum(of_one[low, blocks] * (1 - share) + of_one[low + 1, blocks] * share, axis=2)
            for of_one in misfit
        ]
    )
    free = scaled.size / together - 15 * len(along)
    chi2 = max(1.0, float(total.min()) / max(free, 1.0))
    return np.asarray(total / chi2 + usual[:, None, None] + (slopes / (per_mm * SKEW_SD)) ** 2)


def _misfits(
    light: Array,
    down: Array,
    tops: Array,
    arrises: tuple[float, ...],
    per_mm: float,
    blur_mm: float,
    step: float,
) -> Array:
    """Summed squares of each block that no levels explain: (arrises, heights, blocks)."""
    pad = ndtr(down / blur_mm)
    paper = 1 - pad
    known = np.zeros((6, 8))
    known[0, :3] = np.array([-0.5, 1.0, -0.5]) / step  # the strip is anything in between
    known[1, 3] = 1 / (FOOT_SHARE * step)
    known[2, 4] = known[3, 5] = 1 / (SHINE_SHARE * step)
    known[4, 6] = known[5, 7] = 1 / (SLOPE_SHARE_PER_MM * step)
    of_known = known.T @ known
    by_sample = np.moveaxis(light, 1, 0).reshape(len(down), -1)
    squares = np.sum(light**2, axis=(1, 2))
    misfit = np.empty((len(arrises), len(tops), len(light)))
    for arris, first in itertools.product(range(len(arrises)), range(0, len(tops), AT_ONCE)):
        some = slice(first, first + AT_ONCE)
        top = tops[some, None]
        below = down - top
        # From one at the card's foot to nothing at the pad's end: the corner there is dark.
        dark = np.clip(1 - down / top, 0.0, 1.0)
        face, near_pad, near_face = _over_the_arris(below, arrises[arris], per_mm, blur_mm)
        strip = pad - face
        # One level a row: shape (heights, 8, samples).
        levels = np.empty((len(top), 8, len(down)))
        for row, level in enumerate(
            (paper, strip, face, strip * dark, near_pad, near_face, paper * down, face * below)
        ):
            levels[:, row] = level
        seen = levels @ by_sample
        normal = levels @ np.swapaxes(levels, 1, 2) + of_known
        told = np.sum(seen * np.linalg.solve(normal, seen), axis=1)
        misfit[arris, some] = squares - told.reshape(len(top), len(light), -1).sum(axis=2)
    return misfit


def _over_the_arris(
    down: Array, radius: float, per_mm: float, blur_mm: float
) -> tuple[Array, Array, Array]:
    """Blurred shares of the face's light and of two highlights, from where pad and face meet.

    Light that grows evenly with the surface's direction goes from the pad's to the face's as
    (1 - cos + sin) / 2 of the angle turned. The highlights, at 35° and 55°, are one at most.
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
    # Both highlights are looked up at once, as one complex number.
    shine = cells @ ((sine**2 * cosine**4 + 1j * cosine**2 * sine**4) * 6.75)
    shine = np.interp(down, grid, shine, left=0.0, right=0.0)
    return np.interp(down, grid, face, left=0.0, right=1.0), shine.real, shine.imag
