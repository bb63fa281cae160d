"""Bus, meter, store or guardian die at every step of a run: exit code, message and state are what README says.

The bench is the quickstart's, simulated in this process, through PMBus bytes, SCPI text and a real store.
"""

import errno
import shutil
import sqlite3
import tempfile
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
from fake_bench import FakeChecks
from lost_board import PLANS, TroubledLink
from sqlalchemy.exc import OperationalError

from cornerrun.bench import opening
from cornerrun.bench.bench import open_bench
from cornerrun.clock import ManualClock
from cornerrun.corners.order import steps
from cornerrun.corners.select import select
from cornerrun.errors import BenchError
from cornerrun.plan.load import load_bench, load_plan
from cornerrun.plan.model import Screen
from cornerrun.results import connect
from cornerrun.results.records import EndState, Outcome, RunResult
from cornerrun.results.store import Store
from cornerrun.run.runner import run_plan


class Steps:
    """Stands in for the guardian: it hears of every phase, and lets trouble begin at the one that is wanted."""

    def __init__(self, wanted: tuple[str, int] | None = None) -> None:
        self.wanted = wanted
        self.begin: Callable[[], None] = lambda: None
        self.heard: list[tuple[str, int]] = []

    def __enter__(self) -> None:
        return None

    def __exit__(self, *_: object) -> None:
        return None

    def answer_for(self, *_: object) -> None:
        return None

    def told_phase(self, phase: str) -> None:
        self.heard.append((phase, 1 + sum(one == phase for one, _ in self.heard)))
        if self.heard[-1] == self.wanted:
            self.begin()

    def keeper(self, store):
        return store


class Rig:
    """A run of two corners between two control points, with checks."""

    def __init__(self, directory: Path, wanted: tuple[str, int] | None = None) -> None:
        self.directory = directory
        for path in PLANS.glob("quickstart*"):
            shutil.copy(path, directory)
        plan = load_plan(directory / "quickstart.yaml")
        checks = tuple(replace(check, trials=2) for check in plan.checks[:1])
        self.plan = replace(
            plan, checks=checks, criteria=replace(plan.criteria, trim_claim_ratio=None, checks=Screen(failures=0))
        )
        self.bench_file = load_bench(directory / "quickstart_bench.yaml")
        self.clock = ManualClock()
        self.steps = Steps(wanted)
        self.dead: set[str] = set()
        self.path = directory / "runs.sqlite"
        self.store = Store.open(self.path, busy_timeout_s=0.05)
        self.closing: list[Callable[[], None]] = [self.store.close]
        self.bench = self._opened()

    def _opened(self):
        link_of, text_of = opening.open_simulated_link, opening.open_text_link
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(opening, "open_simulated_link", lambda *a: TroubledLink(link_of(*a), self._on_bus))
            patch.setattr(opening, "open_text_link", lambda *a: TroubledLink(text_of(*a), self._at_meter))
            bench = open_bench(self.plan, self.bench_file, self.clock, seed=3)
        self.closing.append(bench.close)
        return bench

    def _on_bus(self, name, arguments) -> None:
        if "bus" in self.dead and name != "close":
            raise OSError(errno.ENXIO, "no acknowledge")

    def _at_meter(self, name, arguments) -> None:
        if "meter" in self.dead and name != "close":
            raise OSError(errno.ENODEV, "the meter is gone")

    def run(self):
        selection = select(self.plan)
        return run_plan(
            self.plan, self.bench_file, self.bench, self.store, self.clock,
            FakeChecks(self.clock),
            steps=steps(self.plan, selection, only=["all *"]), selection=selection, serial="1", seed=3,
            guardian=self.steps,
        )  # fmt: skip

    def close(self) -> None:
        for close in reversed(self.closing):
            close()

    def kept(self):
        """What the store holds once it has been opened again."""
        self.store.close()
        with Store.open(self.path) as store:
            (run,) = store.runs()
            return store.load(run.run_id)

    @property
    def is_at_nominal(self) -> bool:
        self.clock.sleep_until(self.clock.now_s() + 0.2)
        return all(
            abs(self.bench.board.truth_v(rail.name, self.clock.now_s()) - rail.nominal_v) < 0.01 * rail.nominal_v
            for rail in self.plan.rails
        )


@pytest.fixture
def make_rig(tmp_path):
    made = []

    def make(wanted=None) -> Rig:
        made.append(Rig(tmp_path, wanted))
        return made[-1]

    yield make
    for one in made:
        one.close()


def _all_steps(directory: Path) -> list[tuple[str, int]]:
    rig = Rig(directory)
    try:
        assert rig.run().exit_code == 0
    finally:
        rig.close()
    return rig.steps.heard


with tempfile.TemporaryDirectory() as _folder:
    STEPS = _all_steps(Path(_folder))
LAST = STEPS[STEPS.index(("return", 1)) :]  # of a run that nothing disturbs: nothing is measured or decided any more
MOVING = [step for step in STEPS if step[0] not in {"baseline", "ended"}]
NAMES = [f"{phase} {number}" for phase, number in MOVING]


