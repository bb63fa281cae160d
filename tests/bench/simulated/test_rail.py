import itertools
import math
import statistics

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from cornerrun.bench.simulated.rail import achieved_v, begin_move, converted_v, noise, noise_key

volts = st.floats(min_value=-5.0, max_value=5.0)
time_constants = st.one_of(st.just(0.0), st.floats(min_value=1e-4, max_value=0.1))
slews = st.one_of(st.just(math.inf), st.floats(min_value=1.0, max_value=1e5))


# Identity t_s / tau = -ln(tolerance), check_values table 12A1 (computed from the identity).
@pytest.mark.parametrize(
    ("tolerance", "time_constants_due"),
    [
        (0.1, 2.302585),
        (0.05, 2.995732),
        (0.02, 3.912023),
        (0.01, 4.605170),
        (1e-3, 6.907755),
        (1e-4, 9.210340),
        (1e-5, 11.512925),
        (1e-6, 13.815511),
    ],
)
def test_settles_first_order_in_the_time_that_theory_asks(tolerance: float, time_constants_due: float) -> None:
    move = begin_move(start_s=1.0, start_v=0.0, end_v=1.0, time_constant_s=0.003)
    crossed_s = move.crosses_at_s(1.0 - tolerance)
    assert crossed_s is not None
    # 1e-6 relative: the printed table has seven digits.
    assert (crossed_s - 1.0) / 0.003 == pytest.approx(time_constants_due, rel=1e-6)


# Bits to settle in tau, (bits + 1) ln 2 for half a step is 6.24 at 8 bits; the table of TI SLYW038D is bits * ln 2.
@pytest.mark.parametrize(("bits", "time_constants_due"), [(8, 5.545), (10, 6.93), (12, 8.32), (14, 9.70), (18, 12.48)])
def test_settles_to_a_number_of_bits_as_published(bits: int, time_constants_due: float) -> None:
    move = begin_move(start_s=0.0, start_v=2.0, end_v=1.0, time_constant_s=1.0)
    crossed_s = move.crosses_at_s(1.0 + 2.0**-bits)
    # Source: TI SLYW038D (check_values 12A2), printed to two or three decimals.
    assert crossed_s == pytest.approx(time_constants_due, abs=0.006)


def test_a_slew_limit_makes_a_straight_line_until_the_lag_is_slow_enough() -> None:
    move = begin_move(start_s=0.0, start_v=0.0, end_v=1.0, time_constant_s=0.01, slew_v_per_s=20.0)
    # From there the distance left, 0.2 V, over the time constant asks for exactly the slew.
    assert move.bend_v == pytest.approx(0.8)
    assert move.bend_s == pytest.approx(0.04)
    assert move.voltage_v(0.02) == pytest.approx(0.4)
    assert move.voltage_v(0.05) == pytest.approx(1.0 - 0.2 * math.exp(-1.0))


def test_without_a_lag_a_move_is_a_ramp_and_without_both_a_step() -> None:
    ramp = begin_move(start_s=0.0, start_v=1.0, end_v=0.0, time_constant_s=0.0, slew_v_per_s=10.0)
    assert ramp.voltage_v(0.05) == pytest.approx(0.5)
    assert ramp.voltage_v(0.1) == 0.0
    step = begin_move(start_s=0.0, start_v=1.0, end_v=0.0, time_constant_s=0.0)
    assert step.voltage_v(0.0) == 0.0
    assert step.voltage_v(-1e-9) == 1.0


@given(volts, volts, time_constants, slews, st.lists(st.floats(min_value=0.0, max_value=1.0), min_size=2, max_size=20))
def test_a_move_is_monotone_and_never_overshoots(
    start_v: float, end_v: float, time_constant_s: float, slew_v_per_s: float, times: list[float]
) -> None:
    move = begin_move(
        start_s=0.0, start_v=start_v, end_v=end_v, time_constant_s=time_constant_s, slew_v_per_s=slew_v_per_s
    )
    seen = [move.voltage_v(at_s) for at_s in sorted(times)]
    # 1e-12: a few rounding steps of numbers up to 5.
    assert all(min(start_v, end_v) - 1e-12 <= voltage_v <= max(start_v, end_v) + 1e-12 for voltage_v in seen)
    ordered = sorted(seen, reverse=end_v < start_v)
    assert seen == pytest.approx(ordered, abs=1e-12)


