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

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter, maximum_filter1d

from fitcheck.cards import CARDS, MARGIN_MM
from fitcheck.errors import Refused
from fitcheck.lines import median_of_few
from fitcheck.measurement import Note
from fitcheck.strips import Line, StripFrame, Surface
from fitcheck.views.joint_line import REACH_MM, seam_line
from fitcheck.views.joint_panorama import (
    ALONG_STEP_MM,
    CARD,
    CLEAR_OF_CARD_MM,
    UP_STEP_MM,
    Panorama,
    look_beside,
    side_frame,
)
from fitcheck.views.view import Scene

Array = NDArray[np.float64]
Singles = NDArray[np.float32]

EDGES = ("pad_line", "limb_line")
SIDEWAYS = (-1.0, 1.0)  # over the card's upper edge, or under its lower one

BLOCK = 4  # rows of which one is taken for the search of lines
SEARCH_SLOPE = float(np.tan(np.radians(5.0)))  # a card is laid along the seam to about this
STRONGEST = 0.6  # change of log light above which a line is not clearer still
MOST_LINES = 50
NEAR_LINE_MM, NEAR_SLOPE = 0.16, float(np.tan(np.radians(0.4)))

# Above the line, past any opening, and still the limb: thin laminations may look like riser.
ABOVE_MM = ((0.9, 2.4), (2.4, 4.4), (4.4, 6.4))
BELOW_MM = (-1.3, -0.5)
REACHES_MM = np.array([*ABOVE_MM, BELOW_MM])
FEWEST_SAMPLES = 4
WINDOW_MM = 2.0  # either side of a change along the line
ASIDE_MM = 4.0  # a part's end is sharp: this far beside it nothing changes
NEAR_END_MM = 3.0
SHORTEST_MM, LONGEST_MM = 40.0, 140.0  # of a seam; pads are 76 to 102 mm long (trade article)
TYPICAL_MM, TYPICAL_SD_MM = 89.0, 10.0  # where one end cannot be seen
# The card is laid just under the seam, arrow toward the tip; hardly ever otherwise.
USUALLY_WITHIN_MM = 6.0
TURNED_WEIGHT = 0.7
# A limb's butt is 12 to 19 mm thick, from memory; its other face shows as a line above.
UNTOPPED_WEIGHT = 0.6
THICKNESS_MM = (7.0, 24.0)
PARALLEL_SLOPE = float(np.tan(np.radians(2.0)))
TOP_LINE = 0.1
PAST_MM, PAST_UP_MM = (1.5, 10.0), (-0.4, 1.2)  # past the riser's end, near the line
OTHER_SIDE = 2.0  # a change on the other side of the line counts against an end so much
CLEAR_CHANGE = 0.25  # of log light; beyond it an end is not clearer still
LEAST_CHANGE = 0.08
ABOVE_NOISE = 3.0  # times how the side's own light wanders along
MOST_TOPS = 40
END_SD_MM = 0.4
HINT_REACH_MM = 2.2
RIVAL_SHARE = 0.7
LEAST_RIVAL, MOST_RIVALS = 0.35, 4
HINTED_REACH_MM = 1.5
OTHER_LINE_MM = 1.5
LEAST_SEEN = 0.5  # of a line must lie clear of the card
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
    rival, rival_share
        The next best line beside this one, and how clear it is as a share of this one.
    past_clear
        Change of log light along the limb's edge past the riser's end.
    """

    frame: StripFrame
    line: Line
    butt_mm: float
    end_mm: float
    butt_sd_mm: float = END_SD_MM
    end_sd_mm: float = END_SD_MM
    rival: Line | None = None
    rival_share: float = 0.0
    past_clear: float = 1.0

    @property
    def tipward(self) -> float:
        """1 where the limb's tip lies along the card's x axis, -1 where against it."""
        return float(np.sign(self.end_mm - self.butt_mm))


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
        return min(each) + sum(each) / 12


@dataclass(frozen=True, eq=False)
class _Candidate:
    """A line that may be the seam; ``topped`` where another runs over it like a limb's face."""

    panorama: Panorama
    line: Line
    strength: float
    ends: _Ends
    tipward: float
    topped: bool

    @property
    def merit(self) -> float:
        """What candidates are ranked by."""
        away = max(0.0, self.line.offset_mm - MARGIN_MM) / USUALLY_WITHIN_MM
        turned = TURNED_WEIGHT if self.tipward < 0 else 1.0
        topped = 1.0 if self.topped else UNTOPPED_WEIGHT
        return self.strength * self.ends.merit * turned * topped / (1 + away**2)


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
    lines_beside: list[tuple[Panorama, Line, float, bool]] = []
    for side in sides:
        panorama = look_beside(scene, surface, side)
        near = [
            side_frame(scene, side).from_surface(surface.from_pixels(p)) for p in hints.values()
        ]
        lines = _lines(panorama)
        lines_beside += [
            (panorama, line, strength, _is_topped(line, lines))
            for line, strength in lines
            if all(_passes(line, points) for points in near)
        ]
    found = _candidates(lines_beside)
    found.sort(key=lambda c: -c.merit)
    whole = [c for c in found if min(c.ends.butt_clear, c.ends.end_clear) > LEAST_CHANGE]
    partial = [c for c in found if max(c.ends.butt_clear, c.ends.end_clear) > LEAST_CHANGE]
    reach = HINTED_REACH_MM if hints else REACH_MM
    if whole:
        places = _distinct_places(scene, whole, reach)
        if not hints:
            _check_rivals(places, warnings)
        return places[0][1]
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


