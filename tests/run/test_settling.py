"""Settling: close, stable and fresh, on times and readings alone."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cornerrun.run.settling import Detector, State


def _detector(**changes: float) -> Detector:
    settings = {"target_v": 1.0, "band_v": 0.005, "stable_for_s": 0.06, "timeout_s": 2.0, "scan_s": 0.02}
    return Detector(**(settings | changes))


def _run(detector: Detector, reading_at, *, until_s: float = 10.0) -> float:
    """Feed a response at the instants that the detector asks for; return when it decided."""
    at_s = detector.next_at()
    while detector.feed(at_s, reading_at(at_s)) is State.WAITING:
        assert at_s < until_s, "the detector never decides"
        assert detector.next_at() > at_s
        at_s = detector.next_at()
    return at_s


def test_settles_only_after_the_full_hold():
    detector = _detector()
    assert detector.feed(0.02, 1.0) is State.WAITING
    assert detector.feed(0.04, 1.0) is State.WAITING
    assert detector.feed(0.06, 1.0) is State.WAITING
    assert detector.feed(0.08, 1.0) is State.SETTLED
    assert detector.settle_s == pytest.approx(0.02, abs=1e-12)


def test_needs_three_readings_even_if_two_span_the_hold():
    detector = _detector(stable_for_s=0.02)
    assert detector.feed(0.02, 1.0) is State.WAITING
    assert detector.feed(0.06, 1.0) is State.WAITING
    assert detector.feed(0.08, 1.0) is State.SETTLED


def test_a_reading_before_the_first_full_scan_does_not_count():
    detector = _detector(stable_for_s=0.0)
    detector.feed(0.019, 1.0)
    assert detector.samples == 0


def test_readings_of_one_conversion_count_once():
    detector = _detector(stable_for_s=0.0)
    for at_s in (0.020, 0.025, 0.030, 0.0399):
        assert detector.feed(at_s, 1.0) is State.WAITING
    assert detector.samples == 1


def test_leaving_the_band_starts_the_hold_again():
    detector = _detector()
    detector.feed(0.02, 1.0)
    detector.feed(0.04, 1.0)
    detector.feed(0.06, 1.0051)
    detector.feed(0.08, 1.0)
    detector.feed(0.10, 1.0)
    assert detector.feed(0.12, 1.0) is State.WAITING
    assert detector.feed(0.14, 1.0) is State.SETTLED
    assert detector.settle_s == pytest.approx(0.08)


def test_the_edge_of_the_band_is_inside():
    detector = _detector(target_v=1.0, band_v=0.5, stable_for_s=0.0)
    for at_s in (0.02, 0.04, 0.06):
        detector.feed(at_s, 1.5)
    assert detector.state is State.SETTLED


def test_a_time_out_is_an_outcome_and_stays():
    detector = _detector(timeout_s=0.1)
    assert detector.feed(0.1, 0.9) is State.WAITING
    assert detector.feed(0.1001, 0.9) is State.TIMED_OUT
    assert detector.feed(0.2, 1.0) is State.TIMED_OUT


def test_a_stale_reading_after_the_deadline_still_times_out():
    detector = _detector(timeout_s=0.03, scan_s=0.02)
    detector.feed(0.02, 1.0)
    assert detector.feed(0.031, 1.0) is State.TIMED_OUT


def test_no_number_is_never_inside_the_band():
    detector = _detector(timeout_s=0.2)
    for step in range(1, 12):
        detector.feed(0.02 * step, math.nan)
    assert detector.state is State.TIMED_OUT


def test_asks_for_three_readings_of_a_quiet_rail_and_no_more():
    detector = _detector(stable_for_s=0.06, scan_s=0.02)
    asked = []

    def quiet(at_s: float) -> float:
        asked.append(at_s)
        return 1.0

    assert _run(detector, quiet) == pytest.approx(0.08)
    assert len(asked) == 3


@pytest.mark.parametrize(
    ("response", "stands_still"),
    [
        (lambda at_s: 0.97, True),
        (lambda at_s: 0.97 + 0.0002 * math.sin(1000 * at_s), True),
        (lambda at_s: 0.5 + 0.1 * at_s, False),
        (lambda at_s: 1.0 - 0.05 * math.exp(-at_s / 3.0), False),
        (lambda at_s: 0.97 + 0.02 * math.sin(40 * at_s), False),
        (lambda at_s: math.nan, False),
    ],
    ids=["clamped", "clamped with noise", "ramp", "slow approach", "oscillation", "no number"],
)
def test_a_rail_that_stands_still_elsewhere_is_told_from_one_that_moves(response, stands_still):
    detector = _detector(timeout_s=1.0)
    _run(detector, response)
    assert detector.state is State.TIMED_OUT
    assert detector.is_stable_elsewhere() == stands_still


@pytest.mark.parametrize(
    ("tolerance", "time_constants"),
    # t/tau = -ln(tolerance); identity, Published check values 12A1: 0.1 % = 6.907755.
    [(0.1, 2.302585), (0.05, 2.995732), (0.02, 3.912023), (0.01, 4.605170), (0.001, 6.907755), (0.0001, 9.210340)],
)
def test_finds_the_settling_time_of_a_first_order_step(tolerance, time_constants):
    tau_s, scan_s = 0.05, 0.0005
    detector = _detector(target_v=1.0, band_v=tolerance, scan_s=scan_s, stable_for_s=0.01)
    _run(detector, lambda at_s: 1.0 - math.exp(-at_s / tau_s))
    # It can only be seen at a conversion, so it comes out late by up to one scan and never early.
    assert time_constants * tau_s - 1e-8 <= detector.settle_s <= time_constants * tau_s + scan_s


@pytest.mark.parametrize(
    "changes", [{"band_v": 0.0}, {"band_v": -1.0}, {"timeout_s": 0.0}, {"stable_for_s": -0.1}, {"band_v": math.nan}]
)
def test_refuses_settings_that_mean_nothing(changes):
    with pytest.raises(ValueError, match="must be positive"):
        _detector(**changes)


@given(
    readings=st.lists(st.tuples(st.floats(1e-4, 0.1), st.sampled_from([0.98, 0.996, 1.0, 1.004])), max_size=60),
    hold_s=st.floats(0.0, 0.2),
    scan_s=st.floats(1e-3, 0.05),
)
def test_settles_at_the_first_reading_that_ends_a_fresh_stay_as_long_as_the_hold(readings, hold_s, scan_s):
    detector = _detector(stable_for_s=hold_s, scan_s=scan_s, timeout_s=100.0)
    at_s, due_s, stay = 0.0, scan_s, []
    for gap_s, reading_v in readings:
        at_s += gap_s
        if at_s >= due_s - 1e-9:
            due_s = at_s + scan_s
            stay = [*stay, at_s] if abs(reading_v - 1.0) <= 0.005 else []
        has_settled = len(stay) >= 3 and stay[-1] - stay[0] >= hold_s - 1e-9
        assert (detector.feed(at_s, reading_v) is State.SETTLED) == has_settled
        if has_settled:
            assert detector.settle_s == stay[0]
            return


@given(
    final_v=st.floats(0.5, 1.5),
    tau_s=st.floats(1e-3, 0.5),
    hold_s=st.floats(0.0, 0.3),
    timeout_s=st.floats(0.05, 3.0),
    scan_s=st.floats(2e-3, 0.1),
)
def test_polling_when_asked_always_ends_soon_after_the_deadline(final_v, tau_s, hold_s, timeout_s, scan_s):
    detector = _detector(stable_for_s=hold_s, timeout_s=timeout_s, scan_s=scan_s)
    decided_s = _run(detector, lambda at_s: final_v + (0.8 - final_v) * math.exp(-at_s / tau_s))
    assert decided_s <= timeout_s + scan_s + hold_s + 1e-6
    if abs(final_v - 1.0) > 0.005 and abs(0.8 - 1.0) > 0.005 and (final_v - 1.0) * (0.8 - 1.0) > 0:
        assert detector.state is State.TIMED_OUT


def test_keeps_the_fresh_readings_as_seconds_since_the_command():
    detector = Detector(target_v=1.0, band_v=0.01, stable_for_s=0.0, timeout_s=9.0, scan_s=0.5, commanded_at_s=100.0)
    for at_s, reading_v in ((100.1, 0.5), (100.5, 0.9), (100.6, 0.95), (101.0, 1.0)):
        detector.feed(at_s, reading_v)
    assert detector.trace == ((0.5, 0.9), (1.0, 1.0))


def test_a_long_way_is_thinned_but_keeps_its_first_and_last_reading():
    detector = Detector(target_v=1.0, band_v=0.01, stable_for_s=0.0, timeout_s=1e6, scan_s=1.0)
    for at_s in range(1, 2001):
        detector.feed(float(at_s), 0.5)
    times = [at_s for at_s, _ in detector.trace]
    assert times[0] == 1.0
    assert times[-1] == 2000.0
    assert len(times) < 300
    assert times == sorted(times)
