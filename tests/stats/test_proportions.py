"""Checks against published values. B1..B6 are keys of the sources; "from memory" and "computed" carry doubt over.

B1 NIST/SEMATECH e-Handbook 7.2.4; B2 Newcombe, Stat Med 1998;17:857, Table I; B3 reliability.readthedocs; B4 Wilks;
B6 Newcombe, Stat Med 1998;17:873, Table II.
"""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats as scipy_stats

from cornerrun.stats.proportions import (
    Demonstration,
    acceptance_probability,
    demonstration,
    demonstration_size,
    difference_interval,
    proportion_interval,
)


@pytest.mark.parametrize(
    ("counts", "confidence", "method", "limits", "tolerance"),
    [
        # B1, 4 of 20 at 90 %: inputs read, printed result from memory, recomputed.
        ((4, 20), 0.90, "clopper-pearson", (0.0713538843086182, 0.40102811733197463), 1e-12),
        ((4, 20), 0.90, "wilson", (0.09311801658121091, 0.37837668583536777), 1e-12),
        # B2, printed to four digits.
        ((81, 263), 0.95, "wilson", (0.2553, 0.3662), 5e-5),
        ((15, 148), 0.95, "wilson", (0.0624, 0.1605), 5e-5),
        ((0, 20), 0.95, "wilson", (0.0, 0.1611), 5e-5),
        # B2, digits from memory.
        ((81, 263), 0.95, "clopper-pearson", (0.252737, 0.367622), 5e-7),
        ((15, 148), 0.95, "clopper-pearson", (0.057844, 0.161650), 5e-7),
        ((0, 20), 0.95, "clopper-pearson", (0.0, 0.168433), 5e-7),
        # Computed, no published figure.
        ((81, 263), 0.95, "jeffreys", (0.254522, 0.365647), 5e-7),
        ((15, 148), 0.95, "jeffreys", (0.060449, 0.157643), 5e-7),
        ((0, 20), 0.95, "jeffreys", (0.000024, 0.116639), 6e-7),
        ((81, 263), 0.95, "agresti-coull", (0.255221, 0.366277), 6e-7),
        ((15, 148), 0.95, "agresti-coull", (0.061386, 0.161488), 6e-7),
        ((0, 20), 0.95, "agresti-coull", (0.0, 0.189810), 6e-7),
        # R binom.test, in scipy's wheel, scipy/stats/tests/test_morestats.py (TestBinomTest).
        ((3, 50), 0.99, "clopper-pearson", (0.006872485332949589, 0.20270626946868844), 1e-12),
        # R prop.test, same file.
        ((3, 10), 0.95, "wilson-corrected", (0.08094782, 0.64632928), 5e-9),
        ((3, 10), 0.95, "wilson", (0.1077913, 0.6032219), 5e-8),
        # statsmodels wheel, statsmodels/stats/tests/test_proportion.py.
        ((19, 38), 0.95, "wilson", (0.348499283643951, 0.651500716356049), 1e-12),
        # Job notes, computed.
        ((0, 30), 0.95, "clopper-pearson", (0.0, 0.11570), 5e-6),
        ((1, 30), 0.95, "clopper-pearson", (0.00084, 0.17217), 5e-6),
        ((3, 100), 0.95, "clopper-pearson", (0.00623, 0.08518), 5e-6),
    ],
)
def test_two_sided_interval_agrees_with_published_values(counts, confidence, method, limits, tolerance):
    interval = proportion_interval(*counts, confidence=confidence, method=method)
    assert (interval.low, interval.high) == pytest.approx(limits, abs=tolerance)