def _candidates(lines: list[tuple[Panorama, Line, float, bool]]) -> list[_Candidate]:
    """Seams that lines may be, given as panorama, line, strength, and whether it is topped.

    Lines that could not be clear enough for a rival, however clear their ends, are left out
    once a whole seam was found.
    """
    best = _Ends(0.0, 1.0, CLEAR_CHANGE, CLEAR_CHANGE, CLEAR_CHANGE)
    likeliest = [_Candidate(*one[:3], best, 1.0, one[3]).merit for one in lines]
    found: list[_Candidate] = []
    clearest = 0.0
    for k in np.argsort(likeliest)[::-1]:
        if likeliest[k] < LEAST_RIVAL * clearest:
            break
        panorama, line, strength, topped = lines[k]
        for tipward, ends in _ends(panorama, line).items():
            one = _Candidate(panorama, line, strength, ends, tipward, topped)
            found.append(one)
            if min(ends.butt_clear, ends.end_clear) > LEAST_CHANGE:
                clearest = max(clearest, one.merit)
    return found


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


def _passes(line: Line, points: Array) -> bool:
    """Whether a line passes near all hinted points (along, up)."""
    return bool(np.all(np.abs(line.at(points[:, 0]) - points[:, 1]) < HINT_REACH_MM))


def _is_topped(line: Line, lines: list[tuple[Line, float]]) -> bool:
    """Whether one of the lines runs over another as the limb's far face does over the seam."""
    low, high = THICKNESS_MM
    return any(
        strength > TOP_LINE
        and low < other.offset_mm - line.offset_mm < high
        and abs(other.slope - line.slope) < PARALLEL_SLOPE
        for other, strength in lines
    )


