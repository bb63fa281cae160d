from dataclasses import replace

import pytest
from invented_run import METER, a_plan, a_visit, ideal

from cornerrun.corners.model import Corner, RailLevel, Step
from cornerrun.plan.trim_model import Declared, TrimSweep
from cornerrun.results.accuracy import trim_accuracy
from cornerrun.results.records import Outcome
from cornerrun.results.trim_readings import trim_readings

LEVELS = ("trim -1", "nominal", "trim +1")


def _plan(**sweep):
    plan = a_plan()
    rails = tuple(
        replace(rail, levels={**rail.levels, "trim -1": rail.nominal_v * 0.95, "trim +1": rail.nominal_v * 1.05})
        if len(rail.levels) > 1
        else rail
        for rail in plan.rails
    )
    trim = TrimSweep(rails=("CORE", "IO"), levels=LEVELS, repeats=2, together=True)
    return replace(plan, rails=rails, trim=replace(trim, **sweep))


def _visits(plan, names, *, truth=ideal, first=0):
    visits = []
    for i, name in enumerate(names, start=first):
        levels = tuple(RailLevel(rail=rail, level=name) for rail in ("CORE", "IO"))
        corner = Corner(name=name, levels=levels, scheme="trim")
        step = Step(ordinal=i, corner=corner, repeat=0, is_control=name == "nominal", moves=(), return_order=())
        visits.append(a_visit(plan, step, truth=truth))
    return visits


PASSES = ["nominal", *LEVELS, *reversed(LEVELS), *LEVELS, *reversed(LEVELS), "nominal"]


def _of(plan, visits, rail="CORE"):
    return trim_readings(plan, visits, frozenset(record.visit.ordinal for record in visits))[rail]


def test_a_level_off_nominal_is_always_reached_from_nominal_and_nominal_from_both_sides():
    plan = _plan()
    found = [(item.level, item.direction) for item in _of(plan, _visits(plan, PASSES)).readings]
    assert {direction for level, direction in found if level == "trim +1"} == {"up"}
    assert {direction for level, direction in found if level == "trim -1"} == {"down"}
    assert [direction for level, direction in found if level == "nominal"] == ["up", "down", "up", "down"]


def test_readings_of_the_characterisation_count_alone():
    plan = _plan()
    found = _of(plan, _visits(plan, ["nominal", "high", "low", *PASSES]))
    assert found.is_characterised
    assert len(found.readings) == 12
    assert found.others == 5
    assert {item.level for item in found.readings} == set(LEVELS)


def test_without_a_characterisation_every_settled_reading_counts():
    plan = a_plan()
    found = _of(plan, _visits(plan, ["nominal", "high", "low", "nominal"]))
    assert (found.is_characterised, len(found.readings), found.others) == (False, 4, 0)
    assert [item.direction for item in found.readings] == [None, "up", "down", "up"]


def test_readings_that_cannot_be_used_are_counted():
    plan = _plan()
    visits = _visits(plan, PASSES)
    bad = replace(visits[1].readings[0], outcome=Outcome.DISPUTED)
    visits[1] = replace(visits[1], readings=(bad, *visits[1].readings[1:]))
    found = _of(plan, visits)
    assert (found.excluded, len(found.readings)) == (1, 11)


def test_a_steady_drift_is_told_and_moves_neither_gain_nor_nominal_apart():
    plan = _plan()
    drift_v_per_visit = 2e-5

    def drifting(rail, target_v, ordinal):
        return target_v * 1.001 + drift_v_per_visit * ordinal

    accuracy = trim_accuracy(plan, _visits(plan, PASSES, truth=drifting), (METER,))
    core = next(item for item in accuracy if item.rail == "CORE")
    # Gain is what was planted, of setpoints that the register rounds.
    assert core.estimate.gain_error.estimate == pytest.approx(0.001, abs=2e-3)
    flat = trim_accuracy(plan, _visits(plan, PASSES, truth=lambda r, t, o: t * 1.001), (METER,))[0]
    assert core.estimate.gain_error.estimate == pytest.approx(flat.estimate.gain_error.estimate, abs=1e-9)
    # Twelve readings, one a visit: the last is eleven visits after the first. Told in full, and not subtracted.
    assert core.drift_v.estimate == pytest.approx(11 * drift_v_per_visit, rel=1e-6)
    assert core.estimate.offset_v.estimate > flat.estimate.offset_v.estimate + 5 * drift_v_per_visit


def test_declared_parts_widen_the_rails_that_they_are_declared_for():
    plain = trim_accuracy(_plan(), _visits(_plan(), PASSES), (METER,))
    plan = _plan(declared=(Declared(name="sense drop", half_width_v=1e-3, rails=("CORE",)),))
    core, io = trim_accuracy(plan, _visits(plan, PASSES), (METER,))[:2]
    # A rectangular part: half width over root three, times the normal factor.
    assert core.estimate.worst.expanded_v == pytest.approx(1.96e-3 / 3**0.5, rel=0.02)
    assert io.estimate.worst.expanded_v == plain[1].estimate.worst.expanded_v
    assert [c.name for c in core.estimate.budget.components] == ["repeatability", "meter", "sense drop"]


def test_a_rail_that_is_not_characterised_keeps_all_its_readings():
    plan = _plan()
    visits = _visits(plan, PASSES)
    still = [
        replace(
            record,
            readings=tuple(
                replace(r, level="nominal", target_v=1.8, setpoint_v=1.7998) if r.rail == "IO" else r
                for r in record.readings
            ),
        )
        for record in visits
    ]
    assert not _of(plan, still, "IO").is_characterised
    assert len(_of(plan, still, "IO").readings) == len(PASSES)
