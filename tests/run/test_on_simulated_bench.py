"""The run on the simulated bench, through real PMBus bytes, SCPI text and the real store."""

import shutil
from dataclasses import replace
from pathlib import Path

import pytest

from cornerrun.bench.bench import open_bench
from cornerrun.bench.simulated.bench import SimulatedBench
from cornerrun.clock import ManualClock
from cornerrun.corners.order import steps
from cornerrun.corners.select import select
from cornerrun.errors import NotAtNominal
from cornerrun.plan.load import load_bench, load_plan
from cornerrun.results.records import EndState, Outcome, RunResult
from cornerrun.results.store import Store
from cornerrun.run.checks import CheckRunner
from cornerrun.run.guarded import UNGUARDED
from cornerrun.run.hold import measure
from cornerrun.run.rescue import to_nominal
from cornerrun.run.runner import run_plan

PLANS = Path(__file__).parents[2] / "plans"


class Desk:
    """The quickstart bench, with faults planted by text; one board for as long as it lives."""

    def __init__(self, directory: Path, faults: str = "", **policy: str) -> None:
        for path in PLANS.glob("quickstart*"):
            shutil.copy(path, directory)
        with (directory / "quickstart_board.yaml").open("a") as file:
            file.write(faults)
        self.plan = load_plan(directory / "quickstart.yaml")
        self.plan = replace(self.plan, policy=replace(self.plan.policy, **policy))
        self.bench_file = load_bench(directory / "quickstart_bench.yaml")
        self.clock = ManualClock()
        with pytest.MonkeyPatch.context() as patch:
            load = SimulatedBench.load
            made: list[SimulatedBench] = []
            patch.setattr(SimulatedBench, "load", lambda *a, **k: made.append(load(*a, **k)) or made[-1])
            self.bench = open_bench(self.plan, self.bench_file, self.clock, seed=3)
        (self.simulation,) = made
        self.store = Store.open(directory / "runs.db")
        self.selection = select(self.plan)

    def truth_v(self) -> dict[str, float]:
        """What no instrument tells: the voltages of the simulation itself, a moment from now."""
        self.clock.sleep_until(self.clock.now_s() + 0.1)
        return {rail.name: self.simulation.truth_v(rail.name, self.clock.now_s()) for rail in self.plan.rails}

    def run(self, *, checks: bool = False, only: tuple[str, ...] | None = None, listener=None):
        plan = self.plan if checks else replace(self.plan, checks=())
        runner = (
            CheckRunner(checks=plan.checks, directory=plan.directory, clock=self.clock, criterion=plan.criteria.checks)
            if checks
            else None
        )
        try:
            return run_plan(
                plan,
                self.bench_file,
                self.bench,
                self.store,
                self.clock,
                runner,
                guardian=UNGUARDED,
                steps=steps(plan, self.selection, only=only),
                selection=self.selection,
                serial="00123",
                seed=3,
                listener=listener,
            )
        finally:
            if runner is not None:
                runner.close()

    def visits(self, end) -> list:
        return [record.visit for record in self.store.load(end.run_id).visits]

    def faults(self, end) -> list:
        return [fault for record in self.store.load(end.run_id).visits for fault in record.faults]

    def voltages_v(self) -> dict[str, float]:
        return {one.rail: one.voltage_v for one in self.bench.power.read(list(self.bench.power.scan_s))}

    def registers(self) -> dict:
        return {
            (register.address, register.page, register.command): register.data
            for register in self.bench.safety.take_baseline().registers
        }


@pytest.fixture
def desk(tmp_path):
    made = []

    def make(faults: str = "", **policy: str) -> Desk:
        made.append(Desk(tmp_path, faults, **policy))
        return made[-1]

    yield make
    for one in made:
        one.store.close()
        one.bench.close()


def test_the_whole_job_finds_the_planted_trouble_and_restores_every_register(desk):
    one = desk()
    one.bench.power.connect()
    before = one.registers()
    end = one.run(checks=True)
    assert one.registers() == before
    assert (end.result, end.end_state, end.exit_code) == (RunResult.FAIL, EndState.NOMINAL, 1)
    failed = {visit.corner for visit in one.visits(end) if visit.outcome is Outcome.FAIL_FUNCTIONAL}
    assert failed == {"VDD_CORE low, VDDQ high"}
    assert "trim accuracy of VDD_IO" in end.why


