"""Whether a board can be turned off and on as the plan says."""

from dataclasses import replace
from pathlib import Path

from cornerrun.plan.load import load_bench, load_plan
from cornerrun.plan.power_up import PowerUp, Ready
from cornerrun.preflight.rules import findings

PLANS = Path(__file__).parents[2] / "plans"


def _told(power_up: PowerUp, **bench) -> list[tuple[str, str]]:
    plan = replace(load_plan(PLANS / "quickstart.yaml"), power_up=power_up)
    file = replace(load_bench(PLANS / "quickstart_bench.yaml"), **bench)
    return [(item.severity, item.numbers) for item in findings(plan, file) if item.rule == "power up"]


def test_only_the_time_is_told_where_all_is_there():
    asked = PowerUp(order=("VDD_CORE",), cycles=4, off_for_s=0.5, ready=Ready(console="ready", timeout_s=30.0))
    told = _told(asked, console="simulated")
    assert told == [("note", "at worst 4 power cycles of 30.5 s each come on top of the estimate")]


def test_what_the_bench_lacks_and_what_can_not_start_is_an_error():
    asked = PowerUp(order=(), by="input power", ready=Ready(console="ready", timeout_s=1.0))
    assert [severity for severity, _ in _told(asked)] == ["error", "error", "note"]
    missing = PowerUp(order=(), ready=Ready(command="./nowhere.sh", timeout_s=1.0))
    assert "nowhere.sh" in _told(missing)[0][1]


def test_a_rail_that_is_never_moved_is_turned_off_only_with_a_warning():
    told = _told(PowerUp(order=("VDD_AUX",)))
    assert told[0] == ("warning", "VDD_AUX is turned off with the others, and is never moved since: bus pull-ups")
