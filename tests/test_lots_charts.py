"""Chart constants, control charts, rules, capability: published numbers and attacks."""

import math

import numpy as np
import pytest
from scipy.stats import goodness_of_fit, norm

from fitcheck.lots.capability import capability, normality
from fitcheck.lots.chart_constants import c4, chart_constants
from fitcheck.lots.control_charts import (
    ewma_chart,
    individuals_charts,
    subgroup_charts,
)
from fitcheck.lots.run_rules import signals

# Computed by integration; agrees with the tables of the NIST/SEMATECH e-Handbook, 6.3.2, but
# for d3(5), where some printed tables have .8798.
CONSTANTS = {
    2: (1.12838, 0.85250, 0.79788, 1.87997, 0, 3.26653, 2.65868, 0, 3.26653),
    3: (1.69257, 0.88837, 0.88623, 1.02333, 0, 2.57459, 1.95441, 0, 2.56817),
    5: (2.32593, 0.86408, 0.93999, 0.57682, 0, 2.11450, 1.42730, 0, 2.08900),
    10: (3.07751, 0.79705, 0.97266, 0.30826, 0.22302, 1.77698, 0.97535, 0.28371, 1.71629),
}
# NIST/SEMATECH e-Handbook, 6.3.2.2: ten batches' flow rates.
FLOW = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]
# The same, 6.3.2.4: twenty points, the last ten as above.
BEFORE = [52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5]


@pytest.mark.parametrize("n", CONSTANTS)
def test_constants_are_those_of_the_tables(n):
    c = chart_constants(n)
    found = (c.d2, c.d3, c.c4, c.a2, c.d3_limit, c.d4_limit, c.a3, c.b3, c.b4)
    assert found == pytest.approx(CONSTANTS[n], abs=1e-5)


def test_constants_of_two_are_exact():
    # |x - y| is half-normal: d2 = 2/√π, d3² = 2 - 4/π.
    c = chart_constants(2)
    assert c.d2 == pytest.approx(2 / math.sqrt(math.pi), abs=1e-12)
    assert c.d3 == pytest.approx(math.sqrt(2 - 4 / math.pi), abs=1e-12)
    assert c4(2) == pytest.approx(math.sqrt(2 / math.pi), abs=1e-12)


def test_constants_of_large_subgroups_agree_with_drawn_ones():
    drawn = np.random.default_rng(4).standard_normal((20_000, 60))
    ranges = np.ptp(drawn, axis=1)
    c = chart_constants(60)
    assert c.d2 == pytest.approx(ranges.mean(), abs=4 * ranges.std() / math.sqrt(20_000))
    assert c.d3 == pytest.approx(ranges.std(), rel=0.03)


@pytest.mark.parametrize("n", [1, 0, 101])
def test_no_subgroup_of_one(n):
    with pytest.raises(ValueError, match="2 to 100"):
        chart_constants(n)


def test_individuals_of_the_handbook():
    values, ranges = individuals_charts(FLOW)
    assert values.centre == pytest.approx(50.81, abs=5e-3)
    assert ranges.centre == pytest.approx(1.8778, abs=5e-5)
    # The handbook has 55.8041 and 45.8159 with d2 as 1.128; exactly:
    assert values.upper[0] == pytest.approx(55.80241, abs=1e-5)
    assert values.lower[0] == pytest.approx(45.81759, abs=1e-5)
    rounded = 50.81 + 3 * 1.8778 / 1.128
    assert rounded == pytest.approx(55.8041, abs=5e-5)
    assert values.upper[0] == pytest.approx(rounded, abs=2e-3)
    assert values.out == ranges.out == ()  # "the process is in control"


