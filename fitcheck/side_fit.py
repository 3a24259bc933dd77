"""A straight side of wood measured block by block, through grain and beside a visible wall.

:func:`fitcheck.edges.measure` aligns blocks on their common mean profile. That asks for one
ground along the whole edge. Below a card that stands on the end of a riser there is wall and
bench, light and dark, within 30 mm, growth rings cross the edge, and the camera often sees
a sliver of the riser's own side beyond it. Here every block has light levels of its own:

- Each block is a blurred step between two levels with gentle slopes; where the far end of a
  visible side wall lies within reach, a second step ends it.
- The first rounds are softened, so that a line that starts a little off is drawn in. The arris
  between face and side is round: of a grid of rounds, every one is weighed by its likelihood.
- Grain changes wood's brightness and hardly its colour. The three colours are turned into
  three channels of equal noise by the face's own texture (whitening), so that a change of
  colour counts for much and one of brightness for little where the wood is lively.
- The blocks' shifts get a robust line weighted by what each block can tell. Rings run along
  an edge for several millimetres, so neighbouring blocks share errors, and the covariance is
  widened for it.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d
from scipy.special import ndtr

from fitcheck.lines import FEWEST_POINTS, TUKEY, median_of_few, weighted_line, widening_of
from fitcheck.picture import Colours
from fitcheck.strips import Line, StripFrame, Surface, blocks_beside, px_per_mm_at

Array = NDArray[np.float64]

BLOCK_MM = 1.0
INNER_MM, OUTER_MM = 0.9, 0.5  # reach of a profile, beyond its blur
# A sharp step is seen from afar only when it is softened: coarse first, then as it is.
SOFTENED_MM = (0.3, 0.15, 0.08, 0.0, 0.0, 0.0, 0.0)
BESIDE_WALL_SOFTENED = 0.3  # so much of it, lest the wall's far end is taken for the side
TUNING_ROUNDS = (3, 5)  # when blur and arris are fitted
CUTTING_ROUND, UPPER_SHARE = 3, 0.6  # the upper part alone first, then as far as it is straight
SHORTEST_UPPER_MM = 13.0  # so that enough blocks are left if some do not agree
ROUNDED_MM, CLEAR_OF_ROUNDING_MM = 0.06, 1.0
# Blur of the channels over that of the cards: JPEG stores colour at half resolution.
BLUR_RATIOS = np.exp(np.linspace(-0.1, 1.1, 9))
BLUR_RATIO_USUAL = 1.05
BLUR_RATIO_LOG_SD = {"grey": 0.1, "colour": 0.35}
GREY_SHARE = 0.3  # of a channel's squared weights along grey, from which it counts as grey
WALL_END_RATIOS = (1.0, 1.6, 2.5)  # the wall's far end is further away and less sharp
SLOPE_SHARE_PER_MM = 0.3  # of the step: light changes slowly beside an edge
COLOUR_NOISE_SHARE = 0.05  # of all the noise's variance, in either direction of pure colour
LIGHT_FLOOR = 0.0015  # linear light; no channel is quieter
WALL_END_SD_MM = 0.1
WALL_BRIGHTNESS_SD = 0.1  # how far a wall's brightness wanders, as a share of the face's
NARROWEST_WALL_OF_BLUR = 1.3  # of the blurs of its two ends together
FURTHEST_SHIFT_MM = 0.4
# Rings run about 3 mm along an edge: this many blocks of 1 mm count as one.
GRAIN_WIDENING = 2.5
# Beside a wall the unknown light over the arris and the wall's own texture bend the line
# further than the blocks' scatter shows. Seen in errors against known truth.
WALL_WIDENING = 7.0

# An arris is round, and light goes over it from the face's to the side's: at the angle φ from
# the face by the share (1 − cos φ + sin φ)/2, which is all that light that grows evenly with
# the surface's direction can do. The side's light is so much of the face's, and mirrors so
# much of what lies beyond, as wood does at a grazing angle.
ARRIS_MM, ARRIS_LOG_SD = 0.3, 0.5  # a lightly eased edge; common practice, no source
SIDE_LIGHT, SIDE_LIGHT_SD = 0.9, 0.4
MIRRORED, MIRRORED_SD = 0.1, 0.25
ARRIS_GRID = tuple(itertools.product((0.15, 0.3, 0.6), (0.4, 0.8, 1.2, 1.7), (0.0, 0.3, 0.7)))
PLACE_STEP_MM = 0.02
ARRIS_PLACES_MM: Array = PLACE_STEP_MM * np.arange(-12.0, 16.0)
ARRIS_CELLS = 10
WALL_SHARE_SD = 0.25  # of the radius, where the wall shows: the round is a step in itself
ARRIS_MODEL_SHARE = 0.2  # of the radius: what the model of the light leaves out


@dataclass(frozen=True, eq=False)
class SideFit:
    """A side's line and how sure it is.

    Attributes
    ----------
    line
        In the strip frame.
    covariance
        Of the line's offset (mm) at its middle and its slope, shape (2, 2).
    arris_sd_mm
        Standard uncertainty of the side as a whole: where the rounded arris ends.
    scatter_mm
        Robust standard deviation of the blocks about the line.
    kept_share
        Share of the blocks that agree with the line.
    rise
        Change of linear light across the side, mean of the colours, signed.
    along_mm
        The stretch that was measured, in the strip frame.
    """

    line: Line
    covariance: Array
    arris_sd_mm: float
    scatter_mm: float
    kept_share: float
    rise: float
    along_mm: tuple[float, float]


def fit_side(
    picture: Colours,
    surface: Surface,
    frame: StripFrame,
    along_mm: tuple[float, float],
    line: Line,
    blur_px: float,
    keep_out: list[Array],
    wall_end: Line | None = None,
    corner_mm: tuple[float, float, float] | None = None,
    cut_rounding: bool = False,
) -> SideFit | None:
    """Fit a side near a line.

    Parameters
    ----------
    picture
        The colours of the upright picture.
    surface, frame
        Where the side lies.
    along_mm
        The stretch to measure, in the strip frame.
    line
        Where the side is, to a few tenths of a millimetre.
    blur_px
        Blur of the photograph there (standard deviation), pixels.
    keep_out
        Convex outlines in pixels, shape (n, 2) each, of what covers the part.
    wall_end
        Far end of the side wall that the camera sees beyond the side; None if it sees none.
    corner_mm
        Where side and wall end meet, along and outward in the strip frame, and how surely
        (standard deviation), mm; None if they do not meet. Near the corner the wall is
        hardly wider than its blur, and the corner tells more than what is seen there.
    cut_rounding
        Whether to end the stretch above a corner that is rounded off: where blocks at its
        lower end fall inward of the line through the upper ones.

    Returns
    -------
    The fit; None where fewer than eight blocks, or fewer than half, agree with a line.
    """
    blur_mm = max(blur_px, 0.5) / px_per_mm_at(surface, frame, line)
    current = line
    steps = _StepBlocks(blur_mm)
    found: _FoundLine | None = None
    stretch = along_mm
    if cut_rounding:
        upper = max(UPPER_SHARE * (along_mm[1] - along_mm[0]), SHORTEST_UPPER_MM)
        stretch = (max(along_mm[0], along_mm[1] - upper), along_mm[1])
    softened_share = 1.0 if wall_end is None else BESIDE_WALL_SOFTENED
    for round_, softened in enumerate(SOFTENED_MM):
        steps.softened_mm = softened * softened_share
        soft = 2.0 * steps.softened_mm
        reach = (-INNER_MM - 2.5 * blur_mm - soft, OUTER_MM + 3.0 * blur_mm + soft)
        if cut_rounding and round_ == CUTTING_ROUND:
            light, along, outward = blocks_beside(
                picture, surface, frame, current, along_mm, reach, BLOCK_MM, keep_out
            )
            shifts, sd = steps.shifts(_whitened(light, outward, False)[0], outward, None)
            stretch = (_rounded_below(along, shifts, sd, stretch[0]), along_mm[1])
        light, along, outward = blocks_beside(
            picture, surface, frame, current, stretch, reach, BLOCK_MM, keep_out
        )
        if len(along) < FEWEST_POINTS:
            return None
        wall_mm = None if wall_end is None else wall_end.at(along) - current.at(along)
        channels, whitening = _whitened(light, outward, wall_end is not None)
        told = np.ones(len(along), dtype=bool)
        if wall_end is not None:
            # Where the wall is hardly wider than its blur, its two ends are one step.
            narrowest = NARROWEST_WALL_OF_BLUR * (1 + steps.wall_end_ratio) * blur_mm
            told = wall_end.at(along) - line.at(along) > narrowest
            if np.count_nonzero(told) < FEWEST_POINTS:
                return None
        place = 0.0
        if round_ in TUNING_ROUNDS:
            steps.tune_blur(channels, outward, wall_mm, whitening)
            if wall_end is None:
                place = steps.tune_arris(channels, outward)
        shifts, sd = steps.shifts(channels, outward, wall_mm, place)
        found = _weighted_line(along[told] - current.middle_mm, shifts[told] + place, sd[told])
        if found is None:
            return None
        if wall_end is not None:
            found = replace(found, covariance=found.covariance * WALL_WIDENING)
        if corner_mm is not None:
            at, out, corner_sd = corner_mm
            off = out - float(current.at(at))
            found = _through_corner(found, at - current.middle_mm, off, corner_sd)
        turn = np.arctan(current.slope) + np.arctan(found.slope)
        current = Line(current.offset_mm + found.offset, float(np.tan(turn)), current.middle_mm)
    assert found is not None  # noqa: S101 - the loop ran
    covariance, arris_sd = found.covariance, WALL_SHARE_SD * ARRIS_MM
    if wall_end is None:
        arris_sd = steps.arris_sd_mm
        turned = 0.0
        for likely, arris in steps.likely_arrises:
            moved = _weighted_line(
                along - current.middle_mm, steps.shifts_if(channels, outward, arris), sd
            )
            if moved is not None:
                turned += likely * (moved.slope - found.slope) ** 2
        covariance = covariance + np.diag([0.0, turned])
    n = max(2, len(outward) // 6)
    face, ground = light[:, :n].mean(axis=(0, 1)), light[:, -n:].mean(axis=(0, 1))
    return SideFit(
        line=current,
        covariance=covariance,
        arris_sd_mm=float(np.hypot(arris_sd, ARRIS_MODEL_SHARE * ARRIS_MM)),
        scatter_mm=found.scatter,
        kept_share=float(np.mean(found.kept)),
        rise=float(np.mean(ground - face)),
        along_mm=stretch,
    )


def _rounded_below(along: Array, shifts: Array, sd: Array, upper: float) -> float:
    """Lower end of what is straight: above where two blocks running fall inward of the line.

    ``along`` rises; blocks above ``upper`` have made the line.
    """
    above = shifts[along > upper]
    scatter = 1.4826 * float(np.median(np.abs(above - np.median(above)))) if len(above) else 0.0
    inward = shifts < -np.maximum(ROUNDED_MM, 3 * np.hypot(sd, scatter))
    for i in range(int(np.searchsorted(along, upper)) - 1, 0, -1):
        if inward[i] and inward[i - 1]:
            return float(along[i]) + BLOCK_MM / 2 + CLEAR_OF_ROUNDING_MM
    return float(along[0]) - BLOCK_MM / 2


def _whitened(light: Array, outward: Array, wall: bool) -> tuple[Array, Array]:
    """Light in channels of equal noise, shape (n, m, 3), and the matrix that makes them.

    The noise is the face's texture and the ground's. Beside a wall of the same wood,
    brightness says little whatever the texture beside the edge happens to be.
    """
    inner = light[:, outward < 0.25 * outward[0]]
    grain = inner - inner.mean(axis=1, keepdims=True)
    noise = np.cov(grain.reshape(-1, 3).T) + np.eye(3) * LIGHT_FLOOR**2
    if wall:
        face = inner.reshape(-1, 3)
        mean = face.mean(axis=0)
        noise = noise + np.cov(face.T) + WALL_BRIGHTNESS_SD**2 * np.outer(mean, mean)
    else:
        outer = light[:, outward > 0.65 * outward[-1]]
        ground = outer - outer.mean(axis=1, keepdims=True)
        noise = noise + 0.5 * np.cov(ground.reshape(-1, 3).T)
    # Telephones smooth and sharpen colour on its own: it is never as sure as it is quiet.
    grey = np.full(3, 1 / np.sqrt(3))
    noise += COLOUR_NOISE_SHARE * np.trace(noise) * (np.eye(3) - np.outer(grey, grey))
    variance, directions = np.linalg.eigh(noise)
    matrix = (directions / np.sqrt(variance)).T
    return light @ matrix.T, matrix


class _StepBlocks:
    """Blocks as blurred steps with levels of their own; tells how far each is shifted.

    Blur and arris are common to all blocks.

    Attributes
    ----------
    arris
        Logarithm of the arris's radius (mm), the side's light as a share of the face's, and
        the share of what lies beyond that it mirrors.
    likely_arrises
        Those that the light does not rule out, each with its probability.
    arris_sd_mm
        Standard uncertainty of the place of the wall that follows.
    """

    def __init__(self, blur_mm: float) -> None:
        self.blur_mm = blur_mm
        self.softened_mm = 0.0
        self.ratios = np.full(3, BLUR_RATIO_USUAL)
        self.wall_end_ratio = WALL_END_RATIOS[1]
        self.arris = np.array([np.log(ARRIS_MM), 1.0, 0.0])
        self.likely_arrises: list[tuple[float, tuple[float, float, float]]] = []
        self.arris_sd_mm = 0.0

    def tune_blur(
        self, channels: Array, outward: Array, wall_mm: Array | None, whitening: Array
    ) -> None:
        """Choose each channel's blur, and that of the wall's far end, by what fits best."""
        together = self._correlated(outward)
        grey = np.sum(whitening, axis=1) ** 2 / (3 * np.sum(whitening**2, axis=1))
        kind = np.where(grey > GREY_SHARE, "grey", "colour")
        usual_sd = np.array([BLUR_RATIO_LOG_SD[k] for k in kind])
        costs = []
        for ratio in BLUR_RATIOS:
            cost = self._solve(channels, outward, wall_mm, np.full(3, ratio), shifts=False)[3]
            costs.append(cost / together + (np.log(ratio / BLUR_RATIO_USUAL) / usual_sd) ** 2)
        self.ratios = BLUR_RATIOS[np.argmin(np.array(costs), axis=0)]
        if wall_mm is not None:
            tried = []
            for self.wall_end_ratio in WALL_END_RATIOS:
                fitted = self._solve(channels, outward, wall_mm, self.ratios, shifts=False)
                tried.append(fitted[3].sum())
            self.wall_end_ratio = WALL_END_RATIOS[int(np.argmin(tried))]

    def tune_arris(self, channels: Array, outward: Array) -> float:
        """Fit the arris to groups of blocks; returns where the wall lies, mm outward.

        Every arris of a grid is tried at every place near by, and weighed by its likelihood.
        """
        groups = np.array_split(np.arange(len(channels)), max(1, min(6, len(channels) // 4)))
        means = np.stack([channels[g].mean(axis=0) for g in groups])
        # Grain is shared by the blocks of a group as far as it runs along the side.
        scale = len(groups[0]) / GRAIN_WIDENING / self._correlated(outward)
        cost, usual = [], []
        for radius, of_one in itertools.groupby(ARRIS_GRID, key=lambda arris: arris[0]):
            lights = np.array([arris[1:] for arris in of_one])
            cost += list(self._costs(means, outward, ARRIS_PLACES_MM, radius, lights))
            usual += list(
                (np.log(radius / ARRIS_MM) / ARRIS_LOG_SD) ** 2
                + ((lights[:, 0] - SIDE_LIGHT) / SIDE_LIGHT_SD) ** 2
                + ((lights[:, 1] - MIRRORED) / MIRRORED_SD) ** 2
            )
        misfit = scale * np.array(cost)
        free = means.size / self._correlated(outward) - 10 * len(groups)
        chi2 = max(1.0, float(misfit.min()) / max(free, 1.0))
        misfit = misfit / chi2 + np.array(usual)[:, None]
        likely = np.exp(-0.5 * (misfit - misfit.min()))
        likely /= likely.sum()
        best, _ = np.unravel_index(int(np.argmax(likely)), likely.shape)
        radius, side_light, mirrored = ARRIS_GRID[best]
        self.arris = np.array([np.log(radius), side_light, mirrored])
        at = likely.sum(axis=0)
        place = float(at @ ARRIS_PLACES_MM)
        spread = float(at @ (ARRIS_PLACES_MM - place) ** 2) + PLACE_STEP_MM**2 / 12
        self.arris_sd_mm = float(np.sqrt(spread))
        share = likely.sum(axis=1)
        self.likely_arrises = [(w, ARRIS_GRID[i]) for i, w in enumerate(share) if w > 0.02]
        return place

    def _costs(
        self, means: Array, outward: Array, places: Array, radius: float, lights: Array
    ) -> Array:
        """Summed squares that no levels explain with the step at each place.

        For a radius and pairs of side's light and mirrored share, (n, 2): (n, places).
        """
        ends = means[:, [0, 1, 2, -3, -2, -1]].mean(axis=0)
        steps = np.abs(ends[3:].mean(axis=0) - ends[:3].mean(axis=0)) + 1.0
        total = np.zeros((len(lights), len(places)))
        away = (outward - places[:, None]).ravel()
        # The side's light adds its share of the arris to the face, what it mirrors to beyond.
        mixed = np.zeros((len(lights), 1, 4, 5))
        mixed[..., :4] = np.eye(4)
        mixed[:, 0, 0, 4], mixed[:, 0, 1, 4] = lights[:, 0] - 1, lights[:, 1]
        for c in range(3):
            blur = self._blur(self.ratios[c])
            parts = [*_two_levels(away, blur), _side_share(away, blur, radius)]
            across = np.stack(parts).reshape(5, len(places), len(outward)).swapaxes(0, 1)
            known = np.diag([0.0, 0.0, *[1 / (SLOPE_SHARE_PER_MM * steps[c]) ** 2] * 2])
            levels = np.swapaxes(across, 1, 2)
            normal = mixed @ (across @ levels) @ np.swapaxes(mixed, 2, 3)
            seen = mixed @ (across @ means[:, :, c].T)
            told = np.linalg.solve(normal + known + 1e-9 * np.eye(4), seen)
            total += np.sum(means[:, :, c] ** 2) - np.sum(seen * told, axis=(2, 3))
        return total

    def shifts(
        self, channels: Array, outward: Array, wall_mm: Array | None, place_mm: float = 0.0
    ) -> tuple[Array, Array]:
        """How far each block's step lies outward of a place, and its standard deviation."""
        away = outward - place_mm
        normal, pull, residual, _ = self._solve(channels, away, wall_mm, self.ratios)
        variance = float(np.mean(np.median(residual**2, axis=(0, 1)))) / 0.455  # of normal noise
        variance = max(variance, 1e-6) * self._correlated(outward)
        normal = normal + np.diag([variance, variance / WALL_END_SD_MM**2])
        inverse = np.linalg.inv(normal)
        shift = np.einsum("nij,nj->ni", inverse, pull)[:, 0]
        return (
            np.clip(shift, -FURTHEST_SHIFT_MM, FURTHEST_SHIFT_MM),
            np.sqrt(inverse[:, 0, 0] * variance),
        )

    def shifts_if(
        self, channels: Array, outward: Array, arris: tuple[float, float, float]
    ) -> Array:
        """Return the shifts that another arris would give."""
        kept = self.arris
        self.arris = np.array([np.log(arris[0]), *arris[1:]])
        shifts, _ = self.shifts(channels, outward, None)
        self.arris = kept
        return shifts

    def _correlated(self, outward: Array) -> float:
        """How many samples share their noise: they lie closer than the blur."""
        blur = np.hypot(self.blur_mm, self.softened_mm)
        return max(1.0, 1.5 * float(blur) / float(outward[1] - outward[0]))

    def _blur(self, ratio: float) -> float:
        """Blur of a step with that ratio, softening included, mm."""
        return float(np.hypot(ratio * self.blur_mm, self.softened_mm))

    def _solve(
        self,
        channels: Array,
        outward: Array,
        wall_mm: Array | None,
        ratios: Array,
        shifts: bool = True,
    ) -> tuple[Array, Array, Array, Array]:
        """Normal equations of (side's shift, wall end's shift) per block, levels eliminated.

        Returns the normal matrices (n, 2, 2), right sides (n, 2), residuals (n, m, 3) and the
        summed squares per channel (3,); the first two empty where no ``shifts`` are asked for.
        """
        n = len(channels)
        if self.softened_mm > 0:
            sd = self.softened_mm / float(outward[1] - outward[0])
            channels = gaussian_filter1d(channels, sd, axis=1, mode="nearest")
        normal, pull = np.zeros((n, 2, 2)), np.zeros((n, 2))
        residual, cost = np.zeros_like(channels), np.zeros(3)
        ends = channels[:, [0, 1, 2, -3, -2, -1]].mean(axis=0)
        steps = np.abs(ends[3:].mean(axis=0) - ends[:3].mean(axis=0)) + 1.0
        reach = outward[-1] + 3 * self._blur(self.wall_end_ratio)
        near = np.zeros(n, dtype=bool) if wall_mm is None else wall_mm < reach
        groups: list[tuple[NDArray[np.int_], float | None]] = [(np.flatnonzero(~near), None)]
        if wall_mm is not None:
            groups += [(np.array([i]), max(float(wall_mm[i]), 0.02)) for i in np.flatnonzero(near)]
        for blocks, wall in groups:
            if len(blocks) == 0:
                continue
            for c in range(3):
                left, side, end = self._block_fit(
                    channels[blocks, :, c], outward, ratios[c], wall, steps[c], shifts
                )
                residual[blocks, :, c] = left[:, : len(outward)]
                cost[c] += float(np.sum(left**2))
                if side is None:
                    continue
                normal[blocks, 0, 0] += np.sum(side * side, axis=1)
                pull[blocks, 0] += np.sum(side * left, axis=1)
                if end is not None:
                    normal[blocks, 1, 1] += np.sum(end * end, axis=1)
                    normal[blocks, 0, 1] += np.sum(side * end, axis=1)
                    normal[blocks, 1, 0] = normal[blocks, 0, 1]
                    pull[blocks, 1] += np.sum(end * left, axis=1)
        return normal, pull, residual, cost

    def _block_fit(
        self,
        light: Array,
        outward: Array,
        ratio: float,
        wall_mm: float | None,
        step: float,
        shifts: bool,
    ) -> tuple[Array, Array | None, Array | None]:
        """Residuals of one channel, and what a shift of the side or the wall's end changes."""
        # Where the side lies, and a little further out and in.
        tiny, m = 0.003, len(outward)
        moved_by = np.array([0.0, tiny, -tiny] if shifts else [0.0])
        away = (outward - moved_by[:, None]).ravel()
        wall_away = None if wall_mm is None else np.repeat(wall_mm - moved_by, m)
        columns, *moved = self._columns(away, ratio, wall_away).reshape(len(moved_by), m, -1)
        k = columns.shape[1]
        # Weak knowledge as rows: light changes slowly, and a narrow wall is like the face.
        known = np.zeros((2 if wall_mm is None else 3, k))
        known[0, 2] = known[1, 3] = 1 / (SLOPE_SHARE_PER_MM * step)
        if wall_mm is not None:
            known[2, :2] = np.array([-1.0, 1.0]) / (2 * step)
        design = np.concatenate([columns, known])
        basis, root = np.linalg.qr(design)
        told = light @ basis[:m]
        levels = np.linalg.solve(root, told.T).T
        left = -levels @ design.T
        left[:, :m] += light
        if not shifts:
            return left, None, None

        def slope_of(forward: Array, back: Array) -> Array:
            change = np.concatenate([(forward - back) / (2 * tiny), np.zeros((len(known), k))])
            turned = levels @ change.T
            return np.asarray(turned - (turned @ basis) @ basis.T)

        side = slope_of(*moved)
        if wall_mm is None:
            return left, side, None
        walls = np.repeat([wall_mm + tiny, wall_mm - tiny], m)
        ends = self._columns(np.tile(outward, 2), ratio, walls).reshape(2, m, -1)
        return left, side, slope_of(*ends)

    def _columns(self, away: Array, ratio: float, wall_mm: Array | None) -> Array:
        """Face, what lies beyond, their slopes, and the ground past the wall: (m, 4 or 5).

        ``wall_mm`` is where the wall's far end lies, for each of the m places ``away``.
        """
        blur = self._blur(ratio)
        if wall_mm is None:
            face, beyond, face_slope, slope = _two_levels(away, blur)
            if self.arris[1] != 1.0 or self.arris[2] != 0.0:
                side = _side_share(away, blur, float(np.exp(self.arris[0])))
                face = face + (self.arris[1] - 1) * side
                beyond = beyond + self.arris[2] * side
            return np.stack([face, beyond, face_slope, slope], axis=-1)
        face, beyond, face_slope, slope = _two_levels(away, blur)
        past = ndtr((away - wall_mm) / self._blur(self.wall_end_ratio))
        wall = beyond * (1 - past)
        return np.stack([face, wall, face_slope, slope * (1 - past), beyond * past], axis=-1)


