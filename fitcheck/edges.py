"""Straight edges of a part, found and measured on the surface that they lie on.

An edge is looked for in a strip resampled from the photograph on its own surface: the
plane of the card that lies there, less the card's thickness. Two steps:

*search*
    Every straight line of the strip within a few degrees is scored by how much the light
    changes across it, in log light so that a dark part counts as much as a bright one, and
    by how evenly it does so along its length. Grain, laminations and shadows are lines too,
    so the strongest line is taken only after the view's expectation and the visible side
    wall have been thought of. What was almost as good is kept as a rival.
*measure*
    Short blocks along the line are averaged and aligned on their common mean profile. A
    robust line through their shifts gives the edge's course, covariance and scatter; the
    mean profile tells where the rounded side truly ends (:mod:`fitcheck.arris`).

**Strip frame**, millimetres: ``along`` runs with the edge, ``outward`` square to it, away
from the part. Both lie in the surface.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

from fitcheck import pixel_grid
from fitcheck.arris import ArrisFit, EdgeProfile, fit_arris
from fitcheck.camera import Lens, Pose, camera_in_card, card_to_pixels, pixels_to_card
from fitcheck.lines import FEWEST_POINTS, robust_line
from fitcheck.tone import linear_light

Array = NDArray[np.float64]

SEARCH_SLOPE = np.tan(np.radians(5.0))  # a card is laid along the part to about this
SEARCH_STEP_MM = 0.08  # across the edge
# Light and gloss change along an edge, and with them where the round seems to end: seen in
# rendered edges with known truth, in each end beyond what the blocks scatter.
ENDS_SD_PX = 0.2
BLOCK_MM = 2.0  # rows averaged for the search
PARALLEL_SLOPE = 0.015
SAME_LINE_MM = 0.3
FINE_BLOCK_MM = 1.0  # rows averaged for the measurement
SETTLED_MM = 0.003  # a line that moves less than this has been found
DARK_FLOOR = 0.03  # of the paper's light; keeps the logarithm of black finite
SEARCH_SCALE_MM = 0.16  # width of the search's derivative filter
EVEN_SHARE = 0.7  # of the blocks must show the same change of light
LEAST_CHANGE = 0.08  # change of log light below which nothing counts as an edge
RIVAL_SHARE = 0.3  # of the strongest; as strong as this is worth naming
# An inner line as strong as this may be the face's edge, and the outer one the wall's.
WALL_SHARE = 0.45
TEXTURE_MM = 2.0  # of the face, beside the edge, that shows how far grain wanders
CLIPPED = 0.95  # linear light from which a side counts as over-exposed
CLIPPED_SD_PX = 0.5  # how far over-exposure may move an edge
NODES = (8, 5)  # of a strip's grid, along and across, see pixel_grid
RIM_MM = 0.45  # a highlight along a rounded arris is narrower than this


@dataclass(frozen=True, eq=False)
class Surface:
    """A plane parallel to a card's printed face, ``depth_mm`` behind it."""

    lens: Lens
    pose: Pose
    depth_mm: float

    def to_pixels(self, points_mm: Array) -> Array:
        """Points of the surface in card x and y, mm, shape (n, 2), to pixels (n, 2)."""
        depth = np.full((len(points_mm), 1), self.depth_mm)
        return card_to_pixels(np.concatenate([points_mm, depth], axis=1), self.lens, self.pose)

    def from_pixels(self, pixels: Array) -> Array:
        """Pixels, shape (n, 2), to card x and y on the surface, mm, shape (n, 2)."""
        return pixels_to_card(pixels, self.lens, self.pose, self.depth_mm)[..., :2]


@dataclass(frozen=True, eq=False)
class StripFrame:
    """Where a strip lies on its surface: card x and y, mm and unit vectors, shape (2,)."""

    origin_mm: Array
    along: Array
    outward: Array

    def to_surface(self, along_mm: Array, outward_mm: Array) -> Array:
        """Strip coordinates, broadcast together to any shape (...), to card x and y (..., 2)."""
        return np.asarray(
            self.origin_mm
            + np.asarray(along_mm)[..., None] * self.along
            + np.asarray(outward_mm)[..., None] * self.outward
        )

    def from_surface(self, points_mm: Array) -> Array:
        """Card x and y, shape (n, 2), to (along, outward), shape (n, 2)."""
        moved = points_mm - self.origin_mm
        return np.stack([moved @ self.along, moved @ self.outward], axis=-1)


