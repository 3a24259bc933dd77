"""Analysis of variance, gauge study, one user's study, acceptance risks: published numbers."""

import math
from pathlib import Path

import numpy as np
import pytest
import scipy.stats
from scipy.stats import chi2, f

from fitcheck.errors import BadInput
from fitcheck.lots.acceptance import Tolerance, accept, acceptance_guard, global_risk
from fitcheck.lots.anova import crossed, one_way
from fitcheck.lots.gauge_study import Reading, gauge_study
from fitcheck.lots.one_user import one_user_study

NIST = Path(scipy.stats.__file__).parent / "tests" / "data" / "nist_anova"

# AIAG, "Measurement Systems Analysis": 10 parts × 3 operators × 3 trials (from memory; every
# published sum of squares is reproduced from it).
AIAG = """
A .29 -.56 1.34 .47 -.80 .02 .59 -.31 2.26 -1.36 | .41 -.68 1.17 .50 -.92 -.11 .75 -.20 1.99 -1.25
| .64 -.58 1.27 .64 -.84 -.21 .66 -.17 2.01 -1.31
B .08 -.47 1.19 .01 -.56 -.20 .47 -.63 1.80 -1.68 | .25 -1.22 .94 1.03 -1.20 .22 .55 .08 2.12 -1.62
| .07 -.68 1.34 .20 -1.28 .06 .83 -.34 2.19 -1.50
C .04 -1.38 .88 .14 -1.46 -.29 .02 -.46 1.77 -1.49 | -.11 -1.13 1.09 .20 -1.07 -.67 .01 -.56 1.45
-1.77 | -.15 -.96 .67 .11 -1.45 -.49 .21 -.49 1.87 -2.16
"""


def aiag():
    readings, operator, part = [], "", 0
    for word in AIAG.split():
        if word in "ABC":
            operator, part = word, 0
        elif word == "|":
            part = 0
        else:
            part += 1
            readings.append(Reading(f"P{part}", operator, float(word)))
    assert len(readings) == 90
    return readings


def nist_groups(name):
    """The groups of one of NIST's StRD sets; data stand from the file's line 61 on."""
    groups = {}
    for line in (NIST / f"{name}.dat").read_text().splitlines()[60:]:
        if line.strip():
            group, value = line.split()
            groups.setdefault(group, []).append(float(value))
    return list(groups.values())


# NIST Statistical Reference Datasets, certified F. The leading digits of SmLs04 to 09 cost
# doubles their last ones: 13 equal digits leave about 4 to reckon with.
@pytest.mark.parametrize(
    ("name", "certified", "digits"),
    [
        ("SiRstv", 1.18046237440255, 12),
        ("AtmWtAg", 15.9467335627930, 9),
        ("SmLs01", 21.0, 13),
        ("SmLs04", 21.0, 9),
        ("SmLs07", 21.0, 3),
        ("SmLs09", 2001.0, 3),
    ],
)
def test_nist_analyses_of_variance(name, certified, digits):
    found = one_way(nist_groups(name))
    assert found.f == pytest.approx(certified, rel=10**-digits)
    assert found.probability == pytest.approx(
        f.sf(certified, found.between.dof, found.within.dof), rel=0.05
    )


def test_nist_numacc4():
    # NIST StRD NumAcc4: 10000000.2, then 10000000.1 and .3 in turn, 1001 in all; mean
    # 10000000.2 and standard deviation 0.1 exactly.
    values = [10000000.2, *[10000000.1, 10000000.3] * 500]
    found = one_user_study(values)
    assert found.mean == pytest.approx(10000000.2, rel=1e-15)
    assert found.scatter.value == pytest.approx(0.1, rel=1e-7)


