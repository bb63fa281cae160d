"""The estimate against what a run then takes on the simulated clock: total, phases, messages, closures, over-stress."""

import shutil
from dataclasses import dataclass
from pathlib import Path

import pytest

from cornerrun.bench.bench import open_bench
from cornerrun.clock import ManualClock
from cornerrun.corners.order import steps
from cornerrun.corners.select import select
from cornerrun.plan.load import load_bench, load_plan
from cornerrun.preflight.budget import REST, Budget, above_nominal_s, budget_of, phases_s
from cornerrun.preflight.facts import gather
from cornerrun.preflight.rules import apply_rules
from cornerrun.results.store import Store
from cornerrun.run.checks import CheckRunner
from cornerrun.run.guarded import UNGUARDED
from cornerrun.run.runner import run_plan

PLANS = Path(__file__).parents[2] / "plans"
SCAN_S = 0.02  # what the demo boards' managers take for a conversion of every rail
# Chosen: what a reading on the slow bus may wait for: seven messages of its own, 0.4 ms each, and a sweep of the watch.
READING_S = 0.01
WITHIN = 0.10  # what is promised of an estimate


@dataclass(frozen=True)
class Took:
    """What a run took."""

    total_s: float
    phases_s: dict[str, float]
    above_nominal_s: dict[str, float]
    messages: int
    visits: int
    visits_above: dict[str, int]


def reckoned_and_done(directory: Path, name: str) -> tuple[Budget, Took]:
    plan = load_plan(directory / name)
    assert plan.bench is not None
    bench_file = load_bench(plan.bench)
    budget = budget_of(gather(plan, bench_file, None))
    assert budget is not None
    clock = ManualClock()
    bench = open_bench(plan, bench_file, clock, seed=1)
    selection = select(plan)
    with (
        Store.open(f"sqlite:///{directory / 'runs.sqlite'}") as store,
        CheckRunner(checks=plan.checks, directory=plan.directory, clock=clock) as checks,
    ):
        end = run_plan(
            plan,
            bench_file,
            bench,
            store,
            clock,
            checks,
            guardian=UNGUARDED,
            steps=steps(plan, selection),
            selection=selection,
            serial="1",
            seed=1,
        )
        data = store.load(end.run_id)
    took = Took(
        total_s=clock.now_s(),
        phases_s=dict(phases_s(data.visits)[0]),
        above_nominal_s=dict(above_nominal_s(plan, data.visits)),
        messages=bench.traffic()["messages"],
        visits=len(data.visits),
        visits_above={
            rail.name: sum(
                reading.target_v > rail.nominal_v
                for record in data.visits
                for reading in record.readings
                if reading.rail == rail.name
            )
            for rail in plan.rails
        },
    )
    bench.close()
    return budget, took


def changed(tmp_path: Path, name: str, changes: dict[str, list[tuple[str, str]]]) -> Path:
    """Copy a demo plan, some of its texts changed, by file."""
    for path in PLANS.glob(f"{name}*"):
        shutil.copy2(path, tmp_path)
    for file, texts in changes.items():
        text = (tmp_path / file).read_text(encoding="utf-8")
        for old, new in texts:
            assert old in text, old
            text = text.replace(old, new)
        (tmp_path / file).write_text(text, encoding="utf-8")
    return tmp_path


def without_checks() -> list[tuple[str, str]]:
    text = (PLANS / "quickstart.yaml").read_text(encoding="utf-8")
    section = text[text.index("checks:") : text.index("criteria:")]
    return [(section, ""), ("  trim: {claim: 0.25 %}\n", "")]


def without_meter() -> list[tuple[str, str]]:
    text = (PLANS / "quickstart_bench.yaml").read_text(encoding="utf-8")
    return [(text[text.index("instruments:") : text.index("watch:")], "")]


SLOW_BUS = ("clock: 400 kHz", "clock: 100 kHz, pec: false")
WARM_UP = "warm_up: {drift: 0.1 %, over: 20 s, timeout: 5 min}"
VARIANTS: dict[str, dict[str, list[tuple[str, str]]]] = {
    "as it is": {},
    "bare moves": {"quickstart.yaml": without_checks(), "quickstart_bench.yaml": without_meter()},
    "a slow bus that is watched closely": {
        "quickstart_bench.yaml": [SLOW_BUS, ("period: 100 ms", "period: 20 ms")],
    },
    "bare moves on a slow bus": {
        "quickstart.yaml": without_checks(),
        "quickstart_bench.yaml": [*without_meter(), SLOW_BUS],
    },
    "long holds, slow conversions, two sweeps": {
        "quickstart.yaml": [
            ("stable_for: 60 ms", "stable_for: 300 ms"),
            ("profile: generic,", "profile: generic, scan: 80 ms,"),
            ("  control_points:", "  repeats: 2\n  control_points:"),
        ],
        "quickstart_board.yaml": [("scan: 20 ms", "scan: 80 ms")],
    },
    "slow rails": {
        "quickstart.yaml": without_checks(),
        "quickstart_board.yaml": [("time_constant: 4 ms", "time_constant: 80 ms")],
    },
    "always through nominal": {"quickstart.yaml": [("  control_points:", "  via_nominal: true\n  control_points:")]},
    "many short trials": {"quickstart.yaml": [("trials: 30", "trials: 200"), ("takes: 5 ms", "takes: 1 ms")]},
    "a long aperture": {"quickstart_bench.yaml": [("nplc: 1\n", "nplc: 10\n    relay_delay: 20 ms\n")]},
    "a characterisation of trim": {
        "quickstart.yaml": [
            *without_checks(),
            (
                "criteria:\n",
                f"trim: {{setpoints: 5, span: 3 %, repeats: 2, {WARM_UP}}}\ncriteria:\n",
            ),
        ],
    },
    "a wiring proof": {"quickstart.yaml": [("\ncorners:\n", "\nproof: {step: 1 %}\n\ncorners:\n")]},
}