@dataclass(frozen=True)
class Line:
    """``outward = offset_mm + slope * (along - middle_mm)`` in a strip frame."""

    offset_mm: float
    slope: float
    middle_mm: float

    def at(self, along_mm: Array | float) -> Array:
        """Outward position at the given place(s) along the strip, mm."""
        return np.asarray(self.offset_mm + self.slope * (np.asarray(along_mm) - self.middle_mm))


@dataclass(frozen=True)
class Candidate:
    """A line that may be the edge.

    Attributes
    ----------
    line
        Where it runs, in the strip frame.
    change
        Change of log light across it.
    weight
        How well it agrees with where the edge was expected, 0 to 1.
    """

    line: Line
    change: float
    weight: float = 1.0

    @property
    def merit(self) -> float:
        """What candidates are ranked by."""
        return self.change * self.weight


@dataclass(frozen=True, eq=False)
class Rival:
    """Another line that may be the edge, or other lines that may be the edges.

    Attributes
    ----------
    apart_mm
        How far outward of the edge it lies at the edge's two ends, shape (2,), or (edges, 2).
    clearness
        How clear it is against the edge that was taken, 0 to 1.
    """

    apart_mm: Array
    clearness: float


@dataclass(frozen=True, eq=False)
class MeasuredEdge:
    """An edge measured to a small part of a pixel.

    Attributes
    ----------
    line
        In the strip frame.
    along_mm
        The two ends of the measured stretch.
    end_pixels
        The line's ends in the picture, shape (2, 2).
    end_covariance_mm2
        Covariance of the outward position at the two ends from the blocks' scatter, (2, 2).
    offset_sd_mm
        Standard uncertainty of the edge as a whole: where the rounded side ends.
    scatter_mm
        Robust standard deviation of the blocks about the line.
    kept_share
        Share of the blocks that agree with the line.
    rise
        Change of linear light across the edge, 0 to 1, signed.
    radius_mm
        Radius of the arris, as far as the photograph tells it.
    misfit
        What the model of the edge leaves of the mean profile, as a share of the step.
    profile
        The mean light across the edge; its zero lies ``arris.offset_mm`` inside the line.
    arris
        How the profile was fitted; both None for an edge that has no rounded side.
    """

    line: Line
    along_mm: tuple[float, float]
    end_pixels: Array
    end_covariance_mm2: Array
    offset_sd_mm: float
    scatter_mm: float
    kept_share: float
    rise: float
    radius_mm: float
    misfit: float
    profile: EdgeProfile | None = None
    arris: ArrisFit | None = None


@dataclass(frozen=True, eq=False)
class _Strip:
    """Linear light (rows, samples, 3) resampled on a surface, and where it may be used."""

    along_mm: Array
    outward_mm: Array
    light: NDArray[np.float32]
    usable: NDArray[np.bool_]


