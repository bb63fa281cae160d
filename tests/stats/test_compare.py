import math

import numpy as np
import pytest
from scipy import stats as scipy_stats

from cornerrun.stats.compare import compare_means, compare_rails, compare_shares, detectable_difference

A = [1.001, 1.004, 0.998, 1.002, 1.003, 1.000]
B = [1.006, 1.011, 1.002, 1.009]


def test_means_agree_with_scipy():
    found = compare_means(A, B)
    oracle = scipy_stats.ttest_ind(A, B, equal_var=False)
    low, high = oracle.confidence_interval(0.95)
    assert (found.statistic, found.p_value) == pytest.approx((oracle.statistic, oracle.pvalue), rel=1e-9)
    assert found.degrees_of_freedom == pytest.approx(oracle.df, rel=1e-9)
    assert (found.difference.low, found.difference.high) == pytest.approx((low, high), rel=1e-9)


def test_equivalence_agrees_with_two_one_sided_tests_of_scipy():
    found = compare_means(A, B, margin=0.01).equivalence
    above = scipy_stats.ttest_ind(np.array(A) - 0.01, B, equal_var=False, alternative="less").pvalue
    below = scipy_stats.ttest_ind(np.array(A) + 0.01, B, equal_var=False, alternative="greater").pvalue
    assert found.p_value == pytest.approx(max(above, below), rel=1e-9)


@pytest.mark.parametrize("margin", [0.004, 0.008, 0.012, 0.03])
def test_equivalence_is_the_interval_within_the_margin(margin):
    found = compare_means(A, B, margin=margin).equivalence
    inside = -margin < found.interval.low and found.interval.high < margin
    assert found.is_equivalent == inside
    assert found.interval.confidence == pytest.approx(0.90)


def test_no_difference_found_is_no_equivalence():
    found = compare_means([1.0, 1.2, 0.8], [1.1, 0.9, 1.0], margin=0.05)
    assert found.p_value > 0.5
    assert not found.equivalence.is_equivalent
    assert found.detectable > 0.3


def test_detectable_difference_is_found_with_the_power_stated():
    generator = np.random.default_rng(6)
    n, draws = 10, 4000
    truth = detectable_difference(1.0, n, n, power=0.9)
    a, b = generator.normal(0, 1, (draws, n)), generator.normal(truth, 1, (draws, n))
    found = (scipy_stats.ttest_ind(a, b, axis=1).pvalue < 0.05).mean()
    assert found == pytest.approx(0.9, abs=0.02)


def test_shares_give_interval_and_exact_test():
    found = compare_shares(9, 10, 3, 10)
    # Newcombe, Stat Med 1998;17:873, Table II.
    assert (found.difference.low, found.difference.high) == pytest.approx((0.1705, 0.8090), abs=5e-5)
    assert found.p_value == pytest.approx(scipy_stats.fisher_exact([[9, 1], [3, 7]]).pvalue)


def test_rails_are_adjusted_for_their_number():
    generator = np.random.default_rng(7)
    a = {f"R{i}": generator.normal(0, 1, 8) for i in range(20)} | {"BAD": generator.normal(0, 1, 8)}
    b = {f"R{i}": generator.normal(0, 1, 8) for i in range(20)} | {"BAD": generator.normal(6, 1, 8)}
    found = {item.rail: item for item in compare_rails(a, b)}
    assert list(found) == list(a)
    assert found["BAD"].holm < 0.01
    assert [rail for rail, item in found.items() if item.holm < 0.05] == ["BAD"]
    assert all(item.benjamini_hochberg <= item.holm + 1e-15 for item in found.values())


def test_rails_of_one_side_only_are_left_out():
    assert compare_rails({"A": [1, 2]}, {"B": [1, 2]}) == ()


def test_false_alarms_over_many_rails_stay_at_or_below_five_per_cent():
    generator = np.random.default_rng(8)
    draws = 200
    alarms = 0
    for _ in range(draws):
        a, b = ({f"R{i}": row for i, row in enumerate(generator.normal(0, 1, (8, 6)))} for _ in range(2))
        alarms += any(item.holm <= 0.05 for item in compare_rails(a, b))
    # The standard error is 1.5 %.
    assert alarms / draws <= 0.08


def test_readings_without_scatter_have_no_test():
    found = compare_means([1.0, 1.0], [1.5, 1.5], margin=1.0)
    assert (found.statistic, found.p_value, found.detectable, found.equivalence) == (None, None, None, None)
    assert found.difference.estimate == -0.5
    (rail,) = compare_rails({"A": [1.0, 1.0]}, {"A": [1.5, 1.5]})
    assert (rail.holm, rail.benjamini_hochberg) == (None, None)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: compare_means([1.0], [1.0, 2.0]), "at least 2"),
        (lambda: compare_means(A, B, margin=0.0), "positive"),
        (lambda: compare_means(A, B, power=1.0), "power"),
        (lambda: detectable_difference(math.inf, 3, 3), "finite"),
        (lambda: detectable_difference(1.0, 1, 3), "not less than 2"),
        (lambda: compare_shares(3, 2, 1, 2), "must not exceed"),
    ],
)
def test_refuses_what_cannot_be_compared(call, message):
    with pytest.raises(ValueError, match=message):
        call()
