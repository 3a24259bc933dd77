"""Lens and poses from simulated observations: found again, and as surely as claimed."""

from dataclasses import replace

import numpy as np
import pytest

from fitcheck.adjustment import (
    UNSEEN_BEND_SD_MM,
    adjust,
    draw_lens,
    draw_pose,
    lens_prior,
)
from fitcheck.bundle import Bundle, Known, NormalEquations, Observations
from fitcheck.camera import Lens, Pose, card_to_pixels, lens_from, pose_from, rotation_matrix
from fitcheck.card_edges import sides_of
from fitcheck.cards import CARDS
from fitcheck.errors import Refused

SIZE = (4032, 3024)
LENS = Lens(*(np.array(v) for v in (3010.0, 0.03, -0.02, 2022.0, 1505.0)))
POSES = (
    Pose(rotation_matrix(np.array([0.08, -0.12, 0.05])), np.array([20.0, -10.0, 400.0])),
    Pose(rotation_matrix(np.array([0.05, -0.10, 0.03])), np.array([-165.0, -12.0, 395.0])),
)
PRIOR = lens_prior(SIZE, 3028.0, 0.03)


def observed(rng, noise=0.02, lens=LENS, poses=POSES, card="A", bend_sd_mm=0.0):
    """Chequer sides as they would be seen, with noise along their normals; cards may bend."""
    sides = sides_of(CARDS[card])
    seen = []
    for pose in poses:
        x, y = (2 * sides.middles_mm / np.ptp(sides.middles_mm, axis=0)).T
        x, y = x - x.mean(), y - y.mean()
        bow, warp = rng.normal(0, bend_sd_mm, 2) if bend_sd_mm else (0.0, 0.0)
        middles = np.c_[sides.middles_mm, bow * (x**2 - 1 / 3) + warp * x * y]
        outward = np.c_[sides.normals, np.zeros(len(sides.normals))]
        pixels = card_to_pixels(middles, lens, pose)
        normals = card_to_pixels(middles + 0.01 * outward, lens, pose) - pixels
        normals /= np.linalg.norm(normals, axis=1, keepdims=True)
        pixels = pixels + rng.normal(0, noise, len(pixels))[:, None] * normals
        spread = np.stack([np.ones(len(middles)), ~sides.marker_beside], axis=1)
        flat = np.c_[sides.middles_mm, np.zeros(len(sides.middles_mm))]
        seen.append(Observations(flat, pixels, normals, spread))
    return seen


def start(rng=None):
    rng = rng or np.random.default_rng(0)
    corners = [
        Observations.of_corners(
            CARDS["A"].corners_mm,
            card_to_pixels(CARDS["A"].corners_mm, LENS, pose) + rng.normal(0, 0.1, (28, 2)),
        )
        for pose in POSES
    ]
    return adjust(corners, PRIOR)


def relative_pose(pose_a, pose_b):
    apart = pose_b.origin_cam - pose_a.origin_cam
    return np.einsum("...ij,...i->...j", pose_a.card2cam, apart)


def test_poses_are_found_again_with_the_lens_unknown():
    found = adjust(observed(np.random.default_rng(1)), PRIOR, start())
    place = relative_pose(found.pose(0), found.pose(1))
    expected = relative_pose(*POSES)
    np.testing.assert_allclose(place[:2], expected[:2], atol=0.05)
    assert place[2] == pytest.approx(expected[2], abs=1.0)
    assert max(found.residual_px) < 0.03


def test_claimed_covariance_is_the_actual_scatter():
    errors, claimed = [], []
    expected = relative_pose(*POSES)
    rng = np.random.default_rng(2)
    first = start()
    for _ in range(40):
        # The lens differs from try to try as the prior says that it may.
        lens = Lens(*(np.array(v) for v in rng.normal(PRIOR.mean, 0.5 * PRIOR.sd)))
        found = adjust(observed(rng, lens=lens, bend_sd_mm=UNSEEN_BEND_SD_MM), PRIOR, first)
        draws = rng.multivariate_normal(
            found.parameters, found.covariance, 300, method="eigh", check_valid="ignore"
        )
        places = relative_pose(draw_pose(draws, 0), draw_pose(draws, 1))
        errors.append(relative_pose(found.pose(0), found.pose(1)) - expected)
        claimed.append(places.std(axis=0))
    ratio = np.sqrt(np.mean(np.square(errors), axis=0) / np.mean(np.square(claimed), axis=0))
    # The lens strayed by half its prior, so what hangs on the focal length (the scale, along
    # the line between the cards in depth) may be surer than claimed; nothing may be less sure.
    assert np.all(ratio < 1.35), ratio
    assert np.all(ratio > 0.3), ratio