def test_the_steps_of_a_run_are_all_tried():
    assert {phase for phase, _ in STEPS} == {
        "baseline", "intent", "move", "settle", "measure", "check", "return", "restore", "ended"
    }  # fmt: skip
    assert sum(phase == "check" for phase, _ in STEPS) == 4


@pytest.mark.parametrize("step", MOVING, ids=NAMES)
def test_a_bus_that_dies_leaves_the_board_where_nobody_knows_and_exit_4(make_rig, step):
    rig = make_rig(step)
    rig.steps.begin = lambda: rig.dead.add("bus")
    end = rig.run()
    assert (end.exit_code, end.end_state) == (4, EndState.UNKNOWN)
    assert "remove the input power by hand" in end.why
    data = rig.kept()
    assert data.run.end_state is EndState.UNKNOWN
    with Store.open(rig.path) as store:
        assert len(store.latches()) == 1, "no run may start there until a named person has looked"


def test_a_bus_that_dies_before_the_baseline_is_refused_and_nothing_is_kept(make_rig):
    rig = make_rig(("baseline", 1))
    rig.steps.begin = lambda: rig.dead.add("bus")
    with pytest.raises(BenchError, match="nothing acknowledged") as caught:
        rig.run()
    assert caught.value.exit_code == 3
    assert rig.store.runs() == ()


@pytest.mark.parametrize("step", MOVING, ids=NAMES)
def test_a_meter_that_dies_is_bench_trouble_and_the_board_ends_at_nominal(make_rig, step):
    rig = make_rig(step)
    rig.steps.begin = lambda: rig.dead.add("meter")
    end = rig.run()
    assert end.end_state is EndState.NOMINAL
    assert rig.is_at_nominal
    data = rig.kept()
    if step in LAST or step == STEPS[STEPS.index(("return", 1)) - 1]:
        assert end.exit_code == 0, "everything had been measured"
        return
    assert end.exit_code == 3
    assert data.run.result in {RunResult.INCONCLUSIVE, RunResult.INCOMPLETE, RunResult.INVALID}
    assert any("the meter is gone" in record.visit.reason for record in data.visits)
    assert not any(record.visit.outcome.is_product_failure for record in data.visits)


TROUBLES = ("full", "read-only", "locked", "disk error", "gone")
# Two kinds of trouble at each step, so that every kind meets every phase.
STORE_CASES = [(step, TROUBLES[(place + more) % 5]) for place, step in enumerate(MOVING) for more in (0, 2)]


@pytest.mark.parametrize(("step", "trouble"), STORE_CASES, ids=[f"{s[0]} {s[1]} {t}" for s, t in STORE_CASES])
def test_a_store_that_dies_ends_the_run_at_nominal_with_3_and_nothing_measured_is_lost(
    make_rig, step, trouble, monkeypatch
):
    rig = make_rig(step)
    heal: list[Callable[[], None]] = []
    rig.steps.begin = lambda: heal.append(_break_store(rig, trouble, monkeypatch))
    end = rig.run()
    assert (end.exit_code, end.end_state) == (3, EndState.NOMINAL)
    assert rig.is_at_nominal
    spill = rig.path.with_name("runs.sqlite.spill.jsonl")
    assert str(spill) in end.why
    heal[0]()
    data = rig.kept()
    assert (data.run.result, data.run.end_state) == (end.result, EndState.NOMINAL)
    performed = [record.visit.ordinal for record in data.visits]
    before = sum(phase == "check" for phase, _ in STEPS[: STEPS.index(step)])
    assert performed[:before] == list(range(before)), "what was measured before is kept"


def _break_store(rig: Rig, trouble: str, monkeypatch) -> Callable[[], None]:
    """Break the store as a machine would; returns what makes it well again."""
    if trouble == "locked":
        holder = sqlite3.connect(rig.path, isolation_level=None)
        holder.execute("BEGIN IMMEDIATE")
        return holder.close
    if trouble == "gone":
        aside = rig.path.with_name("aside.sqlite")
        rig.path.rename(aside)
        return lambda: aside.rename(rig.path) and None
    if trouble == "disk error":

        def fails(_engine):
            raise OperationalError("", {}, sqlite3.OperationalError("disk I/O error"))

        monkeypatch.setattr(connect, "transaction", fails)
        return monkeypatch.undo
    pragma = {"full": "max_page_count=1", "read-only": "query_only=ON"}[trouble]
    with rig.store._engine.connect() as connection:
        connection.exec_driver_sql(f"PRAGMA {pragma}")
    return lambda: None


@pytest.mark.parametrize("step", MOVING, ids=NAMES)
def test_a_guardian_that_dies_ends_the_run_at_nominal_with_3(make_rig, step):
    rig = make_rig(step)
    rig.steps.begin = lambda: rig.clock.stop.request("the guardian of this run died", is_fault=True)
    end = rig.run()
    assert end.end_state is EndState.NOMINAL
    assert rig.is_at_nominal
    if step in LAST:
        assert end.exit_code == 0, "everything had been done"
        return
    assert end.exit_code == 3
    assert end.result is RunResult.INCOMPLETE
    assert "the guardian of this run died" in end.why
    data = rig.kept()
    assert all(record.visit.outcome in {Outcome.PASS, Outcome.ABORTED} for record in data.visits)