def search(
    picture: NDArray[np.uint8],
    surface: Surface,
    frame: StripFrame,
    along_mm: tuple[float, float],
    outward_mm: tuple[float, float],
    keep_out: list[Array],
    expected: Line | None = None,
    expected_sd_mm: float = np.inf,
    slope_reach: float = SEARCH_SLOPE,
    least_change: float = LEAST_CHANGE,
    white: float = 1.0,
) -> list[Candidate]:
    """Find straight lines that may be the edge, the best first.

    Parameters
    ----------
    picture
        RGB, upright, shape (height, width, 3), dtype uint8.
    surface, frame
        Where the edge lies.
    along_mm, outward_mm
        The searched strip.
    keep_out
        Convex outlines in pixels, shape (n, 2) each, of what covers the part: the cards.
    expected, expected_sd_mm
        Where the edge should be, and how surely; candidates count less away from it.
    slope_reach
        Largest slope against the expected line, or against the frame without one.
    least_change
        Change of log light below which a line does not count.
    white
        Linear light of the card's paper: the exposure.

    Returns
    -------
    Candidates that are strong and even enough; empty if there are none.
    """
    strip = _resample(picture, surface, frame, along_mm, outward_mm, BLOCK_MM / 8, keep_out)
    blocks, block_along = _block_means(strip, 8)
    if len(block_along) < 6:
        return []
    step = strip.outward_mm[1] - strip.outward_mm[0]
    with_gaps = np.log(np.where(np.isnan(blocks), white, blocks) + DARK_FLOOR * white)
    change = gaussian_filter1d(
        with_gaps, SEARCH_SCALE_MM / step, axis=1, order=1, mode="nearest"
    ) * (SEARCH_SCALE_MM / step * np.sqrt(2 * np.pi))
    # A sample whose filter reaches into a gap says nothing.
    gap = np.isnan(blocks).any(axis=2).astype(np.float64)
    blind = gaussian_filter1d(gap, SEARCH_SCALE_MM / step, axis=1, mode="nearest") > 0.001

    middle = float(np.mean(block_along))
    centre_slope = 0.0 if expected is None else expected.slope
    span = block_along[-1] - block_along[0]
    tilts = max(3, int(2 * slope_reach * span / (2 * step)) | 1)
    slopes = centre_slope + np.linspace(-slope_reach, slope_reach, tilts)
    shifts = slopes[:, None] * (block_along - middle) / step
    strengths = _line_strengths(change, blind, np.round(shifts).astype(int))
    weight = np.ones(strengths.shape[1])
    if expected is not None and np.isfinite(expected_sd_mm):
        away = (strip.outward_mm - expected.at(middle)) / expected_sd_mm
        weight = 1 / (1 + away**4)  # flat near the expectation, and never quite zero

    def peaks_of(chosen: NDArray[np.int_]) -> list[Candidate]:
        best = np.argmax(strengths[chosen], axis=0)
        strength = np.take_along_axis(strengths[chosen], best[None], axis=0)[0]
        merit = strength * weight
        inner = merit[1:-1]
        tops = (inner > merit[:-2]) & (inner > merit[2:]) & (inner >= least_change)
        return [
            Candidate(
                Line(
                    _peak_place(strip.outward_mm, strength, i),
                    float(slopes[chosen[best[i]]]),
                    middle,
                ),
                float(strength[i]),
                float(weight[i]),
            )
            for i in (1 + np.flatnonzero(tops)).tolist()
        ]

    found = sorted(peaks_of(np.arange(len(slopes))), key=lambda c: -c.merit)
    if found:
        # Slanting lines through a strong edge outdo a weak one beside it, so what runs
        # parallel to the strongest is looked at once more by itself.
        parallel = np.flatnonzero(np.abs(slopes - found[0].line.slope) < PARALLEL_SLOPE)
        for other in peaks_of(parallel):
            if all(abs(other.line.offset_mm - c.line.offset_mm) > SAME_LINE_MM for c in found):
                found.append(other)
    return sorted(found, key=lambda c: -c.merit)


def choose(candidates: list[Candidate], beyond_mm: float) -> tuple[Candidate, list[Candidate]]:
    """Choose the face's edge among candidates, and name its rivals.

    The strongest line is the edge, unless the camera sees more of the bow beyond it: the
    part's own side wall, or the part underneath. Then the far end of that may be stronger,
    and the face ends at the strongest line inside it.

    Parameters
    ----------
    candidates
        From :func:`search`, not empty.
    beyond_mm
        How far beyond the face's edge more of the bow can show; zero if it cannot.

    Returns
    -------
    The edge and its rivals, strongest first.
    """
    strongest = candidates[0]
    inner = [
        c
        for c in candidates[1:]
        if c.change >= WALL_SHARE * strongest.change
        and abs(c.line.slope - strongest.line.slope) < 0.03
        and RIM_MM < strongest.line.offset_mm - c.line.offset_mm < beyond_mm
    ]
    chosen = max(inner, key=lambda c: c.change, default=strongest)
    rivals = [c for c in candidates if c is not chosen and c.merit >= RIVAL_SHARE * chosen.merit]
    return chosen, rivals


