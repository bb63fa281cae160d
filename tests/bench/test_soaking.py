import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cornerrun.bench.soaking import Nearness, Soak
from cornerrun.plan.bench_file import SoakUntil

UNTIL = SoakUntil(sensor="instrument", window_k=0.5, slope_k_per_s=0.01, time_s=60.0)


def test_near_counts_from_the_first_reading_of_an_unbroken_row() -> None:
    nearness = Nearness(target=60.0, within=1.0, hold_s=10.0)
    row = [(0.0, 60.5), (9.0, 60.5), (10.0, 61.5), (11.0, 60.9), (20.9, 60.0), (21.0, 60.0)]
    assert [nearness.feed(*reading) for reading in row] == [False, False, False, False, False, True]


def test_what_is_no_number_is_never_near() -> None:
    assert not Nearness(target=0.0, within=math.inf, hold_s=0.0).feed(0.0, math.nan)


def test_no_hold_means_at_once() -> None:
    assert Nearness(target=1.0, within=0.1, hold_s=0.0).feed(5.0, 1.1 - 1e-9)


def test_a_soak_needs_its_whole_time_and_three_readings() -> None:
    soak = Soak(UNTIL)
    assert not soak.feed(0.0, 40.0)
    assert not soak.feed(59.0, 40.0)
    assert soak.feed(60.0, 40.0)
    two = Soak(UNTIL)
    assert not two.feed(0.0, 40.0)
    assert not two.feed(60.0, 40.0)


def test_a_sensor_that_still_moves_has_not_soaked_even_inside_the_window() -> None:
    soak = Soak(SoakUntil(sensor="instrument", window_k=5.0, slope_k_per_s=0.01, time_s=60.0))
    assert not any(soak.feed(float(second), 40.0 + 0.02 * second) for second in range(200))
    assert soak.slope_per_s() == pytest.approx(0.02)


def test_a_sensor_that_swings_has_not_soaked_though_its_slope_is_none() -> None:
    soak = Soak(UNTIL)
    assert not any(soak.feed(float(second), 40.0 + 0.4 * (-1) ** second) for second in range(200))


def test_it_soaks_once_the_movement_has_left_the_window() -> None:
    soak = Soak(UNTIL)
    first = next(s for s in range(1000) if soak.feed(float(s), min(40.0 + 0.1 * s, 60.0)))
    assert first == pytest.approx(200 + 60, abs=10)


@given(st.floats(min_value=-40, max_value=125), st.floats(min_value=0.1, max_value=30))
def test_a_still_sensor_soaks_in_the_time_asked_for_plus_a_poll(value: float, poll_s: float) -> None:
    soak, at_s = Soak(UNTIL), 0.0
    while not soak.feed(at_s, value):
        at_s += poll_s
        assert at_s <= UNTIL.time_s + 2 * poll_s
    assert at_s >= UNTIL.time_s - 1e-6