def _two_levels(away: Array, blur: float) -> tuple[Array, Array, Array, Array]:
    """A blurred step at zero: the face's share, what lies beyond, and the slopes of both."""
    beyond = ndtr(away / blur)
    face = 1 - beyond
    return face, beyond, face * np.minimum(away, 0), beyond * np.maximum(away, 0)


def _side_share(away: Array, blur: float, radius: float) -> Array:
    """Blurred share of the side's light over the arris, which ends at zero."""
    cell = radius / ARRIS_CELLS
    places = -radius + cell * (np.arange(ARRIS_CELLS) + 0.5)
    sine = 1 + places / radius
    share = (1 - np.sqrt(1 - sine**2) + sine) / 2
    edges = np.append(places - cell / 2, 0.0)
    # The share is smooth over a blur: looked up, where many places are asked for.
    reach = 4 * blur
    grid = np.arange(-radius - reach, reach, blur / 4)
    past = ndtr((grid[:, None] - edges) / blur)
    blurred = (past[:, :-1] - past[:, 1:]) @ share
    return np.asarray(np.interp(away, grid, blurred, left=0.0, right=0.0))


@dataclass(frozen=True, eq=False)
class _FoundLine:
    offset: float
    slope: float
    covariance: Array
    scatter: float
    kept: NDArray[np.bool_]