def _lines(panorama: Panorama) -> list[tuple[Line, float]]:
    """Lines along the card, with the change of log light along each, the clearest first."""
    length = CARDS[CARD].board_mm[0]
    beside = (panorama.along_mm > 0) & (panorama.along_mm < length)
    along = panorama.along_mm[beside][::BLOCK]
    sharp = panorama.change[beside][::BLOCK]
    seen = sharp > 0
    up, step = panorama.up_mm, UP_STEP_MM
    # The two edges of an opening, or of a dark seam, are one line here.
    clear = np.minimum(maximum_filter1d(sharp, 5, axis=1), STRONGEST)

    middle = length / 2
    half = int(SEARCH_SLOPE * middle / step / 2)
    slopes = np.linspace(-SEARCH_SLOPE, SEARCH_SLOPE, 2 * half + 1)
    # What lies beyond the panorama counts as unseen.
    room = int(SEARCH_SLOPE * np.abs(along - middle).max() / step) + 1
    beyond = ((0, 0), (room, room))
    reached = sliding_window_view(np.pad(clear * seen, beyond), len(up), axis=1)
    shown = sliding_window_view(np.pad(seen.astype(np.int16), beyond), len(up), axis=1)
    total = np.zeros((len(slopes), len(up)), dtype=np.float32)
    count = np.zeros(total.shape, dtype=np.int16)
    for i, away in enumerate(along - middle):
        moved = room + np.round(slopes * away / step).astype(int)
        total += reached[i, moved]
        count += shown[i, moved]
    enough = count >= LEAST_SEEN * len(along)
    strength = np.where(enough, total / np.maximum(count, 1), 0.0)
    # Lines that are clearer than their like in place and direction. Parallel lines close to
    # each other make slanting ones across them look clear too, so direction counts.
    near_slope = max(1, round(NEAR_SLOPE / (slopes[1] - slopes[0])))
    size = (2 * near_slope + 1, 2 * round(NEAR_LINE_MM / step) + 1)
    top = maximum_filter(strength, size)
    rows, columns = np.nonzero((strength == top) & (strength > LEAST_LINE))
    order = np.argsort(-strength[rows, columns])[:MOST_LINES]
    return [
        (Line(float(up[k]), float(slopes[i]), middle), float(strength[i, k]))
        for i, k in zip(rows[order], columns[order], strict=True)
    ]


def _bands(panorama: Panorama, line: Line) -> Singles:
    """Mean log light of the bands above a line and, last, of that below, at every place along.

    Shape (bands, n, 3), NaN where unseen.
    """
    mean, count = panorama.bands(line.at(panorama.along_mm), REACHES_MM)
    mean[count < FEWEST_SAMPLES] = np.nan
    return mean


def _changes(bands: Singles) -> Singles:
    """Change of log light along bands (..., n, 3) at every place; zero where untold, (..., n)."""
    rows = round(WINDOW_MM / ALONG_STEP_MM)
    seen = ~np.isnan(bands[..., 0])
    n = seen.shape[-1]
    # Means of the rows before and after every place; between, the change may take a sample.
    ahead = rows + 1
    light = np.zeros((*seen.shape[:-1], n + 2 * ahead, 4), dtype=np.float32)
    inside = light[..., ahead:-ahead, :]
    inside[..., :3], inside[..., 3] = bands, seen
    inside[~seen] = 0.0
    window = light[..., : 1 - rows, :].copy()
    for k in range(1, rows):
        window += light[..., k : k + window.shape[-2], :]
    number = window[..., 3]
    means = window[..., :3] / np.maximum(number, 1)[..., None]
    means[number < 0.6 * rows] = np.nan
    before, after = means[..., :n, :], means[..., rows + 3 :, :]
    # Between two parts of like colour it is no step but a line, the shadow in their joint.
    here = _mean_of_three(bands) - (before + after) / 2
    step, shadow = (np.einsum("...k,...k->...", v, v) / 3 for v in (after - before, here))
    return np.asarray(np.fmax(np.sqrt(np.maximum(step, shadow)), 0.0), dtype=np.float32)


def _mean_of_three(bands: Singles) -> Singles:
    """Mean of every value and its two neighbours along, (..., n, 3)."""
    total = bands.copy()
    total[..., 1:, :] += bands[..., :-1, :]
    total[..., :-1, :] += bands[..., 1:, :]
    total[..., [0, -1], :] += bands[..., [0, -1], :]
    total /= 3
    return total


def _sharp(change: Singles) -> Array:
    """Change of light less what changes beside it: a gradual change is no end, (n,)."""
    aside = round(ASIDE_MM / ALONG_STEP_MM)
    beside = np.zeros(len(change))
    beside[aside:] += change[:-aside]
    beside[:-aside] += change[aside:]
    return np.asarray(change - beside / 2)


