import pytest

from cornerrun.stats.control_charts import (
    chart_constants,
    count_limits,
    individuals_limits,
    mean_limits,
    moving_range_limits,
    share_limits,
)


@pytest.mark.parametrize(
    "row",
    [  # Table A.22: n, d2, d3, c4, A2, D3, D4, A3, B3, B4. D4 of three is printed 2.574; exact is 2.5746.
        (2, 1.128, 0.853, 0.7979, 1.880, 0, 3.267, 2.659, 0, 3.267),
        (3, 1.693, 0.888, 0.8862, 1.023, 0, 2.5746, 1.954, 0, 2.568),
        (4, 2.059, 0.880, 0.9213, 0.729, 0, 2.282, 1.628, 0, 2.266),
        (5, 2.326, 0.864, 0.9400, 0.577, 0, 2.114, 1.427, 0, 2.089),
        (6, 2.534, 0.848, 0.9515, 0.483, 0, 2.004, 1.287, 0.030, 1.970),
        (8, 2.847, 0.820, 0.9650, 0.373, 0.136, 1.864, 1.099, 0.185, 1.815),
        (10, 3.078, 0.797, 0.9727, 0.308, 0.223, 1.777, 0.975, 0.284, 1.716),
    ],
)
def test_constants_agree_with_the_table_to_its_last_digit(row):
    n, *printed = row
    found = chart_constants(n)
    ours = (found.d2, found.d3, found.c4, found.a2, *found.range_limits, found.a3, *found.deviation_limits)
    assert ours == pytest.approx(printed, abs=6e-4)
    assert found.c4 == pytest.approx(printed[2], abs=6e-5)


@pytest.mark.parametrize(
    ("n", "d2", "d3", "c4"),
    # Computed by numerical integration, no published figure of these digits.
    [(2, 1.12838, 0.85250, 0.797885), (5, 2.32593, 0.86408, 0.939986), (10, 3.07751, 0.79705, 0.972659)],
)
def test_constants_keep_their_digits(n, d2, d3, c4):
    found = chart_constants(n)
    assert (found.d2, found.d3) == pytest.approx((d2, d3), abs=6e-6)
    assert found.c4 == pytest.approx(c4, abs=6e-7)


def test_count_chart_agrees_with_the_handbook():
    # NIST/SEMATECH e-Handbook 6.3.3.1: centre 16, limits 4 and 28; point 24 is out, point 3 lies on the limit.
    counts = [16, 14, 28, 16, 12, 20, 10, 12, 10, 17, 19, 17, 14, 16, 15, 13, 14, 16, 11, 20, 11, 19, 16, 31, 13]
    found = count_limits(counts)
    assert (found.centre, found.lower, found.upper) == (16, 4, 28)
    assert found.beyond == (23,)


def test_share_chart_agrees_with_the_handbook():
    # NIST/SEMATECH e-Handbook 6.3.3.2, n = 50: centre .2313; points 15 and 23 are out.
    text = (
        ".24 .30 .16 .20 .08 .14 .32 .18 .28 .20 .10 .12 .34 .24 .44 .16 .20 .10 .26 .22 .40 .36 .48 .30 .18 .24 .14 "
        ".26 .18 .12"
    )
    found = share_limits([float(part) for part in text.split()], n=50)
    assert found.centre == pytest.approx(0.231333, abs=5e-7)
    assert (found.lower, found.upper) == pytest.approx((0.0524275, 0.4102391), abs=6e-8)
    assert found.beyond == (14, 22)


def test_single_readings_use_the_moving_range_of_two():
    found = individuals_limits([10.0, 12.0, 10.0, 12.0, 30.0])
    # Mean moving range (2 + 2 + 2 + 18) / 4 = 6; 2.6587 is E2 of two (computed).
    assert found.upper == pytest.approx(14.8 + 2.6587 * 6, abs=1e-3)
    assert found.beyond == ()
    assert individuals_limits([1.0, 1.0, 1.0]).beyond == ()


FLOW_RATES = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]


def test_the_chart_of_single_readings_agrees_with_the_handbook():
    # NIST/SEMATECH e-Handbook 6.3.2.2, flow rates (data and figures from memory): centre 50.81, mean moving range
    # 1.8778, limits 55.8041 and 45.8159, made with d2 rounded to 1.128; ours is 1.12838, hence 2e-3.
    found = individuals_limits(FLOW_RATES)
    assert found.centre == pytest.approx(50.81, abs=1e-9)
    assert (found.lower, found.upper) == pytest.approx((45.8159, 55.8041), abs=2e-3)
    assert found.beyond == ()
    moving = moving_range_limits(FLOW_RATES)
    assert moving.centre == pytest.approx(1.8778, abs=5e-5)
    # E2 = 2.66 and D4 = 3.267: the table's constants for two (Table A.22), rounded to three places.
    assert found.upper - found.centre == pytest.approx(2.66 * moving.centre, abs=3e-3)
    assert moving.upper == pytest.approx(3.267 * moving.centre, abs=2e-3)
    assert moving.lower == 0
    assert moving.beyond == ()


def test_a_jump_is_named_by_the_reading_that_ends_it():
    assert moving_range_limits([1.0, 1.1, 1.0, 1.1, 1.0, 1.1, 9.0, 8.9, 9.0, 8.9]).beyond == (6,)


def test_subgroup_means_use_the_mean_range():
    found = mean_limits([[1.0, 3.0], [2.0, 4.0], [1.0, 5.0]])
    assert found.centre == pytest.approx(8 / 3)
    assert found.upper - found.centre == pytest.approx(1.880 * 8 / 3, abs=2e-3)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: count_limits([]), "at least one"),
        (lambda: count_limits([1.5]), "whole number"),
        (lambda: share_limits([1.2], n=5), "between 0 and 1"),
        (lambda: mean_limits([[1, 2], [1, 2, 3]]), "equally large"),
        (lambda: chart_constants(1), "not less than 2"),
        (lambda: chart_constants(101), "at most 100"),
    ],
)
def test_refuses_what_makes_no_chart(call, message):
    with pytest.raises(ValueError, match=message):
        call()
