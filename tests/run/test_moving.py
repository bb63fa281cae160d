"""Bursts and settling: who waits for whom, how often the bus is used."""

import pytest
from fake_bench import THREE, Rig, a_plan, a_rail

from cornerrun.corners.model import RailLevel
from cornerrun.errors import LinkError
from cornerrun.plan.model import NOMINAL, Tracks
from cornerrun.run.journal import Journal
from cornerrun.run.moving import Mover
from cornerrun.run.settling import State
from cornerrun.run.supervisor import Supervisor


def _mover(rig: Rig, period_s: float = 100.0) -> Mover:
    journal = Journal(rig.clock, rig)
    supervisor = Supervisor(
        plan=rig.plan, power=rig.board, faults=rig.board, clock=rig.clock, period_s=period_s, journal=journal
    )
    supervisor.tick()
    return Mover(plan=rig.plan, power=rig.board, supervisor=supervisor, clock=rig.clock, journal=journal)


def _burst(**levels: str) -> list[RailLevel]:
    return [RailLevel(rail=rail, level=level) for rail, level in levels.items()]


def _reads(rig: Rig) -> list[tuple[str, ...]]:
    return [entry[1] for entry in rig.log if entry[0] == "read"][1:]


def test_settles_what_moved_and_reads_nothing_else():
    rig = Rig()
    mover = _mover(rig)
    mover.move(_burst(CORE="high"))
    results = mover.settle(["CORE"])
    assert results["CORE"].state is State.SETTLED
    assert {rail for rails in _reads(rig) for rail in rails} == {"CORE"}
    assert mover.levels == {"CORE": "high", "DDR": NOMINAL, "IO": NOMINAL}
    assert mover.off_nominal() == 1


def test_a_burst_costs_three_readings_of_each_rail_if_it_settles_within_a_scan():
    rig = Rig()
    mover = _mover(rig)
    for output in rig.board.outputs.values():
        output.tau_s = 0.001
    mover.move(_burst(CORE="high", DDR="high", IO="low"))
    mover.settle(["CORE", "DDR", "IO"])
    assert _reads(rig) == [("CORE", "DDR", "IO")] * 3


def test_the_first_reading_comes_a_full_scan_after_the_command():
    rig = Rig()
    mover = _mover(rig)
    mover.move(_burst(CORE="high"))
    commanded_at_s = rig.clock.now_s()
    mover.settle(["CORE"])
    assert mover.settle(["CORE"])["CORE"].settle_s >= 0.02
    assert rig.clock.now_s() >= commanded_at_s + 0.08


def test_a_rail_that_never_gets_there_times_out_and_the_others_still_settle():
    rig = Rig()
    mover = _mover(rig)
    rig.board.outputs["DDR"].clamp_v = 1.22
    mover.move(_burst(CORE="high", DDR="high"))
    started_s = rig.clock.now_s()
    results = mover.settle(["CORE", "DDR"])
    assert results["CORE"].state is State.SETTLED
    assert results["DDR"].state is State.TIMED_OUT
    assert results["DDR"].is_stable_elsewhere
    assert rig.clock.now_s() - started_s == pytest.approx(1.0, abs=0.05)


def test_followers_with_telemetry_settle_with_their_leader_and_take_its_level():
    rails = (*THREE[:2], a_rail("VTT", 0.6, 3, tracks=Tracks(rail="DDR", ratio=0.5)))
    rig = Rig(a_plan(rails))
    mover = _mover(rig)
    assert mover.with_followers(["DDR"]) == ("DDR", "VTT")
    mover.move(_burst(DDR="low"))
    results = mover.settle(mover.with_followers(["DDR"]))
    assert results["VTT"].target_v == pytest.approx(0.57)
    assert mover.levels["VTT"] == "low"


def test_a_rail_whose_move_failed_is_lost_not_nominal():
    rig = Rig()
    mover = _mover(rig)

    def fail(board):
        raise LinkError("no acknowledge")

    rig.at("move", 1, fail)
    with pytest.raises(LinkError):
        mover.move(_burst(CORE="high"))
    assert "CORE" not in mover.levels
    assert mover.off_nominal() == 1


def test_readings_of_the_watch_count_for_settling():
    rig = Rig()
    rig.board.message_s = 0.005
    mover = _mover(rig, period_s=0.03)
    rig.board.outputs["IO"].tau_s = 0.001
    mover.move(_burst(IO="high"))
    rig.log.clear()
    assert mover.settle(["IO"])["IO"].samples == 3
    own = [entry for entry in rig.log if entry[0] == "read" and entry[1] == ("IO",)]
    assert len(own) < 3


def test_progress_is_told_as_rails_settle():
    rig = Rig()
    mover = _mover(rig)
    rig.board.outputs["IO"].tau_s = 0.05
    mover.move(_burst(CORE="high", IO="high"))
    mover.settle(["CORE", "IO"])
    assert [(event.settled, event.moved) for event in rig.told] == [(1, 2), (2, 2)]
