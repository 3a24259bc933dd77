"""Straight edges of a part, measured on the surface that they lie on.

Short blocks along a line that was found (:mod:`fitcheck.edge_search`) are averaged and aligned
on their common mean profile. A robust line through their shifts gives the edge's course,
covariance and scatter; the mean profile tells where the rounded side truly ends
(:mod:`fitcheck.arris`). Coordinates are those of :mod:`fitcheck.strips`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

from fitcheck.arris import ArrisFit, EdgeProfile, fit_arris
from fitcheck.camera import camera_in_card
from fitcheck.lines import FEWEST_POINTS, robust_line
from fitcheck.picture import Colours
from fitcheck.strips import (
    CLIPPED,
    Line,
    StripFrame,
    Surface,
    block_means,
    px_per_mm_at,
    resample,
    tilted,
)

Array = NDArray[np.float64]

# Light and gloss change along an edge, and with them where the round seems to end: seen in
# rendered edges with known truth, in each end beyond what the blocks scatter.
ENDS_SD_PX = 0.2
FINE_BLOCK_MM = 1.0  # rows averaged for the measurement
SETTLED_MM = 0.003  # a line that moves less than this has been found
TEXTURE_MM = 2.0  # of the face, beside the edge, that shows how far grain wanders
CLIPPED_SD_PX = 0.5  # how far over-exposure may move an edge


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


def measure(
    picture: Colours,
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
    px_per_mm = px_per_mm_at(surface, frame, line)
    blur_mm = max(blur_px, 0.5) / px_per_mm
    inner, outer = _profile_reach(neighbours_mm, blur_mm)
    rows = max(2, round(FINE_BLOCK_MM * px_per_mm))
    current = line
    blocks, block_along, aligned = np.empty(0), np.empty(0), None
    for round_ in range(5):
        strip = resample(
            picture,
            surface,
            tilted(frame, current),
            (along_mm[0] - current.middle_mm, along_mm[1] - current.middle_mm),
            (-inner, outer),
            1.0 / px_per_mm,
            keep_out,
            outward_step_mm=0.5 / px_per_mm,
        )
        blocks, block_along = block_means(strip, rows)
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
        _texture(picture, surface, tilted(frame, current), along_mm, inner, keep_out),
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
    picture: Colours,
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
    strip = resample(picture, surface, frame, (-half, half), reach, 0.3, keep_out)
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