def _ends(panorama: Panorama, line: Line) -> dict[float, _Ends]:
    """Where limb's butt and riser's end lie on a line if it is the seam, by the tip's direction.

    Directions in which the line is too short for a seam, or has no end, are left out.
    """
    changes = _changes(_bands(panorama, line))
    change_above, change_below = changes[:-1].mean(axis=0), changes[-1]
    butt = _sharp(change_above) - OTHER_SIDE * change_below - _wander(change_above, panorama)
    end = _sharp(change_below) - OTHER_SIDE * change_above - _wander(change_below, panorama)
    # The best end for every butt: all pairs at a seam's length from each other.
    i = _tops(butt)
    k = _tops(end)
    along = panorama.along_mm
    low, high = np.clip(butt[i], 0, CLEAR_CHANGE)[:, None], np.clip(end[k], 0, CLEAR_CHANGE)
    # Beyond what is clear, clearer is still a little better.
    merit = (low + high) / 2 + np.minimum(low, high) + 0.01 * (butt[i][:, None] + end[k])
    found = {}
    for tipward in (1.0, -1.0):
        apart = (along[k][None, :] - along[i][:, None]) * tipward
        fits = (apart > SHORTEST_MM) & (apart < LONGEST_MM)
        if not fits.any():
            continue
        row, column = np.unravel_index(int(np.argmax(np.where(fits, merit, -np.inf))), merit.shape)
        b, e = i[row], k[column]
        if max(butt[b], end[e]) <= LEAST_CHANGE:
            continue
        past = (along - along[e]) * tipward
        beyond = (past > PAST_MM[0]) & (past < PAST_MM[1])
        found[tipward] = _Ends(
            float(along[b]),
            float(along[e]),
            float(butt[b]),
            float(end[e]),
            _line_clear(panorama, line, beyond),
        )
    return found


def _tops(clear: Array) -> NDArray[np.int_]:
    """Where something is clearer than at its neighbours, the clearest few."""
    around = round(WINDOW_MM / ALONG_STEP_MM)
    tops = np.flatnonzero(clear == maximum_filter1d(clear, 2 * around + 1))
    return np.asarray(tops[np.argsort(-clear[tops])[:MOST_TOPS]])


def _line_clear(panorama: Panorama, line: Line, there: NDArray[np.bool_]) -> float:
    """How sharply the light changes upward near a line, where ``there``, against texture."""
    if np.count_nonzero(there) < FEWEST_SAMPLES:
        return 0.0
    offsets = np.arange(PAST_UP_MM[0], PAST_UP_MM[1] + 1e-9, UP_STEP_MM)
    places = line.at(panorama.along_mm[there])[:, None] + offsets[None, :]
    index = np.round((places - panorama.up_mm[0]) / UP_STEP_MM).astype(int)
    inside = (index >= 0) & (index < len(panorama.up_mm))
    index = np.clip(index, 0, len(panorama.up_mm) - 1)
    change = np.take_along_axis(panorama.change[there], index, axis=1) * inside
    return median_of_few(change.max(axis=1)) - median_of_few(change.ravel())


def _wander(change: Singles, panorama: Panorama) -> float:
    """How much a band's own light wanders along the card, as changes show it."""
    length = CARDS[CARD].board_mm[0]
    beside = (panorama.along_mm > 0) & (panorama.along_mm < length) & (change > 0)
    return (
        ABOVE_NOISE * median_of_few(change[beside].astype(np.float64)) / 2 if beside.any() else 0.0
    )


def _elsewhere(one: _Candidate, other: _Candidate) -> bool:
    """Whether two candidates are lines in different places, or point different ways."""
    if one.panorama.side != other.panorama.side or one.tipward != other.tipward:
        return True
    places = np.array([other.ends.butt_mm, other.ends.end_mm])
    return bool(np.min(np.abs(one.line.at(places) - other.line.at(places))) > OTHER_LINE_MM)


def _distinct_places(
    scene: Scene, found: list[_Candidate], reach_mm: float
) -> list[tuple[float, SeamPlace]]:
    """Places of the best candidates that are not the same seam, with their merits, best first."""
    places: list[tuple[float, SeamPlace]] = []
    chosen: list[_Candidate] = []
    for one in found:
        if len(chosen) == MOST_RIVALS or one.merit < LEAST_RIVAL * found[0].merit:
            break
        if all(_elsewhere(one, other) for other in chosen):
            chosen.append(one)
            place, clear = _refined(scene, one, reach_mm)
            places.append((one.merit * clear, place))
    return sorted(places, key=lambda p: -p[0])