def measure(
    picture: NDArray[np.uint8],
    surface: Surface,
    frame: StripFrame,
    along_mm: tuple[float, float],
    line: Line,
    neighbours_mm: list[float],
    keep_out: list[Array],
    blur_px: float,
) -> MeasuredEdge | None:
    """Measure an edge near a line.

    Each round aligns the blocks of rows on their common mean profile and puts a robust line
    through their shifts; grain that runs with the edge is part of the mean and does no harm.
    At the end the mean profile tells where the side truly ends.

    Parameters
    ----------
    picture, surface, frame, keep_out
        As for :func:`search`.
    along_mm
        The stretch to measure.
    line
        Where the edge is, to a few tenths of a millimetre.
    neighbours_mm
        Outward distances to other lines nearby, signed; the profile ends short of them.
    blur_px
        Blur of the photograph there (standard deviation), pixels.

    Returns
    -------
    The edge, or None where fewer than eight blocks show an edge that agrees with a line.
    """
    px_per_mm = _px_per_mm(surface, frame, line)
    blur_mm = max(blur_px, 0.5) / px_per_mm
    inner, outer = _profile_reach(neighbours_mm, blur_mm)
    rows = max(2, round(FINE_BLOCK_MM * px_per_mm))
    current = line
    blocks, block_along, aligned = np.empty(0), np.empty(0), None
    for round_ in range(5):
        strip = _resample(
            picture,
            surface,
            _tilted(frame, current),
            (along_mm[0] - current.middle_mm, along_mm[1] - current.middle_mm),
            (-inner, outer),
            1.0 / px_per_mm,
            keep_out,
            outward_step_mm=0.5 / px_per_mm,
        )
        blocks, block_along = _block_means(strip, rows)
        whole = ~np.isnan(blocks).any(axis=(1, 2))
        if np.count_nonzero(whole) < FEWEST_POINTS:
            return None
        blocks, block_along = blocks[whole], block_along[whole]
        mean = np.median(blocks, axis=0)
        own = [np.stack([np.ones(len(mean)), mean[:, colour]], axis=1) for colour in range(3)]
        straight = robust_line(block_along, _shifts(blocks, strip.outward_mm, mean, own))
        if straight is None:
            return None
        aligned = straight
        turned_mm = aligned.slope * (along_mm[1] - along_mm[0]) / 2
        if round_ == 4 or max(abs(aligned.offset), abs(turned_mm)) < SETTLED_MM:
            break
        turn = np.arctan(current.slope) + np.arctan(aligned.slope)
        current = Line(current.offset_mm + aligned.offset, float(np.tan(turn)), current.middle_mm)
    assert aligned is not None  # noqa: S101 - the loop ran
    kept = blocks[aligned.kept]
    mean = np.median(kept, axis=0)
    noise = np.hypot(
        np.std(kept - mean, axis=(0, 1)) / np.sqrt(len(kept)),
        _texture(picture, surface, _tilted(frame, current), along_mm, inner, keep_out),
    )
    camera = frame.from_surface(camera_in_card(surface.pose)[None, :2])[0, 1]
    height = surface.depth_mm - camera_in_card(surface.pose)[2]
    ray_slope = float((current.offset_mm - camera) / height)
    profile = EdgeProfile(strip.outward_mm, mean, noise, blur_mm, ray_slope, 1 / px_per_mm)
    arris = fit_arris(profile)
    clipped_mm = CLIPPED_SD_PX / px_per_mm if np.max(mean) > CLIPPED else 0.0
    # Once it is known what the edge is made of, each block has its own face and ground: ground
    # that changes from dark to bright along the edge does not turn the line.
    anew = robust_line(
        block_along, _shifts(blocks, strip.outward_mm, arris.light, [arris.levels] * 3)
    )
    if anew is not None:
        aligned = anew
        turn = np.arctan(current.slope) + np.arctan(aligned.slope)
        current = Line(current.offset_mm, float(np.tan(turn)), current.middle_mm)
    current = Line(current.offset_mm + arris.offset_mm, current.slope, current.middle_mm)

    ends = np.array(along_mm)
    lever = np.stack([np.ones(2), ends - current.middle_mm], axis=1)
    step = mean[-1].mean() - mean[0].mean()
    return MeasuredEdge(
        line=current,
        along_mm=along_mm,
        end_pixels=surface.to_pixels(frame.to_surface(ends, current.at(ends))),
        end_covariance_mm2=lever @ aligned.covariance @ lever.T
        + (ENDS_SD_PX / px_per_mm) ** 2 * np.eye(2),
        offset_sd_mm=float(np.hypot(arris.offset_sd_mm, clipped_mm)),
        scatter_mm=aligned.scatter,
        kept_share=float(np.mean(aligned.kept)),
        rise=float(step),
        radius_mm=arris.radius_mm,
        misfit=arris.misfit,
        profile=profile,
        arris=arris,
    )