@pytest.mark.parametrize(
    ("x", "n", "confidence", "side", "bound"),
    [
        (3, 50, 0.99, "upper", 0.1872093),  # R binom.test, scipy's wheel, test_morestats.py
        (3, 50, 0.99, "lower", 0.008860761),  # same
        (0, 10, 0.95, "upper", 0.2588656),  # same
        (0, 30, 0.95, "upper", 0.0950339),  # rule of three, Hanley & Lippman-Hand 1983, from memory
        (0, 100, 0.95, "upper", 0.0295130),
        (0, 300, 0.95, "upper", 0.0099361),
        (0, 59, 0.95, "upper", 0.0495076),  # computed, no published figure
        (0, 22, 0.90, "upper", 0.0993720),
        (0, 299, 0.95, "upper", 0.0099691),
    ],
)
def test_one_sided_bound_agrees_with_published_values(x, n, confidence, side, bound):
    interval = proportion_interval(x, n, confidence=confidence, side=side)
    assert (interval.high if side == "upper" else interval.low) == pytest.approx(bound, abs=6e-8)
    assert (interval.low, interval.high)[side == "lower"] == (1.0 if side == "lower" else 0.0)


@pytest.mark.parametrize(
    ("confidence", "reliability", "n"),
    [
        (0.95, 0.999, 2995),  # B3
        (0.95, 0.95, 59),  # B4
        # Widely tabulated, from memory.
        *((0.90, r, n) for r, n in ((0.80, 11), (0.90, 22), (0.95, 45), (0.99, 230))),
        *((0.95, r, n) for r, n in ((0.80, 14), (0.90, 29), (0.99, 299))),
        (0.60, 0.99, 92),
    ],
)
def test_demonstration_without_failures_needs_the_tabulated_number_of_trials(confidence, reliability, n):
    assert demonstration_size(reliability=reliability, confidence=confidence) == n


def test_demonstration_with_failures_follows_the_operating_characteristic():
    # Binomial OC equation: computed, no published figure.
    sizes = [demonstration_size(reliability=0.9, confidence=0.95, failures=c) for c in range(6)]
    assert sizes == [29, 46, 61, 76, 89, 103]
    sizes = [demonstration_size(reliability=0.9, confidence=0.90, failures=c) for c in range(6)]
    assert sizes == [22, 38, 52, 65, 78, 91]


@given(st.floats(0.05, 0.995), st.floats(0.05, 0.995), st.integers(0, 6))
def test_demonstration_size_is_the_least_that_demonstrates(reliability, confidence, failures):
    n = demonstration_size(reliability=reliability, confidence=confidence, failures=failures)

    def shown(trials):
        return demonstration(failures, trials, pass_probability=reliability, confidence=confidence)

    assert shown(n) is Demonstration.DEMONSTRATED
    if n - 1 > failures:
        assert shown(n - 1) is not Demonstration.DEMONSTRATED


def test_demonstration_is_open_between_what_is_shown_and_what_is_refuted():
    claim = {"pass_probability": 0.9, "confidence": 0.95}
    assert demonstration(0, 29, **claim) is Demonstration.DEMONSTRATED
    assert demonstration(0, 28, **claim) is Demonstration.OPEN
    assert demonstration(1, 30, **claim) is Demonstration.OPEN
    assert demonstration(14, 30, **claim) is Demonstration.REFUTED
    assert demonstration(0, 0, **claim) is Demonstration.OPEN


def test_a_tie_in_exact_arithmetic_counts_as_shown():
    # 0.9 ** 2 is 0.81, which is 1 - 0.19: two trials do it exactly.
    assert demonstration_size(reliability=0.9, confidence=0.19) == 2
    assert demonstration_size(reliability=0.5, confidence=0.75) == 2


@pytest.mark.parametrize(
    ("a", "b", "low", "high"),
    [  # B6, printed to four digits
        ((56, 70), (48, 80), 0.0524, 0.3339),
        ((9, 10), (3, 10), 0.1705, 0.8090),
        ((0, 10), (0, 20), -0.1611, 0.2775),
        ((5, 56), (0, 29), -0.0381, 0.1926),
    ],
)
def test_difference_interval_agrees_with_newcombe(a, b, low, high):
    interval = difference_interval(*a, *b)
    assert interval.low == pytest.approx(low, abs=5e-5)
    assert interval.high == pytest.approx(high, abs=5e-5)


@given(st.integers(0, 60), st.integers(0, 60), st.integers(0, 60), st.integers(0, 60))
def test_difference_changes_sign_when_the_sides_change_places(x, more_x, y, more_y):
    there = difference_interval(x, x + more_x, y, y + more_y)
    back = difference_interval(y, y + more_y, x, x + more_x)
    assert there.low == pytest.approx(-back.high, abs=1e-12)
    assert there.high == pytest.approx(-back.low, abs=1e-12)


