"""A run on a board whose rails supplies make: through SCPI text, with the product's own meter and store."""

import shutil
from pathlib import Path

import pytest

from cornerrun.bench.bench import bench_identity, open_bench
from cornerrun.bench.simulated.bench import SimulatedBench
from cornerrun.clock import ManualClock
from cornerrun.corners.order import steps
from cornerrun.corners.select import select
from cornerrun.errors import InstrumentError, PlanError
from cornerrun.plan.load import load_bench, load_plan
from cornerrun.results.records import EndState, Outcome, RunResult
from cornerrun.results.store import Store
from cornerrun.run.guarded import UNGUARDED
from cornerrun.run.progress import VisitEnded
from cornerrun.run.rescue import to_nominal
from cornerrun.run.runner import run_plan

PLANS = Path(__file__).parents[2] / "plans"
RAILS = {"VDD_MCU": 3.3, "VDD_SENSE": 1.8}


class Bench:
    def __init__(self, directory: Path, board: str = "") -> None:
        for path in PLANS.glob("supplied*"):
            shutil.copy(path, directory)
        with (directory / "supplied_board.yaml").open("a") as file:
            file.write(board)
        self.directory, self.clock = directory, ManualClock()
        self.open()
        self.store = Store.open(directory / "runs.db")

    def open(self) -> None:
        self.plan = load_plan(self.directory / "supplied.yaml")
        self.bench_file = load_bench(self.directory / "supplied_bench.yaml")
        made: list[SimulatedBench] = []
        with pytest.MonkeyPatch.context() as patch:
            load = SimulatedBench.load
            patch.setattr(SimulatedBench, "load", lambda *a, **k: made.append(load(*a, **k)) or made[-1])
            self.ports = open_bench(self.plan, self.bench_file, self.clock)
        (self.simulation,) = made

    def run(self, listener=None):
        selection = select(self.plan)
        return run_plan(
            self.plan, self.bench_file, self.ports, self.store, self.clock, None,
            guardian=UNGUARDED, steps=steps(self.plan, selection), selection=selection, serial="1", listener=listener,
        )  # fmt: skip

    def truth_v(self) -> dict[str, float]:
        self.clock.sleep_until(self.clock.now_s() + 0.2)
        return {rail: self.simulation.truth_v(rail, self.clock.now_s()) for rail in RAILS}

    def told(self, supply: str) -> tuple[float, float, float]:
        held = self.simulation.rack.rail_supplies[supply]
        return held.voltage_v, held.limit_a, held.over_voltage_v