@pytest.mark.parametrize("changes", VARIANTS.values(), ids=VARIANTS.keys())
def test_the_estimate_is_within_ten_per_cent_of_the_run(tmp_path: Path, changes) -> None:
    budget, took = reckoned_and_done(changed(tmp_path, "quickstart", changes), "quickstart.yaml")
    assert took.visits == budget.visits
    assert budget.total_s == pytest.approx(took.total_s, rel=WITHIN)
    assert sum(budget.messages.values()) == pytest.approx(took.messages, rel=WITHIN)
    assert {*budget.phases_s} == {*took.phases_s, REST}
    for phase, time_s in took.phases_s.items():
        assert budget.phases_s[phase] == pytest.approx(time_s, rel=WITHIN), phase
    assert {*budget.above_nominal_s} == {*took.above_nominal_s}
    for rail, time_s in took.above_nominal_s.items():
        # When a conversion falls within a visit is chance: a conversion period either way, and the reading that waits
        # for it, at each visit above nominal.
        chance_s = (SCAN_S + READING_S) * took.visits_above[rail]
        assert budget.above_nominal_s[rail] == pytest.approx(time_s, rel=WITHIN, abs=chance_s), rail


@pytest.mark.parametrize(
    "changes",
    [{}, {"forty_rails_bench.yaml": [("period: 500 ms", "period: 150 ms"), ("clock: 400 kHz", "clock: 1 MHz")]}],
    ids=["as it is", "a fast bus that is watched closely"],
)
def test_the_estimate_of_forty_rails_is_within_ten_per_cent(tmp_path: Path, changes) -> None:
    budget, took = reckoned_and_done(changed(tmp_path, "forty_rails", changes), "forty_rails.yaml")
    assert took.visits == budget.visits
    assert budget.total_s == pytest.approx(took.total_s, rel=WITHIN)
    assert sum(budget.messages.values()) == pytest.approx(took.messages, rel=WITHIN)
    for phase, time_s in took.phases_s.items():
        assert budget.phases_s[phase] == pytest.approx(time_s, rel=WITHIN), phase


def test_the_estimate_of_chamber_and_cold_boot_is_within_ten_per_cent(tmp_path: Path) -> None:
    checks = (PLANS / "four_corners.yaml").read_text(encoding="utf-8")
    bare = [(checks[checks.index("checks:") : checks.index("criteria:")], "")]
    directory = changed(tmp_path, "four_corners", {"four_corners.yaml": bare})
    budget, took = reckoned_and_done(directory, "four_corners.yaml")
    assert took.visits == budget.visits
    assert budget.total_s == pytest.approx(took.total_s, rel=WITHIN)
    assert sum(budget.messages.values()) == pytest.approx(took.messages, rel=WITHIN)
    assert budget.power_cycles == 1
    for phase in ("boot", "settle", "measure"):
        assert budget.phases_s[phase] == pytest.approx(took.phases_s[phase], rel=WITHIN), phase
    # The way to rest belongs to no visit.
    rest_s = took.total_s - sum(took.phases_s.values())
    assert budget.phases_s["conditions"] == pytest.approx(took.phases_s["conditions"] + rest_s, rel=WITHIN)


def test_phases_sum_to_the_whole_and_closures_are_those_of_the_scanner(tmp_path: Path) -> None:
    directory = changed(tmp_path, "quickstart", {})
    plan = load_plan(directory / "quickstart.yaml")
    budget = budget_of(gather(plan, load_bench(directory / "quickstart_bench.yaml"), None))
    assert budget is not None
    assert sum(budget.phases_s.values()) == pytest.approx(budget.total_s, rel=1e-9)
    assert sum(budget.checks_s.values()) == pytest.approx(budget.phases_s["checks"], rel=1e-9)
    # 20 visits, each of 6 channels; nothing cycles power, nothing is ever stored in a device.
    assert (budget.relay_closures, budget.power_cycles, budget.stores) == (120, 0, 0)


def test_a_run_that_over_stresses_a_rail_is_refused_and_one_that_just_does_not_is_not(tmp_path: Path) -> None:
    def found(allowed: str) -> list[tuple[str, str, str]]:
        page = "power: {device: PM1, page: 0}"
        changes = {"quickstart.yaml": [(page, f"{page}\n    above_nominal: {allowed}")]}
        directory = changed(tmp_path, "quickstart", changes)
        facts = gather(load_plan(directory / "quickstart.yaml"), load_bench(directory / "quickstart_bench.yaml"), None)
        return [(f.severity, f.rule, f.rail) for f in apply_rules(facts) if f.severity != "note"]

    # VDD_CORE is above nominal in five visits of some 1.15 s each.
    assert found("5 s") == [("error", "over-stress", "VDD_CORE")]
    assert found("6.5 s") == []


def test_says_what_it_could_not_know(tmp_path: Path) -> None:
    directory = changed(tmp_path, "quickstart", {"quickstart.yaml": [(", takes: 20 ms", "")]})
    plan = load_plan(directory / "quickstart.yaml")
    budget = budget_of(gather(plan, load_bench(directory / "quickstart_bench.yaml"), None))
    assert budget is not None
    assert "'memory march': 'takes' does not tell how long a trial is, counted as nothing" in budget.assumptions


def test_without_a_bench_nothing_is_reckoned(tmp_path: Path) -> None:
    directory = changed(tmp_path, "quickstart", {})
    assert budget_of(gather(load_plan(directory / "quickstart.yaml"), None, None)) is None
