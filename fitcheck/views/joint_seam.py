"""Finding the seam between limb and riser beside card B, and where it begins and ends.

Many lines run along a bow's side: laminations, grain, shadows, the riser's other edge. What
tells the seam from them is its ends. At the limb's butt what lies above the seam changes and
what lies below it does not; at the riser's end what lies below it changes and what lies above
does not. A lamination of the limb has no riser's end below it, grain of the riser no butt
above it, and the riser's other edge has no butt at all. The same tells which way the limb's
tip lies, however the card was laid.

**Strip frame**, millimetres: *along* card B's x axis, from its board's origin; *up* away from
the card, from the edge of its board, on whichever side the limb lies.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d, maximum_filter1d
from scipy.signal import find_peaks

from fitcheck.cards import CARDS, MARGIN_MM
from fitcheck.edges import Line, StripFrame, Surface
from fitcheck.errors import Refused
from fitcheck.measurement import Note
from fitcheck.tone import linear_light
from fitcheck.views.view import Scene

Array = NDArray[np.float64]

CARD = "B"
EDGES = ("pad_line", "limb_line")
SIDEWAYS = (-1.0, 1.0)  # over the card's upper edge, or under its lower one

BEYOND_CARD_MM = 75.0  # how far past the card's ends the seam's ends are looked for
FURTHEST_UP_MM = 26.0  # from the board's edge
ALONG_STEP_MM, UP_STEP_MM = 0.5, 0.08
BLOCK = 4  # rows averaged for the search of lines
SEARCH_SCALE_MM = 0.16
SEARCH_SLOPE = float(np.tan(np.radians(5.0)))  # a card is laid along the seam to about this
STRONGEST = 0.6  # change of log light above which a line is not clearer still
STRONGEST_FINE = 2.0
FINE_SLOPE = float(np.tan(np.radians(0.6)))
MOST_LINES = 24
NEAR_LINE_MM = 0.3
DARK_FLOOR = 0.03  # of the paper's light; keeps the logarithm of black finite

CLEAR_OF_CARD_MM = 0.35  # its cut edge, its thickness and its shadow
ABOVE_MM = (0.9, 2.4)  # of the line: past any opening, and still the limb
BELOW_MM = (-1.2, -0.25)
FEWEST_SAMPLES = 4
WINDOW_MM = 6.0  # either side of a change along the line
FINE_WINDOW_MM = 1.5
SHORTEST_MM, LONGEST_MM = 40.0, 140.0  # of a seam; pads are 76 to 102 mm long (trade article)
TYPICAL_MM, TYPICAL_SD_MM = 89.0, 10.0  # where one end cannot be seen
# The card is laid just under the seam, arrow toward the tip; hardly ever otherwise.
USUALLY_WITHIN_MM = 20.0
TURNED_WEIGHT = 0.7
PAST_MM = (1.5, 10.0)  # past the riser's end
OTHER_SIDE = 2.0  # a change on the other side of the line counts against an end so much
CLEAR_CHANGE = 0.5  # of log light; beyond it an end is not clearer still
LEAST_CHANGE = 0.1
ABOVE_NOISE = 3.0  # times how the side's own light wanders along
END_SD_MM = 0.4
HINT_REACH_MM = 2.2
RIVAL_SHARE = 0.7
OTHER_LINE_MM = 1.5
LEAST_LINE = 0.08  # change of log light along a line that is one


@dataclass(frozen=True, eq=False)
class SeamPlace:
    """Where the seam runs, to a few tenths of a millimetre, and where it ends.

    Attributes
    ----------
    frame
        Strip frame: along card B's x axis, up toward the limb.
    line
        The seam in it.
    butt_mm, end_mm
        Where the limb's butt and the riser's end are, along.
    butt_sd_mm, end_sd_mm
        Their standard uncertainties.
    """

    frame: StripFrame
    line: Line
    butt_mm: float
    end_mm: float
    butt_sd_mm: float = END_SD_MM
    end_sd_mm: float = END_SD_MM

    @property
    def tipward(self) -> float:
        """1 where the limb's tip lies along the card's x axis, -1 where against it."""
        return float(np.sign(self.end_mm - self.butt_mm))


@dataclass(frozen=True, eq=False)
class _Panorama:
    """Log light beside the card, (along, up, 3), and where it can be used."""

    side: float
    along_mm: Array
    up_mm: Array
    light: Array
    usable: NDArray[np.bool_]


@dataclass(frozen=True)
class _Ends:
    """Butt and end along a line, and how clearly each shows (change of log light).

    Past the riser's end the line goes on as the limb's edge against the background; how
    clearly is ``past_clear``.
    """

    butt_mm: float
    end_mm: float
    butt_clear: float
    end_clear: float
    past_clear: float

    @property
    def merit(self) -> float:
        """How surely these are the two ends of a seam."""
        clear = (self.butt_clear, self.end_clear, self.past_clear)
        each = [min(max(c, 0.0), CLEAR_CHANGE) for c in clear]
        return sum(each) / 3 + min(each)


@dataclass(frozen=True, eq=False)
class _Candidate:
    """A line that may be the seam."""

    panorama: _Panorama
    line: Line
    strength: float
    ends: _Ends
    tipward: float

    @property
    def merit(self) -> float:
        """What candidates are ranked by."""
        away = max(0.0, self.line.offset_mm - MARGIN_MM) / USUALLY_WITHIN_MM
        turned = TURNED_WEIGHT if self.tipward < 0 else 1.0
        return self.strength * self.ends.merit * turned / (1 + away)


def side_frame(scene: Scene, side: float) -> StripFrame:
    """Return the strip frame beside card B: over its upper edge (-1) or under its lower (1)."""
    scale = np.array(scene.setup.print_scale)
    edge = CARDS[CARD].board_mm[1] * scale[1] if side > 0 else 0.0
    return StripFrame(np.array([0.0, edge]), np.array([1.0, 0.0]), np.array([0.0, side]))


def find_seam(scene: Scene, warnings: list[Note]) -> SeamPlace:
    """Find the seam.

    Parameters
    ----------
    scene
        The photograph with card B; hints for ``pad_line`` or ``limb_line`` override the search.
    warnings
        What the user should know is added here.

    Returns
    -------
    Its place.

    Raises
    ------
    Refused
        ``seam_not_found``, ``seam_hidden`` or ``seam_ambiguous``.
    """
    surface = scene.surface(CARD)
    hints = {name: scene.hints[name] for name in EDGES if name in scene.hints}
    sides = _hinted_sides(scene, surface, hints) if hints else SIDEWAYS
    found: list[_Candidate] = []
    for side in sides:
        panorama = _look_beside(scene, surface, side)
        near = [
            side_frame(scene, side).from_surface(surface.from_pixels(p)) for p in hints.values()
        ]
        for line, strength in _lines(panorama, near):
            for tipward in (1.0, -1.0):
                ends = _ends(panorama, line, tipward)
                if ends is not None:
                    found.append(_Candidate(panorama, line, strength, ends, tipward))
    found.sort(key=lambda c: -c.merit)
    whole = [c for c in found if min(c.ends.butt_clear, c.ends.end_clear) > LEAST_CHANGE]
    partial = [c for c in found if max(c.ends.butt_clear, c.ends.end_clear) > LEAST_CHANGE]
    if whole:
        best = whole[0]
        _check_rivals(best, whole, bool(hints), warnings)
        return _refined(scene, best)
    if partial and hints:
        return _with_typical_length(scene, partial[0], warnings)
    if hints:
        return _from_hints(scene, surface, sides[0], hints, warnings)
    _refuse_if_hidden(scene, surface)
    if partial:
        best = partial[0]
        others = [c for c in partial if _elsewhere(c, best) and c.merit > RIVAL_SHARE * best.merit]
        if not others:
            return _with_typical_length(scene, best, warnings)
    raise Refused(
        "seam_not_found",
        "The seam between pad and limb was not found beside card B.",
        "Lay card B on the riser's side face 2 to 5 mm from the seam, with the limb's butt and "
        "the riser's end in view before a background of another colour, or mark pad line and "
        "limb line by hand.",
    )


def _hinted_sides(scene: Scene, surface: Surface, hints: dict[str, Array]) -> tuple[float, ...]:
    """Which side of the card the hinted points lie on."""
    points = np.concatenate([surface.from_pixels(p) for p in hints.values()])
    middle = CARDS[CARD].board_mm[1] * scene.setup.print_scale[1] / 2
    beside = points[:, 1] - middle
    if np.any(np.abs(beside) < middle) or len(set(np.sign(beside))) > 1:
        raise Refused(
            "hint_on_card",
            "The points marked on the seam lie on card B, or on both sides of it.",
            "Mark two points on the pad line and two on the limb line, beside the card.",
        )
    return (float(np.sign(beside[0])),)


def _look_beside(scene: Scene, surface: Surface, side: float) -> _Panorama:
    """Resample what lies beside the card on the riser's side face."""
    length = CARDS[CARD].board_mm[0]
    along = np.arange(-BEYOND_CARD_MM, length + BEYOND_CARD_MM, ALONG_STEP_MM)
    up = np.arange(MARGIN_MM - 0.4, FURTHEST_UP_MM, UP_STEP_MM)
    frame = side_frame(scene, side)
    picture = linear_light(scene.picture)
    height, width = scene.picture.shape[:2]

    def pixels_at(shift: float) -> Array:
        points = frame.to_surface((along + shift * ALONG_STEP_MM)[:, None], up[None, :])
        return surface.to_pixels(points.reshape(-1, 2)).reshape(len(along), len(up), 2)

    light = np.zeros((len(along), len(up), 3))
    shifts = (-0.375, -0.125, 0.125, 0.375)
    for shift in shifts:
        grid = pixels_at(shift).astype(np.float32)
        light += cv2.remap(picture, grid[..., 0], grid[..., 1], cv2.INTER_LINEAR) / len(shifts)
    middle = pixels_at(0.0)
    usable = np.all((middle >= 1) & (middle <= [width - 2, height - 2]), axis=-1)
    # A card laid flat ends at its margin; its thickness and shadow reach a little further.
    beside_card = (along > -MARGIN_MM - 1) & (along < length + MARGIN_MM + 1)
    usable &= ~(beside_card[:, None] & (up < MARGIN_MM + CLEAR_OF_CARD_MM)[None, :])
    return _Panorama(side, along, up, np.log(light + DARK_FLOOR * scene.white), usable)


