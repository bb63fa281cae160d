import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from cornerrun.stats.allan import allan_deviation, autocorrelation

# NIST SP 1065, pages 107 and 108, by way of AllanTools's tests.
READINGS = [892, 809, 823, 798, 671, 644, 883, 903, 677]


@pytest.mark.parametrize(
    ("kind", "one", "two"),
    [
        ("plain", 91.22945, 115.8082),
        ("overlapping", 91.22945, 85.95287),
        ("total", 91.22945, 93.90379),
        ("hadamard", 70.80607, 116.7980),  # the text prints 70.80608 for the first; recomputed
    ],
)
def test_deviations_agree_with_the_handbook_of_frequency_stability(kind, one, two):
    assert allan_deviation(READINGS, kind=kind).deviation == pytest.approx(one, abs=1e-5)
    assert allan_deviation(READINGS, averages=2, kind=kind).deviation == pytest.approx(two, abs=6e-5)


def test_averaging_helps_against_noise_and_not_against_drift():
    noise = np.random.default_rng(1).normal(0, 1, 20_000)
    assert allan_deviation(noise, averages=100).deviation == pytest.approx(0.1, rel=0.1)
    drift = np.arange(1000.0)
    # A steady drift of 1 a reading: m / sqrt(2) (SP 1065, table 6).
    assert allan_deviation(drift, averages=50).deviation == pytest.approx(50 / 2**0.5, rel=1e-9)
    assert allan_deviation(drift, averages=50, kind="hadamard").deviation == pytest.approx(0.0, abs=1e-6)


@given(
    st.lists(st.integers(-100, 100), min_size=7, max_size=30),
    st.sampled_from(["plain", "overlapping", "total", "hadamard"]),
    st.integers(-10_000, 10_000),
    st.floats(0.1, 10),
)
def test_shift_changes_nothing_and_scale_the_unit_only(readings, kind, shift, scale):
    plain = allan_deviation(readings, averages=2, kind=kind)
    moved = allan_deviation([scale * (value + shift) for value in readings], averages=2, kind=kind)
    assert moved.deviation == pytest.approx(scale * plain.deviation, rel=1e-6, abs=1e-6)
    assert moved.terms == plain.terms


@pytest.mark.parametrize(
    ("readings", "expected", "tolerance"),
    [
        # NIST StRD NumAcc1 and NumAcc2; the readings follow from their definition (from memory).
        ([10000001, 10000003, 10000002], -0.5, 1e-12),
        ([1.2] + [1.1, 1.3] * 500, -0.999, 1e-9),
    ],
)
def test_autocorrelation_agrees_with_certified_values(readings, expected, tolerance):
    assert autocorrelation(readings) == pytest.approx(expected, abs=tolerance)


def test_independent_readings_do_not_go_with_each_other():
    readings = np.random.default_rng(2).normal(1.0, 1e-6, 10_000)
    assert abs(autocorrelation(readings)) < 0.03
    assert autocorrelation(np.cumsum(readings - 1.0)) > 0.99


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: allan_deviation([1, 2, 3], averages=2), "too few"),
        (lambda: allan_deviation([1, 2], kind="total", averages=3), "too few"),
        (lambda: allan_deviation([1, 2, 3], kind="median"), "kind must be"),
        (lambda: allan_deviation([1, 2, 3], interval_s=0), "interval must be positive"),
        (lambda: autocorrelation([1, 1, 1]), "all equal"),
        (lambda: autocorrelation([1], lag=1), "needs at least 2 readings"),
    ],
)
def test_refuses_what_is_no_series(call, message):
    with pytest.raises(ValueError, match=message):
        call()