def test_holding_the_lens_takes_away_its_share_only():
    found = adjust(observed(np.random.default_rng(3)), PRIOR, start())
    held = found.lens_held()
    assert np.all(np.diag(held) <= np.diag(found.covariance) * (1 + 1e-9) + 1e-12)
    assert np.all(held[:5] == 0)
    assert draw_lens(found.parameters[None]).focal_px[0] == found.lens.focal_px


def test_a_lamps_reflection_that_moves_some_edges_is_thrown_out():
    seen = observed(np.random.default_rng(4))
    wrong = np.arange(10, 24)
    seen[0].pixels[wrong] += 9.0 * seen[0].normals[wrong]  # 7 to 18 px in real photographs
    found = adjust(seen, PRIOR, start())
    assert not found.used[0][wrong].any()
    assert found.used[0].sum() >= 70
    np.testing.assert_allclose(
        relative_pose(found.pose(0), found.pose(1))[:2], relative_pose(*POSES)[:2], atol=0.06
    )


def test_the_mirrored_tilt_is_not_kept():
    tilted = (
        Pose(rotation_matrix(np.array([0.3, 0.0, 0.0])), np.array([-60.0, 0.0, 420.0])),
        Pose(rotation_matrix(np.array([0.3, 0.0, 0.0])), np.array([-60.0, 90.0, 420.0])),
    )
    seen = observed(np.random.default_rng(5), poses=tilted)
    first = adjust(
        [
            Observations.of_corners(
                CARDS["A"].corners_mm, card_to_pixels(CARDS["A"].corners_mm, LENS, pose)
            )
            for pose in tilted
        ],
        PRIOR,
    )
    from fitcheck.adjustment import _mirrored_tilt

    flipped = first.parameters.copy()
    flipped[5:11] = _mirrored_tilt(flipped[5:11], np.array([60.0, 12.0, 0.0]))
    assert np.abs(flipped[5:11] - first.parameters[5:11]).max() > 0.1
    begun = replace(first, parameters=flipped)
    found = adjust(seen, PRIOR, begun)
    angle = np.degrees(np.arccos(found.pose(0).card2cam[2, 2]))
    # tan of the tilt hardly depends on the lens: a flip would be off by twice the tilt.
    assert found.pose(0).card2cam[1, 2] == pytest.approx(tilted[0].card2cam[1, 2], abs=0.02)
    assert angle == pytest.approx(np.degrees(0.3), abs=1.0)


def test_a_pattern_that_fits_no_plane_is_refused():
    rng = np.random.default_rng(6)
    seen = observed(rng)
    seen[1].pixels[:] += rng.uniform(-300, 300, seen[1].pixels.shape)
    with pytest.raises(Refused) as refusal:
        adjust(seen[1:], PRIOR)
    assert refusal.value.code == "card_does_not_fit"
    assert "flat" in refusal.value.message


def corners_of_one():
    return Observations.of_corners(
        CARDS["A"].corners_mm, card_to_pixels(CARDS["A"].corners_mm, LENS, POSES[0])
    )


def test_pixels_that_are_no_numbers_are_refused():
    seen = corners_of_one()
    seen.pixels[7] = np.nan
    with pytest.raises(Refused, match="does not fit"):
        adjust([seen, corners_of_one()], PRIOR, start())


def test_bends_of_a_single_row_are_numbers():
    seen = corners_of_one()
    row = seen.points_mm[:, 1] == 8
    parts = (getattr(seen, name)[row] for name in ("points_mm", "pixels", "normals", "spread"))
    assert np.isfinite(Observations(*parts).bend_shapes).all()


def test_edge_spread_is_told_from_scale():
    seen = observed(np.random.default_rng(7))
    for one in seen:
        one.pixels[:] += 0.4 * one.normals  # ink that has run, all edges outward
    found = adjust(seen, PRIOR, start())
    assert found.spread_px(0) == pytest.approx(0.4, abs=0.02)
    np.testing.assert_allclose(
        relative_pose(found.pose(0), found.pose(1))[:2], relative_pose(*POSES)[:2], atol=0.05
    )


def two_cards():
    """Two cards that show differently much, with made-up parameters: bundle and parameters."""
    rng = np.random.default_rng(1)
    seen = []
    for count in (50, 31):
        points = np.column_stack(
            [rng.uniform(0, 120, count), rng.uniform(0, 24, count), np.zeros(count)]
        )
        normals = rng.normal(size=(count, 2))
        normals /= np.linalg.norm(normals, axis=1, keepdims=True)
        spread = rng.integers(0, 2, (count, 2)).astype(float)
        seen.append(Observations(points, rng.uniform(0, 3000, (count, 2)), normals, spread))
    lens = [3000, 0.03, -0.02, 2000, 1500]
    poses = [0.3, -0.2, 1.0, -40, 20, 400, 0.1, 0.2, -0.5, 30, -20, 500]
    return seen, np.array([*lens, *poses, 0.1, 0.2, 0.3, -0.2, 0.1, 0.1, 0.4, 0.2])