@given(st.integers(1, 400), st.data(), st.sampled_from(["clopper-pearson", "wilson", "wilson-corrected", "jeffreys"]))
def test_failures_mirror_successes(n, data, method):
    x = data.draw(st.integers(0, n))
    one = proportion_interval(x, n, method=method)
    other = proportion_interval(n - x, n, method=method)
    assert one.low == pytest.approx(1 - other.high, abs=1e-10)
    assert 0.0 <= one.low <= one.high <= 1.0


@given(st.integers(1, 300), st.data(), st.floats(0.5, 0.999))
def test_clopper_pearson_agrees_with_scipy(n, data, confidence):
    x = data.draw(st.integers(0, n))
    ours = proportion_interval(x, n, confidence=confidence)
    theirs = scipy_stats.binomtest(x, n).proportion_ci(confidence, method="exact")
    assert (ours.low, ours.high) == pytest.approx((theirs.low, theirs.high), abs=1e-9)


def _coverage(n, p, method):
    """The exact probability that the interval holds p, by enumeration."""
    weights = scipy_stats.binom.pmf(range(n + 1), n, p)
    intervals = [proportion_interval(x, n, method=method) for x in range(n + 1)]
    return sum(w for w, i in zip(weights, intervals, strict=True) if p in i)


@pytest.mark.parametrize("n", [1, 5, 20, 47])
def test_clopper_pearson_never_covers_less_than_it_says(n):
    assert min(_coverage(n, (k + 0.5) / 40, "clopper-pearson") for k in range(40)) >= 0.95


@pytest.mark.parametrize("method", ["wilson", "jeffreys"])
def test_wilson_and_jeffreys_cover_what_they_say_on_average(method):
    average = sum(_coverage(30, (k + 0.5) / 200, method) for k in range(200)) / 200
    assert average == pytest.approx(0.95, abs=0.01)


def test_counts_of_numpy_are_counts():
    ours = proportion_interval(np.int64(4), np.int32(20))
    assert ours == proportion_interval(4, 20)
    assert demonstration_size(reliability=np.float64(0.9), confidence=0.95, failures=np.int64(1)) == 46


def test_no_trials_say_nothing():
    interval = proportion_interval(0, 0)
    assert (interval.estimate, interval.low, interval.high) == (None, 0.0, 1.0)
    assert difference_interval(0, 0, 3, 3).estimate is None


def test_large_counts_keep_their_digits():
    interval = proportion_interval(0, 10**9, side="upper")
    assert interval.high == pytest.approx(-math.log(0.05) / 1e9, rel=1e-6)


@pytest.mark.parametrize(
    ("arguments", "options", "message"),
    [
        ((-1, 5), {}, "successes must be a whole number"),
        ((6, 5), {}, "successes must not exceed trials"),
        ((1.5, 5), {}, "successes must be a whole number"),
        ((1, float("nan")), {}, "trials must be a whole number"),
        ((1, 5), {"confidence": 1.0}, "confidence must lie between"),
        ((1, 5), {"method": "wald"}, "method must be"),
        ((1, 5), {"side": "left"}, "side must be"),
    ],
)
def test_refuses_what_makes_no_sense(arguments, options, message):
    with pytest.raises(ValueError, match=message):
        proportion_interval(*arguments, **options)


@pytest.mark.parametrize("reliability", [0.0, 1.0, -0.1, float("nan")])
def test_a_reliability_that_no_number_of_trials_can_show_is_refused(reliability):
    with pytest.raises(ValueError, match="reliability must lie between"):
        demonstration_size(reliability=reliability, confidence=0.9)


def test_a_good_board_passes_with_the_binomial_probability():
    # 5 % bad trials, none of 30 fails: 21 % (job notes, computed).
    assert acceptance_probability(pass_probability=0.95, trials=30) == pytest.approx(0.2146, abs=5e-5)
    assert acceptance_probability(pass_probability=1.0, trials=30) == 1.0