def test_ewma_of_the_handbook():
    chart = ewma_chart([*BEFORE, *FLOW], 0.3, start=50.0, sigma=2.0539, settled=True)
    assert (chart.upper[0], chart.lower[0]) == pytest.approx((52.5884, 47.4115), abs=1e-4)
    assert chart.points[:2] == pytest.approx((50.60, 49.52), abs=5e-3)
    assert chart.points[-1] == pytest.approx(51.99, abs=5e-3)
    assert chart.out == ()


def test_ewma_limits_open_towards_the_settled_ones():
    own = ewma_chart([*BEFORE, *FLOW], 0.3, start=50.0, sigma=2.0539)
    assert own.upper[0] == pytest.approx(50 + 3 * 0.3 * 2.0539)  # one point: weight times sigma
    assert own.upper[-1] == pytest.approx(52.5884, abs=1e-3)
    assert all(a < b for a, b in zip(own.upper, own.upper[1:], strict=False))


def test_ewma_sees_a_small_lasting_shift_that_individuals_do_not():
    rng = np.random.default_rng(3)
    values = [*rng.normal(0, 1, 20), *rng.normal(1.2, 1, 20)]
    assert "limits" not in {s.rule for s in individuals_charts(values)[0].signals}
    assert ewma_chart(values, 0.2, start=0.0, sigma=1.0).out


def test_means_and_ranges_by_hand():
    means, ranges = subgroup_charts([[1, 2, 3], [2, 3, 4], [1, 2, 6]])
    assert ranges.kind == "ranges"
    assert ranges.centre == pytest.approx(3)
    assert ranges.upper[0] == pytest.approx(3 * 2.57459, abs=1e-4)
    assert means.centre == pytest.approx(24 / 9)
    assert means.upper[0] - means.centre == pytest.approx(3 * 1.02333, abs=1e-4)


def test_large_subgroups_use_standard_deviations():
    rng = np.random.default_rng(0)
    means, spread = subgroup_charts(rng.normal(5, 2, (30, 12)))
    assert spread.kind == "deviations"
    assert spread.centre == pytest.approx(2 * c4(12), rel=0.05)
    assert means.upper[0] - means.centre == pytest.approx(3 * 2 / math.sqrt(12), rel=0.1)


def test_unequal_subgroups_have_their_own_limits():
    means, spread = subgroup_charts([[1.0, 2.0], [1.5, 2.5, 2.0, 1.2, 1.9], [2.0, 1.0, 1.1]])
    assert spread.kind == "deviations"
    widths = [u - means.centre for u in means.upper]
    assert widths[0] > widths[2] > widths[1]


def test_values_all_alike_make_no_signal():
    for chart in (*individuals_charts([0.1 + 0.2] * 12), ewma_chart([0.1 + 0.2] * 12)):
        assert chart.out == ()
        assert chart.upper[0] == pytest.approx(chart.lower[0])


@pytest.mark.parametrize("values", [[], [1.0], [1.0, math.nan], [1.0, math.inf]])
def test_charts_refuse_what_they_cannot_draw(values):
    with pytest.raises(ValueError, match=r"2 values|finite"):
        individuals_charts(values)


@pytest.mark.parametrize(
    ("rule", "points", "at"),
    [
        ("limits", [0, 3.1, 0], [1]),
        ("limits", [0, -3.1, 0], [1]),
        ("two_of_three", [2.1, 0, 2.1], [2]),
        ("two_of_three", [2.1, 0, -2.1], []),
        ("two_of_three", [2.1, 0, 0, 2.1], []),
        ("four_of_five", [1.1, 1.2, 0.5, 1.1, 1.3], [4]),
        ("four_of_five", [1.1, 1.2, 0.5, -1.1, 1.3], []),
        ("one_side", [0.1] * 8, [7]),
        ("one_side", [0.1] * 7 + [-0.1], []),
        ("trend", [-0.5, -0.3, -0.1, 0.1, 0.3, 0.5], [5]),
        ("trend", [0.5, 0.3, 0.1, -0.1, -0.3, -0.5], [5]),
        ("trend", [-0.3, -0.1, 0.1, 0.3, 0.5], []),
        ("trend", [0.1, 0.1, 0.1, 0.1, 0.1, 0.1], []),
    ],
)
def test_rules(rule, points, at):
    assert [s.at for s in signals(points) if s.rule == rule] == at


