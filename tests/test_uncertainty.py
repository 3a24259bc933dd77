"""The Monte Carlo against the worked examples of JCGM 101:2008."""

import numpy as np
import pytest

from fitcheck.uncertainty import Source, draw_correlated, propagate

DRAWS = 400_000
RNG = np.random.default_rng(101)


def total(quantities):
    return {"y": sum(quantities[f"x{i}"] for i in range(4))}


def rectangular(sd):
    return RNG.uniform(-sd * np.sqrt(3), sd * np.sqrt(3), DRAWS)


def additive(draws):
    best = {f"x{i}": np.array(0.0) for i in range(4)}
    sources = [Source(f"s{i}", {f"x{i}": d}) for i, d in enumerate(draws)]
    return propagate(total, best, sources)["y"]


def test_sum_of_four_normal_quantities_jcgm_101_9_2_2():
    found = additive([RNG.standard_normal(DRAWS) for _ in range(4)])
    assert found.standard_uncertainty == pytest.approx(2.0, abs=0.01)
    assert found.interval95 == pytest.approx((-3.92, 3.92), abs=0.03)
    assert set(found.budget) == {"s0", "s1", "s2", "s3"}
    assert found.budget["s2"] == pytest.approx(1.0, rel=0.1)


def test_sum_of_four_rectangular_quantities_jcgm_101_9_2_3():
    found = additive([rectangular(1.0) for _ in range(4)])
    assert found.interval95 == pytest.approx((-3.88, 3.88), abs=0.02)


def test_one_dominating_rectangular_quantity_jcgm_101_9_2_4():
    found = additive([rectangular(s) for s in (1.0, 1.0, 1.0, 10.0)])
    assert found.standard_uncertainty == pytest.approx(np.sqrt(103), abs=0.05)  # printed 10.1
    assert found.interval95 == pytest.approx((-17.0, 17.0), abs=0.1)


def test_mass_calibration_jcgm_101_9_3():
    def model(q):
        buoyancy = (q["air"] - 1.2) * (1 / q["density_w"] - 1 / q["density_r"])
        return {"dm": (q["m_r"] + q["extra"]) * (1 + buoyancy) - 100_000}

    best = {"m_r": 1e5, "extra": 1.234, "air": 1.2, "density_w": 8e3, "density_r": 8e3}
    sources = [
        Source("reference", {"m_r": RNG.normal(0, 0.050, DRAWS)}),
        Source("added", {"extra": RNG.normal(0, 0.020, DRAWS)}),
        Source("air", {"air": RNG.uniform(-0.1, 0.1, DRAWS)}),
        Source("weight", {"density_w": RNG.uniform(-1e3, 1e3, DRAWS)}),
        Source("reference_weight", {"density_r": RNG.uniform(-50, 50, DRAWS)}),
    ]
    found = propagate(model, {k: np.array(v) for k, v in best.items()}, sources)["dm"]
    # Published: u = 0.0754 (that figure from memory) and the shortest 95 % interval
    # [1.083, 1.383] mg; the distribution is symmetric, so both kinds of interval agree.
    assert found.standard_uncertainty == pytest.approx(0.0755, abs=0.0005)
    assert found.interval95 == pytest.approx((1.083, 1.383), abs=0.004)
    assert found.value == pytest.approx(1.234)


def test_squares_near_zero_jcgm_101_9_4():
    # The example's x are of the order 0.005; in thousandths here, so u is 50 and not 50e-6.
    found = propagate(
        lambda q: {"y": q["a"] ** 2 + q["b"] ** 2},
        {"a": np.array(0.0), "b": np.array(0.0)},
        [
            Source("a", {"a": RNG.normal(0, 5, DRAWS)}),
            Source("b", {"b": RNG.normal(0, 5, DRAWS)}),
        ],
    )["y"]
    # u = 50 exactly (analytic); a linear propagation would say zero.
    assert found.standard_uncertainty == pytest.approx(50, rel=0.02)
    # Each square has u = √2 · 25, though its slope at the best estimate is zero.
    assert found.budget == pytest.approx({"a": 35.4, "b": 35.4}, rel=0.15)


def test_slopes_make_the_budget_of_a_nearly_straight_model():
    # Its few draws say the whole uncertainty to 2 %; the slopes say each part of it better.
    found = propagate(
        lambda q: {"y": 3 * q["a"] + 4 * q["b"] + 1e-4 * q["a"] ** 2},
        {"a": np.array(1.0), "b": np.array(1.0)},
        [
            Source("a", {"a": RNG.standard_normal(DRAWS)}),
            Source("b", {"b": RNG.standard_normal(DRAWS)}),
        ],
    )["y"]
    assert found.standard_uncertainty == pytest.approx(5, rel=0.01)
    assert found.budget == pytest.approx({"a": 3, "b": 4}, rel=0.006)


