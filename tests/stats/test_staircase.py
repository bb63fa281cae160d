import numpy as np
import pytest

from cornerrun.stats.staircase import dixon_mood, spearman_karber

# Sequence "951" of cran/upndown.
LOADS = [36, 35, 36, 37, 38, 39, 38, 37, 38, 37, 36, 35, 36, 37, 36]
RESPONSES = [1, 0, 0, 0, 0, 1, 1, 0, 1, 1, 1, 0, 0, 1, 1]


def test_up_and_down_agrees_with_the_published_sequence():
    # Mean by cran/upndown; the deviation is computed by the formula, no published figure. The paper itself reports
    # 36.63 by another estimator.
    found = dixon_mood(LOADS, RESPONSES)
    assert found.mean == pytest.approx(36.78571, abs=5e-6)
    assert found.counted == 7
    assert found.ratio == pytest.approx(1.0612, abs=5e-5)
    assert found.standard_deviation == pytest.approx(1.766164, abs=5e-7)


def test_up_and_down_follows_unit_and_origin():
    found = dixon_mood([0.01 * load - 0.3 for load in LOADS], RESPONSES)
    assert found.mean == pytest.approx(0.01 * 36.785714 - 0.3, abs=1e-8)
    assert found.standard_deviation == pytest.approx(0.01766164, abs=1e-8)


def test_up_and_down_finds_the_median_of_a_simulated_threshold():
    generator, means = np.random.default_rng(3), []
    for _ in range(200):
        level, levels, responses = 1.0, [], []
        for _ in range(40):
            levels.append(level)
            responses.append(bool(level + generator.normal(0, 0.5) > 0.25))
            level += -0.5 if responses[-1] else 0.5
        means.append(dixon_mood(levels, responses).mean)
    assert float(np.mean(means)) == pytest.approx(0.25, abs=0.03)


@pytest.mark.parametrize(
    ("x", "failures", "trials", "trim", "published"),
    [
        # Hamilton, Russo & Thurston 1977, sets dr4a and dr1a, by way of github brsr/tsk; on log10 of the levels.
        ([7.8, 13, 22, 36, 60, 100], [0, 0, 1, 10, 10, 10], [10] * 6, 0.0, 26.75),
        ([7.8, 13, 22, 36, 60, 100], [0, 0, 1, 10, 10, 10], [10] * 6, 0.05, 27.20),
        ([7.8, 13, 22, 36, 60, 100], [0, 0, 1, 10, 10, 10], [10] * 6, 0.10, 27.38),
        ([7.8, 13, 22, 36, 60, 100], [0, 0, 1, 10, 10, 10], [10] * 6, 0.20, 27.38),
        ([15.54, 20.47, 27.92, 35.98, 55.52], [0, 0, 0, 1, 20], [20, 20, 20, 19, 20], 0.0, 43.89),
        ([15.54, 20.47, 27.92, 35.98, 55.52], [0, 0, 0, 1, 20], [20, 20, 20, 19, 20], 0.05, 44.16),
    ],
)
def test_spearman_karber_agrees_with_published_values(x, failures, trials, trim, published):
    found = spearman_karber(np.log10(x), failures, trials, trim=trim)
    assert 10**found.mean == pytest.approx(published, abs=5e-3)


def test_spearman_karber_gives_the_published_limits_of_two_deviations():
    found = spearman_karber(np.log10([7.8, 13, 22, 36, 60, 100]), [0, 0, 1, 10, 10, 10], [10] * 6)
    low, high = (10 ** (found.mean + k * found.standard_error) for k in (-2, 2))
    assert (low, high) == pytest.approx((24.28, 29.46), abs=5e-3)
    assert 10**found.interval.low == pytest.approx(24.33, abs=0.02)


def test_shares_that_fall_are_pooled():
    assert spearman_karber([0, 1, 2, 3], [0, 6, 4, 10], [10] * 4).mean == pytest.approx(
        spearman_karber([0, 1, 2, 3], [0, 5, 5, 10], [10] * 4).mean
    )


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: dixon_mood([1, 2], [True]), "needs its outcome"),
        (lambda: dixon_mood([1, 1], [True, False]), "changes the level"),
        (lambda: dixon_mood([1, 2, 3], [False, True, False]), "should have gone one step down"),
        (lambda: dixon_mood([3, 2, 1], [True, True, True]), "all outcomes are alike"),
        (lambda: spearman_karber([1, 2], [1, 5], [5, 5]), "trim at least 0.2"),
        (lambda: spearman_karber([2, 1], [0, 5], [5, 5]), "must rise"),
        (lambda: spearman_karber([1, 2], [0, 6], [5, 5]), "must not exceed"),
        (lambda: spearman_karber([1, 2], [0, 5], [5, 5], trim=0.5), "trim must lie"),
        (lambda: spearman_karber([1, 2], [0], [5, 5]), "needs its failures"),
    ],
)
def test_refuses_what_shows_no_threshold(call, message):
    with pytest.raises(ValueError, match=message):
        call()
