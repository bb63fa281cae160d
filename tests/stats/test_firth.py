import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import optimize

from cornerrun.stats.culprits import firth_logistic


def test_complete_separation_stays_finite():
    # One factor, 5 of 5 fail at low, none of 5 at high: ln(5.5^2 / 0.5^2), the table with a half added (job notes).
    found = firth_logistic([1] * 5 + [0] * 5, [True] * 5 + [False] * 5)
    assert found.coefficients[1] == pytest.approx(math.log(5.5**2 / 0.5**2), abs=1e-8)
    assert found.coefficients[1] == pytest.approx(4.7958, abs=5e-5)
    assert found.coefficients[0] == pytest.approx(math.log(0.5 / 5.5), abs=1e-8)
    assert found.intervals[1].low > 0


@given(st.integers(0, 9), st.integers(1, 9), st.integers(0, 9), st.integers(1, 9))
@settings(max_examples=25, deadline=None)
def test_one_factor_equals_the_table_with_a_half_added(a, b, c, d):
    # Firth's correction of a saturated 2 x 2 table adds one half to each cell (identity).
    factor = [1] * (a + b) + [0] * (c + d)
    failed = [True] * a + [False] * b + [True] * c + [False] * d
    found = firth_logistic(factor, failed)
    expected = math.log((a + 0.5) * (d + 0.5) / (b + 0.5) / (c + 0.5))
    assert found.coefficients[1] == pytest.approx(expected, abs=1e-7)


def _data(n=30, k=3, seed=4):
    generator = np.random.default_rng(seed)
    factors = generator.choice([-1.0, 0.0, 1.0], (n, k))
    failed = generator.random(n) < 1 / (1 + np.exp(-(1.5 * factors[:, 0] - 0.5)))
    return factors, failed


def _penalised(beta, factors, failed):
    design = np.column_stack([np.ones(len(factors)), factors])
    score = design @ beta
    p = 1 / (1 + np.exp(-score))
    information = design.T @ (design * (p * (1 - p))[:, None])
    return failed @ score - np.logaddexp(0, score).sum() + 0.5 * np.linalg.slogdet(information)[1]


def test_agrees_with_a_general_maximiser():
    factors, failed = _data()
    found = firth_logistic(factors, failed)
    oracle = optimize.minimize(
        lambda b: -_penalised(b, factors, failed),
        np.zeros(4),
        method="Nelder-Mead",
        options={"xatol": 1e-9, "fatol": 1e-12, "maxiter": 20_000},
    )
    assert found.coefficients == pytest.approx(list(oracle.x), abs=1e-5)
    assert found.log_likelihood == pytest.approx(-oracle.fun, abs=1e-9)


def test_profile_interval_ends_where_the_likelihood_has_fallen_by_half_a_chi_square():
    factors, failed = _data()
    found = firth_logistic(factors, failed)
    for end in (found.intervals[1].low, found.intervals[1].high):
        held = optimize.minimize(
            lambda b, end=end: -_penalised(np.array([b[0], end, b[1], b[2]]), factors, failed),
            np.zeros(3),
            method="Nelder-Mead",
            options={"xatol": 1e-9, "fatol": 1e-12, "maxiter": 20_000},
        )
        assert found.log_likelihood + held.fun == pytest.approx(3.841458820694124 / 2, abs=1e-5)
    for interval, p_value in zip(found.intervals, found.p_values, strict=True):
        assert (0.0 in interval) == (p_value > 0.05)


def test_order_unit_and_direction_carry_over():
    factors, failed = _data()
    order = np.random.default_rng(1).permutation(len(failed))
    plain = firth_logistic(factors, failed)
    moved = firth_logistic(-1000 * factors[order] + 5, failed[order])
    assert [-1000 * c for c in moved.coefficients[1:]] == pytest.approx(list(plain.coefficients[1:]), abs=1e-6)
    assert moved.p_values[1:] == pytest.approx(plain.p_values[1:], abs=1e-6)


def test_all_failing_or_all_passing_convicts_nothing():
    for outcome in (True, False):
        found = firth_logistic([0, 1, 0, 1], [outcome] * 4)
        assert found.coefficients[1] == pytest.approx(0.0, abs=1e-8)
        assert 0.0 in found.intervals[1]


def test_false_convictions_stay_near_their_level():
    generator = np.random.default_rng(9)
    draws = 120
    convicted = 0
    for _ in range(draws):
        factors = generator.choice([-1.0, 1.0], (24, 2))
        convicted += firth_logistic(factors, generator.random(24) < 0.4).p_values[1] < 0.05
    # The standard error is 2 %.
    assert convicted / draws <= 0.10


@pytest.mark.parametrize(
    ("factors", "failed", "message"),
    [
        ([], [], "at least one"),
        ([1, 0], [True], "one row for each outcome"),
        ([[1, 1], [0, 0], [1, 1]], [True, False, True], "follows from the others"),
        ([1, 1, 1], [True, False, True], "factor 1 never changes"),
        ([1, float("nan")], [True, False], "not finite"),
    ],
)
def test_refuses_what_no_analysis_can_tell(factors, failed, message):
    with pytest.raises(ValueError, match=message):
        firth_logistic(factors, failed)


def test_names_go_with_the_factors():
    assert firth_logistic([0, 1, 0, 1], [1, 0, 0, 1], names=["CORE low"]).names == ("intercept", "CORE low")
    with pytest.raises(ValueError, match="as many names"):
        firth_logistic([0, 1], [1, 0], names=["a", "b"])
