"""Who answers for what can hurt: a name, before anything is touched."""

from pathlib import Path

import pytest

from cornerrun.cli.confirming import confirmed_by, in_force
from cornerrun.errors import UsageError
from cornerrun.plan.load import load_bench, load_plan
from cornerrun.plan.model import Override

PLANS = Path(__file__).parents[2] / "plans"
ASKED = "\nfault_responses: [{rail: VDDQ, within: 60 ms}]\n"


def _ask(desk: Path) -> None:
    path = desk / "quickstart.yaml"
    path.write_text(path.read_text(encoding="utf-8") + ASKED, encoding="utf-8")


def test_a_plan_that_provokes_nothing_needs_no_name():
    assert in_force(load_plan(PLANS / "quickstart.yaml"), load_bench(PLANS / "quickstart_bench.yaml")) == ()
    assert confirmed_by((), None) == ""


def test_without_a_name_and_a_terminal_nothing_is_touched(cornerrun, desk):
    _ask(desk)
    end = cornerrun("run", "quickstart.yaml", "--serial", "1")
    assert end.code == 2
    assert "fault provoked on VDDQ: an under voltage fault" in end.err
    assert not list(desk.glob("results/*"))


@pytest.mark.parametrize("name", ["", "  ", "a\nb", "x" * 201])
def test_a_name_is_a_name(name: str):
    with pytest.raises(UsageError, match="nobody confirmed it"):
        confirmed_by((Override(kind="fault provoked", because="the plan asks"),), name)


def test_the_name_and_the_matrix_stand_in_the_report(cornerrun, desk):
    _ask(desk)
    run = ("run", "quickstart.yaml", "--serial", "1", "--seed", "3", "--only", "nominal", "--no-workbook")
    end = cornerrun(*run, "--confirm", "A. Gull")
    assert "Faults were PROVOKED, confirmed by A. Gull: VDDQ (under" in end.out
    assert "Provoked faults: which rails went down" in end.out
    (trial,) = cornerrun("report", "last", "--json").data["fault_trials"]
    assert (trial["rail"], trial["is_as_planned"]) == ("VDDQ", True)
