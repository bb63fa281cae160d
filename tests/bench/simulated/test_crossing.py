import math

import pytest

from cornerrun.bench.simulated.crossing import first_crossing_s

MARKS = tuple(0.25 * number for number in range(40))


def test_finds_the_first_crossing_in_the_direction_that_was_asked_for() -> None:
    rising = first_crossing_s(math.sin, 0.5, MARKS, is_rising=True)
    falling = first_crossing_s(math.sin, 0.5, MARKS, is_rising=False)
    # sin x = 1/2 at pi/6 and 5 pi/6.
    assert rising == pytest.approx(math.pi / 6, abs=1e-12)
    assert falling == pytest.approx(5 * math.pi / 6, abs=1e-12)


def test_begins_where_the_marks_begin() -> None:
    assert first_crossing_s(math.sin, 0.5, MARKS[4:], is_rising=True) == pytest.approx(13 * math.pi / 6)


def test_at_the_time_that_it_tells_the_voltage_is_past_the_level() -> None:
    crossed_s = first_crossing_s(math.sin, 0.3, MARKS, is_rising=True)
    assert crossed_s is not None
    assert math.sin(crossed_s) > 0.3


def test_a_level_that_is_only_touched_is_not_crossed() -> None:
    assert first_crossing_s(lambda at_s: min(at_s, 1.0), 1.0, MARKS, is_rising=True) is None
    assert first_crossing_s(lambda at_s: 1.0, 1.0, MARKS, is_rising=False) is None
