import shutil
import subprocess
import sys
from pathlib import Path

import pytest

PLANS = Path(__file__).parents[2] / "plans"
# A band that the planted error of VDDQ lies outside of: it never comes to rest in it.
NARROW = "settle: {band: 0.05 %, stable_for: 60 ms, timeout: 300 ms}"
SUITE = """
def test_core(corner):
    assert corner.readings["VDD_CORE"].best_v < 0.88, "core is high"

def test_without_a_corner():
    pass
"""


@pytest.fixture
def bench(tmp_path):
    for path in PLANS.glob("quickstart*"):
        shutil.copy(path, tmp_path)
    (tmp_path / "pytest.ini").write_text("[pytest]\n")
    (tmp_path / "test_board.py").write_text(SUITE)

    def call(*arguments):
        command = [sys.executable, "-m", "pytest", "-p", "cornerrun.cli.pytest_plugin", "-p", "no:cacheprovider"]
        done = subprocess.run(
            [*command, *arguments], cwd=tmp_path, capture_output=True, text=True, timeout=120, check=False
        )
        return done.returncode, done.stdout + done.stderr

    return call


def over_corners(*only):
    chosen = [part for name in only for part in ("--cornerrun-only", name)]
    return ["--cornerrun", "quickstart.yaml", "--cornerrun-seed", "1", "-v", *chosen]


def test_a_suite_runs_at_every_corner_chosen_and_the_board_ends_at_nominal(bench, tmp_path):
    code, out = bench(*over_corners("all high", "all low"), "test_board.py")
    assert code == 1
    assert "test_board.py::test_core[all low] PASSED" in out
    assert "test_board.py::test_core[all high] FAILED" in out
    assert "core is high" in out
    assert out.count("test_without_a_corner PASSED") == 1
    assert "board left at nominal" in out
    assert (tmp_path / "results" / "runs.sqlite").exists()


def test_a_suite_that_passes_everywhere_passes(bench, tmp_path):
    plan = (tmp_path / "quickstart.yaml").read_text()
    (tmp_path / "quickstart.yaml").write_text(plan.replace("  trim: {claim: 0.25 %}", ""))
    code, out = bench(*over_corners("VDDQ low"), "test_board.py", "-k", "core")
    assert code == 0, out
    assert "test_core[VDDQ low] PASSED" in out
    assert "test_without_a_corner" not in out


def test_stopping_at_the_first_failure_brings_the_board_back(bench):
    code, out = bench(*over_corners("all high", "all low"), "-x", "test_board.py")
    assert code == 1
    assert "stopping after 1 failures" in out
    assert "board left at nominal" in out
    assert "Interrupt" not in out


def test_without_a_plan_tests_of_a_corner_are_skipped(bench):
    code, out = bench("-rs", "test_board.py")
    assert code == 0
    assert "1 passed, 1 skipped" in out
    assert "no corner is held" in out


def test_a_plan_that_is_not_there_is_a_usage_error(bench):
    code, out = bench("--cornerrun", "nope.yaml", "test_board.py")
    assert code == 4
    assert "nope.yaml" in out
    assert "Traceback" not in out


def test_collecting_only_moves_nothing(bench, tmp_path):
    code, out = bench(*over_corners("all low"), "--collect-only", "-q", "test_board.py")
    assert code == 0
    assert "test_core[all low]" in out
    assert not (tmp_path / "results").exists()


def test_rails_outside_their_windows_fail_the_session_though_no_test_fails(bench, tmp_path):
    plan = (tmp_path / "quickstart.yaml").read_text()
    (tmp_path / "quickstart.yaml").write_text(plan.replace("voltage: {window: 1 %}", "voltage: {window: 0.001 %}"))
    code, out = bench(*over_corners("all low"), "test_board.py")
    assert code == 1
    assert " failed" not in out.splitlines()[-1]
    assert ": fail:" in out or ": invalid:" in out


def test_a_corner_whose_rails_do_not_settle_fails_the_tests_that_need_it(bench, tmp_path):
    plan = (tmp_path / "quickstart.yaml").read_text()
    plan = plan.replace("settle: {band: 0.6 %, stable_for: 60 ms, timeout: 2 s}", NARROW)
    (tmp_path / "quickstart.yaml").write_text(plan)
    code, out = bench(*over_corners("VDDQ high"), "test_board.py")
    assert code == 1
    assert "test_core[VDDQ high] FAILED" in out
    assert "not-settled at VDDQ high" in out