def test_gauge_study_of_aiag():
    found = gauge_study(aiag(), tolerance_width=8.0)
    a = found.analysis
    squares = [s.squares for s in (a.operator, a.part, a.interaction, a.error, a.total)]
    assert squares == pytest.approx([3.1673, 88.3619, 0.3590, 2.7589, 94.6471], abs=5e-5)
    assert a.interaction.mean_square / a.error.mean_square == pytest.approx(0.434, abs=5e-4)
    assert a.interaction_probability == pytest.approx(0.974, abs=5e-4)
    assert found.pooled is True
    assert found.repeatability.value == pytest.approx(0.199933, abs=5e-7)
    assert found.reproducibility.value == pytest.approx(0.226838, abs=5e-7)
    assert found.gauge.value == pytest.approx(0.302373, abs=2e-6)
    assert found.part.value == pytest.approx(1.042327, abs=5e-7)
    assert found.total.value == pytest.approx(1.085, abs=5e-4)
    assert found.percent_of_total.value == pytest.approx(27.86, abs=5e-3)
    assert found.categories.value == 4
    assert found.percent_of_tolerance.value == pytest.approx(600 * 0.302373 / 8, rel=1e-5)


def test_gauge_study_not_pooled():
    found = gauge_study(aiag(), pool=False)
    assert found.repeatability.value == pytest.approx(0.214435, abs=5e-7)
    assert found.interaction.value == 0.0  # its mean square is below that of the repeats
    assert found.percent_of_tolerance is None


def test_operators_of_aiag_do_not_scatter_alike():
    found = gauge_study(aiag())
    assert found.unlike_operators
    assert max(found.by_operator, key=lambda o: found.by_operator[o].value) == "B"


def test_repeatability_interval_is_chi_square():
    found = gauge_study(aiag(), pool=False).repeatability
    exact = [0.214435 * math.sqrt(60 / chi2.ppf(p, 60)) for p in (0.975, 0.025)]
    assert (found.low, found.high) == pytest.approx(exact, rel=0.01)


def test_gauge_interval_agrees_with_the_modified_large_sample_one():
    # Graybill and Wang, JASA 75 (1980), 869, for a sum of mean squares; here with the
    # interaction pooled: gauge² = MSO/(pr) + (1 - 1/(pr)) MSE, p = 10, r = 3.
    found = gauge_study(aiag())
    a = found.analysis
    error = (a.interaction.squares + a.error.squares) / 78
    parts = [(1 / 30, a.operator.mean_square, 2), (1 - 1 / 30, error, 78)]
    value = sum(c * ms for c, ms, _ in parts)
    low = value - math.sqrt(
        sum(((1 - n / chi2.ppf(0.975, n)) * c * ms) ** 2 for c, ms, n in parts)
    )
    high = value + math.sqrt(
        sum(((n / chi2.ppf(0.025, n) - 1) * c * ms) ** 2 for c, ms, n in parts)
    )
    assert found.gauge.value == pytest.approx(math.sqrt(value), rel=1e-6)
    assert found.gauge.low == pytest.approx(math.sqrt(low), rel=0.05)
    assert found.gauge.high == pytest.approx(math.sqrt(high), rel=0.05)


def drawn(rng, parts, operators, repeats, ev=1.0, av=0.5, po=0.5, pv=2.0):
    of_part, of_operator = rng.normal(0, pv, parts), rng.normal(0, av, operators)
    of_both = rng.normal(0, po, (parts, operators))
    return [
        Reading(f"{i}", f"{j}", of_part[i] + of_operator[j] + of_both[i, j] + rng.normal(0, ev))
        for i in range(parts)
        for j in range(operators)
        for _ in range(repeats)
    ]


def test_intervals_hold_the_truth():
    rng = np.random.default_rng(7)
    truth = {
        "repeatability": 1.0,
        "reproducibility": math.hypot(0.5, 0.5),
        "gauge": math.sqrt(1.5),
        "part": 2.0,
        "percent_of_total": 100 * math.sqrt(1.5 / 5.5),
    }
    held = dict.fromkeys(truth, 0)
    for _ in range(120):
        found = gauge_study(drawn(rng, 12, 4, 3), pool=False)
        for name, value in truth.items():
            one = getattr(found, name)
            held[name] += one.low <= value <= one.high
    assert all(count / 120 >= 0.89 for count in held.values()), held


