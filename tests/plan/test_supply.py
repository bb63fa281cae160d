import json
from pathlib import Path

import jsonschema
import pytest
from ruamel.yaml import YAML

from cornerrun.errors import PlanProblems
from cornerrun.plan.load import load_plan
from cornerrun.plan.model import Plan
from cornerrun.plan.schema import schemas
from cornerrun.plan.serial import plan_from_json, plan_to_json
from cornerrun.plan.supply import Load, Response, Supply, Trim, Upstream

KNOWN = """\
    ripple: 12 mV
    overshoot: 10 mV
    comparator: 1.5 %
    telemetry: {noise: 0.2 mV, error: 0.3 %}
    load: {current: 2.5 A, limit: 4 A, kind: constant power, path: 0.4 mOhm, min: 0.85 V, max: 0.96 V}
    upstream: {rail: DDR, dropout: 250 mV}
    trim: {range: 10 %, tolerance: 5 %, step: 0.3 mV, update: 100 ms}
    response: {slew: 1 V/ms, time_constant: 5 ms}
    above_nominal: 30 min
    above_nominal_in_all: 10 h
    device_limits: {ov_fault: 115 %, ov_warn: 0.99 V, power_good_on: 0.86 V}
"""
SRAM = "    power: {device: PM1, page: 1}\n"


def read(plan_text: str, tmp_path: Path, known: str = KNOWN) -> Plan:
    path = tmp_path / "plan.yaml"
    path.write_text(plan_text.replace(SRAM, SRAM + known), encoding="utf-8")
    return load_plan(path)


def test_reads_what_is_known_of_a_supply(plan_text: str, tmp_path: Path) -> None:
    rail = read(plan_text, tmp_path).rail("SRAM")
    assert rail.supply == Supply(
        ripple_v=0.012,
        overshoot_v=0.010,
        undershoot_v=0.010,
        comparator_ratio=0.015,
        telemetry_noise_v=0.0002,
        telemetry_error_ratio=0.003,
        load=Load(current_a=2.5, limit_a=4.0, kind="constant power", path_ohm=0.0004, min_v=0.85, max_v=0.96),
        upstream=Upstream(rail="DDR", dropout_v=0.25),
        trim=Trim(reach_v=0.09, tolerance_ratio=0.05, step_v=0.0003, update_s=0.1),
        response=Response(slew_v_per_s=1000.0, time_constant_s=0.005),
        above_nominal_s=1800.0,
        above_nominal_in_all_s=36000.0,
    )
    # 115 % of 0.90 V is 1.035 V.
    assert rail.device_limits == {"ov_fault": 1.035, "ov_warn": 0.99, "power_good_on": 0.86}


def test_what_is_not_said_stays_unknown(plan_text: str, tmp_path: Path) -> None:
    assert read(plan_text, tmp_path, "").rail("SRAM").supply == Supply()


def test_survives_the_store(plan_text: str, tmp_path: Path) -> None:
    plan = read(plan_text, tmp_path)
    assert plan_from_json(plan_to_json(plan)) == plan


def test_a_plan_stored_before_these_keys_is_still_read(plan_text: str, tmp_path: Path) -> None:
    plan = read(plan_text, tmp_path, "")
    stored = json.loads(plan_to_json(plan))
    for rail in stored["rails"]:
        del rail["supply"]
    assert plan_from_json(json.dumps(stored)) == plan


def test_the_schema_takes_them_too(plan_text: str) -> None:
    data = json.loads(json.dumps(YAML(typ="safe", pure=True).load(plan_text.replace(SRAM, SRAM + KNOWN)), default=str))
    assert list(jsonschema.Draft202012Validator(dict(schemas()["plan"])).iter_errors(data)) == []


BROKEN = {
    "a limit below its own rail": ("ov_fault: 115 %", "ov_fault: 15 %", "'15 %' is no place of a limit"),
    "a signed limit": ("ov_fault: 115 %", "ov_fault: +15 %", "'+15 %' is no place of a limit"),
    "no source": ("upstream: {rail: DDR, ", "upstream: {", "one of rail, condition and voltage is due"),
    "two sources": ("{rail: DDR,", "{rail: DDR, voltage: 5 V,", "one of rail, condition and voltage is due"),
    "an unknown source": ("{rail: DDR,", "{rail: DRD,", "no rail is called 'DRD'; did you mean 'DDR'?"),
    "a rail that feeds itself": ("{rail: DDR,", "{rail: SRAM,", "SRAM feeds itself: SRAM from SRAM"),
    "an unknown condition": ("{rail: DDR,", "{condition: vin,", "no condition is called 'vin'"),
    "a reach with a sign": ("range: 10 %", "range: -10 %", "range '-10 %' is no reach"),
    "a crossed range of the load": ("min: 0.85 V, max: 0.96 V", "min: 0.96 V, max: 0.85 V", "min is not below max"),
    "a bare ripple": ("ripple: 12 mV", "ripple: 12", "'12' has no unit"),
    "a negative ripple": ("ripple: 12 mV", "ripple: -12 mV", "ripple"),
    "an unknown key": ("ripple: 12 mV", "rippel: 12 mV", "did you mean 'ripple'?"),
}


@pytest.mark.parametrize(("old", "new", "said"), BROKEN.values(), ids=BROKEN.keys())
def test_says_what_is_wrong_and_where(plan_text: str, tmp_path: Path, old: str, new: str, said: str) -> None:
    assert old in KNOWN
    with pytest.raises(PlanProblems) as caught:
        read(plan_text, tmp_path, KNOWN.replace(old, new))
    (problem,) = caught.value.problems
    assert said in str(problem)
    assert problem.line > 0


def test_a_condition_that_feeds_a_rail_must_be_a_voltage(plan_text: str, tmp_path: Path) -> None:
    text = plan_text.replace("corners:\n", "conditions:\n  - {name: vin, levels: {cold: 0 degC}}\ncorners:\n", 1)
    known = "    upstream: {condition: vin, lockout: 4 V}\n"
    with pytest.raises(PlanProblems, match="condition 'vin' is no voltage"):
        read(text, tmp_path, known)
    sound = read(text.replace("cold: 0 degC", "low: 4.5 V"), tmp_path, known)
    assert sound.rail("SRAM").supply.upstream == Upstream(condition="vin", lockout_v=4.0)