def test_the_same_seed_gives_the_same_readings(tmp_path):
    kept = []
    for name in ("a", "b"):
        (tmp_path / name).mkdir()
        one = Desk(tmp_path / name)
        end = one.run(only=("nominal", "all*"))
        kept.append(
            [(r.visit.corner, r.visit.outcome, r.readings, r.watched) for r in one.store.load(end.run_id).visits]
        )
        one.store.close()
    assert kept[0] == kept[1]


@pytest.mark.parametrize(
    ("shows", "state", "code"),
    [
        ("uv_fault", EndState.NOMINAL, 1),
        ("ov_fault", EndState.OFF, 4),
        ("oc_fault", EndState.OFF, 4),
        ("ot_fault", EndState.OFF, 4),
    ],
)
def test_a_device_that_shuts_a_rail_down_is_named_and_the_board_ends_where_the_design_says(desk, shows, state, code):
    trip = "\nfaults:\n  trips:\n    - {rail: VDDQ, shows: %s, when: {VDD_CORE: {below: 0.82 V}}}\n" % shows  # noqa: UP031
    one = desk(trip)
    end = one.run()
    assert (end.result, end.end_state, end.exit_code) == (RunResult.FAIL, state, code)
    (fault,) = one.faults(end)
    assert fault.originator == "VDDQ"
    assert fault.kind.lower() == shows[:2]
    assert {capture.rail for capture in fault.captures} == set(one.bench.power.scan_s)
    volts = one.voltages_v()
    if state is EndState.NOMINAL:
        assert volts["VDDQ"] == pytest.approx(1.2, rel=0.005)
        assert volts["VDD_CORE"] == pytest.approx(0.85, rel=0.005)
    else:
        one.clock.sleep_until(one.clock.now_s() + 1)
        assert all(voltage_v < 0.05 for voltage_v in one.voltages_v().values())


def test_after_a_trip_the_run_goes_on_if_the_plan_says_so_and_a_control_point_proves_the_board(desk):
    trip = "\nfaults:\n  trips:\n    - {rail: VDDQ, shows: uv_fault, when: {VDD_CORE: {below: 0.82 V}}, times: 1}\n"
    one = desk(trip, on_trip="skip corner")
    end = one.run()
    visits = one.visits(end)
    place = next(n for n, visit in enumerate(visits) if visit.outcome is Outcome.TRIPPED)
    assert (visits[place + 1].is_control, visits[place + 1].outcome) == (True, Outcome.PASS)
    assert visits[-1].outcome is Outcome.PASS
    assert [visit.start_s for visit in visits] == sorted(visit.start_s for visit in visits)
    assert end.end_state is EndState.NOMINAL


def test_a_manager_that_dies_for_good_ends_unknown_and_leaves_the_run_closed(desk):
    one = desk("\nfaults:\n  dead_devices:\n    - {device: PM1, at: 2 s}\n")
    end = one.run()
    assert (end.end_state, end.exit_code) == (EndState.UNKNOWN, 4)
    assert "remove the input power" in end.why
    assert one.store.unfinished() == ()


def test_a_manager_that_is_deaf_for_a_moment_costs_a_warning_or_a_visit_not_the_board(desk):
    one = desk("\nfaults:\n  dead_devices:\n    - {device: PM1, at: 2 s, lasts: 2 ms}\n")
    end = one.run()
    assert end.end_state is EndState.NOMINAL
    assert one.voltages_v()["VDD_CORE"] == pytest.approx(0.85, rel=0.005)


def test_a_manager_that_loses_its_supply_is_noticed_and_never_taken_for_a_pass_at_a_corner(desk):
    one = desk("\nfaults:\n  resets:\n    - {device: PM1, at: 1.0 s}\n")
    end = one.run()
    assert end.end_state is EndState.NOMINAL
    assert end.result is not RunResult.PASS or all(visit.outcome is Outcome.PASS for visit in one.visits(end))
    assert one.voltages_v()["VDDQ"] == pytest.approx(1.2, rel=0.005)


PLANTED = [
    "trips: [{rail: VDDQ, shows: %s, at: %s}]",
    "trips: [{rail: VDD_AUX, shows: %s, at: %s}]",
    "trips: [{rail: VDD_CORE, shows: %s, at: %s}, {rail: VDD_IO, shows: uv_fault, at: 1.5 s}]",
    "dead_devices: [{device: PM1, at: %s}] # %s",
    "dead_devices: [{device: PM1, at: %s, lasts: 20 ms}] # %s",
    "dead_devices: [{device: PM1, at: %s, lasts: 600 ms}] # %s",
    "resets: [{device: PM1, at: %s}] # %s",
]


