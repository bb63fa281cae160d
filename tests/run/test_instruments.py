import shutil
from pathlib import Path

import pytest

from cornerrun.bench.bench import open_bench
from cornerrun.clock import ManualClock
from cornerrun.corners.order import steps
from cornerrun.corners.select import select
from cornerrun.errors import InstrumentError, PlanError
from cornerrun.plan.load import load_bench, load_plan
from cornerrun.report.summary import summarise
from cornerrun.results.records import EndState, InstrumentRecord, ReferenceRecord, RunResult
from cornerrun.results.store import Store
from cornerrun.results.verdict import references_out
from cornerrun.run.guarded import UNGUARDED
from cornerrun.run.instruments import refuse_bad_references
from cornerrun.run.runner import run_plan

PLANS = Path(__file__).parents[2] / "plans"
REFERENCES = (
    "references: {shorted: {channel: 119, within: 20 uV}, standard: {channel: 120, value: 1.2 V, within: 200 uV}}"
)


def run_with_references(directory: Path, standard: str):
    for path in PLANS.glob("quickstart*"):
        shutil.copy(path, directory)
    bench_path, board_path = directory / "quickstart_bench.yaml", directory / "quickstart_board.yaml"
    bench_path.write_text(bench_path.read_text().replace("    nplc: ", f"    {REFERENCES}\n    nplc: ", 1))
    board_path.write_text(board_path.read_text().replace("\nmeter:\n", f"\nmeter:\n  standards: {standard}\n", 1))
    assert REFERENCES in bench_path.read_text()
    assert standard in board_path.read_text()
    plan, bench_file, clock = load_plan(directory / "quickstart.yaml"), load_bench(bench_path), ManualClock()
    bench, store, selection = open_bench(plan, bench_file, clock), Store.open(directory / "runs.db"), select(plan)
    end = run_plan(
        plan,
        bench_file,
        bench,
        store,
        clock,
        None,
        guardian=UNGUARDED,
        steps=steps(plan, selection),
        selection=selection,
        serial="1",
    )
    return end, store.load(end.run_id)


def test_references_are_read_once_and_kept_with_the_run(tmp_path: Path) -> None:
    end, data = run_with_references(tmp_path, "{120: 1.2 V}")
    short, standard = data.run.instruments[0].references
    assert (short.name, short.channel, short.is_good) == ("shorted", 119, True)
    assert standard.reading_v == pytest.approx(1.2, abs=200e-6)
    assert standard.is_good
    assert end.result is not RunResult.INVALID


def test_a_meter_that_misreads_its_check_standard_moves_nothing_and_makes_the_run_invalid(tmp_path: Path) -> None:
    end, data = run_with_references(tmp_path, "{120: 1.21 V}")
    assert (end.result, end.end_state, end.exit_code) == (RunResult.INVALID, EndState.NOMINAL, 3)
    assert "reads its check standard (channel 120) as 1.21" in end.why
    assert data.visits == ()
    assert not data.run.instruments[0].references[1].is_good
    assert any("check standard" in caution for caution in summarise(data).cautions)


def record(reading_v: float | None) -> InstrumentRecord:
    reference = ReferenceRecord(name="shorted", channel=119, value_v=0.0, within_v=1e-5, reading_v=reading_v)
    return InstrumentRecord(
        name="meter", identity="", resource="", calibrated=None, due=None, nplc=None, line_hz=None, reading_ratio=None,
        range_ratio=None, coverage=None, references=(reference,),
    )  # fmt: skip


@pytest.mark.parametrize(("reading_v", "is_out"), [(0.0, False), (-1e-5, False), (1.1e-5, True), (None, True)])
def test_a_reading_on_its_bound_is_good_and_one_beyond_or_none_is_not(reading_v: float | None, is_out: bool) -> None:
    assert bool(references_out([record(reading_v)])) is is_out
    if is_out:
        with pytest.raises(InstrumentError, match=r"shorted.*nothing was moved"):
            refuse_bad_references([record(reading_v)])
    else:
        refuse_bad_references([record(reading_v)])


def test_a_simulated_bench_that_lacks_an_instrument_says_what_it_has(tmp_path: Path) -> None:
    for path in PLANS.glob("quickstart*"):
        shutil.copy(path, tmp_path)
    bench_path = tmp_path / "quickstart_bench.yaml"
    text = bench_path.read_text()
    assert "resource: simulated" in text
    bench_path.write_text(text.replace("resource: simulated", 'resource: "simulated:oven"', 1))
    with pytest.raises(PlanError, match=r"simulation file has no oven; add a `oven` section.*: meter"):
        open_bench(load_plan(tmp_path / "quickstart.yaml"), load_bench(bench_path), ManualClock())