def test_a_process_in_order_signals_seldom():
    drawn = np.random.default_rng(12).standard_normal(40_000)
    assert len({s.at for s in signals(drawn)}) / 40_000 < 1 / 40
    # The control limits alone: once in 370.
    assert len(signals(drawn, only_limits=True)) / 40_000 == pytest.approx(1 / 370.4, rel=0.25)


def test_capability_of_the_handbook():
    # NIST/SEMATECH e-Handbook, 6.1.6: USL 20, LSL 8, mean 16, s 2; Cpm and intervals computed.
    found = capability(16, 2, 50, 8, 20, target=14)
    assert found.cp.value == pytest.approx(1.0)
    assert found.cpk.value == pytest.approx(0.6667, abs=5e-5)
    assert (found.cpu, found.cpl) == pytest.approx((0.6667, 1.3333), abs=5e-5)
    assert found.off_centre == pytest.approx(0.3333, abs=5e-5)
    assert found.cpm.value == pytest.approx(0.707107, abs=1e-6)
    assert (found.cp.low, found.cp.high) == pytest.approx((0.80248, 1.19713), abs=1e-5)


@pytest.mark.parametrize("name", ["cp", "cpk", "cpm"])
@pytest.mark.parametrize("measurement_sd", [0.0, 0.6])
def test_capability_intervals_hold_the_truth(name, measurement_sd):
    rng = np.random.default_rng(8)
    true = {"cp": 6 / 6, "cpk": 2.5 / 3, "cpm": 6 / (6 * math.sqrt(1.25))}[name]
    held = 0
    for _ in range(250):
        x = rng.normal(0.5, math.hypot(1, measurement_sd), 40)
        found = getattr(capability(x.mean(), x.std(ddof=1), 40, -3, 3, 0.0, measurement_sd), name)
        held += found.low <= true <= found.high
    assert 0.9 < held / 250 < 0.99


def test_measurement_spread_is_taken_out():
    with_it = capability(0, math.hypot(3, 4), 50, -15, 15)
    without = capability(0, math.hypot(3, 4), 50, -15, 15, measurement_sd=4)
    assert with_it.cp.value == pytest.approx(1.0)
    assert without.cp.value == pytest.approx(5 / 3)
    assert without.sd == pytest.approx(3)
    # What is left when most is taken out is known the worse for it.
    assert without.cp.low / without.cp.value < with_it.cp.low / with_it.cp.value


def test_one_sided_tolerance_and_no_spread():
    found = capability(1.0, 0.5, 30, -math.inf, 2.5)
    assert found.cp is None
    assert found.cpk.value == pytest.approx(1.0)
    assert capability(1.0, 0.0, 30, 0, 2) is None
    assert capability(1.0, 0.1, 30, 0, 2, measurement_sd=0.2) is None


def test_normality_against_scipy():
    rng = np.random.default_rng(5)
    for x in (rng.normal(3, 2, 40), rng.exponential(1, 40), rng.uniform(0, 1, 25)):
        found = normality(x)
        drawn = goodness_of_fit(norm, x, statistic="ad", n_mc_samples=2000, rng=rng)
        assert found.statistic == pytest.approx(drawn.statistic, rel=1e-6)
        assert found.probability == pytest.approx(drawn.pvalue, abs=0.03)


def test_normality_says_nothing_of_few_or_equal_values():
    assert normality([1.0] * 7) is None
    assert normality([0.1 + 0.2] * 50) is None
    assert normality(np.random.default_rng(1).normal(0, 1, 10_000)).probability > 0.01
    assert normality(np.random.default_rng(1).exponential(1, 10_000)).doubtful
