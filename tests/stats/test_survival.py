import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats as scipy_stats

from cornerrun.stats.survival import log_rank, median_margin

# Remission times of 21 and 21 patients, 6-MP against placebo, Freireich 1963 (widely printed, from memory):
# medians 23 and 8 weeks, log-rank chi-square 16.79.
TREATED = [6, 6, 6, 6, 7, 9, 10, 10, 11, 13, 16, 17, 19, 20, 22, 23, 25, 32, 32, 34, 35]
RELAPSED = [1, 1, 1, 0, 1, 0, 1, 0, 0, 1, 1, 0, 0, 0, 1, 1, 0, 0, 0, 0, 0]
PLACEBO = [1, 1, 2, 2, 3, 4, 4, 5, 5, 8, 8, 8, 8, 11, 11, 12, 12, 15, 17, 22, 23]


def test_log_rank_agrees_with_the_printed_example():
    found = log_rank(TREATED, RELAPSED, PLACEBO, [True] * 21)
    assert found.statistic == pytest.approx(16.79, abs=5e-3)
    assert (found.observed_a, found.expected_a) == (9, pytest.approx(19.25, abs=5e-3))


def test_medians_agree_with_the_printed_example():
    assert median_margin(TREATED, RELAPSED).median == 23
    placebo = median_margin(PLACEBO, [True] * 21)
    assert placebo.median == 8
    # R survfit, log-log, prints 4 to 11 and 13 to open, from memory.
    assert (placebo.interval.low, placebo.interval.high) == (4, 11)
    treated = median_margin(TREATED, RELAPSED).interval
    assert (treated.low, treated.high) == (13, float("inf"))


@given(
    st.lists(st.tuples(st.integers(1, 12), st.booleans()), min_size=2, max_size=20),
    st.lists(st.tuples(st.integers(1, 12), st.booleans()), min_size=2, max_size=20),
)
@settings(max_examples=40, deadline=None)
def test_log_rank_agrees_with_scipy(a, b):
    ours = log_rank(*zip(*a, strict=True), *zip(*b, strict=True))
    if ours.statistic is None:
        return

    def censored(rows):
        return scipy_stats.CensoredData.right_censored([m for m, _ in rows], [not f for _, f in rows])

    theirs = scipy_stats.logrank(censored(a), censored(b))
    assert ours.statistic == pytest.approx(theirs.statistic**2, rel=1e-9, abs=1e-12)
    assert ours.p_value == pytest.approx(theirs.pvalue, rel=1e-6, abs=1e-12)


def test_half_of_them_censored_leave_the_median_open():
    found = median_margin([0.05, 0.1, 0.1, 0.1], [True, False, False, False])
    assert (found.median, found.censored) == (None, 3)
    assert median_margin([0.1, 0.1], [False, False]).interval is None


def test_a_group_without_failures_is_no_evidence():
    found = log_rank([0.1, 0.1], [False, False], [0.1], [False])
    assert (found.statistic, found.p_value) == (None, 1.0)


def test_equal_groups_rarely_differ():
    generator = np.random.default_rng(4)
    draws = 400
    alarms = 0
    for _ in range(draws):
        margins = np.minimum(generator.normal(0.1, 0.02, (2, 15)), 0.11)
        a, b = (np.round(group, 3) for group in margins)
        alarms += log_rank(a, a < 0.11, b, b < 0.11).p_value <= 0.05
    assert alarms / draws <= 0.08


@pytest.mark.parametrize(
    ("margins", "failed", "message"),
    [([], [], "at least 1"), ([1.0], [], "failed there"), ([-1.0], [True], "not negative")],
)
def test_refuses_margins_that_are_none(margins, failed, message):
    with pytest.raises(ValueError, match=message):
        median_margin(margins, failed)