@pytest.mark.parametrize("at", ["0.31 s", "0.352 s", "0.37 s", "0.5 s", "0.735 s", "1.13 s", "1.6 s"])
@pytest.mark.parametrize("planted", PLANTED)
def test_the_end_says_the_truth_whatever_is_planted_whenever(desk, planted, at):
    words = ("uv_fault", at) if planted.startswith("trips") else (at, "")
    one = desk(f"\nfaults:\n  {planted % words}\n", on_trip="skip corner")
    end = one.run(only=("nominal", "all*", "VDD_CORE*"))
    volts = one.truth_v()
    if end.end_state is EndState.NOMINAL:
        assert all(volts[rail.name] == pytest.approx(rail.nominal_v, rel=0.006) for rail in one.plan.rails)
    elif end.end_state is EndState.OFF:
        assert all(voltage_v < 0.05 for voltage_v in volts.values())
    else:
        assert "PM1" in planted
    assert end.exit_code == (1 if end.end_state is EndState.NOMINAL else 4)
    assert "internal error" not in end.why
    assert one.store.unfinished() == ()


class _Stopper:
    """Asks for the end of the run at the n-th step."""

    def __init__(self, clock: ManualClock, step: int) -> None:
        self._clock, self._left = clock, step

    def tell(self, event) -> None:
        if type(event).__name__ == "StepStarted":
            self._left -= 1
            if self._left == 0:
                self._clock.stop.request("interrupted from the keyboard (SIGINT)")


@pytest.mark.parametrize("step", [1, 2, 3, 7])
def test_a_stop_at_any_step_leaves_every_register_as_it_was(desk, step):
    one = desk()
    one.bench.power.connect()
    before = one.registers()
    end = one.run(listener=_Stopper(one.clock, step))
    assert (end.end_state, end.exit_code) == (EndState.NOMINAL, 130)
    assert one.registers() == before


class Killed(BaseException):
    """Stands for SIGKILL."""


def _kill(one: Desk) -> None:
    """Leave board, registers and store as a run leaves them that is killed at its third step."""

    class Kill:
        def __init__(self) -> None:
            self.steps = 0

        def intend(self, intent, finished=None):
            one_store.intend(intent, finished)
            self.steps += 1
            if self.steps == 4:
                raise Killed

        def __getattr__(self, name):
            return getattr(one_store, name)

    one_store = one.store
    one.store = Kill()
    safety = one.bench.safety

    class Nothing:
        """After a kill nothing of the way back happens."""

        def to_nominal(self, return_order=()):
            raise Killed

        def turn_off(self, rails=()):
            raise Killed

        def __getattr__(self, name):
            return getattr(safety, name)

    one.bench = replace(one.bench, safety=Nothing())
    one.store.end_run = lambda *_: None
    one.run()
    one.store = one_store
    one.bench = replace(one.bench, safety=safety)


def test_after_a_kill_a_new_run_refuses_and_to_nominal_brings_everything_back(desk):
    one = desk()
    one.bench.power.connect()
    before = one.registers()
    _kill(one)
    assert abs(one.voltages_v()["VDD_CORE"] / 0.85 - 1) > 0.03, "the board was left at a margin"
    with pytest.raises(NotAtNominal, match="to-nominal"):
        one.run()
    # Another process opens the bench anew.
    rescued = to_nominal(one.plan, one.bench_file, one.bench, one.store, one.clock)
    assert (rescued.end_state, rescued.exit_code, len(rescued.closed)) == (EndState.NOMINAL, 0, 1)
    assert one.registers() == before
    assert one.run(only=("nominal",)).end_state is EndState.NOMINAL


def test_measure_moves_nothing_and_reads_all(desk):
    one = desk()
    readings = measure(one.plan, one.bench_file, one.bench, one.clock)
    assert [reading.rail for reading in readings] == [rail.name for rail in one.plan.rails]
    assert all(reading.reference_v == pytest.approx(reading.target_v, rel=0.005) for reading in readings)


def test_bus_errors_below_the_bounded_retry_change_no_outcome(desk):
    one = desk("\nfaults:\n  bus_errors:\n    - {bus: main, no_acknowledge: 0.1 %}\n")
    end = one.run()
    assert end.end_state is EndState.NOMINAL
    assert {visit.outcome for visit in one.visits(end)} <= {Outcome.PASS, Outcome.ERROR}
    assert one.bench.traffic()["retries"] > 0
