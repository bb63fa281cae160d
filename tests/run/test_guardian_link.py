"""The runner's end: a guardian that cannot come up, that is asked to take over, that outlives its runner's words."""

import os
import signal
import subprocess
import sys
import time
from dataclasses import replace

import pytest
from lost_board import PLANS, LostBoard

from cornerrun.bench.ports import Baseline, RestoreRecipe
from cornerrun.bench.simulated.server import SimulationServer
from cornerrun.clock import SystemClock
from cornerrun.errors import BenchError
from cornerrun.plan.bench_file import Bus
from cornerrun.run.guarded import UNGUARDED, guardian_of
from cornerrun.run.guardian_link import GuardianLink

BASELINE = Baseline(registers=(), voltages_v={})


@pytest.fixture
def server():
    serving = SimulationServer(PLANS / "quickstart_board.yaml", SystemClock())
    yield serving
    serving.close()


def a_link(server, *, link: str | None = None, clock: SystemClock | None = None):
    """A guardian of the quickstart's bench behind TCP, and the way back that it is given."""
    board = LostBoard(rails=())
    host, port = server.addresses["main"]
    target = link or f"tcp:{host}:{port}"
    bench_file = replace(board.bench_file, buses={"main": Bus(name="main", link=target)})
    recipe: RestoreRecipe = replace(board.order.recipe, pid=os.getpid(), links={"main": target})
    guardian = GuardianLink(
        plan=board.plan, bench_file=bench_file, bench=board.bench, clock=clock or SystemClock(), lock_fd=None
    )
    return guardian, recipe


def test_a_guardian_that_is_ready_goes_when_the_run_is_done(server):
    guardian, recipe = a_link(server)
    with guardian:
        guardian.answer_for(recipe, BASELINE, "")
        pid = guardian.pid
        assert pid is not None
        os.kill(pid, 0)
        guardian.told_phase("move")
        guardian.told_phase("ended")
    with pytest.raises(ProcessLookupError):
        os.kill(pid, 0)


def test_a_bus_that_the_guardian_cannot_reach_stops_the_run_before_anything_moves(server):
    guardian, recipe = a_link(server, link="tcp:127.0.0.1:1")
    with guardian, pytest.raises(BenchError, match=r"not ready: tcp:127\.0\.0\.1:1: no bus .*; nothing was moved"):
        guardian.answer_for(recipe, BASELINE, "")


def test_a_guardian_that_died_before_its_order_stops_the_run(server):
    guardian, recipe = a_link(server)
    with guardian:
        os.kill(guardian.pid, signal.SIGKILL)
        with pytest.raises(BenchError, match="the guardian of the run is not ready"):
            guardian.answer_for(recipe, BASELINE, "")


def test_an_error_that_leaves_a_run_away_from_nominal_lets_the_guardian_bring_the_board_back(server, capfd):
    guardian, recipe = a_link(server)

    def run() -> None:
        with guardian:
            guardian.answer_for(recipe, BASELINE, "")
            guardian.told_phase("move")
            raise RuntimeError("a bug")

    with pytest.raises(RuntimeError, match="a bug"):
        run()
    assert "an error left the runner: RuntimeError('a bug')" in capfd.readouterr().err


def test_a_guardian_that_dies_asks_the_run_to_end_as_a_fault(server):
    clock = SystemClock()
    guardian, recipe = a_link(server, clock=clock)
    with guardian:
        guardian.answer_for(recipe, BASELINE, "")
        os.kill(guardian.pid, signal.SIGKILL)
        deadline_s = time.monotonic() + 10
        assert not clock.sleep_until(deadline_s), "the stop flag wakes the run"
        assert clock.stop.is_fault
        assert clock.stop.reason == "the guardian of this run died"


def test_a_bench_inside_this_process_needs_no_guardian():
    board = LostBoard(rails=())
    found = guardian_of(board.plan, board.bench_file, board.bench, board.clock, lock_fd=None)
    assert found is UNGUARDED
    with found:
        found.answer_for(board.order.recipe, board.baseline, "")
        assert found.keeper(board) is board


def test_a_guardian_comes_up_without_the_heavy_libraries():
    heavy = {"pydantic", "ruamel", "numpy", "scipy", "sqlalchemy", "pyvisa", "click"}
    script = f"import sys, cornerrun.run.guardian; print(sorted({heavy!r} & set(sys.modules)))"
    found = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    assert found.stdout.strip() == "[]"