def draw_rivals(rng: np.random.Generator, rivals: Sequence[Rival], draws: int) -> Array:
    """Draw how far off an edge may lie because another line is it, mm, shape (draws, ..., 2).

    Each line is as likely as it is clear. The uncertainty is stated as one number to either
    side, so a rival counts on either side too.

    Parameters
    ----------
    rng
        Source of randomness.
    rivals
        At least one, all of one shape.
    draws
        How many.
    """
    clearness = np.array([1.0, *(r.clearness for r in rivals)])
    shape = rivals[0].apart_mm.shape
    apart = np.stack([np.zeros(shape), *(r.apart_mm for r in rivals)])
    chosen = rng.choice(len(apart), size=draws, p=clearness / clearness.sum())
    sign = rng.choice([-1.0, 1.0], size=(draws, *[1] * len(shape)))
    return np.asarray(apart[chosen] * sign)


def colour(
    picture: NDArray[np.uint8],
    surface: Surface,
    frame: StripFrame,
    along_mm: tuple[float, float],
    outward_mm: tuple[float, float],
    keep_out: list[Array],
) -> Array | None:
    """Median linear light of a strip, red, green and blue, shape (3,).

    None where too little of the strip can be seen, or its colour is clipped.
    """
    strip = _resample(picture, surface, frame, along_mm, outward_mm, 0.3, keep_out)
    if np.count_nonzero(strip.usable) < 30:
        return None
    light = np.median(strip.light[strip.usable], axis=0)
    return None if np.max(light) > CLIPPED else np.asarray(light)


def blocks_beside(
    picture: NDArray[np.uint8],
    surface: Surface,
    frame: StripFrame,
    line: Line,
    along_mm: tuple[float, float],
    outward_mm: tuple[float, float],
    block_mm: float,
    keep_out: list[Array],
) -> tuple[Array, Array, Array]:
    """Mean light of blocks of rows beside a line, for estimators of a view's own.

    Parameters
    ----------
    picture, surface, frame, keep_out
        As for :func:`search`.
    line
        The line in the strip frame that the blocks are aligned with.
    along_mm
        The stretch, in the strip frame.
    outward_mm
        Reach across the line, from it; two samples a pixel.
    block_mm
        Length of a block along the line.

    Returns
    -------
    Linear light, shape (n, m, 3), of the blocks that can be seen whole; their places along
    the strip, (n,); and the samples' places outward of the line, (m,). Millimetres.
    """
    px_per_mm = px_per_mm_at(surface, frame, line)
    strip = _resample(
        picture,
        surface,
        _tilted(frame, line),
        (along_mm[0] - line.middle_mm, along_mm[1] - line.middle_mm),
        outward_mm,
        1.0 / px_per_mm,
        keep_out,
        outward_step_mm=0.5 / px_per_mm,
    )
    blocks, along = _block_means(strip, max(1, round(block_mm * px_per_mm)))
    whole = ~np.isnan(blocks).any(axis=(1, 2))
    return blocks[whole], along[whole] + line.middle_mm, strip.outward_mm


def px_per_mm_at(surface: Surface, frame: StripFrame, line: Line) -> float:
    """Scale across a line at its middle, pixels per millimetre."""
    return _px_per_mm(surface, frame, line)


def _profile_reach(neighbours_mm: list[float], blur_mm: float) -> tuple[float, float]:
    """How far a profile reaches inward and outward, short of the lines beside it."""
    inner, outer = 0.6 + 2.5 * blur_mm, 0.15 + 3.0 * blur_mm
    for distance in neighbours_mm:
        room = max(abs(distance) - 2.5 * blur_mm, 0.5 * abs(distance), 1.5 * blur_mm)
        if distance > 0:
            outer = min(outer, room)
        else:
            inner = min(inner, max(room, 0.3 + 1.5 * blur_mm))
    return inner, outer


