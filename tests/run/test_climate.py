"""Conditions: outermost first, settled before the next, released at the end whatever happens."""

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


def _climate(rig: Rig, **conditions: FakeCondition) -> Climate:
    journal = Journal(rig.clock, rig)
    supervisor = Supervisor(
        plan=rig.plan, power=rig.board, faults=rig.board, clock=rig.clock, period_s=1.0, journal=journal
    )
    return Climate(conditions=conditions, supervisor=supervisor, clock=rig.clock, journal=journal)


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
    with pytest.raises(InstrumentError, match="ambient: not at 60 after 4 h"):
        climate.reach((HOT,))
    assert climate.needs((HOT,))


def test_one_that_cannot_be_released_does_not_stop_the_others():
    rig = Rig()
    ambient = FakeCondition(rig, "ambient")
    ambient.fails_to_release = True
    _climate(rig, ambient=ambient, input=FakeCondition(rig, "input")).release()
    assert ("input release",) in rig.log
    assert "chamber does not answer" in rig.told[0].text


class ConditionedRig(Rig):
    def __init__(self) -> None:
        super().__init__(
            a_plan(
                schemes=(AllRails(levels=("high", "low")),),
                controls=ControlPoints(),
                conditions=(PlannedCondition(name="ambient", unit="degC", levels={"cold": 0.0, "hot": 60.0}),),
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
