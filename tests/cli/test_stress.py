"""The stress ledger: what a board has been through over all its runs, and a budget that refuses."""

import subprocess
import sys

import openpyxl
import pytest

QUICK = ("run", "quickstart.yaml", "--serial", "00123", "--seed", "3", "--no-workbook", "--only", "all high")


@pytest.fixture
def allow(desk):
    """Let the board stand above nominal no longer than so in all."""

    def call(allowed):
        path = desk / "quickstart.yaml"
        text = path.read_text(encoding="utf-8")
        line = next(line for line in text.splitlines() if line.strip() == "- name: VDD_IO")
        path.write_text(text.replace(line, f"{line}\n    above_nominal_in_all: {allowed}", 1), encoding="utf-8")

    return call


def rows(cornerrun, serial="00123"):
    return {(row["rail"], row["level"]): row for row in cornerrun("stress", serial, "--json").data}


def test_runs_and_holds_of_a_board_add_up(cornerrun):
    assert cornerrun(*QUICK).code == 1
    once = rows(cornerrun)
    assert ("VDD_CORE", "high") in once
    assert ("VTT", "high") in once, "a rail that follows is stressed with its leader"
    assert all(row["runs"] == 1 and row["time_s"] > 0 and row["lost_s"] == 0 for row in once.values())
    assert cornerrun("goto", "quickstart.yaml", "all high", "--hold", "10min", "--serial", "00123").code == 0
    twice = rows(cornerrun)
    assert twice["VDD_CORE", "high"]["runs"] == 2
    assert twice["VDD_CORE", "high"]["time_s"] == pytest.approx(once["VDD_CORE", "high"]["time_s"] + 600, abs=2)
    assert cornerrun("stress", "another").out == "no runs of another\n"
    assert "VDD_CORE" in cornerrun("stress", "00123").out


def test_the_signoff_holds_the_numbers_of_the_ledger(cornerrun, desk):
    for command in (QUICK, ("goto", "quickstart.yaml", "all high", "--hold", "10min", "--serial", "00123"), QUICK):
        cornerrun(*command)
    ledger = rows(cornerrun)
    told = cornerrun("report", "--workbook", "--out", "out.xlsx", "--json").data["stress"]
    assert {(row["rail"], row["level"]) for row in told} == set(ledger)
    sheet = openpyxl.load_workbook(desk / "out.xlsx", data_only=True)["Sign-off"]
    cells = {row[:2]: row[2:9] for row in sheet.iter_rows(values_only=True) if row[1] == "high"}
    for row in told:
        entry = ledger[row["rail"], row["level"]]
        assert row["run_s"] + row["earlier_s"] == pytest.approx(entry["time_s"] + entry["lost_s"], rel=1e-12)
        assert row["total_s"] == pytest.approx(entry["time_s"] + entry["lost_s"], rel=1e-12)
        assert row["run_cycles"] + row["earlier_cycles"] == entry["cycles"] == 3
        assert row["run_visits"] + row["earlier_visits"] == entry["visits"]
        assert row["earlier_runs"] == entry["runs"] - 1 == 2
        assert row["earlier_s"] > 600 > row["run_s"] > 0
        shown = cells[row["rail"], "high"]
        assert shown[:6] == pytest.approx((row["run_s"], 1, row["earlier_s"], 2, 2, row["total_s"]), rel=1e-12)


def test_a_board_at_low_only_has_no_stress(cornerrun):
    assert cornerrun("run", "quickstart.yaml", "--serial", "7", "--no-workbook", "--only", "all low").code in (0, 1)
    assert rows(cornerrun, "7") == {}
    assert "no rail of 7 has stood above nominal" in cornerrun("stress", "7").out


def test_a_run_that_would_exceed_the_budget_is_refused_before_anything_moves(cornerrun, allow, desk):
    allow("11 min")
    hold = ("goto", "quickstart.yaml", "all high", "--hold", "10min", "--serial", "00123")
    assert cornerrun(*hold).code == 0
    refused = cornerrun(*hold)
    assert refused.code == 2
    assert "VDD_IO of '00123' has stood above nominal for 10 min" in refused.err.replace("600 s", "10 min")
    assert "above_nominal_in_all" in refused.err
    assert len(cornerrun("runs", "--json").data) == 1
    assert cornerrun(*QUICK).code == 1, "a short run still fits"
    other = [*hold[:-1], "00124"]
    assert cornerrun(*other).code == 0, "another board has its own budget"
    low = ("goto", "quickstart.yaml", "all low", "--hold", "1h", "--serial", "00123")
    assert cornerrun(*low).code == 0, "low is no stress"


def test_a_run_whose_own_visits_exceed_the_budget_is_refused(cornerrun, allow):
    allow("1 ms")
    refused = cornerrun(*QUICK)
    assert refused.code == 2
    assert "this one adds about" in refused.err


def test_visits_that_are_repeated_on_the_command_line_count_as_often(cornerrun, allow, desk):
    assert cornerrun(*QUICK).code == 1
    once_s = rows(cornerrun)["VDD_IO", "high"]["time_s"]
    allow(f"{6 * once_s:.3f} s")
    refused = cornerrun(*QUICK, "--repeat", "20")
    assert refused.code == 2
    assert "above_nominal_in_all" in refused.err
    assert cornerrun(*QUICK, "--repeat", "2").code == 1


def test_a_session_of_pytest_keeps_the_budget_too(cornerrun, allow, desk):
    allow("1 ms")
    (desk / "pytest.ini").write_text("[pytest]\n", encoding="utf-8")
    (desk / "test_board.py").write_text("def test_core(corner):\n    pass\n", encoding="utf-8")
    plan = ["--cornerrun", "quickstart.yaml", "--cornerrun-only", "all high"]
    command = [sys.executable, "-m", "pytest", "-p", "cornerrun.cli.pytest_plugin", "-p", "no:cacheprovider", *plan]
    done = subprocess.run(command, cwd=desk, capture_output=True, text=True, timeout=120, check=False)
    assert done.returncode != 0
    assert "above_nominal_in_all" in done.stdout + done.stderr
