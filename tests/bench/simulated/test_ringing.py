import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cornerrun.bench.simulated.crossing import first_crossing_s
from cornerrun.bench.simulated.ringing import Oscillator, RingMove, begin_ring_move

dampings = st.floats(min_value=0.05, max_value=5.0)
volts = st.floats(min_value=0.0, max_value=3.0)


def step(damping: float, *, slew_v_per_s: float = math.inf, slope_v_per_s: float = 0.0) -> RingMove:
    return begin_ring_move(
        start_s=0.0,
        start_v=0.0,
        slope_v_per_s=slope_v_per_s,
        from_v=0.0,
        end_v=1.0,
        oscillator=Oscillator(omega_per_s=1.0, damping=damping),
        slew_v_per_s=slew_v_per_s,
    )


def settled_s(move: RingMove, tolerance: float) -> float:
    """The last instant outside the band around the final value (definition 12A3 of the check values)."""
    marks = (0.0, *move.landmarks(0.0))
    last_s = 0.0
    for level_v, is_rising in ((1.0 - tolerance, True), (1.0 + tolerance, False)):
        for place in range(len(marks) - 1):
            crossed_s = first_crossing_s(move.voltage_v, level_v, marks[place : place + 2], is_rising=is_rising)
            last_s = max(last_s, crossed_s or 0.0)
    return last_s


# check_values 12A4 and 12A5: computed numerically on a grid of 1e-4, no published figure.
@pytest.mark.parametrize(
    ("damping", "tolerance", "due"),
    [
        (0.5, 0.02, 8.0764),
        (0.5, 0.01, 8.7806),
        (0.5, 0.001, 12.7017),
        (math.sqrt(0.5), 0.02, 5.9626),
        (math.sqrt(0.5), 0.01, 6.5865),
        (math.sqrt(0.5), 0.001, 10.2384),
        (1.0, 0.02, 5.834),
        (1.0, 0.01, 6.6384),
        (1.0, 0.001, 9.2335),
        (2.0, 0.02, 14.878),
        (2.0, 0.01, 17.4648),
        (2.0, 0.001, 26.0582),
    ],
)
def test_settles_second_order_in_the_time_that_theory_asks(damping: float, tolerance: float, due: float) -> None:
    # Two steps of the grid that the table was computed on; and 0.7071 there is the rounded root of a half.
    assert settled_s(step(damping), tolerance) == pytest.approx(due, abs=3e-4)


def test_overshoots_by_what_the_damping_says() -> None:
    # 12A4: 16.3034 %, from exp(-pi zeta / sqrt(1 - zeta^2)).
    move = step(0.5)
    peak_v = max(move.voltage_v(mark_s) for mark_s in move.landmarks(0.0))
    assert peak_v - 1.0 == pytest.approx(0.163034, abs=1e-6)


@given(st.floats(min_value=0.05, max_value=0.95))
def test_the_peak_comes_after_half_a_turn(damping: float) -> None:
    turn_s = math.pi / math.sqrt(1.0 - damping * damping)
    # A marginal overshoot lies below what is looked at: exp(-16) of the step.
    if turn_s * damping < 15.0:
        assert any(mark_s == pytest.approx(turn_s, rel=1e-9) for mark_s in step(damping).landmarks(0.0))


@given(dampings, st.one_of(st.just(math.inf), st.floats(min_value=0.01, max_value=10.0)), volts, volts)
def test_the_closed_form_satisfies_its_equation(damping: float, slew: float, start_v: float, end_v: float) -> None:
    move = begin_ring_move(
        start_s=2.0,
        start_v=start_v,
        slope_v_per_s=0.3,
        from_v=start_v,
        end_v=end_v,
        oscillator=Oscillator(omega_per_s=1.0, damping=damping),
        slew_v_per_s=slew,
    )
    step_s = 1e-3
    for at_s in (2.5, 3.7, 6.1, 11.3):
        if abs(at_s - move.bend_s) < 2 * step_s:
            continue
        before, now, after = (move.slope_v_per_s(at_s + shift) for shift in (-step_s, 0.0, step_s))
        bent = (after - before) / (2 * step_s)
        left = bent + 2.0 * damping * now + move.voltage_v(at_s) - move.reference_v(at_s)
        # The central difference errs by step^2 / 6 of the third derivative: about 1e-6 of the slopes here.
        assert left == pytest.approx(0.0, abs=2e-4 * (1.0 + damping**3) * (1.0 + abs(end_v - start_v)))


@given(dampings, st.one_of(st.just(math.inf), st.floats(min_value=0.05, max_value=5.0)), st.floats(0.1, 20.0))
def test_the_integral_agrees_with_a_sum_of_many_points(damping: float, slew: float, span_s: float) -> None:
    move = step(damping, slew_v_per_s=slew)
    count = 2000
    summed = math.fsum(move.voltage_v((i + 0.5) * span_s / count) for i in range(count)) * span_s / count
    # Midpoint rule: step^2 / 24 times the change of slope, which is of order one here.
    assert move.integral_v_s(0.0, span_s) == pytest.approx(summed, abs=1e-4)


@given(dampings, st.floats(min_value=0.05, max_value=5.0))
def test_voltage_and_slope_run_on_across_the_bend(damping: float, slew: float) -> None:
    move = step(damping, slew_v_per_s=slew)
    assert move.voltage_v(move.bend_s - 1e-9) == pytest.approx(move.voltage_v(move.bend_s), abs=1e-6)
    assert move.slope_v_per_s(move.bend_s - 1e-9) == pytest.approx(move.slope_v_per_s(move.bend_s), abs=1e-6)


def test_a_slow_reference_leaves_only_the_lag_of_a_ramp() -> None:
    # A linear system of second order follows a ramp behind by 2 zeta / omega times its slope.
    move = step(0.5, slew_v_per_s=0.01)
    assert move.reference_v(50.0) - move.voltage_v(50.0) == pytest.approx(2 * 0.5 / 1.0 * 0.01, rel=1e-6)


def test_it_rests_at_its_end_after_all() -> None:
    move = step(0.05)
    assert move.voltage_v(move.quiet_s) == 1.0
    assert move.slope_v_per_s(move.quiet_s + 1.0) == 0.0
