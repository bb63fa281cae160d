"""Looking at a board, and holding it at a corner."""

import pytest
from fake_bench import Rig, a_plan

from cornerrun.corners.select import select
from cornerrun.errors import UsageError
from cornerrun.plan.model import Check, Criteria, Screen
from cornerrun.results.records import EndState, Outcome, RunResult
from cornerrun.run.guarded import UNGUARDED
from cornerrun.run.hold import go_to, measure


def _corner(rig: Rig, name: str):
    return next(corner for corner in select(rig.plan).corners if corner.name == name)


def _hold(rig: Rig, name: str = "all high", hold_s: float = 600.0):
    return go_to(
        rig.plan,
        rig.bench_file,
        rig.ports,
        rig.store,
        rig.clock,
        guardian=UNGUARDED,
        corner=_corner(rig, name),
        hold_s=hold_s,
        serial="7",
    )


def test_measure_reads_everything_once_and_moves_nothing():
    rig = Rig()
    readings = measure(rig.plan, rig.bench_file, rig.ports, rig.clock)
    assert [(reading.rail, reading.outcome) for reading in readings] == [
        ("CORE", Outcome.PASS),
        ("DDR", Outcome.PASS),
        ("IO", Outcome.PASS),
    ]
    assert readings[0].reference_v == pytest.approx(0.85)
    assert readings[0].current_a == 1.0
    assert {name for name, *_ in rig.log} == {"connect", "meter", "read", "fetch"}


def test_measure_reports_a_voltage_beyond_a_limit_as_a_reading():
    rig = Rig()
    rig.clock.sleep_until(1.0)
    rig.board.outputs["CORE"].error_ratio = 0.2
    readings = measure(rig.plan, rig.bench_file, rig.ports, rig.clock)
    assert readings[0].outcome is Outcome.FAIL_VOLTAGE
    assert rig.board.is_on


def test_goto_holds_watched_and_comes_back():
    rig = Rig()
    end = _hold(rig)
    assert (end.result, end.end_state, end.exit_code) == (RunResult.PASS, EndState.NOMINAL, 0)
    (record,) = rig.store.visits
    assert record.visit.phase_s["hold"] == pytest.approx(600.0, abs=0.1)
    held = [one for one in record.watched if one.during == "hold"]
    assert all(one.samples >= 5900 for one in held)
    assert rig.board.is_at_nominal
    assert rig.store.run.title.startswith("hold at all high")


def test_goto_stores_its_way_back_before_it_moves():
    rig = Rig()
    _hold(rig)
    names = [name for name, *_ in rig.log]
    assert names.index("store begin") < names.index("store intend") < names.index("move")


def test_goto_runs_no_checks_and_asks_for_no_accuracy():
    plan = a_plan(
        checks=(Check(name="march", python="x.py:f"),),
        criteria=Criteria(checks=Screen(failures=0), trim_claim_ratio=0.0025),
    )
    rig = Rig(plan)
    assert _hold(rig, hold_s=1.0).exit_code == 0


def test_a_stop_during_the_hold_brings_the_board_back():
    rig = Rig()
    rig.at("read", 50, lambda board: board.clock.stop.request("interrupted"))
    end = _hold(rig)
    assert (end.end_state, end.exit_code) == (EndState.NOMINAL, 130)
    assert rig.board.is_at_nominal
    assert rig.clock.now_s() < 60


@pytest.mark.parametrize("hold_s", [0.0, -1.0, float("nan")])
def test_a_hold_of_no_time_is_refused(hold_s):
    with pytest.raises(UsageError, match="--hold"):
        _hold(Rig(), hold_s=hold_s)
