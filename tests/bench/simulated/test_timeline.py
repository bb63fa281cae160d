import math

from cornerrun.bench.simulated.timeline import Timeline


def test_carries_out_what_is_due_in_the_order_of_time() -> None:
    timeline, seen = Timeline(), list[float]()
    for at_s in (3.0, 1.0, 2.0):
        timeline.at(at_s, seen.append)
    assert timeline.next_s == 1.0
    timeline.run_until(2.5)
    assert seen == [1.0, 2.0]
    assert timeline.next_s == 3.0


def test_equal_times_keep_the_order_of_asking() -> None:
    timeline, seen = Timeline(), list[str]()
    timeline.at(1.0, lambda at_s: seen.append("first"))
    timeline.at(1.0, lambda at_s: seen.append("second"))
    timeline.run_until(1.0)
    assert seen == ["first", "second"]
    assert timeline.next_s == math.inf


def test_carries_out_what_an_event_brings_about_if_that_is_due_too() -> None:
    timeline, seen = Timeline(), list[float]()
    timeline.at(1.0, lambda at_s: timeline.at(at_s + 0.5, seen.append))
    timeline.run_until(2.0)
    assert seen == [1.5]