def test_unequal_cells_are_unbiased():
    rng = np.random.default_rng(11)
    squares = []
    for _ in range(100):
        readings = drawn(rng, 8, 3, 4)
        kept = [r for r in readings if rng.random() < 0.7]
        found = gauge_study(kept, pool=False)
        assert not found.analysis.balanced or not found.left_out
        squares.append([found.repeatability.value**2, found.part.value**2])
    assert np.mean(squares, axis=0) == pytest.approx([1.0, 4.0], rel=0.12)


def test_parts_that_one_operator_missed_are_left_out_and_named():
    readings = [r for r in aiag() if not (r.part == "P4" and r.operator == "B")]
    found = gauge_study(readings)
    assert found.left_out == ("P4",)
    assert len(found.parts) == 9


def test_one_operator_tells_no_reproducibility():
    found = gauge_study([r for r in aiag() if r.operator == "A"], 8.0)
    assert found.reproducibility is None
    assert found.pooled is None
    assert found.repeatability.value == pytest.approx(0.10289, abs=1e-5)
    assert found.gauge.value == found.repeatability.value


@pytest.mark.parametrize(
    "readings",
    [
        [],
        [Reading("P1", "A", 1.0), Reading("P1", "A", 2.0)],
        [Reading("P1", "A", 1.0), Reading("P2", "A", 2.0)],
        [Reading("P1", "A", 1.0), Reading("P2", "B", 2.0)],
    ],
)
def test_what_is_no_gauge_study(readings):
    with pytest.raises(BadInput, match="two parts"):
        gauge_study(readings)


def test_readings_all_alike():
    found = gauge_study([Reading(p, o, 0.1) for p in "12" for o in "AB" for _ in range(2)], 1.0)
    assert found.gauge.value == 0.0
    assert found.percent_of_total.value == 0.0
    assert found.alike is None


def test_crossed_layout_against_an_independent_projection():
    # Sums of squares of a balanced layout as differences of least-squares residuals.
    rng = np.random.default_rng(2)
    table = rng.normal(0, 1, (4, 3, 2))
    found = crossed(table)
    y = table.ravel()
    p, o = np.repeat(np.arange(4), 6), np.tile(np.repeat(np.arange(3), 2), 4)

    def left(*factors):
        design = np.column_stack([np.eye(max(f_) + 1)[f_] for f_ in factors])
        return float(np.sum((y - design @ np.linalg.lstsq(design, y, rcond=None)[0]) ** 2))

    none, both = left(0 * p), left(p, o)
    assert found.part.squares == pytest.approx(none - left(p))
    assert found.operator.squares == pytest.approx(none - left(o))
    assert found.interaction.squares == pytest.approx(both - left(3 * p + o))
    assert found.error.squares == pytest.approx(left(3 * p + o))


def test_one_user_study():
    found = one_user_study([1.0, 1.2, 0.9, 1.1, 0.8], [0.15] * 5, tolerance_width=2.0)
    s = math.sqrt(0.025)
    assert found.scatter.value == pytest.approx(s)
    # GUM and any table: chi-square of 4 degrees of freedom, 0.484 and 11.143.
    assert found.scatter.low == pytest.approx(s * math.sqrt(4 / 11.1433), rel=1e-4)
    assert found.scatter.high == pytest.approx(s * math.sqrt(4 / 0.48442), rel=1e-4)
    assert found.percent_of_tolerance.value == pytest.approx(300 * s)
    assert found.suits == "no"
    assert not found.more_than_stated
    assert one_user_study([1.0, 1.2, 0.9, 1.1, 0.8], [0.03] * 5).more_than_stated


@pytest.mark.parametrize("values", [[], [1.0], [1.0, 2.0], [1.0, 2.0, math.nan]])
def test_one_user_study_needs_three(values):
    with pytest.raises(BadInput, match="five times"):
        one_user_study(values)