def _lines(panorama: _Panorama, near: list[Array]) -> list[tuple[Line, float]]:
    """Lines along the card that may be the seam, with the change of log light along each.

    ``near`` holds hinted points (along, up); lines that pass them by are left out.
    """
    length = CARDS[CARD].board_mm[0]
    beside = np.flatnonzero((panorama.along_mm > 0) & (panorama.along_mm < length))
    beside = beside[: len(beside) // BLOCK * BLOCK]
    light = panorama.light[beside].reshape(-1, BLOCK, *panorama.light.shape[1:]).mean(axis=1)
    usable = panorama.usable[beside].reshape(len(light), BLOCK, -1).all(axis=1)
    along = panorama.along_mm[beside].reshape(-1, BLOCK).mean(axis=1)
    up, step = panorama.up_mm, UP_STEP_MM
    scale = SEARCH_SCALE_MM / step
    change = gaussian_filter1d(light, scale, axis=1, order=1) * scale * np.sqrt(2 * np.pi)
    size = np.linalg.norm(change, axis=-1) / np.sqrt(3)
    # The two edges of an opening, or of a dark seam, are one line here.
    size = np.minimum(maximum_filter1d(size, 5, axis=1), STRONGEST) * usable

    middle = length / 2
    count = 2 * int(SEARCH_SLOPE * middle / step / 2) + 1
    slopes = np.linspace(-SEARCH_SLOPE, SEARCH_SLOPE, count)
    strengths = []
    for slope in slopes:
        index = (
            np.arange(len(up))[None, :]
            + np.round(slope * (along - middle) / step).astype(int)[:, None]
        )
        inside = (index >= 0) & (index < len(up))
        there = np.take_along_axis(size, np.clip(index, 0, len(up) - 1), axis=1)
        strengths.append(np.where(inside, there, 0.0).mean(axis=0))
    strength = np.array(strengths)
    if near:
        for points in near:
            at = up[None, None, :] + slopes[:, None, None] * (points[:, 0] - middle)[None, :, None]
            passes = np.all(np.abs(at - points[:, 1, None]) < HINT_REACH_MM, axis=1)
            strength = np.where(passes, strength, 0.0)
    best, which = strength.max(axis=0), strength.argmax(axis=0)
    peaks, _ = find_peaks(best, height=LEAST_LINE, distance=max(1, round(NEAR_LINE_MM / step)))
    order = sorted(peaks, key=lambda i: -best[i])[:MOST_LINES]
    return [(Line(float(up[i]), float(slopes[which[i]]), middle), float(best[i])) for i in order]


def _bands(panorama: _Panorama, line: Line) -> tuple[Array, Array]:
    """Mean log light above and below a line at every place along, (n, 3); NaN where unseen."""
    at = line.at(panorama.along_mm)

    def band(reach: tuple[float, float]) -> Array:
        offsets = np.arange(reach[0], reach[1] + 1e-9, UP_STEP_MM)
        places = (at[:, None] + offsets[None, :] - panorama.up_mm[0]) / UP_STEP_MM
        index = np.round(places).astype(int)
        inside = (index >= 0) & (index < len(panorama.up_mm))
        index = np.clip(index, 0, len(panorama.up_mm) - 1)
        usable = np.take_along_axis(panorama.usable, index, axis=1) & inside
        light = np.take_along_axis(panorama.light, index[..., None], axis=1)
        count = usable.sum(axis=1)
        mean = np.sum(light * usable[..., None], axis=1) / np.maximum(count, 1)[:, None]
        return np.where((count >= FEWEST_SAMPLES)[:, None], mean, np.nan)

    return band(ABOVE_MM), band(BELOW_MM)


def _changes(band: Array, window_mm: float) -> Array:
    """Change of log light along a band at every place; zero where it cannot be told, (n,)."""
    rows = max(2, round(window_mm / ALONG_STEP_MM))
    seen = ~np.isnan(band[:, 0])
    light = np.concatenate([np.zeros((1, 3)), np.cumsum(np.nan_to_num(band), axis=0)])
    count = np.concatenate([[0], np.cumsum(seen)])
    n = len(band)
    i = np.arange(n)

    def mean(first: NDArray[np.int_], last: NDArray[np.int_]) -> Array:
        first, last = np.clip(first, 0, n), np.clip(last, 0, n)
        number = count[last] - count[first]
        value = (light[last] - light[first]) / np.maximum(number, 1)[:, None]
        return np.where((number >= 0.6 * rows)[:, None], value, np.nan)

    # The change itself may take a sample or two.
    apart = mean(i + 2, i + 2 + rows) - mean(i - 1 - rows, i - 1)
    return np.asarray(np.nan_to_num(np.linalg.norm(apart, axis=1) / np.sqrt(3)))


def _ends(panorama: _Panorama, line: Line, tipward: float) -> _Ends | None:
    """Where limb's butt and riser's end lie on a line, if it is the seam."""
    above, below = _bands(panorama, line)
    change_above, change_below = _changes(above, WINDOW_MM), _changes(below, WINDOW_MM)
    butt = change_above - OTHER_SIDE * change_below - _wander(change_above, panorama)
    end = change_below - OTHER_SIDE * change_above - _wander(change_below, panorama)
    along = panorama.along_mm * tipward
    order = np.argsort(along)
    along, butt, end = along[order], butt[order], end[order]
    # The best end for every butt: all pairs at a seam's length from each other.
    apart = along[None, :] - along[:, None]
    fits = (apart > SHORTEST_MM) & (apart < LONGEST_MM)
    if not fits.any():
        return None
    low, high = np.clip(butt, 0, CLEAR_CHANGE)[:, None], np.clip(end, 0, CLEAR_CHANGE)[None, :]
    # Beyond what is clear, clearer is still a little better: it finds the middle of a change.
    finer = 0.01 * (butt[:, None] + end[None, :])
    merit = np.where(fits, (low + high) / 2 + np.minimum(low, high) + finer, -np.inf)
    i, k = np.unravel_index(int(np.argmax(merit)), merit.shape)
    end_mm = float(along[k] * tipward)
    past = (panorama.along_mm - end_mm) * tipward
    beyond = (past > PAST_MM[0]) & (past < PAST_MM[1])
    beyond &= ~np.isnan(above[:, 0]) & ~np.isnan(below[:, 0])
    apart_past = 0.0
    if np.count_nonzero(beyond) >= FEWEST_SAMPLES:
        difference = np.mean(above[beyond] - below[beyond], axis=0)
        apart_past = float(np.linalg.norm(difference) / np.sqrt(3))
    return _Ends(float(along[i] * tipward), end_mm, float(butt[i]), float(end[k]), apart_past)


def _wander(change: Array, panorama: _Panorama) -> float:
    """How much a band's own light wanders along the card, as changes show it."""
    length = CARDS[CARD].board_mm[0]
    beside = (panorama.along_mm > 0) & (panorama.along_mm < length) & (change > 0)
    return ABOVE_NOISE * float(np.median(change[beside])) / 2 if beside.any() else 0.0


def _elsewhere(one: _Candidate, other: _Candidate) -> bool:
    """Whether two candidates are lines in different places, or point different ways."""
    if one.panorama.side != other.panorama.side or one.tipward != other.tipward:
        return True
    places = np.array([other.ends.butt_mm, other.ends.end_mm])
    return bool(np.min(np.abs(one.line.at(places) - other.line.at(places))) > OTHER_LINE_MM)


def _check_rivals(
    best: _Candidate, found: list[_Candidate], hinted: bool, warnings: list[Note]
) -> None:
    rivals = [c for c in found if c.merit > RIVAL_SHARE * best.merit and _elsewhere(c, best)]
    if not rivals or hinted:
        return
    if any(c.panorama.side != best.panorama.side for c in rivals):
        raise Refused(
            "seam_ambiguous",
            "A seam shows on either side of card B, and which is meant cannot be told.",
            "Keep other lines out of the picture, or mark pad line and limb line by hand.",
        )
    warnings.append(
        Note(
            "seam_ambiguous",
            "Another line beside the card is almost as clear as the seam.",
            "Look at the drawn lines; if they are wrong, mark pad line and limb line by hand.",
        )
    )


def _refined(scene: Scene, best: _Candidate) -> SeamPlace:
    """The place of a candidate whose two ends are seen, with the ends told finely."""
    above, below = _bands(best.panorama, best.line)
    return SeamPlace(
        side_frame(scene, best.panorama.side),
        best.line,
        _sharpest(best.panorama, above, best.ends.butt_mm),
        _sharpest(best.panorama, below, best.ends.end_mm),
    )


def _sharpest(panorama: _Panorama, band: Array, near_mm: float) -> float:
    """Where a band changes most, near a place along."""
    change = _changes(band, FINE_WINDOW_MM)
    near = np.abs(panorama.along_mm - near_mm) < WINDOW_MM
    weight = np.where(near, change, 0.0)
    top = float(weight.max())
    if top <= 0:
        return near_mm
    # The change reaches over the window; its middle is the place.
    weight = np.where(weight > 0.7 * top, weight, 0.0)
    peak = float(panorama.along_mm[int(np.argmax(weight))])
    weight = np.where(np.abs(panorama.along_mm - peak) < FINE_WINDOW_MM, weight, 0.0)
    return float(np.sum(panorama.along_mm * weight) / np.sum(weight))


def _with_typical_length(scene: Scene, best: _Candidate, warnings: list[Note]) -> SeamPlace:
    """The place of a candidate of which only one end is seen."""
    place = _refined(scene, best)
    if best.ends.butt_clear > best.ends.end_clear:
        end = place.butt_mm + best.tipward * TYPICAL_MM
        warnings.append(
            Note(
                "riser_end_not_found",
                "The riser's end was not found; the pad was taken to be of the usual length.",
                "Keep the riser's end in view before a background of another colour.",
            )
        )
        return SeamPlace(place.frame, place.line, place.butt_mm, end, END_SD_MM, TYPICAL_SD_MM)
    butt = place.end_mm - best.tipward * TYPICAL_MM
    warnings.append(
        Note(
            "butt_not_found",
            "The limb's butt was not found; the pad was taken to be of the usual length.",
            "Keep the limb's butt in view before a background of another colour.",
        )
    )
    return SeamPlace(place.frame, place.line, butt, place.end_mm, TYPICAL_SD_MM, END_SD_MM)


def _from_hints(
    scene: Scene, surface: Surface, side: float, hints: dict[str, Array], warnings: list[Note]
) -> SeamPlace:
    """The place as it was marked by hand, where the photograph shows no ends."""
    frame = side_frame(scene, side)
    points = np.concatenate([frame.from_surface(surface.from_pixels(p)) for p in hints.values()])
    along = np.array([points[:, 0].min(), points[:, 0].max()])
    if along[1] - along[0] < SHORTEST_MM / 2:
        raise Refused(
            "seam_not_found",
            "The seam's ends were not found, and the marked points lie close together.",
            "Mark two points on each line near the limb's butt and near the riser's end.",
        )
    slope, offset = np.polyfit(points[:, 0] - along.mean(), points[:, 1], 1)
    warnings.append(
        Note(
            "ends_not_found",
            "Limb's butt and riser's end were not found; the outermost marked points stand for "
            "them, card B's arrow for the direction of the tip.",
            "Mark the lines from the limb's butt to the riser's end.",
        )
    )
    line = Line(float(offset), float(slope), float(along.mean()))
    return SeamPlace(frame, line, float(along[0]), float(along[1]), HINT_REACH_MM, HINT_REACH_MM)


def _refuse_if_hidden(scene: Scene, surface: Surface) -> None:
    """Refuse where a limb's butt shows right above the card and no riser between."""
    edge = MARGIN_MM + CLEAR_OF_CARD_MM
    for side in SIDEWAYS:
        panorama = _look_beside(scene, surface, side)
        line = Line(edge, 0.0, CARDS[CARD].board_mm[0] / 2)
        above, _ = _bands(panorama, line)
        change = _changes(above, WINDOW_MM)
        beside = (panorama.along_mm > 0) & (panorama.along_mm < CARDS[CARD].board_mm[0])
        clear = change - 2 * _wander(change, panorama)
        shows = np.flatnonzero(beside & (clear > LEAST_CHANGE))
        # A riser that ends there changes the band too, but then the far side of the card
        # shows the same.
        other = _look_beside(scene, surface, -side)
        opposite = _changes(_bands(other, line)[0], WINDOW_MM)
        if len(shows) and np.min(opposite[shows]) < 0.3 * np.max(change[shows]):
            raise Refused(
                "seam_hidden",
                "Card B covers the seam or lies too close to it.",
                "Move the card down so that 2 to 5 mm of the riser show between it and the "
                "seam, and retake.",
            )
