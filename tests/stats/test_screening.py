import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats as scipy_stats

from cornerrun.stats.screening import lot_limits, part_average_limits


def test_limits_are_median_plus_and_minus_six_robust_deviations():
    # AEC-Q001, formula from memory; no published numbers. Quartiles of 1..9 are 3 and 7.
    found = part_average_limits(range(1, 10))
    assert (found.median, found.sigma) == (5.0, pytest.approx(4 / 1.35))
    assert (found.low, found.high) == pytest.approx((5 - 24 / 1.35, 5 + 24 / 1.35))
    assert found.is_thin


def test_robust_deviation_is_that_of_a_normal_distribution_within_its_rounding():
    # The exact ratio of quartile range to sigma is 1.3489795003921634 (computed); the document rounds to 1.35.
    assert 2 * scipy_stats.norm.ppf(0.75) == pytest.approx(1.3489795003921634, rel=1e-15)
    readings = np.random.default_rng(1).normal(5, 2, 100_000)
    assert part_average_limits(readings).sigma == pytest.approx(2, rel=0.02)


def test_outliers_do_not_widen_the_limits_that_should_catch_them():
    readings = [*np.random.default_rng(2).normal(0, 1, 60), 50.0, -40.0]
    found = part_average_limits(readings)
    assert found.outliers(readings) == (60, 61)
    assert not found.is_thin


def test_dynamic_limits_are_never_wider_than_the_static_ones():
    generator = np.random.default_rng(3)
    static = part_average_limits(generator.normal(0, 1, 500))
    lots = {"quiet": generator.normal(0, 0.1, 50), "wild": generator.normal(0, 5, 50)}
    found = lot_limits(lots, static=static)
    assert static.low < found["quiet"].low < found["quiet"].high < static.high
    assert (found["wild"].low, found["wild"].high) == (static.low, static.high)


def test_equal_readings_leave_no_room():
    found = part_average_limits([1.0] * 40)
    assert (found.low, found.high, found.sigma) == (1.0, 1.0, 0.0)
    assert found.outliers([1.0, 1.1]) == (1,)


@given(st.lists(st.floats(-1e3, 1e3), min_size=4, max_size=40), st.floats(-1e3, 1e3), st.floats(0.01, 100))
def test_shift_scale_and_order_carry_over(readings, shift, scale):
    plain = part_average_limits(readings)
    moved = part_average_limits(sorted(v * scale + shift for v in readings))
    assert moved.low == pytest.approx(plain.low * scale + shift, rel=1e-6, abs=1e-5)
    assert moved.high == pytest.approx(plain.high * scale + shift, rel=1e-6, abs=1e-5)


def test_refuses_too_few_readings():
    with pytest.raises(ValueError, match="at least 4"):
        part_average_limits([1, 2, 3])
    with pytest.raises(ValueError, match="sigmas"):
        part_average_limits([1, 2, 3, 4], sigmas=0)
