"""The main job as a person meets it: commands, exit codes, files."""

import os
import re
import signal

import pytest
from lost_runs import guardian_of, wait_until_moved

from cornerrun.plan.load import load_units

QUICK = ("run", "quickstart.yaml", "--serial", "00123", "--seed", "3")


def test_the_quickstart_fails_for_its_planted_reasons_and_for_no_others(cornerrun, desk):
    end = cornerrun(*QUICK)
    assert end.code == 1, end.err
    assert "SIMULATED" in end.err.replace("  ", "")
    summary = end.out.partition("Tested")[0]
    assert "memory march" in summary
    assert "VDD_CORE low, VDDQ high" in summary
    assert "trim accuracy of VDD_IO" in summary
    failed = re.findall(r"■ fail-\w+  ([^:\n]+)", end.err)
    assert failed == ["VDD_CORE low, VDDQ high"]
    assert len(list(desk.glob("results/*/report.xlsx"))) == 1


def test_json_says_the_same_as_the_text_and_serials_stay_text(cornerrun):
    data = cornerrun(*QUICK, "--json", "--no-workbook").data
    assert data["header"]["serial"] == "00123"
    assert data["result"] == "fail"
    assert data == cornerrun("report", "last", "--json").data


def test_the_same_seed_gives_the_same_outcomes(cornerrun):
    def outcomes(seed):
        text = cornerrun("run", "quickstart.yaml", "--serial", "1", "--seed", seed, "--no-workbook").err
        return re.findall(r"^visit .*?(?=\s+\[)", text, flags=re.MULTILINE)

    assert outcomes(3) == outcomes(3)
    assert outcomes(3) != outcomes(4)


def test_only_one_corner_is_visited_between_its_control_points_if_asked(cornerrun):
    end = cornerrun(*QUICK, "--only", "VDD_SRAM high", "--no-workbook")
    visits = re.findall(r"^visit +\d  ● pass  (.*?)  \[", end.err, flags=re.MULTILINE)
    assert visits == ["nominal (control point)", "VDD_SRAM high", "nominal (control point)"]


@pytest.mark.parametrize("serial", ["=1+1", "<b>&\"'", "a" * 200, "../../etc", "Ünïcode 中"])
def test_hostile_serials_are_only_text(cornerrun, desk, serial):
    end = cornerrun("run", "quickstart.yaml", "--serial", serial, "--only", "all high")
    assert end.code == 1, end.err
    assert [run["serial"] for run in cornerrun("runs", "--json").data] == [serial]
    assert all(path.is_relative_to(desk / "results") for path in desk.rglob("report.xlsx"))


@pytest.mark.parametrize("serial", ["", "  ", "line\nbreak", "bell\a", "x" * 201])
def test_serials_that_no_label_can_carry_are_refused(cornerrun, desk, serial):
    end = cornerrun("run", "quickstart.yaml", "--serial", serial)
    assert end.code == 2
    assert "1 to 200 printable characters" in end.err
    assert not (desk / "results").exists()


def test_a_unit_that_the_units_file_does_not_hold_is_refused(cornerrun, desk):
    (desk / "units.csv").write_text("serial,revision\n00124,C\n", encoding="utf-8")
    end = cornerrun(*QUICK, "--units", "units.csv")
    assert end.code == 2
    assert "no unit has the serial number '00123'" in end.err


def test_errors_of_preflight_stop_a_run_before_the_bench_is_touched(cornerrun, desk):
    text = (desk / "quickstart.yaml").read_text(encoding="utf-8")
    (desk / "broken.yaml").write_text(text.replace("trials: 30", "trials: 3", 1), encoding="utf-8")
    end = cornerrun("run", "broken.yaml", "--serial", "1")
    assert end.code == 2
    assert "memory march" in end.err
    assert not (desk / "results").exists()


def test_forty_rails_run_with_limits_and_units(cornerrun, desk):
    serial = next(iter(load_units(desk / "forty_rails_units.csv")))
    end = cornerrun("run", "forty_rails.yaml", "--serial", serial, "--units", "forty_rails_units.csv", "--json")
    assert end.code in (0, 1), end.err
    assert end.data["header"]["unit_data"]


def test_measure_reads_every_rail_and_moves_none(cornerrun):
    end = cornerrun("measure", "quickstart.yaml", "--json")
    assert end.code == 0
    assert [row["rail"] for row in end.data] == ["VDD_CORE", "VDD_SRAM", "VDDQ", "VTT", "VDD_IO", "VDD_AUX"]
    assert all(row["reference_v"] is not None for row in end.data)


def test_goto_holds_a_corner_and_comes_back(cornerrun):
    end = cornerrun("goto", "quickstart.yaml", "all low", "--hold", "10min")
    assert end.code == 0, end.err
    assert "board at nominal" in end.out


def test_a_killed_run_is_brought_back_and_new_runs_are_refused_until_then(cornerrun, start, tcp_bench):
    bench = ("--bench", tcp_bench)
    process = start(*QUICK, *bench)
    wait_until_moved(process)
    process.send_signal(signal.SIGSTOP)
    os.kill(guardian_of(process), signal.SIGKILL)  # its guardian with it: nobody brings the board back
    process.kill()
    process.wait()
    measured = {row["rail"]: row for row in cornerrun("measure", "quickstart.yaml", *bench, "--json").data}
    assert any(row["outcome"] != "pass" for row in measured.values()), "the kill left the board at margin"

    refused = cornerrun(*QUICK, *bench)
    assert refused.code == 3
    assert "to-nominal" in refused.err

    assert cornerrun("to-nominal", "quickstart.yaml", *bench).code == 0
    measured = cornerrun("measure", "quickstart.yaml", *bench, "--json").data
    assert {row["outcome"] for row in measured} == {"pass"}
    assert cornerrun("runs", "--json").data[0]["result"] == "incomplete"
    assert cornerrun(*QUICK, *bench, "--only", "all high").code == 1, "a new run may start, and finds the trim error"


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
def test_a_signal_brings_the_board_to_nominal_although_it_comes_twice(cornerrun, start, tcp_bench, number):
    process = start(*QUICK, "--bench", tcp_bench)
    wait_until_moved(process)
    process.send_signal(number)
    process.send_signal(number)
    out, err = process.communicate(timeout=30)
    assert process.returncode == 130, err
    assert "Traceback" not in err
    assert "nominal" in out
    assert cornerrun("measure", "quickstart.yaml", "--bench", tcp_bench).code == 0


def test_a_bench_that_dies_under_a_run_ends_it_with_exit_4(simulate, start):
    bench, bench_path = simulate()
    process = start(*QUICK, "--bench", bench_path)
    wait_until_moved(process)
    bench.kill()
    _, err = process.communicate(timeout=60)
    assert process.returncode == 4, err
    assert "Traceback" not in err


def test_a_plan_wide_screen_lets_so_many_trials_fail(cornerrun, desk):
    text = (desk / "quickstart.yaml").read_text(encoding="utf-8")
    asked = "checks: {demonstrate: {pass_probability: 0.90, confidence: 0.95}}"
    assert asked in text
    (desk / "lenient.yaml").write_text(text.replace(asked, "checks: {screen: {failures: 29}}"), encoding="utf-8")
    end = cornerrun("run", "lenient.yaml", "--serial", "1", "--seed", "3", "--no-workbook")
    assert "fail-functional" not in end.err
    assert "trim accuracy of VDD_IO" in end.out.partition("Tested")[0]
    assert "memory march" not in end.out.partition("Tested")[0]