@pytest.mark.parametrize(("bend", "by_slopes"), [(0.004, True), (0.1, False)])
def test_slopes_stand_for_the_model_only_where_its_own_draws_agree(bend, by_slopes):
    asked = []

    def model(q):
        asked.append(len(q["a"]))
        return {"y": q["a"] + bend * q["a"] ** 2, "z": q["a"] + q["b"]}

    draws = {name: np.random.default_rng(5).standard_normal(4000) * sd for name, sd in
             (("a", 1.0), ("b", 3.0))}  # fmt: skip
    found = propagate(
        model,
        {"a": np.array(0.0), "b": np.array(0.0)},
        [Source(name, {name: d}) for name, d in draws.items()],
    )
    assert (4000 in asked) != by_slopes
    # All draws through the model, by hand.
    exact = draws["a"] + bend * draws["a"] ** 2
    assert found["y"].standard_uncertainty == pytest.approx(np.std(exact, ddof=1), rel=1e-3)
    scatter = 0.042  # of an interval's end, in standard uncertainties, for so many draws
    assert found["y"].interval95 == pytest.approx(
        tuple(np.quantile(exact, [0.025, 0.975])), abs=scatter if by_slopes else 1e-9
    )


def test_a_step_that_few_draws_reach_is_seen():
    # Some 40 of 4000 draws lie beyond it, and three of the first 300 at most.
    a, b = np.random.default_rng(6).standard_normal((2, 4000))
    a[:300] = np.minimum(a[:300], 2.0)
    found = propagate(
        lambda q: {"y": q["a"] + 0.1 * q["b"] + 50.0 * (q["a"] > 2.3)},
        {"a": np.array(0.0), "b": np.array(0.0)},
        [Source("a", {"a": a}), Source("b", {"b": b})],
    )["y"]
    exact = a + 0.1 * b + 50.0 * (a > 2.3)
    assert found.standard_uncertainty == pytest.approx(np.std(exact, ddof=1))


def test_a_shared_source_stays_shared():
    shared = RNG.standard_normal(DRAWS)
    results = propagate(
        lambda q: {"sum": q["a"] + q["b"], "difference": q["a"] - q["b"]},
        {"a": np.array(1.0), "b": np.array(2.0)},
        [Source("both", {"a": shared, "b": shared})],
    )
    assert results["sum"].standard_uncertainty == pytest.approx(2.0, abs=0.01)
    assert results["difference"].standard_uncertainty < 1e-3


def test_correlated_draws_have_the_covariance_asked_for():
    # GUM H.2: resistance and reactance are correlated by −0.59 and so on; any matrix of the
    # kind will do, here one that spans ten powers of ten.
    sd = np.array([1e-5, 1.0, 1e4])
    correlation = np.array([[1, -0.59, -0.49], [-0.59, 1, 0.99], [-0.49, 0.99, 1]])
    draws = draw_correlated(RNG, correlation * np.outer(sd, sd), 200_000)
    np.testing.assert_allclose(np.corrcoef(draws.T), correlation, atol=0.01)
    np.testing.assert_allclose(draws.std(axis=0), sd, rtol=0.01)


def test_every_result_has_an_uncertainty_above_zero():
    found = propagate(
        lambda q: {"y": 0 * q["x"]}, {"x": np.array(0.0)}, [Source("s", {"x": np.ones(100)})]
    )["y"]
    assert found.standard_uncertainty > 0
    assert found.interval95[0] < found.value < found.interval95[1]


@pytest.mark.parametrize(
    ("source", "words"),
    [
        (Source("s", {"z": np.zeros(10)}), "does not have"),
        (Source("s", {"x": np.array([0.0, np.nan])}), "not finite"),
    ],
)
def test_senseless_sources_are_refused(source, words):
    with pytest.raises(ValueError, match=words):
        propagate(lambda q: {"y": q["x"]}, {"x": np.array(0.0)}, [source])


def test_sources_must_have_the_same_number_of_draws():
    sources = [Source("a", {"x": np.zeros(10)}), Source("b", {"x": np.zeros(11)})]
    with pytest.raises(ValueError, match="same number of draws"):
        propagate(lambda q: {"y": q["x"]}, {"x": np.array(0.0)}, sources)


def test_another_line_that_may_be_the_edge_lies_within_the_interval():
    from fitcheck.edges import Rival, draw_rivals

    rng = np.random.default_rng(3)
    beside, far = Rival(np.array([0.8, 1.0]), 0.5), Rival(np.array([-3.0, -3.0]), 0.01)
    draws = draw_rivals(rng, [beside, far], 40_000)
    assert draws.shape == (40_000, 2)
    # Each is as likely as it is clear: 1, 0.5 and 0.01 of 1.51.
    assert np.mean(draws[:, 0] == 0) == pytest.approx(1 / 1.51, abs=0.01)
    assert np.mean(np.abs(draws[:, 1]) == 3.0) == pytest.approx(0.01 / 1.51, abs=0.003)
    np.testing.assert_allclose(np.quantile(draws, [0.025, 0.975], axis=0), [[-0.8, -1], [0.8, 1]])
