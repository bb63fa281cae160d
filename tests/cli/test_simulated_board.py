"""A board described in YAML alone, through the whole job: it hangs, warms up, loses its console, differs by serial."""

import json
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from cornerrun.cli.run import command

PLAN = """
format: 1
title: Buoy, in YAML alone
board: {name: buoy, revision: A}
bench: bench.yaml
devices: {PM1: {bus: main, address: 0x40}}
rails:
  - name: CORE
    nominal: 0.85 V
    margin: 5 %
    hard_limits: {min: 0.78 V, max: 0.92 V}
    accuracy: 0.5 %
    settle: {band: 0.6 %, stable_for: 60 ms, timeout: 2 s}
    power: {device: PM1, page: 0}
corners: {control_points: {first: true, last: true}, schemes: [{all_rails: [high, low]}]}
checks:
  - {name: march, python: "cornerrun.bench.simulated.checks:trial", trials: 30, timeout: TIMEOUT, takes: 1 sSETTINGS}
criteria: {checks: {demonstrate: {pass_probability: 0.90, confidence: 0.95}}}
"""
BENCH = """
format: 1
station: desk
kind: simulated
buses: {main: {link: simulated, clock: 400 kHz}}
simulation: board.yaml
"""
BOARD = """
format: 1
managers: {PM1: {bus: main, address: 0x40}}
rails: [{name: CORE, nominal: 0.85 V, time_constant: 4 ms, power: {device: PM1, page: 0}}]
"""
EDGE = "thresholds: [{rail: CORE, below: 0.78 V, spread: 2 mV}]"


class Job:
    def __init__(self, directory: Path) -> None:
        self.directory = directory

    def __call__(self, board: str, *, serial: str = "00123", settings: str = "", timeout: str = "60 s") -> Any:
        """Run the job and return the report that a program reads."""
        self.directory.joinpath("plan.yaml").write_text(PLAN.replace("SETTINGS", settings).replace("TIMEOUT", timeout))
        self.directory.joinpath("bench.yaml").write_text(BENCH)
        self.directory.joinpath("board.yaml").write_text(BOARD + board)
        results = str(self.directory / "results")
        arguments = [str(self.directory / "plan.yaml"), "--serial", serial, "--results", results, "--json"]
        done = CliRunner().invoke(command, [*arguments, "--no-workbook", "--seed", "1"], catch_exceptions=False)
        return json.loads(done.stdout)


@pytest.fixture
def job(tmp_path: Path) -> Job:
    return Job(tmp_path)


def test_a_good_board_passes(job: Job) -> None:
    assert job(f"board: {{checks: {{march: {{{EDGE}}}}}}}")["result"] == "pass"


def test_a_unit_that_is_weak_by_its_serial_number_fails(job: Job) -> None:
    weak = "population: {weak: {returned: {serials: ['666'], thresholds: {march: 40 mV}}}}"
    board = f"board: {{checks: {{march: {{{EDGE}}}}}}}\n{weak}"
    assert job(board)["result"] == "pass"
    assert job(board, serial="666")["result"] == "fail"


def outcomes(report: Any) -> dict[str, str]:
    return {row["name"]: row["outcome"] for row in report["corners"]}


def test_a_board_that_hangs_at_a_corner_gives_no_answer_there(job: Job) -> None:
    hang = "hangs: [{edge: {rail: CORE, below: 0.82 V}, after: 1 us, watchdog: 20 ms}]"
    found = outcomes(job(f"board: {{checks: {{march: {{{EDGE}}}}}, {hang}}}", timeout="2 s"))
    assert found["all low"] == "no-answer"
    assert found["all high"] == "pass"


def test_a_check_through_a_console_that_is_lost_gets_no_answer(job: Job) -> None:
    console = "console: {lost: [{rail: CORE, below: 0.82 V}]}"
    board = f"board: {{checks: {{march: {{{EDGE}}}}}, {console}}}"
    assert set(outcomes(job(board)).values()) == {"pass"}
    assert outcomes(job(board, settings=", settings: {through: console}", timeout="2 s"))["all low"] == "no-answer"


def test_checks_that_heat_the_board_make_trouble_at_a_later_corner(job: Job) -> None:
    # Two checks of 30 s bring 60 degC (1 - 1/e) = 38 degC: the edge moves by 38 mV, beyond low, 0.8075 V.
    warm = EDGE.replace("spread: 2 mV", "spread: 2 mV, per_kelvin: 1 mV, condition: junction, at: 25 degC")
    board = "board: {{checks: {{march: {{heat: {heat}, {edge}}}}}, heating: {{rise: 0 degC, time_constant: 60 s}}}}"
    assert set(outcomes(job(board.format(heat="0 degC", edge=warm))).values()) == {"pass"}
    found = outcomes(job(board.format(heat="60 degC", edge=warm)))
    assert found["all low"] == "fail-functional"
    assert found["all high"] == "pass"


def test_the_same_seed_and_serial_give_the_same_report(job: Job) -> None:
    marginal = EDGE.replace("0.78 V", "0.806 V")
    board = f"board: {{checks: {{march: {{{marginal}}}}}}}\npopulation: {{thresholds: {{march: 1 mV}}}}"
    one, other = job(board), job(board)
    assert one["checks"] == other["checks"]


def climate(job: Job, board: str, unit: str, levels: str, name: str) -> Any:
    """Run the job at two values of a condition that the simulation sets."""
    plan = f"conditions:\n  - {{name: {name}, unit: {unit}, levels: {levels}}}\n"
    bench = f"conditions: {{{name}: {{driver: simulated}}}}\n"
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(f"{__name__}.PLAN", PLAN + plan)
        patch.setattr(f"{__name__}.BENCH", BENCH + bench + "watch: {period: 10 s}\n")
        return job(f"board: {{checks: {{march: {{{board}}}}}}}\n" + SECTIONS)


SECTIONS = """
chamber: {time_constant: 60 s, soak: 2 min, ramp: 3 K/min, sensor_noise: 0 degC}
supply: {voltage: 12 V, current_limit: 5 A, readback_noise: 0 V}
"""


def by_level(report: Any, condition: str, name: str) -> dict[str, str]:
    """How a corner ended, by the level of a condition."""
    rows = [row for row in report["corners"] if row["name"].startswith(name)]
    return {row["condition_levels"][condition]: row["outcome"] for row in rows}


def test_a_chamber_takes_the_board_to_a_temperature_where_a_check_fails(job: Job) -> None:
    # 35 K move the edge by 35 mV, from 0.78 V to beyond low, 0.8075 V.
    edge = EDGE.replace("spread: 2 mV", "spread: 2 mV, per_kelvin: 1 mV")
    found = climate(job, edge, "degC", "{room: 25 degC, hot: 60 degC}", "ambient")
    assert by_level(found, "ambient", "all low") == {"room": "pass", "hot": "fail-functional"}
    assert by_level(found, "ambient", "all high") == {"room": "pass", "hot": "pass"}


def test_a_supply_takes_the_input_voltage_to_its_levels(job: Job) -> None:
    found = climate(job, EDGE, "V", "{normal: 12 V, low: 10.8 V}", "input_voltage")
    assert by_level(found, "input_voltage", "all low") == {"normal": "pass", "low": "pass"}
    assert found["result"] == "pass"
