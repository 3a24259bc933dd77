"""Lines through points against a published total-least-squares example."""

import numpy as np
import pytest

from fitcheck.lines import orthogonal_line, robust_line

# The points of Pearson, "On lines and planes of closest fit to systems of points in space",
# Philosophical Magazine 2 (1901), as used with weights by York (1966).
PEARSON = np.array(
    [
        [0.0, 5.9], [0.9, 5.4], [1.8, 4.4], [2.6, 4.6], [3.3, 3.5],
        [4.4, 3.7], [5.2, 2.8], [6.1, 2.8], [6.5, 2.4], [7.4, 1.5],
    ]
)  # fmt: skip


def test_orthogonal_line_gives_pearsons_published_line():
    point, direction = orthogonal_line(PEARSON)
    slope = direction[1] / direction[0]
    intercept = point[1] - slope * point[0]
    # Pearson printed y = -0.546 x + 5.7857 (his own arithmetic; 5.7840 to more digits).
    assert slope == pytest.approx(-0.546, abs=5e-4)
    assert intercept == pytest.approx(5.7857, abs=2e-3)
    normal = np.array([-direction[1], direction[0]])
    assert np.sum(((PEARSON - point) @ normal) ** 2) == pytest.approx(0.618572759, abs=1e-8)


def test_orthogonal_line_does_not_care_which_way_the_picture_is_turned():
    turn = np.array([[0.0, -1.0], [1.0, 0.0]])
    _, direction = orthogonal_line(PEARSON)
    _, turned = orthogonal_line(PEARSON @ turn.T)
    assert abs(turned @ (turn @ direction)) == pytest.approx(1.0, abs=1e-12)


@pytest.mark.parametrize("points", [[[1.0, 2.0]], [[3.0, 4.0]] * 5, [1.0, 2.0, 3.0]])
def test_orthogonal_line_refuses_what_has_no_direction(points):
    with pytest.raises(ValueError, match=r"points"):
        orthogonal_line(np.array(points))


def test_robust_line_is_not_moved_by_a_third_of_wrong_points():
    rng = np.random.default_rng(4)
    along = np.arange(60.0)
    across = 0.3 + 0.01 * along + rng.normal(0, 0.02, 60)
    wrong = rng.choice(60, 18, replace=False)
    across[wrong] += rng.uniform(0.5, 2.0, 18)
    line = robust_line(along, across)
    assert line is not None
    assert not line.kept[wrong].any()
    assert line.offset == pytest.approx(0.3, abs=0.03)
    assert line.slope == pytest.approx(0.01, abs=0.001)
    assert line.scatter == pytest.approx(0.02, rel=0.5)


def test_robust_line_claims_the_scatter_that_it_has():
    rng = np.random.default_rng(5)
    along = np.arange(50.0)
    lines = [robust_line(along, rng.normal(0, 0.05, 50)) for _ in range(400)]
    slopes = np.array([line.slope for line in lines])
    claimed = np.sqrt(np.mean([line.covariance[1, 1] for line in lines]))
    # σ·√(12/(N(N²−1))) for N independent rows.
    assert 0.05 * np.sqrt(12 / (50 * (50**2 - 1))) == pytest.approx(np.std(slopes), rel=0.15)
    assert claimed == pytest.approx(np.std(slopes), rel=0.25)


def test_correlated_neighbours_widen_the_claim():
    rng = np.random.default_rng(6)
    along = np.arange(100.0)
    white = rng.normal(0, 0.05, (300, 102))
    smooth = (white[:, :-2] + white[:, 1:-1] + white[:, 2:]) / np.sqrt(3)
    offsets = [robust_line(along - 49.5, row) for row in smooth]
    actual = np.std([line.offset for line in offsets])
    claimed = np.sqrt(np.mean([line.covariance[0, 0] for line in offsets]))
    assert claimed == pytest.approx(actual, rel=0.25)
    assert claimed > 1.4 * 0.05 / np.sqrt(100)


def test_too_few_points_or_all_at_one_place_are_not_called_a_line():
    assert robust_line(np.arange(5.0), np.zeros(5)) is None
    assert robust_line(np.zeros(20), np.linspace(0, 1, 20)) is None
