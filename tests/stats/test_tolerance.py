"""T1 NIST/SEMATECH e-Handbook 7.2.6.3; T2 Montgomery's table and ISO 16269-6:2014 Annex F by way of the tests of
tolerance_interval_py; T3 README of groskwik/Owen; T4 Statistics for Environmental Engineers, Table 21.1.

Three definitions give three numbers for the same n: exact one-sided, exact two-sided, and Howe's approximation that
handbooks print (T1: 2.2173 against the exact 2.2228; one-sided 1.8752 against 1.8740).
"""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cornerrun.stats.tolerance import (
    distribution_free_size,
    normality,
    tolerance_factor,
    tolerance_interval,
)


@pytest.mark.parametrize(
    ("n", "coverage", "confidence", "factor", "tolerance"),
    [
        (43, 0.90, 0.99, 1.8739536058511987, 1e-10),  # computed; T1 quotes about 1.8740, from memory
        # T2, computed to six digits beside the printed three.
        (5, 0.95, 0.95, 4.202681, 6e-7),
        (10, 0.95, 0.95, 2.910963, 6e-7),
        (20, 0.95, 0.95, 2.396002, 6e-7),
        (30, 0.95, 0.95, 2.219838, 6e-7),
        (50, 0.95, 0.95, 2.064993417743975, 1e-10),  # T3 prints 2.064993399768
        (100, 0.95, 0.95, 1.926539, 6e-7),
        (10, 0.90, 0.90, 2.065668, 6e-7),
        (2, 0.90, 0.90, 10.252714, 6e-7),
        (10, 0.99, 0.95, 3.981118, 6e-7),
        (20, 0.99, 0.95, 3.295157, 6e-7),
        (30, 0.99, 0.95, 3.063901, 6e-7),
    ],
)
def test_one_sided_factor_agrees_with_published_values(n, coverage, confidence, factor, tolerance):
    found = tolerance_factor(n, coverage=coverage, confidence=confidence, sides=1)
    assert found == pytest.approx(factor, abs=tolerance)


@pytest.mark.parametrize(
    ("n", "printed"),
    [(2, 15.5124), (8, 2.7542), (16, 2.2537), (35, 1.9906), (100, 1.8232), (300, 1.7401), (1000, 1.6947)],
)
def test_two_sided_factor_agrees_with_iso_16269_6(n, printed):
    # T2, 90 % at 90 %: the standard prints four places, rounded up.
    found = tolerance_factor(n, coverage=0.90, confidence=0.90)
    assert printed - 1e-4 < found <= printed


@pytest.mark.parametrize(("n", "factor"), [(10, 3.39343), (20, 2.76035), (30, 2.55489)])
def test_two_sided_factor_agrees_with_a_printed_table(n, factor):
    # T4 prints 3.39, 2.76, 2.55.
    assert tolerance_factor(n, coverage=0.95, confidence=0.95) == pytest.approx(factor, abs=6e-6)


def test_two_sided_factor_is_exact_and_not_howes():
    # Computed, no published figure; Howe's is 2.2173159.
    assert tolerance_factor(43, coverage=0.90, confidence=0.99) == pytest.approx(2.222825173793067, rel=1e-11)


def test_the_handbooks_approximations_are_there_by_name():
    # NIST/SEMATECH e-Handbook 7.2.6.3 (T1): n 43, 90 % at 99 %.
    assert tolerance_factor(43, coverage=0.90, confidence=0.99, method="howe") == pytest.approx(2.2173159, abs=5e-8)
    natrella = tolerance_factor(43, coverage=0.90, confidence=0.99, sides=1, method="natrella")
    assert natrella == pytest.approx(1.8751896, abs=5e-8)
    # Its limits of 97.07 with s 0.0268, as recomputed; the page carried a misprint (102.096).
    assert (97.07 - 2.2173159 * 0.0268, 97.07 + natrella * 0.0268) == pytest.approx((97.010576, 97.120255), abs=6e-7)


@pytest.mark.parametrize(("n", "coverage", "factor"), [(30, 0.90, 2.140), (30, 0.95, 2.550), (30, 0.99, 3.351)])
def test_howes_factor_agrees_with_the_table(n, coverage, factor):
    # Computed, no published figure; 95 % confidence.
    found = tolerance_factor(n, coverage=coverage, confidence=0.95, method="howe")
    assert found == pytest.approx(factor, abs=5e-4)


@pytest.mark.parametrize(
    ("sides", "method", "n", "message"),
    [
        (1, "howe", 10, "howe"),
        (2, "natrella", 10, "natrella"),
        (2, "owen", 10, "method must be"),
        (1, "natrella", 2, "does not hold"),
    ],
)
def test_an_approximation_is_refused_where_it_does_not_hold(sides, method, n, message):
    with pytest.raises(ValueError, match=message):
        tolerance_factor(n, coverage=0.9, confidence=0.99, sides=sides, method=method)


def test_two_sided_factor_tends_to_the_normal_quantile():
    assert tolerance_factor(10**6, coverage=0.90, confidence=0.90) == pytest.approx(1.6449, abs=0.003)