def in_full(by, card, parameters, cards=2):
    """A card's derivatives by its own 15 parameters, as those by all of them."""
    full = np.zeros((len(by), parameters))
    own = parameters - 4 * (cards - card)
    full[:, :5] = by[:, :5]
    full[:, 5 + 6 * card : 11 + 6 * card] = by[:, 5:11]
    full[:, own : own + 4] = by[:, 11:]
    return full


def test_residuals_are_those_of_the_projection():
    seen, parameters = two_cards()
    bundle = Bundle(seen)
    lens = lens_from(parameters[:5])
    for card, residuals in enumerate(bundle.by_card(bundle.residuals_px(parameters))):
        one, own = seen[card], parameters[17 + 4 * card : 21 + 4 * card]
        points = one.points_mm.copy()
        points[:, 2] += one.bend_shapes @ own[2:]
        pixels = card_to_pixels(points, lens, pose_from(parameters[5 + 6 * card : 11 + 6 * card]))
        expected = np.sum((pixels - one.pixels) * one.normals, axis=1) + one.spread @ own[:2]
        np.testing.assert_allclose(residuals, expected, rtol=1e-9)


def test_derivatives_are_those_of_the_residuals():
    seen, parameters = two_cards()
    bundle = Bundle(seen)
    _, by = bundle.derivatives(parameters)
    for card, count in enumerate(bundle.counts):
        full = in_full(by[card, :count], card, len(parameters))
        for k in range(len(parameters)):
            step = np.zeros(len(parameters))
            step[k] = 1e-6 * max(1, abs(parameters[k]))
            ahead = bundle.residuals_px(parameters + step)[card, :count]
            behind = bundle.residuals_px(parameters - step)[card, :count]
            numeric = (ahead - behind) / (2 * step[k])
            assert full[:, k] == pytest.approx(
                numeric, rel=1e-4, abs=1e-4 * np.ptp(numeric) + 1e-9
            )


@pytest.mark.parametrize("forgiving", [False, True])
def test_steps_by_way_of_the_lens_are_those_of_all_normal_equations(forgiving):
    seen, parameters = two_cards()
    bundle = Bundle(seen)
    sd_px = [300.0, 700.0]
    weights = bundle.padded(
        [np.full(n, 1 / sd) for n, sd in zip(bundle.counts, sd_px, strict=True)]
    )
    own_sd = np.array([1.0, 0.3, 0.2, 0.2])
    known = Known(PRIOR.mean, PRIOR.whitening, own_sd)
    found = NormalEquations(bundle, parameters, weights, known, forgiving)

    residuals, by = bundle.derivatives(parameters)
    rows = [in_full(by[i, :n], i, 25) / sd_px[i] for i, n in enumerate(bundle.counts)]
    known_rows = np.zeros((13, 25))
    known_rows[:5, :5] = PRIOR.whitening
    known_rows[5:, 17:] = np.diag(1 / np.tile(own_sd, 2))
    left = [r / sd for r, sd in zip(bundle.by_card(residuals), sd_px, strict=True)]
    left += [PRIOR.whitening @ (parameters[:5] - PRIOR.mean), parameters[17:] / np.tile(own_sd, 2)]
    left, rows = np.concatenate(left), np.concatenate([*rows, known_rows])
    if forgiving:  # SciPy's "soft_l1", by its derivative
        assert found.cost == pytest.approx(np.sum(np.sqrt(1 + left**2) - 1))
        share = np.sqrt(2 * (np.sqrt(1 + left**2) - 1)) * np.sign(left)
        rows = rows * (left / np.sqrt(1 + left**2) / share)[:, None]
        left = share
    matrix = rows.T @ rows
    np.testing.assert_allclose(found.matrix(), matrix, rtol=1e-9, atol=1e-9 * matrix.max())
    for damping in (0.0, 0.5):
        damped = matrix + damping * np.diag(np.diag(matrix))
        expected = -np.linalg.solve(damped, rows.T @ left)
        step, foreseen = found.step(damping)
        np.testing.assert_allclose(step, expected, rtol=1e-6)
        after = left + rows @ expected
        assert foreseen == pytest.approx((left @ left - after @ after) / 2, rel=1e-9)
    assert found.cost == pytest.approx(left @ left / 2)
