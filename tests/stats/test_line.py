from importlib.util import find_spec
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from cornerrun.stats.line import fit_line


def _norris():
    # NIST StRD, Norris: the file lies in scipy's wheel.
    path = Path(find_spec("scipy").origin).parent / "stats/tests/data/nist_linregress/Norris.dat"
    rows = [[float(part) for part in line.split()] for line in path.read_text().splitlines()[60:]]
    y, x = zip(*(row for row in rows if len(row) == 2), strict=True)
    return x, y


def test_norris_agrees_with_the_certified_values():
    # NIST StRD Norris, certified to 15 digits; double precision with centring keeps nine and more.
    line = fit_line(*_norris())
    assert line.n == 36
    assert line.intercept == pytest.approx(-0.262323073774029, rel=1e-9)
    assert line.slope == pytest.approx(1.00211681802045, rel=1e-12)
    assert line.intercept_standard_error == pytest.approx(0.232818234301152, rel=1e-9)
    assert line.slope_standard_error == pytest.approx(0.429796848199937e-03, rel=1e-9)
    assert line.residual_standard_deviation == pytest.approx(0.884796396144373, rel=1e-9)
    assert line.r_squared == pytest.approx(0.999993745883712, rel=1e-12)
    assert line.f_statistic == pytest.approx(5436385.54079785, rel=1e-9)
    assert line.regression_sum_of_squares == pytest.approx(4255954.13232369, rel=1e-12)
    assert line.residual_sum_of_squares == pytest.approx(26.6173985294224, rel=1e-9)


@pytest.mark.parametrize(
    ("y", "confidence", "x", "low", "high"),
    [(104, 0.95, 103.9949156, 103.4040511, 104.5894594), (100, 0.90, 100.1123180, 99.6294029, 100.5885031)],
)
def test_inverse_prediction_agrees_with_the_thermostat_example(y, confidence, x, low, high):
    # Graybill & Iyer, by way of cran/investr's tests (prints 103.995 (103.4, 104.6) and 100.1 (99.63, 100.59)).
    line = fit_line(
        [96, 98, 100, 102, 104, 106, 108, 110], [95.71, 98.16, 99.52, 102.09, 103.79, 106.18, 108.14, 110.21]
    )
    found = line.inverse(y, confidence=confidence)
    assert (found.estimate, found.low, found.high) == pytest.approx((x, low, high), abs=6e-8)
    assert line.intercept == pytest.approx(-3.1395238, abs=5e-8)
    assert line.residual_standard_deviation == pytest.approx(0.2344463, abs=5e-8)


_coordinates = st.lists(st.tuples(st.integers(-50, 50), st.integers(-50, 50)), min_size=3, max_size=30).filter(
    lambda points: len({x for x, _ in points}) > 1
)


@given(_coordinates, st.randoms(use_true_random=False))
def test_the_order_of_points_does_not_matter(points, random):
    shuffled = points[:]
    random.shuffle(shuffled)
    one, other = fit_line(*zip(*points, strict=True)), fit_line(*zip(*shuffled, strict=True))
    assert one.slope == pytest.approx(other.slope, abs=1e-9)
    assert one.intercept == pytest.approx(other.intercept, abs=1e-8)


@given(_coordinates, st.floats(-1e3, 1e3), st.floats(0.01, 100))
def test_shift_and_scale_carry_over(points, shift, scale):
    x, y = (np.array(values, dtype=float) for values in zip(*points, strict=True))
    plain, moved = fit_line(x, y), fit_line(x + shift, y * scale)
    assert moved.slope == pytest.approx(plain.slope * scale, rel=1e-6, abs=1e-7)
    assert moved.at(3 + shift) == pytest.approx(plain.at(3) * scale, rel=1e-6, abs=1e-6)


def test_a_large_offset_costs_no_digits():
    x = 1e9 + np.arange(10.0)
    line = fit_line(x, 2 * (x - 1e9) + 5)
    assert line.slope == pytest.approx(2.0, rel=1e-12)
    assert line.residual_standard_deviation == pytest.approx(0.0, abs=1e-9)


def test_two_points_leave_no_degree_of_freedom():
    line = fit_line([0, 1], [0, 2])
    assert line.slope == 2
    assert line.slope_standard_error is None
    assert line.slope_interval() is None
    assert line.f_statistic is None
    with pytest.raises(ValueError, match="no degree of freedom"):
        line.inverse(1.0)


def test_a_slope_that_may_be_zero_has_no_inverse():
    with pytest.raises(ValueError, match="cannot be told from zero"):
        fit_line([0, 1, 2, 3], [0, 1, 0, 1]).inverse(0.5)


@pytest.mark.parametrize(
    ("x", "y", "message"),
    [
        ([1], [1], "at least 2"),
        ([1, 1, 1], [1, 2, 3], "all x are equal"),
        ([1, 2], [1, 2, 3], "equally long"),
        ([1, float("nan")], [1, 2], "not finite"),
        ([[1, 2], [3, 4]], [1, 2], "one-dimensional"),
    ],
)
def test_refuses_points_that_make_no_line(x, y, message):
    with pytest.raises(ValueError, match=message):
        fit_line(x, y)


def test_intervals_of_slope_and_intercept_cover_as_stated():
    generator = np.random.default_rng(20260302)
    x = np.linspace(0.8, 0.9, 8)
    held_slope = held_intercept = 0
    draws = 4000
    for y in 1.002 * x + 0.0003 + generator.normal(0, 2e-4, (draws, x.size)):
        line = fit_line(x, y)
        held_slope += 1.002 in line.slope_interval()
        held_intercept += 0.0003 in line.intercept_interval()
    # The standard error of a coverage near 95 % over 4000 draws is 0.35 %.
    assert 0.94 <= held_slope / draws <= 0.96
    assert 0.94 <= held_intercept / draws <= 0.96