def _check_rivals(places: list[tuple[float, SeamPlace]], warnings: list[Note]) -> None:
    merit, best = places[0]
    middle = (best.butt_mm + best.end_mm) / 2
    for other_merit, other in places[1:]:
        if other_merit < RIVAL_SHARE * merit:
            continue
        if other.frame.outward[1] != best.frame.outward[1]:
            raise Refused(
                "seam_ambiguous",
                "A seam shows on either side of card B, and which is meant cannot be told.",
                "Keep other lines out of the picture, or mark pad line and limb line by hand.",
            )
        apart = abs(float(other.line.at(middle) - best.line.at(middle)))
        if apart > OTHER_LINE_MM or other.tipward != best.tipward:
            warnings.append(
                Note(
                    "seam_ambiguous",
                    "Another line beside the card is almost as clear as the seam.",
                    "Look at the drawn lines; if they are wrong, mark pad line and limb line by "
                    "hand.",
                )
            )
            return


def _refined(scene: Scene, best: _Candidate, reach_mm: float) -> tuple[SeamPlace, float]:
    """The place of a candidate, with line and ends told finely, and how clear its line is."""
    bands = _bands(best.panorama, best.line)
    butt = _sharpest(best.panorama, bands[0], best.ends.butt_mm)
    end = _sharpest(best.panorama, bands[-1], best.ends.end_mm)
    found = seam_line(best.panorama, best.line, butt, end, reach_mm)
    bands = _bands(best.panorama, found.line)
    butt = _sharpest(best.panorama, bands[0], butt)
    end = _sharpest(best.panorama, bands[-1], end)
    place = SeamPlace(
        side_frame(scene, best.panorama.side),
        found.line,
        butt,
        end,
        rival=found.rival,
        rival_share=found.rival_share,
        past_clear=best.ends.past_clear,
    )
    return place, found.clear


def _sharpest(panorama: Panorama, band: Singles, near_mm: float) -> float:
    """Where a band changes most, near a place along."""
    change = _changes(band)
    near = np.abs(panorama.along_mm - near_mm) < NEAR_END_MM
    weight = np.where(near, change, 0.0)
    top = float(weight.max())
    if top <= 0:
        return near_mm
    # The change reaches over the window; its middle is the place.
    weight = np.where(weight > 0.7 * top, weight, 0.0)
    peak = float(panorama.along_mm[int(np.argmax(weight))])
    weight = np.where(np.abs(panorama.along_mm - peak) < NEAR_END_MM / 2, weight, 0.0)
    return float(np.sum(panorama.along_mm * weight) / np.sum(weight))


def _with_typical_length(scene: Scene, best: _Candidate, warnings: list[Note]) -> SeamPlace:
    """The place of a candidate of which only one end is seen."""
    place, _ = _refined(scene, best, REACH_MM if not scene.hints else HINTED_REACH_MM)
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
        panorama = look_beside(scene, surface, side)
        line = Line(edge, 0.0, CARDS[CARD].board_mm[0] / 2)
        change = _changes(_bands(panorama, line)[0])
        beside = (panorama.along_mm > 0) & (panorama.along_mm < CARDS[CARD].board_mm[0])
        clear = change - 2 * _wander(change, panorama)
        shows = np.flatnonzero(beside & (clear > LEAST_CHANGE))
        # A riser that ends there changes the band too, but then the far side of the card
        # shows the same.
        other = look_beside(scene, surface, -side)
        opposite = _changes(_bands(other, line)[0])
        if len(shows) and np.min(opposite[shows]) < 0.3 * np.max(change[shows]):
            raise Refused(
                "seam_hidden",
                "Card B covers the seam or lies too close to it.",
                "Move the card down so that 2 to 5 mm of the riser show between it and the "
                "seam, and retake.",
            )
