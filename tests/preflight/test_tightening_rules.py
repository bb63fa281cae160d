"""Which limits of the devices a run can tighten, told before it starts."""

from dataclasses import replace
from pathlib import Path

from cornerrun.plan.load import load_bench, load_plan
from cornerrun.preflight.rules import findings

PLANS = Path(__file__).parents[2] / "plans"
RULE = "tightened limits"


def _told(**changes) -> dict[str, str]:
    plan = load_plan(PLANS / "quickstart.yaml")
    rails = tuple(
        replace(rail, hard_limits=replace(rail.hard_limits, max_v=changes.get(rail.name, rail.hard_limits.max_v)))
        for rail in plan.rails
    )
    plan = replace(plan, rails=rails, limits_kept=changes.get("kept", {}))
    bench = load_bench(PLANS / "quickstart_bench.yaml")
    return {item.rail: item.numbers for item in findings(plan, bench) if item.rule == RULE}


def test_nothing_is_told_where_limits_go_to_the_hard_limits():
    assert _told() == {}


def test_a_rail_whose_margin_comes_too_near_is_told_with_what_it_needs():
    # 0.8925 V and its accuracy of 0.5 % are 0.897 V; a comparator good to 1 % needs 0.906 V.
    told = _told(VDD_CORE=0.9)
    assert set(told) == {"VDD_CORE"}
    assert "hard limit of 900 mV" in told["VDD_CORE"]
    assert "needs 906" in told["VDD_CORE"]


def test_what_is_kept_on_purpose_is_told_with_its_reason():
    assert _told(kept={"VDDQ": "its comparator glitches"}) == {
        "VDDQ": "VOUT_MAX and the OV fault limit stay as they are: its comparator glitches"
    }