def _weighted_line(along: Array, across: Array, sd: Array) -> _FoundLine | None:
    """Robust line through points of unequal standard deviation (Tukey's biweight).

    What the points scatter beyond their own standard deviations is taken for grain: it is
    added to each, and the covariance is widened by the residuals' autocorrelation, at least
    as far as grain is known to run along an edge.
    """
    design = np.stack([np.ones_like(along), along], axis=1)
    solution, extra = np.zeros(2), 0.0
    typical = median_of_few(sd)
    kept = np.ones(len(along), dtype=bool)
    for _ in range(50):
        total = np.hypot(sd, extra)
        ratio = (across - design @ solution) / total
        scale = max(1.4826 * median_of_few(np.abs(ratio)), 0.3)
        share = ratio / (TUKEY * scale)
        kept = np.abs(share) < 1
        weights = np.where(kept, (1 - share**2) ** 2, 0.0) / total**2
        updated = weighted_line(design, across, weights)
        if np.count_nonzero(kept) < FEWEST_POINTS or updated is None:
            return None
        moved = float(np.max(np.abs(updated - solution)))
        solution = updated
        left = across - design @ solution
        scatter = 1.4826 * median_of_few(np.abs(left))
        extra = float(np.sqrt(max(0.0, scatter**2 - typical**2)))
        if moved < 1e-6:
            break
    if np.count_nonzero(kept) < max(FEWEST_POINTS, len(along) // 2):
        return None
    total = np.hypot(sd, extra)
    ratio = np.where(kept, (across - design @ solution) / total, 0.0)
    normal = design.T @ ((kept / total**2)[:, None] * design)
    chi2 = float(np.sum(ratio**2)) / max(int(np.count_nonzero(kept)) - 2, 1)
    grain = extra**2 / (extra**2 + typical**2)
    widening = max(widening_of(ratio), 1 + (GRAIN_WIDENING - 1) * grain)
    covariance = np.asarray(np.linalg.inv(normal) * max(chi2, 0.5) * widening)
    return _FoundLine(float(solution[0]), float(solution[1]), covariance, scatter, kept)


def _through_corner(found: _FoundLine, along: float, across: float, sd: float) -> _FoundLine:
    """A line drawn to one more point, as far as either is sure (a Kalman update)."""
    lever = np.array([1.0, along])
    spread = found.covariance @ lever
    gain = spread / (float(lever @ spread) + sd**2)
    moved = gain * (across - found.offset - found.slope * along)
    return replace(
        found,
        offset=found.offset + float(moved[0]),
        slope=found.slope + float(moved[1]),
        covariance=found.covariance - np.outer(gain, spread),
    )
