"""What a provoked fault takes down, and which relations that breaks."""

from dataclasses import replace
from pathlib import Path

import pytest

from cornerrun.errors import PlanProblems
from cornerrun.plan.fault_reach import broken_relations, taken_down
from cornerrun.plan.fault_response import FaultResponse
from cornerrun.plan.load import load_bench, load_plan
from cornerrun.preflight.rules import findings

PLANS = Path(__file__).parents[2] / "plans"


def _response(rail: str, *down: str) -> FaultResponse:
    return FaultResponse(rail=rail, fault="under voltage", takes_down=down, within_s=0.02, then="stays off")


def test_rails_that_follow_go_down_with_their_leader():
    plan = load_plan(PLANS / "quickstart.yaml")
    assert taken_down(plan, _response("VDDQ")) == {"VDDQ", "VTT"}
    assert taken_down(plan, _response("VDD_SRAM", "VDDQ")) == {"VDD_SRAM", "VDDQ", "VTT"}


def test_a_relation_breaks_where_one_of_its_rails_goes_and_where_both_go_one_after_the_other():
    # VDD_IO - VDD_CORE lies between 0.7 V and 1.2 V; nominal 1.8 V and 0.85 V.
    plan = load_plan(PLANS / "quickstart.yaml")
    ((relation, worst_v),) = broken_relations(plan, _response("VDD_CORE"))
    assert (relation.rail, worst_v) == ("VDD_IO", pytest.approx(1.8))
    ((_, worst_v),) = broken_relations(plan, _response("VDD_IO"))
    assert worst_v == pytest.approx(-0.85)
    assert list(broken_relations(plan, _response("VDD_IO", "VDD_CORE")))
    assert not list(broken_relations(plan, _response("VDD_SRAM", "VDDQ")))


def test_preflight_refuses_a_fault_that_would_break_a_relation():
    plan = replace(load_plan(PLANS / "quickstart.yaml"), fault_responses=(_response("VDD_CORE"), _response("VDDQ")))
    told = [
        (item.severity, item.rail)
        for item in findings(plan, load_bench(PLANS / "quickstart_bench.yaml"))
        if item.rule == "fault response"
    ]
    assert told == [("error", "VDD_CORE"), ("note", "VDD_CORE"), ("note", "VDDQ")]


@pytest.mark.parametrize(
    ("item", "said"),
    [
        ("{rail: VDDX, within: 1 ms}", "no rail is called 'VDDX'"),
        ("{rail: VTT, within: 1 ms}", "follows VDDQ"),
        ("{rail: VDDQ, takes_down: [VTT], within: 1 ms}", "follows VDDQ"),
        ("{rail: VDDQ, takes_down: [VDDQ], within: 1 ms}", "is the one that faults"),
        ("{rail: VDDQ}", "within"),
        ("{rail: VDDQ, within: 1 ms, fault: short}", "fault"),
        ("{rail: VDDQ, within: 1 ms}, {rail: VDDQ, within: 2 ms}", "stands here twice"),
    ],
)
def test_a_fault_response_that_makes_no_sense_is_told(tmp_path: Path, item: str, said: str):
    text = (PLANS / "quickstart.yaml").read_text(encoding="utf-8") + f"\nfault_responses: [{item}]\n"
    path = tmp_path / "plan.yaml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(PlanProblems, match=said):
        load_plan(path)
