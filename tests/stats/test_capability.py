import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from cornerrun.stats.capability import capability, capability_from_moments


def test_indices_agree_with_the_handbook():
    # NIST/SEMATECH e-Handbook 6.1.6, inputs from memory: limits 8 and 20, mean 16, sd 2.
    found = capability_from_moments(16, 2, 50, lower=8, upper=20)
    assert found.cp == pytest.approx(1.0)
    assert (found.cpk, found.cpu, found.cpl) == pytest.approx((2 / 3, 2 / 3, 4 / 3))
    assert found.off_centre == pytest.approx(1 / 3)


def test_interval_of_cp_agrees_with_chi_square():
    # Exercise page: limits 38 and 62, s 1.75, n 20; prints Cp 2.29 and upper 3.011. Its lower end 1.671 is a misprint.
    found = capability_from_moments(50, 1.75, 20, lower=38, upper=62)
    assert found.cp == pytest.approx(2.285714, abs=5e-7)
    assert (found.cp_interval.low, found.cp_interval.high) == pytest.approx((1.5649450, 3.0055794), abs=6e-8)


@pytest.mark.parametrize(
    ("cpk", "n", "low", "high", "tolerance"),
    [
        (1.33, 20, 0.8826061, 1.7773939, 6e-8),  # Montgomery's example, from memory, prints 0.88 and 1.78
        # Job notes, computed, two digits.
        (1.33, 30, 0.97, 1.69, 5e-3),
        (1.33, 100, 1.13, 1.53, 5e-3),
        (1.67, 30, 1.22, 2.12, 5e-3),
    ],
)
def test_interval_of_cpk_agrees_with_bissell(cpk, n, low, high, tolerance):
    found = capability_from_moments(3 * cpk, 1.0, n, lower=0.0)
    assert (found.cpk_interval.low, found.cpk_interval.high) == pytest.approx((low, high), abs=tolerance)


def test_fraction_outside_agrees_with_published_values():
    # suncal's tests: N(10, 0.4), limits 9 and 11.
    found = capability_from_moments(10, 0.4, 10, lower=9, upper=11)
    assert found.cpk == pytest.approx(0.833333, abs=5e-7)
    assert found.fraction_outside == pytest.approx(0.012419330651552265, rel=1e-12)


@pytest.mark.parametrize(
    ("cp", "ppm"), [(1, 2699.7960632601867), (1.33, 66.07329525880472), (2, 0.0019731752900753892)]
)
def test_parts_per_million_outside(cp, ppm):
    # Computed, no published figure.
    found = capability_from_moments(0, 1, 10, lower=-3 * cp, upper=3 * cp)
    assert found.fraction_outside * 1e6 == pytest.approx(ppm, rel=1e-10)


def test_one_limit_has_no_cp():
    found = capability_from_moments(0, 1, 10, upper=3)
    assert (found.cp, found.cp_interval, found.cpl, found.off_centre) == (None, None, None, None)
    assert found.cpk == 1.0


def test_a_mean_beyond_its_limit_has_a_negative_index_with_an_ordered_interval():
    found = capability_from_moments(5, 1, 10, upper=3)
    assert found.cpk < 0
    assert found.cpk_interval.low < found.cpk < found.cpk_interval.high


@given(st.lists(st.floats(-100, 100), min_size=3, max_size=30), st.floats(-50, 50), st.floats(0.1, 10))
def test_unit_and_origin_change_no_index(readings, shift, scale):
    if max(readings) - min(readings) < 1e-3:
        return
    plain = capability(readings, lower=-120, upper=150)
    moved = capability([v * scale + shift for v in readings], lower=-120 * scale + shift, upper=150 * scale + shift)
    assert (moved.cp, moved.cpk) == pytest.approx((plain.cp, plain.cpk), rel=1e-6)


def test_cpk_interval_covers_about_what_it_says():
    # Bissell's approximation: 94 to 96 % at n = 50 for Cpk 1.33.
    generator = np.random.default_rng(3)
    samples = generator.normal(0, 1, (10_000, 50))
    mean, deviation = samples.mean(axis=1), samples.std(axis=1, ddof=1)
    held = sum(
        1.33 in capability_from_moments(m, s, 50, upper=3.99).cpk_interval for m, s in zip(mean, deviation, strict=True)
    )
    assert 0.94 <= held / 10_000 <= 0.96


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({}, "lower limit, an upper limit"),
        ({"lower": 2, "upper": 1}, "must lie below"),
        ({"lower": float("inf")}, "must be finite"),
        ({"upper": 1, "confidence": 1}, "confidence"),
    ],
)
def test_refuses_limits_that_make_no_sense(options, message):
    with pytest.raises(ValueError, match=message):
        capability_from_moments(0, 1, 10, **options)


def test_refuses_readings_without_scatter():
    with pytest.raises(ValueError, match="without scatter"):
        capability([0.1, 0.1, 0.1], upper=1)
