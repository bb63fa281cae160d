"""Two signs of life, fed by hand: no process, no clock."""

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from cornerrun.run.guardian_signs import BEAT_S, BUS_STEP_S, SILENCE_S, Signs


def test_beats_in_time_with_a_lease_are_no_trouble():
    signs = Signs(0.0)
    for beat in range(1, 100):
        at_s = beat * BEAT_S
        assert signs.trouble(at_s) == ""
        signs.beat(at_s, at_s, at_s)


def test_silence_is_trouble_once_it_lasts_longer_than_allowed():
    signs = Signs(0.0)
    signs.beat(1.0, 1.0, 1.0)
    assert signs.trouble(1.0 + SILENCE_S) == ""
    assert "no sign of life of the runner for 0.51 s" in signs.trouble(1.0 + SILENCE_S + 0.01)


def test_a_main_thread_that_is_overdue_for_three_beats_is_trouble():
    signs = Signs(1.5)
    lease_s = 1.0
    for number in range(3):
        assert signs.trouble(1.6 + number * BEAT_S) == ""
        sent_s = 1.6 + number * BEAT_S
        signs.beat(sent_s, sent_s, lease_s)
    assert "main thread is 0.80 s overdue" in signs.trouble(1.85)


def test_a_lease_that_is_renewed_in_time_starts_anew():
    signs = Signs(0.0)
    for sent_s, lease_s in ((1.6, 1.0), (1.7, 1.0), (1.8, 1.8), (1.9, 1.0), (2.0, 1.0)):
        signs.beat(sent_s, sent_s, lease_s)
    assert signs.trouble(2.0) == ""


def test_a_board_at_its_end_waits_for_no_main_thread_but_silence_still_counts():
    signs = Signs(0.0)
    signs.is_at_rest = True
    for number in range(100):
        signs.beat(number * BEAT_S, number * BEAT_S, 0.0)
    assert signs.trouble(99 * BEAT_S) == ""
    assert "no sign of life" in signs.trouble(99 * BEAT_S + 1.0)


@example(leases=[0.0] * 6, delays_s=[0.12677814357331027, SILENCE_S - BEAT_S])  # the last moment, by a rounded clock
@given(
    leases=st.lists(st.floats(min_value=-BUS_STEP_S, max_value=600.0), min_size=1),
    delays_s=st.lists(st.floats(min_value=0.0, max_value=SILENCE_S - BEAT_S), min_size=1),
)
def test_whoever_keeps_both_signs_is_never_killed(leases, delays_s):
    signs, now_s = Signs(0.0), 0.0
    for place, lease in enumerate(leases):
        now_s += BEAT_S + delays_s[place % len(delays_s)]
        assert signs.trouble(now_s) == ""
        signs.beat(now_s, now_s, now_s + lease)


def test_it_is_asked_again_before_silence_can_be_missed():
    signs = Signs(0.0)
    signs.beat(5.0, 5.0, 5.0)
    assert signs.trouble(5.0 + signs.wait_s(5.0)) != ""
    assert signs.wait_s(100.0) == pytest.approx(0.001)