def test_global_risk_of_jcgm_106():
    # JCGM 106:2012, 9.5: prior sd 1, limits ±2, u 0.25, no guard band; bivariate normal gives
    # 0.0080061 and 0.0148509, and the tests of another open program have .008 and .015.
    found = global_risk(0, 1, 0.25, Tolerance(-2, 2), guard=0.0)
    assert found.consumers == pytest.approx(0.0080061, abs=2e-7)
    assert found.producers == pytest.approx(0.0148509, abs=2e-7)
    assert found.again == pytest.approx(0, abs=1e-9)


def test_global_risk_with_guard_bands_agrees_with_drawn_parts():
    rng = np.random.default_rng(1)
    tolerance = Tolerance(-1.5, 2.5)
    true = rng.normal(0.4, 1, 400_000)
    read = true + rng.normal(0, 0.3, true.size)
    guard = 1.6448536 * 0.3
    taken = (read > -1.5 + guard) & (read < 2.5 - guard)
    refused = (read < -1.5 - guard) | (read > 2.5 + guard)
    inside = (true > -1.5) & (true < 2.5)
    found = global_risk(0.4, 1, 0.3, tolerance)
    assert found.consumers == pytest.approx(np.mean(taken & ~inside), abs=2e-4)
    assert found.producers == pytest.approx(np.mean(refused & inside), abs=2e-4)
    assert found.again == pytest.approx(np.mean(~taken & ~refused), abs=2e-3)
    assert found.outside == pytest.approx(np.mean(~inside), abs=1e-3)


def test_the_guard_band_is_where_accepting_begins_to_be_right():
    for u in (0.02, 0.1, 0.13, 0.1325):
        tolerance = Tolerance(-0.26, 0.26)
        guard = acceptance_guard(u, tolerance)
        edge = 0.26 - guard
        assert accept(edge - 1e-9, u, tolerance).probability_within >= 0.95 - 1e-9
        assert accept(edge + 1e-6, u, tolerance).probability_within < 0.95
    assert acceptance_guard(0.02, tolerance) == pytest.approx(1.644854 * 0.02)
    assert math.isinf(acceptance_guard(0.133, tolerance))  # 0.26 / 1.96
    assert acceptance_guard(9.0, Tolerance(-math.inf, 0.26)) == pytest.approx(1.644854 * 9)


def test_a_measurement_too_coarse_for_the_tolerance_accepts_nothing():
    found = global_risk(0, 0.1, 1.0, Tolerance(-0.5, 0.5))
    assert found.consumers == 0
    assert found.again > 0.9
    assert accept(0.0, 1.0, Tolerance(-0.5, 0.5)).verdict == "measure again"


def test_spreads_far_apart_lose_nothing():
    nearly_exact = global_risk(0, 1, 1e-9, Tolerance(-2, 2), guard=0.0)
    assert nearly_exact.consumers == pytest.approx(0, abs=1e-6)
    assert nearly_exact.producers == pytest.approx(0, abs=1e-6)
    hopeless = global_risk(0.1, 0.05, 1e6, Tolerance(-0.26, 0.26))
    assert (hopeless.consumers, hopeless.again) == (0, pytest.approx(0.9, abs=1e-3))


@pytest.mark.parametrize(
    ("value", "verdict"),
    [
        (2.0 - 0.165, "accept"),
        (2.0 - 0.160, "measure again"),
        (2.0 + 0.160, "measure again"),
        (2.0 + 0.165, "reject"),
        (-2.0 - 0.165, "reject"),
        (0.0, "accept"),
    ],
)
def test_guard_band_of_iso_14253(value, verdict):
    # ISO 14253-1:2017: 95 %, guard band 1.65 u.
    found = accept(value, 0.1, Tolerance(-2, 2))
    assert found.verdict == verdict
    risks = (found.consumers_risk, found.producers_risk)
    assert [r is not None for r in risks] == [verdict == "accept", verdict == "reject"]
    assert all(r is None or r < 0.05 for r in risks)


@pytest.mark.parametrize(("low", "high"), [(1, 1), (2, 1), (math.nan, 1), (-math.inf, math.inf)])
def test_no_tolerance(low, high):
    with pytest.raises(ValueError, match="limit"):
        Tolerance(low, high)
