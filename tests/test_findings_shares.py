"""Shares by least squares and Bayes' theorem, against what can be reckoned by hand."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from scipy.stats import multivariate_normal

from fitcheck.findings.shares import (
    FAULT_SCALES,
    SCALE_WEIGHTS,
    Readings,
    closure,
    expected_gain,
    weigh,
)

PARTS = ("U", "L", "A", "B")
PAIRS = (("U", "A"), ("L", "B"), ("U", "B"), ("L", "A"))


def readings(values, u=0.05, pairs=PAIRS, alone=()) -> Readings:
    rows = [[float(p in pair) for p in PARTS] for pair in pairs]
    rows += [[float(p == only) for p in PARTS] for only in alone]
    return Readings(
        PARTS,
        np.array(rows).reshape(-1, 4),
        np.array(values, dtype=float),
        u**2 * np.eye(len(values)),
        np.array([0.04]),
        np.array([0.6]),
    )


# Four sums and one pad: five readings, four shares. By hand with numpy's least squares.
def test_least_squares_with_a_pad_fixes_the_constant():
    r = readings([1.02, 0.01, 0.03, 0.98, 0.02], alone=("U",))
    expected, *_ = np.linalg.lstsq(r.design, r.values, rcond=None)
    inverse = np.linalg.inv(r.design.T @ r.design) * 0.05**2
    shares = weigh(r)
    for i, part in enumerate(PARTS):
        value, u = shares.least_squares(part)
        assert value[0] == pytest.approx(expected[i], abs=1e-9)
        assert u[0] == pytest.approx(math.sqrt(inverse[i, i]), rel=1e-9)


def test_four_sums_alone_leave_one_constant_open():
    shares = weigh(readings([1.0, 0.0, 0.0, 1.0]))
    assert all(shares.least_squares(part) is None for part in PARTS)


def test_correlated_errors_enter_least_squares():
    r = readings([1.02, 0.01, 0.03, 0.98, 0.02], alone=("U",))
    common = np.array([1.0, 1, 1, 1, 0])
    covariance = r.covariance + 0.1**2 * np.outer(common, common)
    correlated = Readings(PARTS, r.design, r.values, covariance, r.sound_sd, r.fault_sd)
    weight = np.linalg.inv(covariance)
    inverse = np.linalg.inv(r.design.T @ weight @ r.design)
    expected = inverse @ r.design.T @ weight @ r.values
    value, u = weigh(correlated).least_squares("A")
    assert value[0] == pytest.approx(expected[2], abs=1e-9)
    assert u[0] == pytest.approx(math.sqrt(inverse[2, 2]))


# Every combination by hand with scipy's multivariate normal distribution.
def test_probabilities_are_bayes_theorem():
    r = readings([0.31, 0.05, 0.02, 0.28])
    weights = {}
    for faulty in itertools.product((0, 1), repeat=4):
        for scale, share in zip(FAULT_SCALES, SCALE_WEIGHTS, strict=True):
            sd = np.where(faulty, scale * 0.6, 0.04)
            cov = r.design @ np.diag(sd**2) @ r.design.T + r.covariance
            prior = share * 0.2 ** sum(faulty) * 0.8 ** (4 - sum(faulty))
            likelihood = multivariate_normal(cov=cov).pdf(r.values)
            weights[faulty] = weights.get(faulty, 0) + prior * likelihood
    total = sum(weights.values())
    shares = weigh(r)
    for i, part in enumerate(PARTS):
        expected = sum(w for faulty, w in weights.items() if faulty[i]) / total
        assert shares.probability(part) == pytest.approx(expected, rel=1e-9)


def test_a_limb_s_fault_travels_and_a_pad_s_stays():
    travels = weigh(readings([1.0, 0.0, 0.0, 1.0]))  # high wherever limb A sits
    assert travels.probability("A") > 0.95
    assert max(travels.probability(p) for p in "ULB") < 0.2
    stays = weigh(readings([1.0, 0.0, 1.0, 0.0]))  # high at the upper end
    assert stays.probability("U") > 0.95


def test_both_limbs_or_both_pads_cannot_be_told_apart():
    shares = weigh(readings([1.0, 1.0, 1.0, 1.0]))
    assert all(0.3 < shares.probability(p) < 0.7 for p in PARTS)
    assert shares.probability_of_any(("U", "A")) > 0.95


def test_nothing_read_leaves_the_prior():
    shares = weigh(readings([], pairs=()))
    for part in PARTS:
        assert shares.probability(part) == pytest.approx(0.2)
        assert shares.least_squares(part) is None
    assert not shares.implied(np.array([[1.0, 0, 1, 0]]))


def test_implied_sums_are_known_without_being_read():
    three = weigh(readings([1.0, 0.0, 0.0], pairs=PAIRS[:3]))
    fourth = np.array([[float(p in PAIRS[3]) for p in PARTS]])
    assert three.implied(fourth)
    mean, _ = three.moments()
    assert fourth[0] @ mean == pytest.approx(1.0, abs=0.2)
    assert not weigh(readings([1.0, 0.0], pairs=PAIRS[:2])).implied(fourth)


# Shares made by hand: A brings 0.4, U brings -0.4 (fitted to each other), so that taking away
# U's alone makes the pair worse.
def test_putting_one_of_a_matched_pair_right_makes_it_worse():
    matched = weigh(readings([0.0, 0.0, -0.4, 0.4, -0.4], alone=("U",)))
    assert matched.probability_improves("U", "A", 0) < 0.05
    alone = weigh(readings([-0.4, 0.0, -0.4, 0.0, -0.4], alone=("U",)))
    assert alone.probability_improves("U", "A", 0) > 0.95


def test_closure_by_hand():
    signs = np.array([1.0, 1, -1, -1])
    covariance = np.diag([0.05**2] * 4)
    found = closure(np.array([1.0, 0.2, 0.5, 0.6]), covariance, signs)
    assert found.value == pytest.approx(0.1)
    assert found.standard_uncertainty == pytest.approx(0.1)
    # Two-sided probability of one standard deviation: 0.3173, tables of the normal distribution.
    assert found.probability == pytest.approx(0.3173, abs=5e-5)


# Mutual information by drawing: the expected fall of the entropy when a reading is taken.
def test_expected_gain_is_what_drawing_finds():
    shares = weigh(readings([1.0, 0.0], pairs=PAIRS[:2]))
    row = np.array([[1.0, 0, 0, 0]])  # the bare pad U
    gain = expected_gain(shares, row, np.array([0.05]))
    rng = np.random.default_rng(2)
    means, covariances = shares.predictive(row, np.array([0.05]))
    falls = []
    for _ in range(400):
        g = rng.choice(len(shares.weights), p=shares.weights / shares.weights.sum())
        y = means[g, 0] + math.sqrt(covariances[g, 0, 0]) * rng.standard_normal()
        after = weigh(readings([1.0, 0.0, y], pairs=PAIRS[:2], alone=("U",)))
        falls.append(shares.entropy_bits() - after.entropy_bits())
    spread = np.std(falls) / math.sqrt(len(falls))
    assert gain.bits == pytest.approx(np.mean(falls), abs=4 * spread)
    assert 0 < gain.settles < 1


def test_what_is_known_tells_nothing_new():
    shares = weigh(readings([1.0, 0.0, 0.0, 1.0, 0.0, 0.0], alone=("U", "L")))
    again = expected_gain(shares, np.array([[1.0, 0, 0, 0]]), np.array([0.05]))
    assert again.bits < 0.05
