"""Damped Gauss–Newton steps against published and certified results."""

from dataclasses import dataclass

import numpy as np
import pytest

from fitcheck.descent import descended


@dataclass
class Problem:
    """A least-squares problem by its residuals and their derivatives about one point."""

    parameters: np.ndarray
    residuals: np.ndarray
    by: np.ndarray

    @property
    def cost(self):
        return self.residuals @ self.residuals / 2

    def step(self, damping):
        pull, matrix = self.by.T @ self.residuals, self.by.T @ self.by
        extra = damping * np.diag(matrix)
        step = -np.linalg.solve(matrix + np.diag(extra), pull)
        return step, (extra @ step**2 - pull @ step) / 2


def circle(parameters):
    """Gander, Golub and Strebel, "Least-squares fitting of circles and ellipses", BIT 34, 1994."""
    points = np.array([(1, 7), (2, 6), (5, 8), (7, 7), (9, 5), (3, 7)], dtype=float)
    out = points - parameters[:2]
    away = np.linalg.norm(out, axis=1)
    by = np.c_[-out / away[:, None], -np.ones(6)]
    return Problem(parameters, away - parameters[2], by)


def misra1a(parameters):
    """NIST StRD, nonlinear regression, Misra1a: y = b1 (1 − exp(−b2 x)). Data from memory."""
    x = [77.6, 114.9, 141.1, 190.8, 239.9, 289.0, 332.8, 378.4, 434.8, 477.3, 536.8, 593.1]
    y = [10.07, 14.73, 17.94, 23.93, 29.61, 35.18, 40.02, 44.82, 50.76, 55.05, 61.01, 66.40]
    x, y = np.array([*x, 689.1, 760.0]), np.array([*y, 75.47, 81.78])
    left = np.exp(-parameters[1] * x)
    by = np.c_[1 - left, parameters[0] * x * left]
    return Problem(parameters, parameters[0] * (1 - left) - y, by)


@pytest.mark.parametrize("start", [(5, 5, 3), (0, 0, 1), (40, -30, 5)])
def test_the_circle_is_the_published_one(start):
    found = descended(circle, np.array(start, dtype=float), 1e-14, 100)
    # Published to these digits; 4.73978242, 2.98353275, 4.71422600 by another computation.
    np.testing.assert_allclose(found.parameters, [4.7398, 2.9835, 4.7142], atol=6e-5)
    np.testing.assert_allclose(found.parameters, [4.73978242, 2.98353275, 4.71422600], atol=1e-6)


@pytest.mark.parametrize("start", [(500, 1e-4), (250, 5e-4)])
def test_misra1a_is_the_certified_one(start):
    found = descended(misra1a, np.array(start, dtype=float), 1e-14, 100)
    # Certified values and both starts, from memory.
    np.testing.assert_allclose(found.parameters, [2.3894212918e2, 5.5015643181e-4], rtol=1e-8)
    assert 2 * found.cost == pytest.approx(1.2455138894e-1, rel=1e-9)


def test_no_step_is_taken_that_raises_the_cost():
    """A valley like a bent trough (Rosenbrock, Computer Journal 3, 1960): steps must be damped."""
    costs = []

    def trough(parameters):
        x, y = parameters
        by = np.array([[-20 * x, 10.0], [-1.0, 0.0]])
        problem = Problem(parameters, np.array([10 * (y - x * x), 1 - x]), by)
        costs.append(problem.cost)
        return problem

    found = descended(trough, np.array([-1.2, 1.0]), 1e-12, 100)
    np.testing.assert_allclose(found.parameters, [1, 1], atol=1e-5)
    assert found.cost == min(costs)
    assert max(costs) > costs[0]  # some steps were tried, and not taken


def test_it_ends_where_it_may_try_no_more_steps():
    start = np.array([0.0, 0.0, 1.0])
    found = descended(circle, start, 1e-12, 1)
    assert found.cost < circle(start).cost
    assert found.cost > 1.5 * descended(circle, start, 1e-12, 100).cost


def test_a_start_without_a_finite_cost_is_refused():
    with pytest.raises(ValueError, match="no finite cost"):
        descended(circle, np.array([np.nan, 0.0, 1.0]), 1e-12, 100)
