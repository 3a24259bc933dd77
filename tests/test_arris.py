"""Where a rounded side ends, on profiles made by following rays to a round edge."""

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter1d

from fitcheck.arris import EdgeProfile, fit_arris

FINE = 0.002  # mm


def profile(radius, face, wall, ground, blur, ray_slope=0.05, end=0.0, noise=0.0, seed=1):
    """Mean light across an edge whose wall is at ``end``: shape (places,), (places, 3).

    Every ray is followed to the face, the round, or past it to the ground. A ray that meets
    the face's plane at x goes on to x + slope·depth. The round's light turns from that of the
    face to that of the wall by Lambert's law.
    """
    x = np.arange(-2.5, 2.0, FINE)
    light = np.empty((len(x), 3))
    centre = end - radius
    for i, place in enumerate(x):
        if place <= centre:
            light[i] = face
            continue
        # Meet of the ray (place + slope·d, −d) with the circle about (centre, −radius).
        a = 1 + ray_slope**2
        b = ray_slope * (place - centre) - radius
        c = (place - centre) ** 2
        root = b**2 - a * c
        depth = (-b - np.sqrt(root)) / a if root >= 0 else np.inf
        meet = place + ray_slope * depth
        if root < 0 or depth > radius or meet < centre:
            light[i] = ground
            continue
        sine = (meet - centre) / radius
        light[i] = np.asarray(face) * np.sqrt(max(0, 1 - sine**2)) + np.asarray(wall) * sine
    blurred = gaussian_filter1d(light, blur / FINE, axis=0, mode="nearest")
    places = np.arange(-0.9, 0.6, 0.06)
    seen = np.stack([np.interp(places, x, blurred[:, c]) for c in range(3)], axis=1)
    return places, seen + np.random.default_rng(seed).normal(0, noise, seen.shape)


PALE, DARK, GROUND = (0.6, 0.5, 0.35), (0.08, 0.07, 0.06), (0.3, 0.3, 0.3)


def dimmed(colour, share):
    return tuple(share * c for c in colour)


@pytest.mark.parametrize("radius", [0.1, 0.25, 0.45])
@pytest.mark.parametrize("face", [PALE, DARK])
@pytest.mark.parametrize("wall_share", [0.2, 0.6])
def test_the_wall_is_found_behind_the_round(radius, face, wall_share):
    places, light = profile(radius, face, dimmed(face, wall_share), GROUND, blur=0.12)
    fit = fit_arris(EdgeProfile(places, light, np.full(3, 0.001), 0.12, 0.05, 0.1))
    assert abs(fit.offset_mm) < 0.05  # the radius is known beforehand only to a factor of 1.6
    assert abs(fit.offset_mm) < 2 * fit.offset_sd_mm


def test_half_way_between_the_levels_would_be_wrong():
    # Why the model is there: the plain half-level of a pale face over a dark ground lies well
    # inside the wall.
    places, light = profile(0.4, PALE, dimmed(PALE, 0.2), (0.05, 0.05, 0.05), blur=0.1)
    green = light[:, 1]
    half = np.interp(-(green[0] + green[-1]) / 2, -green, places)
    fit = fit_arris(EdgeProfile(places, light, np.full(3, 0.001), 0.1, 0.05, 0.1))
    assert half < -0.05
    assert abs(fit.offset_mm) < 0.02


def test_claimed_uncertainty_covers_what_grain_does():
    errors, claimed = [], []
    rng = np.random.default_rng(3)
    for seed in range(60):
        radius = float(np.exp(rng.normal(np.log(0.3), 0.35)))
        share = float(np.clip(rng.normal(0.4, 0.25), 0.05, 1))
        places, light = profile(
            radius, PALE, dimmed(PALE, share), GROUND, blur=0.13, noise=0.01, seed=seed
        )
        fit = fit_arris(EdgeProfile(places, light, np.full(3, 0.01), 0.13, 0.05, 0.1))
        errors.append(fit.offset_mm)
        claimed.append(fit.offset_sd_mm)
    inside = np.mean(np.abs(errors) < 1.96 * np.array(claimed))
    assert inside >= 0.9, inside
    assert np.sqrt(np.mean(np.square(claimed))) < 4 * np.sqrt(np.mean(np.square(errors)))


def test_a_profile_that_lies_elsewhere_is_followed():
    places, light = profile(0.25, PALE, dimmed(PALE, 0.3), GROUND, blur=0.12, end=0.2)
    fit = fit_arris(EdgeProfile(places, light, np.full(3, 0.001), 0.12, 0.05, 0.1))
    assert fit.offset_mm == pytest.approx(0.2, abs=0.03)


def test_wrong_shapes_are_refused():
    with pytest.raises(ValueError, match="expected light"):
        fit_arris(EdgeProfile(np.arange(10.0), np.zeros((10, 2)), np.zeros(3), 0.1, 0.0, 0.1))


@pytest.mark.parametrize("level", [0.0, 1e-9, 0.3])
def test_where_no_step_is_the_place_is_as_unsure_as_the_search_is_wide(level):
    x = np.linspace(-1.0, 0.6, 60)
    found = fit_arris(
        EdgeProfile(x, np.full((60, 3), level), np.full(3, 0.01), 0.08, 0.05, pixel_mm=0.05)
    )
    assert np.isfinite(found.offset_mm)
    assert found.offset_sd_mm > 0.3
