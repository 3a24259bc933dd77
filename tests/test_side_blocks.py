"""Blocks of a side as blurred steps: shifts of made profiles, and the sums against plain ones."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.special import ndtr

from fitcheck import side_blocks
from fitcheck.side_blocks import (
    ALMOST_NOTHING,
    ARRIS_PLACES_MM,
    ARRISES,
    SLOPE_SHARE_PER_MM,
    StepBlocks,
)

Array = NDArray[np.float64]

BLUR_MM = 0.08
OUTWARD_MM: Array = np.arange(-1.1, 0.75, 0.045)
CHANNELS: Array = np.array([9.0, 5.0, 3.0])  # the step in each, in its noise


def made_blocks(shifts: Array, wall_mm: float | None = None, noise: float = 0.0) -> Array:
    """Blocks (n, m, 3): a face, what lies beyond from each shift on, and ground past a wall."""
    rng = np.random.default_rng(3)
    steps = StepBlocks(BLUR_MM)
    away = OUTWARD_MM - shifts[:, None]
    light = ndtr(away / (steps.ratios[0] * BLUR_MM))
    if wall_mm is not None:
        light += 2.0 * ndtr((OUTWARD_MM - wall_mm) / (steps.wall_end_ratio * BLUR_MM))
    blocks = 20.0 + light[..., None] * CHANNELS
    return np.asarray(blocks + noise * rng.standard_normal(blocks.shape))


def test_shifts_of_made_steps_are_found() -> None:
    shifts = np.linspace(-0.02, 0.02, 12)
    found, sd = StepBlocks(BLUR_MM).shifts(made_blocks(shifts), OUTWARD_MM, None)
    assert found == pytest.approx(shifts, abs=0.001)
    assert np.all(sd < 0.0015)


def test_a_shift_is_told_from_a_place() -> None:
    shifts = np.linspace(0.08, 0.12, 12)
    found, _ = StepBlocks(BLUR_MM).shifts(made_blocks(shifts), OUTWARD_MM, None, place_mm=0.1)
    assert found == pytest.approx(shifts - 0.1, abs=0.001)


def test_stated_deviation_is_what_noise_does() -> None:
    shifts = np.zeros(400)
    found, sd = StepBlocks(BLUR_MM).shifts(made_blocks(shifts, noise=1.0), OUTWARD_MM, None)
    # It is stated wider than independent noise makes it: samples closer than the blur share it.
    together = 1.5 * BLUR_MM / (OUTWARD_MM[1] - OUTWARD_MM[0])
    assert np.std(found) == pytest.approx(float(np.median(sd)) / np.sqrt(together), rel=0.15)


def test_a_step_beside_a_walls_end_is_found_and_blocks_out_of_its_reach_too() -> None:
    shifts = np.linspace(-0.02, 0.02, 12)
    blocks = made_blocks(shifts, wall_mm=0.45)
    far = made_blocks(shifts)
    both = np.concatenate([blocks, far])
    wall_mm = np.repeat([0.45, 5.0], len(shifts))
    found, _ = StepBlocks(BLUR_MM).shifts(both, OUTWARD_MM, wall_mm)
    assert found == pytest.approx(np.tile(shifts, 2), abs=0.004)


def test_blur_that_fits_best_is_chosen() -> None:
    steps = StepBlocks(BLUR_MM / 1.8)
    blocks = 20 * made_blocks(np.zeros(12))  # so clear that the usual blur counts for nothing
    steps.tune_blur(blocks, OUTWARD_MM, None, np.eye(3))
    nearest = np.argmin(np.abs(side_blocks.BLUR_RATIOS - 1.8 * side_blocks.BLUR_RATIO_USUAL))
    assert np.allclose(steps.ratios, side_blocks.BLUR_RATIOS[nearest])


def test_arris_costs_are_those_of_plain_least_squares() -> None:
    means = made_blocks(np.array([0.0, 0.03]), noise=0.5)
    steps = StepBlocks(BLUR_MM)
    costs = steps._arris_costs(means, OUTWARD_MM)
    assert costs.shape == (len(ARRISES), len(ARRIS_PLACES_MM))
    for arris, place in [(0, 0), (4, 11), (17, 20), (35, 27)]:
        radius, side_light, mirrored = ARRISES[arris]
        away = OUTWARD_MM - ARRIS_PLACES_MM[place]
        expected = 0.0
        for c in range(3):
            blur = steps.ratios[c] * BLUR_MM
            face, beyond, face_slope, slope = side_blocks._two_levels(away, blur)
            share = side_blocks._side_share(away, np.array(blur), np.array(radius))
            face, beyond = face + (side_light - 1) * share, beyond + mirrored * share
            change = abs(means[:, -3:, c].mean() - means[:, :3, c].mean()) + 1
            prior = np.diag([0.0, 0.0, *[1 / (SLOPE_SHARE_PER_MM * change)] * 2])
            prior = np.sqrt(prior**2 + ALMOST_NOTHING * np.eye(4))
            design = np.concatenate([np.stack([face, beyond, face_slope, slope], axis=1), prior])
            for light in means[..., c]:
                padded = np.append(light, np.zeros(4))
                levels = np.linalg.lstsq(design, padded, rcond=None)[0]
                expected += float(np.sum((padded - design @ levels) ** 2))
        assert costs[arris, place] == pytest.approx(expected, rel=1e-6)


def test_a_sharp_step_is_taken_for_no_round_one() -> None:
    steps = StepBlocks(BLUR_MM)
    place = steps.tune_arris(made_blocks(np.zeros(12), noise=0.05), OUTWARD_MM)
    assert place == pytest.approx(0.0, abs=max(0.02, steps.arris_sd_mm))
    assert sum(likely for likely, _ in steps.likely_arrises) == pytest.approx(1.0, abs=0.2)
    assert steps.arris in [arris for _, arris in steps.likely_arrises]


def test_another_arris_moves_all_blocks_alike() -> None:
    steps = StepBlocks(BLUR_MM)
    blocks = made_blocks(np.linspace(-0.01, 0.01, 12))
    as_it_is, other = steps.shifts_if(blocks, OUTWARD_MM, [steps.arris, (0.3, 0.4, 0.0)])
    assert as_it_is == pytest.approx(steps.shifts(blocks, OUTWARD_MM, None)[0], abs=1e-9)
    moved = other - as_it_is
    assert np.all(moved < -0.02)
    assert np.std(moved) < 0.2 * abs(np.mean(moved))
