import json
import re
from pathlib import Path

import pytest

from cornerrun.clock import SystemClock
from cornerrun.errors import CheckError
from cornerrun.plan.model import Check
from cornerrun.results.records import Outcome
from cornerrun.run.checks import CheckRunner
from cornerrun.run.suite import Suite, from_suite, suite_file
from cornerrun.run.view import CheckView, RailView


def a_view(directory: Path, *, corner: str = "all low", unit=None) -> CheckView:
    return CheckView(
        check="board suite",
        corner=corner,
        levels={"CORE": "low"},
        readings={"CORE": RailView(level="low", target_v=0.8, setpoint_v=0.8, telemetry_v=0.801, reference_v=0.8005)},
        conditions={"ambient": 25.0},
        visit=3,
        trial=0,
        seed=1,
        serial="00123",
        directory=directory,
        unit=unit or {},
    )


def run_suite(tmp_path, text, *, trials=1, view=None, arguments=("suite.py",), **changes):
    (tmp_path / "suite.py").write_text(text)
    check = Check(name="board suite", pytest=arguments, trials=trials, timeout_s=60.0, **changes)
    with CheckRunner(checks=[check], directory=tmp_path, clock=SystemClock()) as runner:
        runner.prepare()
        return runner.run(check, view or a_view(tmp_path))


def test_a_suite_is_run_at_the_corner_and_told_test_by_test(tmp_path):
    run = run_suite(
        tmp_path,
        """
import pytest
def test_sees_the_corner(corner):
    assert corner.name == "all low"
    assert corner.levels["CORE"] == "low"
    assert corner.readings["CORE"].best_v == 0.8005
    assert corner.serial == "00123"
def test_fails(corner): assert corner.name == "elsewhere"
@pytest.mark.skip(reason="no probe")
def test_later(): pass
@pytest.mark.parametrize("n", [1, 2])
def test_n(n): pass
""",
    )
    assert run.outcome is Outcome.FAIL_FUNCTIONAL
    assert "suite.py::test_fails" in run.reason
    told = {test.name: test.passed for test in run.tests}
    assert told == {
        "suite.py::test_sees_the_corner": True,
        "suite.py::test_fails": False,
        "suite.py::test_later": None,
        "suite.py::test_n[1]": True,
        "suite.py::test_n[2]": True,
    }
    assert next(test.reason for test in run.tests if test.name.endswith("later")) == "skipped: no probe"


def test_every_trial_runs_the_whole_suite(tmp_path):
    run = run_suite(tmp_path, "def test_a(): pass\n", trials=2)
    assert run.outcome is Outcome.PASS
    assert [(test.trial, test.passed) for test in run.tests] == [(0, True), (1, True)]


@pytest.mark.parametrize(
    ("text", "match"),
    [
        ("import no_such_module\n", "collecting the suite failed.*no_such_module"),
        ("def test_a(): raise KeyError('x')\n", "1 of 1 tests are broken: suite.py::test_a: KeyError: 'x'"),
        ("def test_a(no_such_fixture): pass\n", "broken: suite.py::test_a: setup: .*no_such_fixture"),
        ("", "found no test"),
        ("import pytest\ndef test_a(): pytest.skip('x')\n", "every test was skipped"),
        ("import os\ndef test_a(): os._exit(9)\n", "pytest ended with exit status 9"),
        ("def test_a(): pass\ndef test_b(): 1 / 0\n", "1 of 2 tests are broken: suite.py::test_b"),
    ],
)
def test_a_suite_that_is_broken_says_nothing_of_the_product(tmp_path, text, match):
    run = run_suite(tmp_path, text)
    assert run.outcome is Outcome.ERROR
    assert re.search(match, run.reason), run.reason


def test_pytest_fail_tells_of_the_product(tmp_path):
    run = run_suite(tmp_path, "import pytest\ndef test_a(): pytest.fail('no frames')\n")
    assert run.outcome is Outcome.FAIL_FUNCTIONAL
    assert "no frames" in run.reason


def test_a_suite_that_hangs_is_ended(tmp_path):
    (tmp_path / "suite.py").write_text("import time\ndef test_a(): time.sleep(60)\n")
    check = Check(name="board suite", pytest=("suite.py",), timeout_s=3.0)
    with CheckRunner(checks=[check], directory=tmp_path, clock=SystemClock()) as runner:
        assert runner.run(check, a_view(tmp_path)).outcome is Outcome.ERROR


def test_further_arguments_choose_tests(tmp_path):
    run = run_suite(tmp_path, "def test_a(): pass\ndef test_b(): assert 0\n", arguments=("suite.py", "-k", "test_a"))
    assert run.outcome is Outcome.PASS
    assert [test.name for test in run.tests] == ["suite.py::test_a"]


def test_a_corner_too_large_to_tell_is_an_error(tmp_path):
    view = a_view(tmp_path, unit={"note": "x" * 200_000})
    assert "too large" in run_suite(tmp_path, "def test_a(): pass\n", view=view).reason


def test_a_suite_that_is_not_there_is_found_out_before_anything_moves(tmp_path):
    with pytest.raises(CheckError, match="no file or folder"):
        suite_file(Suite(arguments=("missing",)), tmp_path)


def test_a_part_of_a_file_is_found_by_its_file(tmp_path):
    (tmp_path / "a.py").write_text("")
    assert suite_file(Suite(arguments=("a.py::test_b",)), tmp_path) == tmp_path / "a.py"


def test_an_expected_failure_is_no_verdict_and_no_trouble():
    base = {"$report_type": "TestReport", "nodeid": "a.py::t", "duration": 0.1}
    lines = [
        json.dumps({**base, "when": "call", "outcome": "skipped", "wasxfail": "known", "longrepr": None}),
        json.dumps({**base, "nodeid": "a.py::u", "when": "call", "outcome": "passed"}),
    ]
    answer = from_suite(0, lines)
    assert answer.passed is True
    assert answer.tests[0][1] is None
    assert answer.tests[0][3] == "expected to fail: known"


def test_names_and_reasons_of_any_kind_are_one_short_line():
    base = {
        "$report_type": "TestReport",
        "when": "call",
        "outcome": "failed",
        "duration": 0,
        "longrepr": "x\n\x00" * 9**4,
    }
    answer = from_suite(1, [json.dumps({**base, "nodeid": "a\n\x1b" * 5000, "cornerrun_kind": "assertion"})])
    assert answer.passed is False
    assert len(answer.tests[0][0]) <= 300
    assert answer.tests[0][0].isprintable()
