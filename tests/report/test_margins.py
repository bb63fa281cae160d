from itertools import chain

from invented_run import a_plan, good_visits
from large_run import a_large_plan, a_large_run

from cornerrun.report.margins import distances, worst_margins
from cornerrun.results.control import good_visits as not_void


def test_the_least_margins_of_every_rail_and_corner_are_those_of_all_readings():
    plan, data = a_large_plan(5), a_large_run(rails=5, corners=40)
    rails = {rail.name: rail for rail in plan.rails}
    visits = not_void(plan, data.visits)
    found = worst_margins(plan, visits, None, ())
    every = [
        (reading.rail, record.visit.corner, *pair)
        for record in visits
        for reading in record.readings
        if (pair := distances(rails[reading.rail], reading, plan.criteria.voltage_window_ratio)) is not None
    ]
    for name in rails:
        for limit, place in (("window", 2), ("hard limit", 3)):
            least = min(row[place].distance_v for row in every if row[0] == name)
            assert min(item.distance_v for item in found if (item.rail, item.limit) == (name, limit)) == least
    for corner in {row[1] for row in every}:
        least = min(row[2].ratio for row in every if row[1] == corner)
        assert min(i.distance_ratio for i in found if (i.corner, i.limit) == (corner, "window")) == least


def test_a_voltage_beyond_its_window_has_a_negative_distance_from_the_nearer_side():
    plan = a_plan()
    (core, *_) = plan.rails
    visits = good_visits(plan, truth=lambda rail, target_v, _: target_v * (1.03 if rail == "CORE" else 1))
    reading = next(item for item in visits[0].readings if item.rail == "CORE")
    window, hard_limit = distances(core, reading, plan.criteria.voltage_window_ratio)
    assert window.side == "high"
    assert window.distance_v < 0 < hard_limit.distance_v


def test_few_margins_are_kept_of_many_visits():
    plan = a_plan()
    visits = good_visits(plan)
    again = list(chain.from_iterable(visits for _ in range(50)))
    assert len(worst_margins(plan, again, None, ())) == len(worst_margins(plan, visits, None, ()))
