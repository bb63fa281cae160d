"""The wiring proof on the simulated bench: what is wired wrong is named before anything is margined."""

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from cornerrun.bench.bench import open_bench
from cornerrun.clock import ManualClock
from cornerrun.corners.order import steps
from cornerrun.corners.select import select
from cornerrun.plan.load import load_bench, load_plan
from cornerrun.plan.model import Proof
from cornerrun.results.records import EndState, RunResult
from cornerrun.results.store import Store
from cornerrun.run.guarded import UNGUARDED
from cornerrun.run.runner import run_plan

PLANS = Path(__file__).parents[2] / "plans"


def run(tmp_path: Path, channels: dict[str, int] | None = None, **changes: Any) -> tuple[Any, Any]:
    plan = replace(load_plan(PLANS / "quickstart.yaml"), checks=(), proof=Proof(), **changes)
    bench_file = load_bench(PLANS / "quickstart_bench.yaml")
    bench_file = replace(bench_file, channels={**bench_file.channels, **(channels or {})})
    clock, selection = ManualClock(), select(plan)
    bench = open_bench(plan, bench_file, clock, seed=3)
    with Store.open(tmp_path / "runs.db") as store:
        end = run_plan(
            plan, bench_file, bench, store, clock, None,
            guardian=UNGUARDED, steps=steps(plan, selection, only=("all high",)), selection=selection, serial="7",
        )  # fmt: skip
        return end, store.load(end.run_id)


def test_a_bench_that_is_wired_right_is_proved_and_its_interaction_matrix_kept(tmp_path: Path) -> None:
    _, data = run(tmp_path)
    assert [step.rail for step in data.proof] == ["VDD_CORE", "VDD_SRAM", "VDDQ", "VDD_IO"]
    for step in data.proof:
        row = step.coupling()
        assert row[step.rail] == pytest.approx(1.0, abs=0.05)
        # VTT is made to follow VDDQ by half, on the board and in the plan alike.
        assert row["VTT"] == pytest.approx(0.5 if step.rail == "VDDQ" else 0.0, abs=0.02)
        assert step.troubles == ()
    assert any(event.what.startswith("wiring proof passed: 4 rails") for event in data.events)
    assert len(data.visits) == 3


def test_swapped_channels_are_named_and_nothing_is_margined(tmp_path: Path) -> None:
    end, data = run(tmp_path, {"VDD_CORE": 102, "VDD_SRAM": 101})
    assert (end.exit_code, end.result, end.end_state) == (3, RunResult.INCOMPLETE, EndState.NOMINAL)
    assert "the meter channels of VDD_CORE and VDD_SRAM are swapped" in end.why
    assert data.visits == ()


def test_a_channel_on_a_rail_beyond_the_range_is_named_too(tmp_path: Path) -> None:
    end, _ = run(tmp_path, {"VDD_SRAM": 103, "VDDQ": 102})
    assert "what answers by the meter channel of VDDQ is VDD_SRAM" in end.why
    assert "overload" in end.why
    assert end.end_state is EndState.NOMINAL


def test_a_reading_beyond_a_hard_limit_is_no_reason_to_power_down_before_the_wiring_is_proved(tmp_path: Path) -> None:
    end, _ = run(tmp_path, {"VDDQ": 105, "VDD_IO": 103})
    assert "the meter channels of VDDQ and VDD_IO are swapped" in end.why
    assert end.end_state is EndState.NOMINAL


def test_a_rail_with_no_room_for_the_step_is_named(tmp_path: Path) -> None:
    plan = load_plan(PLANS / "quickstart.yaml")
    tight = tuple(
        replace(r, hard_limits=replace(r.hard_limits, min_v=0.845, max_v=0.855)) if r.name == "VDD_CORE" else r
        for r in plan.rails
    )
    end, _ = run(tmp_path, rails=tight)
    assert "VDD_CORE can be stepped neither up nor down" in end.why
    assert end.end_state is EndState.NOMINAL


def test_the_configuration_is_kept_before_and_after_and_is_the_same(tmp_path: Path) -> None:
    _, data = run(tmp_path)
    before, after = data.snapshots
    assert (before.moment, after.moment) == ("before", "after")
    assert before.sha256 == after.sha256
    assert before.registers == after.registers
    assert not [event for event in data.events if "configuration changed" in event.what]
