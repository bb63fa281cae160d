import pytest
from hypothesis import given
from hypothesis import strategies as st

from cornerrun.bench.simulated.output import FollowingOutput, MovedOutput


def test_the_past_of_an_output_can_still_be_read() -> None:
    output = MovedOutput(1.0)
    output.go(1.0, 2.0, time_constant_s=0.0, slew_v_per_s=10.0)
    output.go(1.05, 1.0, time_constant_s=0.0, slew_v_per_s=10.0)
    assert output.voltage_v(0.5) == 1.0
    assert output.voltage_v(1.02) == pytest.approx(1.2)
    assert output.voltage_v(1.07) == pytest.approx(1.3)
    assert output.voltage_v(9.0) == 1.0


def test_a_mean_runs_over_several_moves() -> None:
    output = MovedOutput(1.0)
    output.go(1.0, 2.0, time_constant_s=0.0, slew_v_per_s=10.0)
    output.go(1.1, 1.0, time_constant_s=0.0, slew_v_per_s=10.0)
    # 0.1 s at 1 V, a triangle of 0.2 s with its top at 2 V, 0.1 s at 1 V again.
    assert output.mean_v(0.9, 1.3) == pytest.approx((0.1 * 1.0 + 0.2 * 1.5 + 0.1 * 1.0) / 0.4)


def test_a_mean_over_no_time_is_the_voltage() -> None:
    output = MovedOutput(1.0)
    output.go(1.0, 2.0, time_constant_s=0.1)
    assert output.mean_v(1.1, 1.1) == output.voltage_v(1.1)


@given(
    st.lists(st.floats(min_value=0.0, max_value=2.0), min_size=1, max_size=100), st.floats(min_value=0.0, max_value=9.0)
)
def test_a_mean_lies_between_the_extremes_whatever_the_history(ends: list[float], from_s: float) -> None:
    output = MovedOutput(1.0)
    for index, end_v in enumerate(ends):
        output.go(index * 0.1, end_v, time_constant_s=0.01)
    mean_v = output.mean_v(from_s, from_s + 0.37)
    assert min(1.0, *ends) - 1e-9 <= mean_v <= max(1.0, *ends) + 1e-9


def test_a_following_output_keeps_its_ratio_at_every_instant() -> None:
    leader = MovedOutput(1.2)
    follower = FollowingOutput(leader, ratio=0.5, gain_error_ratio=0.0, offset_error_v=0.001)
    leader.go(1.0, 1.26, time_constant_s=0.01)
    assert follower.voltage_v(1.005) == pytest.approx(0.5 * leader.voltage_v(1.005) + 0.001)
    assert follower.mean_v(1.0, 1.02) == pytest.approx(0.5 * leader.mean_v(1.0, 1.02) + 0.001)
    assert follower.end_v() == pytest.approx(0.631)
    crossed_s = follower.crosses_at_s(0.62)
    assert crossed_s is not None
    assert follower.voltage_v(crossed_s) == pytest.approx(0.62)


def test_listeners_of_a_follower_hear_of_its_leader() -> None:
    leader = MovedOutput(1.2)
    follower = FollowingOutput(leader, ratio=0.5, gain_error_ratio=0.0, offset_error_v=0.0)
    heard: list[float] = []
    follower.listen(heard.append)
    leader.go(3.0, 1.0, time_constant_s=0.01)
    assert heard == [3.0]