def _texture(
    picture: NDArray[np.uint8],
    surface: Surface,
    frame: StripFrame,
    along_mm: tuple[float, float],
    inner_mm: float,
    keep_out: list[Array],
) -> Array:
    """How far the face's mean light wanders across the edge's direction, shape (3,).

    Taken from the face just inside the edge's own profile, slow shading removed.
    """
    half = (along_mm[1] - along_mm[0]) / 2
    reach = (-inner_mm - TEXTURE_MM, -inner_mm)
    strip = _resample(picture, surface, frame, (-half, half), reach, 0.3, keep_out)
    enough = strip.usable.sum(axis=0) > len(strip.along_mm) / 4
    if np.count_nonzero(enough) < 8:
        return np.zeros(3)
    weights = strip.usable[:, enough, None]
    mean = np.sum(strip.light[:, enough] * weights, axis=0) / weights.sum(axis=0)
    places = strip.outward_mm[enough]
    trend = np.polynomial.polynomial.polyfit(places, mean, 1)
    wander = mean - np.polynomial.polynomial.polyval(places, trend).T
    return np.asarray(np.std(wander, axis=0))


def _shifts(blocks: Array, outward_mm: Array, light: Array, own: list[Array]) -> Array:
    """How far each block's profile is shifted outward against a common one, mm, shape (n,).

    Least squares on the derivative of the common profile ``light``, shape (m, 3), after what
    each block has for itself has been taken out: for each colour the columns of ``own``,
    shape (m, 2). Colours count by their noise.
    """
    step = outward_mm[1] - outward_mm[0]
    slope = np.gradient(gaussian_filter1d(light, 1.0, axis=0), step, axis=0)
    noise = np.std(blocks - light, axis=(0, 1)) + 1e-6
    top = np.zeros(len(blocks))
    bottom = 0.0
    for colour in range(3):
        basis, _ = np.linalg.qr(own[colour])
        pattern = -slope[:, colour]
        pattern = pattern - basis @ (basis.T @ pattern)
        difference = blocks[:, :, colour] - light[:, colour]
        top += difference @ pattern / noise[colour] ** 2
        bottom += float(pattern @ pattern) / noise[colour] ** 2
    return top / max(bottom, 1e-12)


def _tilted(frame: StripFrame, line: Line) -> StripFrame:
    """Return a frame with its origin on the line and its along axis on the line."""
    turn = np.arctan(line.slope)
    return StripFrame(
        frame.to_surface(np.asarray(line.middle_mm), np.asarray(line.offset_mm)),
        np.cos(turn) * frame.along + np.sin(turn) * frame.outward,
        np.cos(turn) * frame.outward - np.sin(turn) * frame.along,
    )


def _px_per_mm(surface: Surface, frame: StripFrame, line: Line) -> float:
    """Scale across the edge at the line's middle, pixels per millimetre."""
    outward = line.offset_mm + np.array([0.0, 1.0])
    seen = surface.to_pixels(frame.to_surface(np.full(2, line.middle_mm), outward))
    return float(np.linalg.norm(seen[1] - seen[0]))


def _resample(
    picture: NDArray[np.uint8],
    surface: Surface,
    frame: StripFrame,
    along_mm: tuple[float, float],
    outward_mm: tuple[float, float],
    along_step_mm: float,
    keep_out: list[Array],
    outward_step_mm: float = SEARCH_STEP_MM,
) -> _Strip:
    along = np.arange(along_mm[0], along_mm[1], along_step_mm)
    outward = np.arange(outward_mm[0], outward_mm[1] + outward_step_mm / 2, outward_step_mm)
    first, second = (
        pixel_grid.spread_over(p, n) for p, n in zip((along, outward), NODES, strict=True)
    )
    points = frame.to_surface(first[:, None], second[None, :])
    x, y = pixel_grid.between(
        surface.to_pixels(points.reshape(-1, 2)).reshape(*points.shape[:2], 2),
        pixel_grid.weights(along, NODES[0]),
        pixel_grid.weights(outward, NODES[1]),
    )
    height, width = picture.shape[:2]
    usable = (x >= 1) & (x <= width - 2) & (y >= 1) & (y <= height - 2)
    lowest, highest = np.array([x.min(), y.min()]), np.array([x.max(), y.max()])
    for outline in keep_out:
        if np.all((outline.max(axis=0) >= lowest) & (outline.min(axis=0) <= highest)):
            usable &= ~_inside_convex(x, y, outline)
    part, left, top = pixel_grid.window(picture, x, y)
    light = cv2.remap(
        linear_light(part),
        x - np.float32(left),
        y - np.float32(top),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )
    return _Strip(along, outward, np.asarray(light, dtype=np.float32), usable)


