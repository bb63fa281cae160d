"""Reports on the simulated bench, whose truth stands in its file: what is planted is found, and nothing else."""

import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from cornerrun.cli.run import command

PLAN = Path(__file__).parents[2] / "plans" / "quickstart.yaml"

# quickstart_board.yaml: gain and offset error of each trim.
PLANTED = {
    "VDD_CORE": (0.0005, -0.2e-3),
    "VDD_SRAM": (-0.0004, 0.1e-3),
    "VDDQ": (0.0006, 0.0),
    "VDD_IO": (0.0036, 0.0),
}


@pytest.fixture(scope="module")
def report(tmp_path_factory):
    results = tmp_path_factory.mktemp("results")
    arguments = [str(PLAN), "--serial", "00123", "--seed", "11", "--results", str(results), "--no-workbook", "--json"]
    ended = CliRunner().invoke(command, arguments)
    return json.loads(ended.stdout)


def test_trim_estimates_recover_gain_and_offset_within_their_stated_uncertainty(report):
    trim = {item["rail"]: item for item in report["trim"] if item["status"] == "measured"}
    assert set(trim) == set(PLANTED)
    for rail, (gain, offset_v) in PLANTED.items():
        assert trim[rail]["gain_error"]["low"] <= gain <= trim[rail]["gain_error"]["high"], rail
        assert trim[rail]["offset_v"]["low"] <= offset_v <= trim[rail]["offset_v"]["high"], rail


def test_only_the_rail_that_is_beyond_its_claim_is_said_to_be(report):
    assert {item["rail"] for item in report["trim"] if item["claim"] == "not met"} == {"VDD_IO"}
    assert {item["rail"] for item in report["trim"] if item["claim"] == "met"} == {"VDD_CORE", "VDD_SRAM", "VDDQ"}


def test_the_planted_pair_fails_and_no_other_corner_does(report):
    failed = [item["corner"] for item in report["checks"] if item["failures"] > 0]
    assert failed == ["VDD_CORE low, VDDQ high"]
    assert report["result"] == "fail"


def test_the_board_was_left_at_nominal_and_nothing_is_void(report):
    assert report["end_state"] == "nominal"
    assert report["tally"]["void"] == 0
    assert report["tally"]["done"] == report["tally"]["planned"]


def test_the_planted_pair_is_named_as_the_only_suspect_and_nobody_else_is(report):
    (found,) = report["culprits"]
    assert found["what"] == "memory march"
    assert [item["combination"] for item in found["suspects"]] == [[["VDD_CORE", "low"], ["VDDQ", "high"]]]
    assert [item["combination"] for item in found["likely"]] == [[["VDD_CORE", "low"], ["VDDQ", "high"]]]
    assert found["suspects_total"] == 1


def test_the_device_that_reads_low_is_found_by_the_meter(report):
    (device,) = report["telemetry"]
    # Planted: VDD_IO is trimmed against an ADC that reads 0.35 % low.
    assert device["worst"]["rail"] == "VDD_IO"
    assert device["worst"]["gain_error"]["low"] <= -0.0035 <= device["worst"]["gain_error"]["high"]
    others = [rail for rail in device["rails"] if rail["rail"] != "VDD_IO"]
    assert all(abs(rail["worst_error"]["estimate"]) < 0.001 for rail in others)
