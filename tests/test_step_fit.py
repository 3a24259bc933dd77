"""The blurred step's fit against the Cramér–Rao bound."""

import numpy as np
import pytest
from scipy.special import ndtr

from fitcheck.step_fit import CEILING, fit_steps

PIXELS = np.arange(-10, 11.0)


def bound(blur: float, positions=PIXELS) -> float:
    """Cramér–Rao bound with offset, blur, level and rise unknown, for unit rise and noise.

    From the Fisher information of the model; the averages over the phase are 1.66–1.69 (blur
    0.7), 2.066 (1), 2.67 (1.5), 3.28 (2) and 4.66 px (3) in the project's table.
    """
    z = positions / blur
    density = np.exp(-(z**2) / 2) / np.sqrt(2 * np.pi)
    slopes = np.stack([-density / blur, -density * z, np.ones_like(z), ndtr(z)], axis=1)
    return float(np.sqrt(np.linalg.inv(slopes.T @ slopes)[0, 0]))


@pytest.mark.parametrize(
    ("blur", "table"), [(0.7, 1.67), (1.0, 2.066), (1.5, 2.67), (2.0, 3.28), (3.0, 4.66)]
)
def test_the_bound_itself_is_the_tabled_one(blur, table):
    assert bound(blur) == pytest.approx(table, rel=0.02)


@pytest.mark.parametrize("blur", [0.7, 1.0, 1.5, 2.0, 3.0])
@pytest.mark.parametrize("contrast_to_noise", [10, 30, 100])
def test_scatter_is_within_15_percent_of_the_bound(blur, contrast_to_noise):
    rng = np.random.default_rng(20)
    n, rise = 3000, 0.5
    offsets = rng.uniform(-0.5, 0.5, n)
    profiles = 0.2 + rise * ndtr((PIXELS - offsets[:, None]) / blur)
    profiles += rng.normal(0, rise / contrast_to_noise, profiles.shape)
    errors = fit_steps(PIXELS, profiles, blur=1.2).offset - offsets
    assert np.std(errors) * contrast_to_noise < 1.15 * bound(blur)
    # The mean of n errors itself scatters by their standard deviation over √n.
    assert abs(np.mean(errors)) < max(0.005, 4 * np.std(errors) / np.sqrt(n))


def test_no_bias_without_noise_in_any_phase():
    offsets = np.linspace(-0.5, 0.5, 41)
    for blur in (0.7, 1.0, 2.0):
        profiles = 0.6 - 0.4 * ndtr((PIXELS - offsets[:, None]) / blur)
        fits = fit_steps(PIXELS, profiles, blur=1.2)
        np.testing.assert_allclose(fits.offset, offsets, atol=1e-4)
        np.testing.assert_allclose(fits.blur, blur, rtol=1e-3)
        np.testing.assert_allclose(fits.rise, -0.4, rtol=1e-3)


def test_claimed_uncertainty_is_the_actual_one():
    rng = np.random.default_rng(21)
    profiles = 0.1 + 0.5 * ndtr(PIXELS / 1.3) + rng.normal(0, 0.02, (4000, len(PIXELS)))
    fits = fit_steps(PIXELS, profiles, blur=1.0)
    claimed = np.sqrt(np.mean(fits.offset_sd**2))
    assert np.std(fits.offset) == pytest.approx(claimed, rel=0.05)


def test_a_gap_of_known_width_moves_with_the_step():
    positions = np.linspace(-4, 6, 41)
    for offset in (-0.6, 0.0, 0.7):
        clean = 0.05 + 0.7 * (
            ndtr((positions - offset) / 1.1) - ndtr((positions - offset - 4) / 1.1)
        )
        fits = fit_steps(positions, clean[None], blur=1.0, band=4.0)
        assert fits.offset[0] == pytest.approx(offset, abs=1e-4)


def test_over_exposed_light_is_told_from_a_shifted_edge_by_the_gap():
    positions = np.linspace(-6, 12, 91)
    true = 0.2 + 2.0 * (ndtr((positions - 0.3) / 1.2) - ndtr((positions - 0.3 - 8) / 1.2))
    fits = fit_steps(positions, np.minimum(true, CEILING)[None], blur=1.0, band=8.0)
    assert fits.offset[0] == pytest.approx(0.3, abs=0.02)
    assert fits.rise[0] == pytest.approx(2.0, rel=0.05)


def test_a_profile_without_a_step_claims_no_place():
    fits = fit_steps(PIXELS, np.full((1, len(PIXELS)), 0.3), blur=1.0)
    assert np.isinf(fits.offset_sd[0])


def test_wrong_shapes_are_refused():
    with pytest.raises(ValueError, match="at least 6 positions"):
        fit_steps(np.arange(5.0), np.zeros((1, 5)), blur=1.0)
    with pytest.raises(ValueError, match="got"):
        fit_steps(np.arange(8.0), np.zeros((1, 9)), blur=1.0)