def _inside_convex(
    x: NDArray[np.float32], y: NDArray[np.float32], outline: Array
) -> NDArray[np.bool_]:
    """Tell which pixels, any shape, lie inside a convex outline, shape (n, 2)."""
    left, right = np.ones(x.shape, dtype=bool), np.ones(x.shape, dtype=bool)
    for a, b in zip(outline, np.roll(outline, -1, axis=0), strict=True):
        across, down = (a - b).astype(np.float32)
        turn = across * y - down * x
        level = across * a[1] - down * a[0]
        left &= turn <= level
        right &= turn >= level
    return left | right


def _block_means(strip: _Strip, rows: int) -> tuple[Array, Array]:
    """Mean light of blocks of rows, (blocks, samples, 3), NaN where less than half is usable."""
    n = len(strip.along_mm) // rows
    shape = (n, rows, len(strip.outward_mm))
    usable = strip.usable[: n * rows].reshape(shape)
    light = strip.light[: n * rows].reshape(*shape, 3)
    along = strip.along_mm[: n * rows].reshape(n, rows).mean(axis=1)
    if usable.all():
        return light.mean(axis=1, dtype=np.float64), along
    count = usable.sum(axis=1)
    total = np.sum(light * usable[..., None], axis=1, dtype=np.float64)
    means = np.where(count[..., None] >= rows / 2, total / np.maximum(count, 1)[..., None], np.nan)
    return means, along


def _line_strengths(change: Array, blind: NDArray[np.bool_], shifts: NDArray[np.int_]) -> Array:
    """Even change of log light along tilted lines, for every place across.

    Parameters
    ----------
    change, blind
        Of each block of rows and place across, shape (blocks, samples, 3) and (blocks, samples).
    shifts
        How many samples further out each line lies in each block, shape (lines, blocks).

    Returns
    -------
    Shape (lines, samples); zero where a line is uneven or hardly seen.
    """
    blocks, samples, _ = change.shape
    # Blind samples and those beyond the strip count nothing. A fourth "colour" says what is seen.
    reach = int(np.max(np.abs(shifts)))
    padded = np.zeros((4, blocks, samples + 2 * reach))
    inside = padded[:, :, reach : reach + samples]
    inside[:3] = np.moveaxis(np.where(blind[..., None], 0.0, change), -1, 0)
    inside[3] = ~blind
    shifted = np.lib.stride_tricks.sliding_window_view(padded, samples, axis=2)
    strengths = np.empty((len(shifts), samples))
    for strength, shift in zip(strengths, shifts, strict=True):
        here = shifted[:, np.arange(blocks), reach + shift]
        colours, seen = here[:3], here[3]
        count = seen.sum(axis=0)
        mean = colours.sum(axis=1) / np.maximum(count, 1)
        size2 = np.sum(mean**2, axis=0)
        along_mean = np.einsum("cbs,cs->bs", colours, mean)
        even = np.sum((along_mean > 0.5 * size2) * seen, axis=0) / np.maximum(count, 1)
        good = (count >= max(6, blocks // 3)) & (even >= EVEN_SHARE)
        strength[:] = np.where(good, np.sqrt(size2 / 3), 0.0)
    return strengths


def _peak_place(places: Array, heights: Array, i: int) -> float:
    """Top of the parabola through a peak and its two neighbours."""
    left, top, right = heights[i - 1], heights[i], heights[i + 1]
    bend = left - 2 * top + right
    shift = 0.5 * (left - right) / bend if bend < 0 else 0.0
    return float(places[i] + np.clip(shift, -1, 1) * (places[1] - places[0]))
