"""Conditions: outermost first, settled before the next, released at the end whatever happens."""

from dataclasses import replace
from types import MappingProxyType

import pytest
from fake_bench import Rig, a_plan

from cornerrun.bench.ports import BenchPorts
from cornerrun.corners.model import ConditionLevel
from cornerrun.errors import BenchError, InstrumentError
from cornerrun.plan.model import AllRails, ControlPoints
from cornerrun.plan.model import Condition as PlannedCondition
from cornerrun.results.records import Outcome
from cornerrun.run.climate import Climate
from cornerrun.run.journal import Journal
from cornerrun.run.supervisor import Supervisor


class FakeCondition:
    def __init__(self, rig: Rig, name: str, settle_s: float = 30.0) -> None:
        self._rig, self._name, self._settle_s = rig, name, settle_s
        self._since_s, self.target = 0.0, 25.0
        self.fails_to_release = False

    def start(self, target: float) -> None:
        self._rig.log.append((f"{self._name} start", target))
        self._since_s, self.target = self._rig.clock.now_s(), target

    def read(self) -> float:
        return self.target

    def has_settled(self) -> bool:
        return self._rig.clock.now_s() >= self._since_s + self._settle_s

    def release(self) -> None:
        self._rig.log.append((f"{self._name} release",))
        if self.fails_to_release:
            raise BenchError("chamber does not answer")


def _climate(rig: Rig, planned=MappingProxyType({}), **conditions: FakeCondition) -> Climate:
    journal = Journal(rig.clock, rig)
    supervisor = Supervisor(
        plan=rig.plan, power=rig.board, faults=rig.board, clock=rig.clock, period_s=1.0, journal=journal
    )
    around = [
        PlannedCondition(name=name, unit="degC" if name == "ambient" else "V", levels={}, **planned.get(name, {}))
        for name in conditions
    ]
    return Climate(
        plan=replace(rig.plan, conditions=tuple(around)),
        drivers=conditions,
        supervisor=supervisor,
        clock=rig.clock,
        journal=journal,
        levels={},
    )


HOT = ConditionLevel(condition="ambient", level="hot", value=60.0)
LOW = ConditionLevel(condition="input", level="low", value=10.8)


def test_sets_the_outermost_first_and_waits_watching():
    rig = Rig()
    climate = _climate(rig, ambient=FakeCondition(rig, "ambient"), input=FakeCondition(rig, "input", 1.0))
    assert climate.needs((HOT, LOW))
    climate.reach((HOT, LOW))
    starts = [entry for entry in rig.log if entry[0].endswith("start")]
    assert starts == [("ambient start", 60.0), ("input start", 10.8)]
    assert rig.clock.now_s() >= 31.0
    assert rig.board.counts["read"] >= 30
    assert not climate.needs((HOT, LOW))


def test_sets_only_what_changes():
    rig = Rig()
    climate = _climate(rig, ambient=FakeCondition(rig, "ambient"), input=FakeCondition(rig, "input"))
    climate.reach((HOT, LOW))
    climate.reach((HOT, ConditionLevel(condition="input", level="high", value=13.2)))
    assert [entry[1] for entry in rig.log if entry[0] == "ambient start"] == [60.0]


def test_a_condition_that_never_settles_is_instrument_trouble():
    rig = Rig()
    climate = _climate(rig, ambient=FakeCondition(rig, "ambient", 1e9))
    with pytest.raises(InstrumentError, match="ambient: not at 60 degC after 4 h"):
        climate.reach((HOT,))
    assert climate.needs((HOT,))


def test_one_that_cannot_be_released_does_not_stop_the_others():
    rig = Rig()
    ambient = FakeCondition(rig, "ambient")
    ambient.fails_to_release = True
    _climate(rig, ambient=ambient, input=FakeCondition(rig, "input")).release()
    assert ("input release",) in rig.log
    assert "chamber does not answer" in rig.told[0].text


