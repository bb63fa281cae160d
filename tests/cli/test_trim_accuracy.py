"""Trim accuracy from the command line, on a lot of simulated boards whose truth stands in their file."""

import json
import shutil
from pathlib import Path

import pytest
from click.testing import CliRunner
from scipy.stats import norm

from cornerrun.bench.simulated.load import load_simulation
from cornerrun.bench.simulated.population import individual
from cornerrun.cli.characterise import command as characterise
from cornerrun.cli.run import command as run
from cornerrun.cli.trim_accuracy import command as trim_accuracy
from cornerrun.errors import UsageError

PLANS = Path(__file__).parents[2] / "plans"
SERIALS = ("00123", "00124", "00125", "00126", "00127", "00128")
GAIN_DEVIATION = 2e-4
SWEEP = """
trim:
  setpoints: 5
  repeats: 2
  warm_up: {drift: 0.01 %, over: 10 s, timeout: 10 min}
  declared: [{name: ground offset, half_width: 0.02 mV}]
"""
LOT = "\npopulation: {lot: 5, every_rail: {gain_error: 0.02 %, offset_error: 0.1 mV}}\n"


def _plans(folder):
    shutil.copytree(PLANS, folder, dirs_exist_ok=True)
    plan, board = folder / "quickstart.yaml", folder / "quickstart_board.yaml"
    plan.write_text(plan.read_text() + SWEEP)
    board.write_text(board.read_text() + LOT)
    return plan


@pytest.fixture(scope="module")
def lot(tmp_path_factory):
    """Six boards of the lot, characterised one after the other."""
    folder = tmp_path_factory.mktemp("lot")
    plan = _plans(folder)
    arguments = [str(plan), "--results", str(folder), "--seed", "3", "--json"]
    for serial in SERIALS:
        arguments += ["--serial", serial]
    ended = CliRunner().invoke(characterise, arguments, standalone_mode=False)
    assert ended.exception is None, ended.output
    return folder, json.loads(ended.stdout), ended


def test_each_board_gives_back_its_own_gain_and_offset_within_the_stated_uncertainty(lot):
    folder, table, _ = lot
    model = load_simulation(folder / "quickstart_board.yaml").model
    assert [item["serial"] for item in table["runs"]] == list(SERIALS)
    for item in table["runs"]:
        truth = {rail.name: rail.trim for rail in individual(model, item["serial"]).rails}
        measured = [rail for rail in item["trim"] if rail["status"] == "measured"]
        assert len(measured) == 4
        for rail in measured:
            planted = truth[rail["rail"]]
            assert rail["gain_error"]["low"] <= planted.gain_error <= rail["gain_error"]["high"], rail["rail"]
            assert rail["offset_v"]["low"] <= planted.offset_error <= rail["offset_v"]["high"], rail["rail"]
            assert rail["is_characterised"]
            assert rail["n"] == 20


def test_limits_for_boards_hold_the_share_of_the_lot_that_they_say(lot):
    _, table, _ = lot
    typical = {"VDD_CORE": 0.0005, "VDD_SRAM": -0.0004, "VDDQ": 0.0006, "VDD_IO": 0.0036}
    offset_v = {"VDD_CORE": -2e-4, "VDD_SRAM": 1e-4, "VDDQ": 0.0, "VDD_IO": 0.0}
    assert {rail["rail"] for rail in table["pooled"]} == set(typical)
    for rail in table["pooled"]:
        for level in rail["levels"]:
            mean = typical[rail["rail"]] + offset_v[rail["rail"]] / level["target_v"]
            deviation = (GAIN_DEVIATION**2 + (1e-4 / level["target_v"]) ** 2) ** 0.5
            held = norm.cdf(level["high"], mean, deviation) - norm.cdf(level["low"], mean, deviation)
            assert held >= 0.95, (rail["rail"], level["level"])


def test_the_rail_beyond_its_claim_is_told_for_all_boards(lot):
    _, table, ended = lot
    claims = {rail["rail"]: rail["claim"] for rail in table["pooled"]}
    assert claims["VDD_IO"] == "not met"
    assert "not met" not in {claims[rail] for rail in ("VDD_CORE", "VDD_SRAM", "VDDQ")}
    assert ended.return_value == 1


def test_the_operator_is_told_which_board_to_measure_and_which_to_warm(lot):
    told = [line for line in lot[2].stderr.splitlines() if line.startswith("Board ")]
    assert told[0].startswith("Board 00123 (1 of 6): connect it")
    assert "let 00124 warm" in told[0]
    assert "warm at" not in told[-1]
    assert any("warm after" in line for line in lot[2].stderr.splitlines())


def test_trim_accuracy_prints_the_same_table_from_the_store(lot):
    folder, table, _ = lot
    ids = [item["run_id"] for item in table["runs"]]
    again = CliRunner().invoke(trim_accuracy, [*ids, "--results", str(folder), "--json"])
    assert json.loads(again.stdout) == table
    text = CliRunner().invoke(trim_accuracy, [*ids[:2], "--results", str(folder), "--full"]).stdout
    assert "2 boards together" in text
    assert "VDD_IO: +0.3" in text
    assert "does not meet 0.25 % with probability above 0.9999" in text
    assert "ground offset" in text


def test_the_newest_run_is_meant_where_none_is_named(lot):
    folder, _, _ = lot
    text = CliRunner().invoke(trim_accuracy, ["--results", str(folder)]).stdout
    assert "board 00128" in text
    assert "boards together" not in text


def test_checks_do_not_run_at_setpoints_and_the_board_ends_at_nominal(tmp_path):
    plan = _plans(tmp_path)
    arguments = [str(plan), "--serial", "1", "--seed", "1", "--results", str(tmp_path), "--no-workbook", "--json"]
    ended = CliRunner().invoke(run, [*arguments, "--only", "trim*"], standalone_mode=False)
    report = json.loads(ended.stdout)
    assert report["end_state"] == "nominal"
    assert {item["corner"] for item in report["checks"]} == {"nominal"}
    visited = {item["name"]: item["visits"] for item in report["corners"] if item["visits"]}
    assert visited["trim +2"] == visited["trim -2"] == visited["trim -1"] == 4


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["--coverage", "1"], "--coverage must lie between 0 and 1"),
        (["--confidence", "nan"], "--confidence must lie between 0 and 1"),
    ],
)
def test_shares_that_are_none_are_refused(arguments, message, tmp_path):
    with pytest.raises(UsageError, match=message):
        trim_accuracy.main([*arguments, "--results", str(tmp_path)], standalone_mode=False)


def test_a_plan_without_the_section_cannot_be_characterised(tmp_path):
    with pytest.raises(UsageError, match="has no section `trim`"):
        characterise.main(
            [str(PLANS / "quickstart.yaml"), "--serial", "1", "--results", str(tmp_path)], standalone_mode=False
        )


def test_a_serial_number_given_twice_is_refused(tmp_path):
    with pytest.raises(UsageError, match="given twice"):
        characterise.main([str(_plans(tmp_path)), "--serial", "1", "--serial", "1"], standalone_mode=False)


def test_hardware_needs_somebody_who_changes_boards(tmp_path):
    plan = _plans(tmp_path)
    bench = tmp_path / "quickstart_bench.yaml"
    bench.write_text(
        bench.read_text()
        .replace("link: simulated", 'link: "tcp:127.0.0.1:1"')
        .replace("resource: simulated", "resource: TCPIP::127.0.0.1::1::SOCKET")
    )
    ended = CliRunner().invoke(characterise, [str(plan), "--serial", "1"], standalone_mode=False)
    assert "give --yes" in str(ended.exception)
