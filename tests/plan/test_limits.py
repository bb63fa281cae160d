from pathlib import Path

import pytest

from cornerrun.errors import PlanProblems
from cornerrun.plan.load import load_plan

LIMITS = """\
format: 1
owner: hardware safety
board: tide-gauge node
rails:
  CORE: {min: 0.78 V, max: 0.92 V}
  SRAM: {min: 0.83 V, max: 0.97 V}
  DDR: {min: 1.11 V, max: 1.29 V}
  VTT: {min: 0.55 V, max: 0.65 V}
  IO: {min: 1.62 V, max: 1.98 V}
  AUX: {min: 3.0 V, max: 3.6 V}
"""


@pytest.fixture
def limited(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, plan_text: str):
    monkeypatch.chdir(tmp_path)

    def load(limits: str = LIMITS, plan: str = plan_text, *, named: bool = True):
        Path("limits.yaml").write_text(limits, encoding="utf-8")
        Path("plan.yaml").write_text(plan + ("limits: limits.yaml\n" if named else ""), encoding="utf-8")
        return load_plan(Path("plan.yaml"), limits=None if named else Path("limits.yaml"))

    return load


@pytest.mark.parametrize("named", [True, False])
def test_a_plan_within_its_limits_loads(limited, named: bool) -> None:
    assert [source.role for source in limited(named=named).sources] == ["plan", "limits"]


def test_a_plan_may_leave_its_limits_to_the_limits_file(limited, plan_text: str) -> None:
    plan = limited(plan=plan_text.replace("    hard_limits: {min: 0.83 V, max: 0.97 V}\n", ""))
    assert plan.rail("SRAM").hard_limits.max_v == 0.97


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("SRAM: {min: 0.83 V", "SRAM: {min: 0.85 V",
         ("plan.yaml:13:24: rails[SRAM].hard_limits.min: 830 mV is wider than 850 mV in limits.yaml:6:15; "
         "a plan may only be tighter: write '850 mV', or ask hardware safety")),
        ("  SRAM:", "  SRAMS:", ("plan.yaml:10:11: rails[SRAM].name: 'SRAM' has no limits in limits.yaml; "
         "did you mean 'SRAMS'?")),
        ("board: tide-gauge node", "board: other node",
         ("plan.yaml:3:15: board.name: this is 'tide-gauge node', but limits.yaml is for 'other node'; "
         "use the limits file of this board")),
        ("owner: hardware safety\n", "", "limits.yaml:1:1: owner: is missing; write 'owner: hardware safety'"),
        ("max: 0.97 V", "max: 0.80 V", ("limits.yaml:6:9: rails.SRAM: min 830 mV is not below max 800 mV; "
         "swap the two, or mend one")),
        ("max: 0.97 V", "max: 0.97", "limits.yaml:6:28: rails.SRAM.max: '0.97' has no unit; write it like '0.97 V'"),
    ],
)  # fmt: skip
def test_a_plan_can_only_be_tighter(limited, old: str, new: str, said: str) -> None:
    with pytest.raises(PlanProblems) as caught:
        limited(LIMITS.replace(old, new))
    assert str(caught.value) == said


def test_limits_that_the_plan_states_tighter_stay(limited, plan_text: str) -> None:
    plan = limited(plan=plan_text.replace("{min: 0.83 V, max: 0.97 V}", "{min: 0.84 V, max: 0.96 V}"))
    assert (plan.rail("SRAM").hard_limits.min_v, plan.rail("SRAM").hard_limits.max_v) == (0.84, 0.96)


def test_a_limits_file_that_is_not_there_is_one_problem(tmp_path: Path, plan_text: str) -> None:
    text = plan_text.replace("    hard_limits: {min: 0.83 V, max: 0.97 V}\n", "") + "limits: gone.yaml\n"
    (tmp_path / "plan.yaml").write_text(text, encoding="utf-8")
    with pytest.raises(PlanProblems) as caught:
        load_plan(tmp_path / "plan.yaml")
    assert [problem.path.name for problem in caught.value.problems] == ["gone.yaml"]


def test_a_broken_limits_file_and_a_broken_plan_are_told_together(limited, plan_text: str) -> None:
    with pytest.raises(PlanProblems) as caught:
        limited("", plan_text.replace("trials: 30", "trials: 0"))
    assert {problem.path.name for problem in caught.value.problems} == {"plan.yaml", "limits.yaml"}
