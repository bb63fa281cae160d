from dataclasses import replace

import pytest
from invented_run import a_plan, a_run_of, good_visits

from cornerrun.report.stress import rail_stress


def test_stress_counts_whole_visits_above_and_below_nominal_for_each_rail():
    plan = a_plan()
    data = a_run_of(good_visits(plan))
    core = rail_stress(plan, data)[0]
    at = {record.visit.ordinal: next(r.level for r in record.readings if r.rail == "CORE") for record in data.visits}
    high = sum(level == "high" for level in at.values())
    low = sum(level == "low" for level in at.values())
    assert (core.visits_above, core.visits_below) == (high, low)
    assert high
    assert low
    assert (core.above_s, core.below_s) == pytest.approx((0.75 * high, 0.75 * low))
    assert (core.highest_target_v, core.lowest_target_v) == pytest.approx((0.85 * 1.05, 0.85 * 0.95))


def test_rails_rest_while_conditions_move():
    plan = a_plan()
    data = a_run_of(good_visits(plan))
    slow = [
        replace(record, visit=replace(record.visit, end_s=record.visit.end_s + 600, phase_s={"condition": 600.0}))
        for record in data.visits
    ]
    assert rail_stress(plan, replace(data, visits=tuple(slow)))[0].above_s == pytest.approx(
        rail_stress(plan, data)[0].above_s
    )


def test_a_rail_that_never_moved_was_not_stressed():
    plan = a_plan()
    aux = rail_stress(plan, a_run_of(good_visits(plan)))[-1]
    assert (aux.rail, aux.above_s, aux.below_s, aux.highest_target_v) == ("AUX", 0.0, 0.0, 3.3)