@given(volts, volts, time_constants, slews, st.floats(min_value=0.01, max_value=0.99))
def test_a_crossing_is_where_the_voltage_is_the_level(
    start_v: float, end_v: float, time_constant_s: float, slew_v_per_s: float, share: float
) -> None:
    assume(abs(end_v - start_v) > 1e-3)
    move = begin_move(
        start_s=2.0, start_v=start_v, end_v=end_v, time_constant_s=time_constant_s, slew_v_per_s=slew_v_per_s
    )
    level_v = start_v + share * (end_v - start_v)
    crossed_s = move.crosses_at_s(level_v)
    assert crossed_s is not None
    if time_constant_s or math.isfinite(slew_v_per_s):
        # 1e-6: a float's time near 2 s moves a voltage that slews at 1e5 V/s by less than that.
        assert move.voltage_v(crossed_s) == pytest.approx(level_v, abs=1e-6)


def test_a_level_beyond_the_end_or_behind_the_start_is_never_crossed() -> None:
    move = begin_move(start_s=0.0, start_v=0.0, end_v=1.0, time_constant_s=0.01)
    assert move.crosses_at_s(1.0) is None
    assert move.crosses_at_s(0.0) is None
    assert move.crosses_at_s(-0.1) is None


@given(volts, volts, time_constants, st.floats(min_value=1.0, max_value=1e3), st.floats(min_value=1e-4, max_value=0.2))
def test_the_integral_agrees_with_a_sum_of_many_points(
    start_v: float, end_v: float, time_constant_s: float, slew_v_per_s: float, span_s: float
) -> None:
    move = begin_move(
        start_s=0.0, start_v=start_v, end_v=end_v, time_constant_s=time_constant_s, slew_v_per_s=slew_v_per_s
    )
    count = 2000
    summed = sum(move.voltage_v((i + 0.5) * span_s / count) for i in range(count)) * span_s / count
    # The midpoint rule errs by at most step^2 / 24 times the curvature, and by a bend inside one step.
    assert move.integral_v_s(0.0, span_s) == pytest.approx(summed, abs=1e-5 * span_s + 1e-9)


def test_an_output_misses_its_setpoint_by_gain_and_offset() -> None:
    assert achieved_v(1.2, gain_error_ratio=0.001, offset_error_v=-0.002) == pytest.approx(1.1992)


def test_an_adc_reads_in_whole_steps_and_never_below_zero() -> None:
    read_v = converted_v(0.8512, noise_v=0.0, gain_error_ratio=0.0, offset_error_v=0.0, lsb_v=0.001)
    assert read_v == pytest.approx(0.851)
    assert converted_v(0.0, noise_v=-0.01, gain_error_ratio=0.0, offset_error_v=0.0, lsb_v=0.001) == 0.0


def test_quantisation_leaves_an_error_of_an_lsb_over_the_root_of_twelve() -> None:
    lsb_v = 2.0**-9
    errors = []
    for i in range(20000):
        voltage_v = 0.5 + i * 1.234567e-5
        read_v = converted_v(voltage_v, noise_v=0.0, gain_error_ratio=0.0, offset_error_v=0.0, lsb_v=lsb_v)
        errors.append(read_v - voltage_v)
    # Identity: a rectangular error of width LSB has the standard deviation LSB / sqrt(12); 0.564 mV at 2^-9 V.
    assert statistics.pstdev(errors) == pytest.approx(lsb_v / math.sqrt(12.0), rel=0.01)


def test_noise_is_a_function_of_seed_rail_and_conversion_only() -> None:
    key = noise_key(7, "VDD_CORE")
    forward = [noise(key, index) for index in range(50)]
    backward = [noise(key, index) for index in reversed(range(50))]
    assert forward == backward[::-1]
    assert noise(noise_key(8, "VDD_CORE"), 0) != forward[0]
    assert noise(noise_key(7, "VDDQ"), 0) != forward[0]


def test_noise_draws_the_same_on_every_machine() -> None:
    # Computed once, no published figure: a change of this number changes every simulated run.
    assert noise(noise_key(7, "VDD_CORE"), 3) == pytest.approx(-0.39779232585479, rel=1e-12)


def test_noise_is_standard_normal_and_white() -> None:
    drawn = [noise(noise_key(1, "A"), index) for index in range(20000)]
    # Five standard errors of 20000 draws: 5/sqrt(n) for mean and lag product, 5/sqrt(2n) for the deviation.
    assert abs(statistics.fmean(drawn)) < 0.036
    assert statistics.pstdev(drawn) == pytest.approx(1.0, abs=0.025)
    assert abs(statistics.fmean(a * b for a, b in itertools.pairwise(drawn))) < 0.036
    beyond = sum(abs(x) > 1.959964 for x in drawn) / len(drawn)
    assert beyond == pytest.approx(0.05, abs=0.0077)