def test_rest_is_reached_innermost_first_and_what_has_none_is_only_released():
    rig = Rig()
    planned = {"ambient": {"rest": 25.0, "dew_point_degc": 11.0}}
    ambient, supply = FakeCondition(rig, "ambient"), FakeCondition(rig, "input")
    climate = _climate(rig, planned, ambient=ambient, input=supply)
    assert not climate.must_rest
    climate.reach((HOT, LOW))
    assert climate.must_rest
    climate.take_changes()
    began_s = rig.clock.now_s()
    climate.rest()
    assert rig.clock.now_s() - began_s >= 30.0
    assert (ambient.target, supply.target) == (25.0, 10.8)
    (change,) = climate.take_changes()
    assert (change.condition, change.level, change.target, change.came_from) == ("ambient", "", 25.0, 60.0)
    assert "ambient was brought from hot to rest at 25 degC, the dew point is 11 degC" in rig.told[-1].text
    assert not climate.must_rest


def test_a_condition_that_stands_at_its_rest_is_left_there():
    rig = Rig()
    climate = _climate(rig, {"ambient": {"rest": 60.0}}, ambient=FakeCondition(rig, "ambient"))
    climate.reach((HOT,))
    assert not climate.must_rest


def test_a_board_that_is_left_cold_is_no_secret():
    rig = Rig()
    planned = {"ambient": {"rest": 25.0, "dew_point_degc": 11.0}}
    climate = _climate(rig, planned, ambient=FakeCondition(rig, "ambient"))
    climate.reach((ConditionLevel(condition="ambient", level="cold", value=-20.0),))
    climate.release()
    assert "leave the chamber shut until the board is warmer" in rig.told[-1].text


class ConditionedRig(Rig):
    def __init__(self, **around) -> None:
        ambient = PlannedCondition(name="ambient", unit="degC", levels={"cold": 0.0, "hot": 60.0}, **around)
        super().__init__(
            a_plan(
                schemes=(AllRails(levels=("high", "low")),),
                controls=ControlPoints(),
                conditions=(ambient,),
            )
        )
        self.ambient = FakeCondition(self, "ambient")

    @property
    def ports(self) -> BenchPorts:
        ports = super().ports
        return BenchPorts(**{**vars(ports), "conditions": {"ambient": self.ambient}})


def test_conditions_change_while_the_rails_rest_and_are_released_at_the_end():
    rig = ConditionedRig()
    end = rig.run()
    assert end.exit_code == 0
    away = False
    for name, *details in rig.log:
        if name == "move":
            away = any(level != "nominal" for _, level in details[0])
        assert not (name == "ambient start" and away)
    assert [details[0] for name, *details in rig.log if name == "ambient start"] == [0.0, 60.0]
    assert ("ambient release",) in rig.log
    assert {record.visit.conditions["ambient"] for record in rig.store.visits} == {0.0, 60.0}


def test_a_stop_while_a_chamber_moves_releases_it():
    rig = ConditionedRig()
    rig.at("read", 20, lambda board: board.clock.stop.request("interrupted"))
    end = rig.run()
    assert end.exit_code == 130
    assert ("ambient release",) in rig.log
    assert rig.store.visits[-1].visit.outcome is Outcome.ABORTED


def test_the_board_rests_at_nominal_and_is_watched_while_conditions_go_to_rest():
    rig = ConditionedRig(rest=25.0)
    end = rig.run()
    assert end.exit_code == 0
    assert [details[0] for name, *details in rig.log if name == "ambient start"] == [0.0, 60.0, 25.0]
    assert [change.target for change in rig.store.changes] == [25.0]
    names = [name for name, *_ in rig.log]
    assert names.index("ambient release") > max(i for i, name in enumerate(names) if name == "ambient start")
    assert [change.target for record in rig.store.visits for change in record.changes] == [0.0, 60.0]


def test_a_stop_on_the_way_to_rest_ends_the_run_at_nominal():
    rig = ConditionedRig(rest=25.0)
    rig.run()
    reads = rig.board.counts["read"]
    again = ConditionedRig(rest=25.0)
    again.at("read", reads - 10, lambda board: board.clock.stop.request("interrupted"))
    end = again.run()
    assert end.exit_code == 130
    assert [details[0] for name, *details in again.log if name == "ambient start"][-1] == 25.0
    assert len(again.store.visits) == len(rig.store.visits)
    assert ("ambient release",) in again.log


def test_a_run_that_a_fault_ended_leaves_its_conditions_at_once():
    rig = ConditionedRig(rest=25.0)
    rig.at("read", 20, lambda board: board.clock.stop.request("interrupted"))
    rig.run()
    assert 25.0 not in [details[0] for name, *details in rig.log if name == "ambient start"]
    assert rig.store.changes == []
