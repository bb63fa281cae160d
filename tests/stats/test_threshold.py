import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cornerrun.stats.threshold import fit_threshold

# Bliss 1935, by way of cran/investr and glmx. Copies with 49 for the first 59 exist.
LEVELS = [1.6907, 1.7242, 1.7552, 1.7842, 1.8113, 1.8369, 1.8610, 1.8839]
TRIALS = [59, 60, 62, 56, 63, 59, 62, 60]
FAILURES = [6, 13, 18, 28, 52, 53, 61, 60]


@pytest.mark.parametrize(
    ("link", "coefficients", "errors", "fit", "median"),
    [
        # Published -60.72 and 34.27 (logit), -34.94 and 19.73 (probit), from memory; digits computed.
        (
            "logit",
            (-60.717455, 34.270326),
            (5.180711, 2.912140),
            (11.232231, 41.43027),
            (1.7717210, 0.0038581, (1.7638582, 1.7792005)),
        ),
        (
            "probit",
            (-34.935259, 19.727934),
            (2.647918, 1.487235),
            (10.119758, 40.31780),
            (1.7708524, 0.0038033, (1.7631143, 1.7781938)),
        ),
    ],
)
def test_beetles_agree_with_published_values(link, coefficients, errors, fit, median):
    deviance, aic = fit
    level, level_error, limits = median
    found = fit_threshold(LEVELS, FAILURES, TRIALS, link=link)
    assert (found.intercept, found.slope) == pytest.approx(coefficients, rel=1e-6)
    assert (found.intercept_standard_error, found.slope_standard_error) == pytest.approx(errors, rel=1e-6)
    assert found.deviance == pytest.approx(deviance, abs=1e-6)
    assert found.null_deviance == pytest.approx(284.20245, abs=1e-5)
    assert found.aic == pytest.approx(aic, abs=1e-5)
    assert found.level() == pytest.approx(level, abs=1e-7)
    assert found.level_standard_error() == pytest.approx(level_error, abs=1e-7)
    interval = found.level_interval()
    assert (interval.low, interval.high) == pytest.approx(limits, abs=1e-7)
    assert found.degrees_of_freedom == 6


def test_a_level_that_hardly_ever_fails_is_far_less_certain_than_the_median():
    found = fit_threshold(LEVELS, FAILURES, TRIALS)
    rare, median = found.level_interval(0.001), found.level_interval(0.5)
    assert rare.high < median.low
    assert rare.half_width > 3 * median.half_width


@given(st.randoms(use_true_random=False), st.sampled_from(["logit", "probit"]), st.floats(0.01, 100), st.floats(-9, 9))
@settings(max_examples=25, deadline=None)
def test_order_shift_and_scale_carry_over(random, link, scale, shift):
    plain = fit_threshold(LEVELS, FAILURES, TRIALS, link=link)
    rows = [(scale * (x + shift), f, n) for x, f, n in zip(LEVELS, FAILURES, TRIALS, strict=True)]
    random.shuffle(rows)
    found = fit_threshold(*zip(*rows, strict=True), link=link)
    assert found.level(0.1) == pytest.approx(scale * (plain.level(0.1) + shift), rel=1e-6, abs=1e-6 * scale)
    assert found.slope == pytest.approx(plain.slope / scale, rel=1e-6)
    assert found.deviance == pytest.approx(plain.deviance, rel=1e-6)


def test_passes_for_failures_turn_the_slope():
    plain = fit_threshold(LEVELS, FAILURES, TRIALS)
    turned = fit_threshold(LEVELS, [n - f for f, n in zip(FAILURES, TRIALS, strict=True)], TRIALS)
    assert (turned.slope, turned.level()) == pytest.approx((-plain.slope, plain.level()), rel=1e-9)


def test_the_interval_of_the_median_covers_about_what_it_says():
    generator = np.random.default_rng(5)
    levels = np.linspace(-2, 2, 9)
    shares = 1 / (1 + np.exp(-2 * levels))
    held = 0
    for _ in range(1000):
        held += 0.0 in fit_threshold(levels, generator.binomial(25, shares), [25] * 9).level_interval()
    # An approximation for large counts; the standard error of the figure is 0.7 %.
    assert held / 1000 == pytest.approx(0.95, abs=0.02)


@pytest.mark.parametrize(
    ("levels", "failures", "trials", "link", "message"),
    [
        ([1, 2, 3], [0, 0, 5], [5, 5, 5], "logit", "separate"),
        ([1, 2, 3], [0, 0, 0], [5, 5, 5], "logit", "separate"),
        ([1, 1], [1, 2], [5, 5], "logit", "all levels are equal"),
        ([1, 2], [6, 2], [5, 5], "logit", "must not exceed"),
        ([1, 2], [1, 2, 3], [5, 5], "logit", "each level needs"),
        ([1, 2], [1, 2], [5, 5], "cauchit", "link must be"),
    ],
)
def test_refuses_what_shows_no_threshold(levels, failures, trials, link, message):
    with pytest.raises(ValueError, match=message):
        fit_threshold(levels, failures, trials, link=link)


def test_a_slope_that_may_be_zero_has_no_finite_interval():
    with pytest.raises(ValueError, match="cannot be told from zero"):
        fit_threshold([1, 2, 3], [2, 3, 2], [6, 6, 6]).level_interval()
