"""The estimate of a board whose rails supplies make, against the run itself on the simulated bench."""

import shutil
from pathlib import Path

import pytest

from cornerrun.bench.bench import open_bench
from cornerrun.clock import ManualClock
from cornerrun.corners.order import steps
from cornerrun.corners.select import select
from cornerrun.plan.load import load_bench, load_plan
from cornerrun.preflight.budget import above_nominal_s, budget_of, why_not
from cornerrun.preflight.facts import gather
from cornerrun.preflight.paper.letters import Letters
from cornerrun.preflight.paper.rehearsal import rehearse
from cornerrun.results.store import Store
from cornerrun.run.guarded import UNGUARDED
from cornerrun.run.runner import run_plan

PLANS = Path(__file__).parents[2] / "plans"


@pytest.fixture
def desk(tmp_path: Path) -> Path:
    for path in PLANS.glob("supplied*"):
        shutil.copy(path, tmp_path)
    return tmp_path


def test_the_estimate_is_within_ten_per_cent_of_the_run(desk: Path) -> None:
    plan, bench_file, clock = load_plan(desk / "supplied.yaml"), load_bench(desk / "supplied_bench.yaml"), ManualClock()
    budget = budget_of(gather(plan, bench_file, None))
    assert budget is not None
    selection = select(plan)
    with Store.open(f"sqlite:///{desk / 'runs.sqlite'}") as store:
        bench = open_bench(plan, bench_file, clock)
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
        visits = store.load(end.run_id).visits
    assert budget.total_s == pytest.approx(clock.now_s(), rel=0.10)
    for rail, done_s in above_nominal_s(plan, visits).items():
        assert budget.above_nominal_s[rail] == pytest.approx(done_s, rel=0.10, abs=0.05), rail
    assert budget.visits == len(visits)


def test_messages_are_those_of_the_driver(desk: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Counted where they pass, at both supplies: a setting is three messages, a look at a rail three."""
    from cornerrun.bench.simulated.instruments.engine import InstrumentEngine

    plan, bench_file, clock = load_plan(desk / "supplied.yaml"), load_bench(desk / "supplied_bench.yaml"), ManualClock()
    budget = budget_of(gather(plan, bench_file, None))
    assert budget is not None
    sent: list[str] = []
    write = InstrumentEngine.write
    monkeypatch.setattr(
        InstrumentEngine, "write", lambda self, message, /: (sent.append(message), write(self, message))
    )
    selection = select(plan)
    with Store.open(f"sqlite:///{desk / 'runs.sqlite'}") as store:
        run_plan(
            plan, bench_file, open_bench(plan, bench_file, clock), store, clock, None,
            guardian=UNGUARDED,
            steps=steps(plan, selection), selection=selection, serial="1",
        )  # fmt: skip
    assert sum(budget.messages.values()) == pytest.approx(len(sent), rel=0.10)


def test_levels_are_those_of_the_supply_in_its_steps(desk: Path) -> None:
    (desk / "coarse.yaml").write_text("format: 1\ntitle: coarse\nrole: supply\nstep: 40 mV\n")
    bench = desk / "supplied_bench.yaml"
    bench.write_text(bench.read_text().replace("FEED_B: {", "FEED_B: {dialect: coarse, "))
    facts = gather(load_plan(desk / "supplied.yaml"), load_bench(bench), None)
    fine, coarse = facts.by_rail["VDD_MCU"], facts.by_rail["VDD_SENSE"]
    assert (fine.row("high").word, fine.row("high").decoded_v) == (3465, pytest.approx(3.465))
    assert {level: coarse.row(level).decoded_v for level in ("nominal", "high", "low2")} == {
        "nominal": pytest.approx(1.8), "high": pytest.approx(1.88), "low2": pytest.approx(1.76),
    }  # fmt: skip
    assert coarse.row("high").error_v == pytest.approx(-0.01)


def test_a_dry_run_tells_voltages_and_protection_in_order(desk: Path) -> None:
    plan, bench_file, letters = load_plan(desk / "supplied.yaml"), load_bench(desk / "supplied_bench.yaml"), Letters()
    rehearsal = rehearse(gather(plan, bench_file, None), letters)
    assert rehearsal is not None
    assert rehearsal.trouble == ""
    written = [letter for section in letters.sections for letter in section.letters if letter.kind == "write"]
    assert [letter.data for letter in written[:2]] == ["as the plan says"] * 2
    assert [letter.data for letter in written[-2:]] == ["as found"] * 2
    voltages = [letter.data for letter in written if letter.what.endswith(": voltage")]
    assert "high, 3.465 V" in voltages
    assert voltages[0] == "proof up, 3.333 V"


def test_there_is_no_estimate_without_the_supplies_or_their_dialect(desk: Path) -> None:
    bench = desk / "supplied_bench.yaml"
    text = bench.read_text()
    for old, new in (("FEED_B", "FEED_X"), ("FEED_B: {", "FEED_B: {dialect: none, ")):
        bench.write_text(text.replace(old, new))
        facts = gather(load_plan(desk / "supplied.yaml"), load_bench(bench), None)
        assert budget_of(facts) is None
        assert why_not(facts) == "bench and plan do not fit each other"