@given(st.integers(2, 60), st.floats(0.02, 0.999), st.floats(0.02, 0.999))
@settings(max_examples=30, deadline=None)
def test_two_sided_factor_lies_between_its_one_sided_bounds(n, coverage, confidence):
    two = tolerance_factor(n, coverage=coverage, confidence=confidence)
    assert two > 0
    split = tolerance_factor(n, coverage=(1 + coverage) / 2, confidence=(1 + confidence) / 2, sides=1)
    assert two <= split * (1 + 1e-9)
    assert two < tolerance_factor(n, coverage=(1 + coverage) / 2, confidence=confidence)


def test_handbook_example_gives_its_limits_with_the_exact_factor():
    # T1: mean 97.07, s 0.0268, n 43; exact one-sided limits 97.019778 and 97.120222 (computed).
    k = tolerance_factor(43, coverage=0.90, confidence=0.99, sides=1)
    assert (97.07 - k * 0.0268, 97.07 + k * 0.0268) == pytest.approx((97.019778, 97.120222), abs=6e-7)


def test_wilks_numbers_of_readings():
    # Wilks 1941: 93 readings for 95/95 with both extremes, 59 with one; 299 for 99/95 (widely tabulated, from memory).
    assert distribution_free_size(coverage=0.95, confidence=0.95) == 93
    assert distribution_free_size(coverage=0.95, confidence=0.95, sides=1) == 59
    assert distribution_free_size(coverage=0.99, confidence=0.95, sides=1) == 299


def test_readings_that_are_not_normal_get_the_distribution_free_interval():
    readings = np.random.default_rng(1).exponential(1.0, 120)
    found = tolerance_interval(readings, coverage=0.90, confidence=0.95)
    assert (found.method, found.factor) == ("distribution-free", None)
    assert found.normality.is_rejected
    assert found.low >= readings.min()
    assert found.high <= readings.max()
    normal = tolerance_interval(np.random.default_rng(2).normal(0, 1, 120), coverage=0.90, confidence=0.95)
    assert normal.method == "normal"


def test_equal_readings_are_not_taken_for_normal():
    assert normality([1.0] * 5).is_rejected
    with pytest.raises(ValueError, match="93 are needed"):
        tolerance_interval([1.0] * 10)


def test_one_side_is_open():
    found = tolerance_interval([1.0, 2.0, 3.0], side="lower", method="normal")
    assert found.high == math.inf
    assert found.factor == pytest.approx(tolerance_factor(3, coverage=0.95, confidence=0.95, sides=1))


def test_too_few_readings_without_a_distribution_say_how_many_are_needed():
    with pytest.raises(ValueError, match=r"10 readings are too few .* 59 are needed"):
        tolerance_interval(range(10), side="upper", method="distribution-free")


@pytest.mark.parametrize("side", ["two-sided", "lower", "upper"])
def test_distribution_free_limits_hold_with_the_confidence_stated(side):
    generator = np.random.default_rng(11)
    draws, n, held = 4000, 120, 0
    for sample in generator.uniform(0, 1, (draws, n)):
        found = tolerance_interval(sample, coverage=0.90, confidence=0.90, side=side, method="distribution-free")
        held += min(found.high, 1.0) - max(found.low, 0.0) >= 0.90
    # Never less than stated; ranks are whole, so a little more. The standard error is 0.5 %.
    assert 0.885 <= held / draws <= 0.96


@pytest.mark.parametrize("side", ["two-sided", "upper"])
def test_normal_limits_hold_with_the_confidence_stated(side):
    from scipy.special import ndtr

    generator = np.random.default_rng(12)
    draws, n = 10_000, 12
    k = tolerance_factor(n, coverage=0.90, confidence=0.95, sides=2 if side == "two-sided" else 1)
    samples = generator.normal(0, 1, (draws, n))
    mean, reach = samples.mean(axis=1), k * samples.std(axis=1, ddof=1)
    content = ndtr(mean + reach) - (ndtr(mean - reach) if side == "two-sided" else 0.0)
    assert 0.94 <= float((content >= 0.90).mean()) <= 0.96


@given(st.lists(st.floats(-1e3, 1e3), min_size=4, max_size=20), st.floats(-1e3, 1e3), st.floats(0.01, 100))
@settings(max_examples=40)
def test_shift_and_scale_carry_over(readings, shift, scale):
    plain = tolerance_interval(readings, method="normal", side="upper")
    moved = tolerance_interval([v * scale + shift for v in readings], method="normal", side="upper")
    assert moved.high == pytest.approx(plain.high * scale + shift, rel=1e-6, abs=1e-6)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: tolerance_factor(1, coverage=0.9, confidence=0.9), "not less than 2"),
        (lambda: tolerance_factor(5, coverage=1.0, confidence=0.9), "coverage"),
        (lambda: tolerance_factor(5, coverage=0.9, confidence=0.0), "confidence"),
        (lambda: tolerance_factor(5, coverage=0.9, confidence=0.9, sides=3), "sides"),
        (lambda: tolerance_interval([1.0, float("nan")]), "not finite"),
        (lambda: tolerance_interval([1.0, 2.0], side="left"), "side must be"),
        (lambda: tolerance_interval([1.0, 2.0], method="exact"), "method must be"),
        (lambda: normality([1.0, 2.0]), "at least 3"),
    ],
)
def test_refuses_what_bounds_nothing(call, message):
    with pytest.raises(ValueError, match=message):
        call()