def test_the_whole_run_passes_and_leaves_the_supplies_as_they_were(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    before = [bench.told(name) for name in ("FEED_A", "FEED_B")]
    assert before == [(3.3, 3.0, 5.0), (1.8, 3.0, 5.0)]
    end = bench.run()
    assert (end.result, end.end_state, end.exit_code) == (RunResult.PASS, EndState.NOMINAL, 0), end.why
    assert [bench.told(name) for name in ("FEED_A", "FEED_B")] == before
    assert bench.truth_v() == pytest.approx(RAILS, abs=1e-3)
    data = bench.store.load(end.run_id)
    assert data.run.devices["FEED_A"]["model"] == "rail supply"
    assert {reading.setpoint_v for record in data.visits for reading in record.readings} >= {3.465, 3.135, 1.89, 1.71}


def test_an_output_that_trips_is_the_fault_of_its_rail_and_the_board_ends_off(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    load = bench.simulation.rack.electronic_load
    visits = []

    class Overloads:
        def tell(self, event) -> None:
            if isinstance(event, VisitEnded):
                visits.append(event)
                if len(visits) == 3:
                    load.change("current_set_a", 0.75)
                    load.switch(True)

    end = bench.run(Overloads())
    data = bench.store.load(end.run_id)
    tripped = [record.visit for record in data.visits if record.visit.outcome is Outcome.TRIPPED]
    assert len(tripped) == 1
    faults = [fault for record in data.visits for fault in record.faults]
    assert [(fault.originator, fault.kind) for fault in faults] == [("VDD_SENSE", "OC")]
    assert end.result is RunResult.FAIL
    assert end.end_state is EndState.OFF
    assert end.exit_code == 4
    assert max(bench.truth_v().values()) < 0.1


def test_after_a_kill_to_nominal_restores_voltage_and_protection(tmp_path: Path) -> None:
    bench = Bench(tmp_path)

    class Killed(BaseException):
        pass

    ports, executor_moves = bench.ports, []
    move = ports.power._drivers[0].move

    def killed(burst):
        executor_moves.append(burst)
        setpoints = move(burst)
        if len(executor_moves) == 6:
            raise Killed
        return setpoints

    ports.power._drivers[0].move = killed
    ports.safety.to_nominal = ports.safety.restore = ports.safety.turn_off = lambda *a, **k: (_ for _ in ()).throw(
        Killed()
    )
    end = bench.run()
    assert end.end_state is EndState.UNKNOWN
    assert bench.told("FEED_A")[1:] == (1.5, 3.53)
    with bench.store._engine.begin() as connection:  # as a process that died left it
        connection.exec_driver_sql("UPDATE runs SET ended_utc = NULL, result = NULL, end_state = NULL")
    del ports.safety.to_nominal, ports.safety.restore, ports.safety.turn_off, ports.power._drivers[0].move
    rescued = to_nominal(bench.plan, bench.bench_file, ports, bench.store, bench.clock)
    assert (rescued.end_state, rescued.exit_code) == (EndState.NOMINAL, 0), rescued.why
    assert bench.told("FEED_A") == (3.3, 3.0, 5.0)
    assert bench.truth_v() == pytest.approx(RAILS, abs=1e-3)


def test_a_bench_without_buses_is_named_by_its_supplies(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    assert bench_identity(bench.bench_file).startswith("desk (simulated, ")
    assert bench.ports.is_private
    assert bench.ports.board is bench.simulation


def test_a_supply_that_the_bench_lacks_is_named(tmp_path: Path) -> None:
    for path in PLANS.glob("supplied*"):
        shutil.copy(path, tmp_path)
    bench = tmp_path / "supplied_bench.yaml"
    bench.write_text(bench.read_text().replace("FEED_B", "FEED_C"))
    with pytest.raises(PlanError, match=r"VDD_SENSE made by supply 'FEED_B'.*does not have; it has FEED_A, FEED_C"):
        open_bench(load_plan(tmp_path / "supplied.yaml"), load_bench(bench), ManualClock())


OVEN = "chamber: {start: 25 degC, ramp: 60 K/min, time_constant: 1 s, soak: 1 s}\n"


def with_oven(directory: Path, oven: str = "") -> Bench:
    """The same board in a chamber; its files are changed before the bench is opened."""
    bench = Bench(directory, OVEN)
    plan, file = directory / "supplied.yaml", directory / "supplied_bench.yaml"
    plan.write_text(plan.read_text().replace("proof:", "conditions: [{name: ambient, levels: {hot: 60 degC}}]\nproof:"))
    instrument = f'  oven: {{driver: scpi-condition, resource: "simulated:chamber"{oven}}}\n'
    condition = "conditions: {ambient: {driver: scpi, instrument: oven, within: 1 degC, stable_for: 5 s}}\n"
    file.write_text(file.read_text().replace("channels:", f"{instrument}{condition}channels:"))
    bench.ports.close()
    bench.open()
    return bench


def test_every_instrument_that_was_used_stands_in_the_record_with_its_calibration(tmp_path: Path) -> None:
    bench = with_oven(tmp_path, ", due: 2027-01-01")
    end = bench.run()
    assert end.result is RunResult.PASS, end.why
    data = bench.store.load(end.run_id)
    assert [(item.name, item.due) for item in data.run.instruments] == [
        ("meter", "2027-03-01"), ("FEED_A", "2027-03-01"), ("FEED_B", "2027-03-01"), ("oven", "2027-01-01"),
    ]  # fmt: skip
    assert data.run.instruments[3].identity == "SIMULATED, chamber, SIM0001, 1.0"
    assert all(record.visit.conditions["ambient"] == pytest.approx(60.0, abs=1.0) for record in data.visits)


def test_a_chamber_that_is_another_one_ends_the_run_before_anything_moves(tmp_path: Path) -> None:
    bench = with_oven(tmp_path, ', identity: {serial: "7"}')
    with pytest.raises(InstrumentError, match="another instrument: serial 'SIM0001' where the bench file says '7'"):
        bench.run()
    assert bench.truth_v() == pytest.approx(RAILS, abs=1e-3)
    assert bench.simulation.rack.chamber.target_degc == 25.0
    assert bench.store.runs() == ()


def test_a_dialect_beside_the_bench_file_stands_among_the_files_of_the_run(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    (tmp_path / "dialects").mkdir()
    (tmp_path / "dialects" / "fine.yaml").write_text("format: 1\ntitle: fine\nrole: supply\nstep: 0.1 mV\n")
    file = tmp_path / "supplied_bench.yaml"
    file.write_text(file.read_text().replace("FEED_B: {", "FEED_B: {dialect: fine, "))
    bench.ports.close()
    bench.open()
    end = bench.run()
    assert end.result is RunResult.PASS, end.why
    sources = bench.store.load(end.run_id).run.sources
    assert [source.path.name for source in sources if source.role == "dialect"] == ["fine.yaml"]
