"""Words of devices as limits in volts, absolute and relative."""

from importlib.resources import files

import pytest

from cornerrun.bench.pmbus.codec import PageFormat
from cornerrun.bench.pmbus.formats import VoutMode
from cornerrun.bench.pmbus.profile import load_profile
from cornerrun.errors import FormatError
from cornerrun.plan.load import load_plan
from cornerrun.preflight.device_values import BenchValues, DeviceValues, decode_values
from cornerrun.preflight.levels import level_table, rail_levels
from cornerrun.preflight.rules import findings

# A register listing of a PMBus 1.3 part in relative mode, exponent -9: the raw words as a converter's reference page
# prints them; what they decode to is computed.
LISTING = {
    "VOUT_MODE": 0x97,
    "VOUT_COMMAND": 0x019A,
    "VOUT_OV_FAULT_LIMIT": 0x024D,
    "VOUT_OV_WARN_LIMIT": 0x022E,
    "VOUT_UV_WARN_LIMIT": 0x01CC,
    "VOUT_UV_FAULT_LIMIT": 0x01B2,
    "VOUT_MAX": 0x0266,
}


def test_relative_limits_are_ratios_to_vout_command() -> None:
    values = decode_values(LISTING, PageFormat(mode=VoutMode.from_byte(0x97)))
    assert values.command_v == pytest.approx(0.801, abs=0.0005)
    ratios = {name: limit / values.command_v for name, limit in values.limits_v.items()}
    # Computed from the listing: 589, 558, 460 and 434 steps of 1/512.
    assert ratios["ov_fault"] == pytest.approx(1.1504, abs=5e-5)
    assert ratios["ov_warn"] == pytest.approx(1.0898, abs=5e-5)
    assert ratios["uv_warn"] == pytest.approx(0.8984, abs=5e-5)
    assert ratios["uv_fault"] == pytest.approx(0.8477, abs=5e-5)
    # VOUT_MAX stays absolute (scope from memory): 0x0266 * 2 ** -9 = 1.1992 V.
    assert values.limits_v["vout_max"] == pytest.approx(0x266 / 512, rel=1e-12)
    assert values.ratios == {"ov_fault", "ov_warn", "uv_warn", "uv_fault", "power_good_on", "power_good_off"}


def test_absolute_limits_are_volts() -> None:
    words = {"VOUT_MODE": 0x14, "VOUT_COMMAND": 3482, "VOUT_TRIM": 0xFFB4, "VOUT_OV_FAULT_LIMIT": 4004}
    values = decode_values(words, PageFormat(mode=VoutMode.from_byte(0x14)))
    assert values.limits_v == {"ov_fault": 4004 / 4096}
    assert values.trim_v == pytest.approx(-76 / 4096)


def test_transition_rate_is_in_volts_a_second_and_zero_means_none() -> None:
    # LINEAR11 0xE010 is 1.0: one mV/us is 1000 V/s.
    words = {"VOUT_MODE": 0x14, "VOUT_COMMAND": 3482, "VOUT_TRANSITION_RATE": 0xE010}
    values = decode_values(words, PageFormat(mode=VoutMode.from_byte(0x14)))
    assert values.slew_v_per_s == pytest.approx(1000.0)
    none = decode_values({**words, "VOUT_TRANSITION_RATE": 0}, PageFormat(mode=VoutMode.from_byte(0x14)))
    assert none.slew_v_per_s is None


def test_an_upper_limit_of_zero_is_not_a_limit() -> None:
    words = {"VOUT_MODE": 0x14, "VOUT_COMMAND": 3482, "VOUT_OV_WARN_LIMIT": 0, "VOUT_UV_WARN_LIMIT": 0}
    values = decode_values(words, PageFormat(mode=VoutMode.from_byte(0x14)))
    assert (values.unset, values.limits_v) == (("ov_warn",), {"uv_warn": 0.0})


def test_a_limit_that_is_no_number_is_told_and_left_out() -> None:
    # Half precision: 0x7C00 is infinity, 0x3ACD about 0.85.
    words = {"VOUT_MODE": 0x60, "VOUT_COMMAND": 0x3ACD, "VOUT_OV_FAULT_LIMIT": 0x7C00}
    values = decode_values(words, PageFormat(mode=VoutMode.from_byte(0x60)))
    assert (values.limits_v, values.unread) == ({}, {"VOUT_OV_FAULT_LIMIT": "word 0x7C00 is no number"})
    with pytest.raises(FormatError, match="VOUT_COMMAND 0x7C00 is no number"):
        decode_values({**words, "VOUT_COMMAND": 0x7C00}, PageFormat(mode=VoutMode.from_byte(0x60)))


HELD = DeviceValues(vout_mode=0x14, command_word=3482, command_v=3482 / 4096)


def held(looked, tmp_path, values: DeviceValues, *changes: tuple[str, str]) -> list[tuple[str, str, str]]:
    looked(*changes)
    found = findings(load_plan(tmp_path / "plan.yaml"), values=BenchValues(rails={"CORE": values}, source="here"))
    return [(item.severity, item.rule, item.numbers) for item in found if item.severity != "note"]


def with_limits(**limits_v: float) -> DeviceValues:
    return DeviceValues(vout_mode=0x14, command_word=3482, command_v=3482 / 4096, limits_v=limits_v)


def test_what_the_device_holds_stands_before_what_the_plan_says(looked, tmp_path) -> None:
    in_plan = ("page: 0}}", "page: 0}, device_limits: {ov_fault: 0.95 V}}")
    (contradiction, collision) = sorted(held(looked, tmp_path, with_limits(ov_fault=0.896), in_plan), reverse=True)
    assert contradiction[:2] == ("warning", "device values")
    assert contradiction[2] == "ov_fault is 896 mV in the device, and 950 mV in the plan"
    assert collision[:2] == ("error", "device limits")
    assert "ov_fault in the device of 896 mV acts there" in collision[2]
    # The plan's own would collide, the device's does not.
    at_plan = ("page: 0}}", "page: 0}, device_limits: {ov_fault: 0.896 V}}")
    assert [item[1] for item in held(looked, tmp_path, with_limits(ov_fault=0.95), at_plan)] == ["device values"]


def test_a_device_that_agrees_with_the_plan_to_a_step_is_no_contradiction(looked, tmp_path) -> None:
    in_plan = ("page: 0}}", "page: 0}, device_limits: {ov_fault: 0.95 V}}")
    assert held(looked, tmp_path, with_limits(ov_fault=3891 / 4096), in_plan) == []


def test_another_vout_mode_than_the_plans_is_an_error(looked, tmp_path) -> None:
    other = DeviceValues(vout_mode=0x17, command_word=435, command_v=435 / 512)
    found = held(looked, tmp_path, other)
    assert ("error", "device values", "VOUT_MODE is 0x17 on page 0, and the plan says 0x14") in found


def test_a_board_that_is_not_at_nominal_is_an_error(looked, tmp_path) -> None:
    moved = DeviceValues(vout_mode=0x14, command_word=3600, command_v=3600 / 4096)
    found = held(looked, tmp_path, moved)
    assert ("error", "device values") in [item[:2] for item in found]
    assert any("VOUT_COMMAND and VOUT_TRIM ask for 878.91 mV, and nominal is 850 mV" in item[2] for item in found)


def test_trim_moves_every_level(looked, tmp_path) -> None:
    # Trimmed up by 3 mV, what stands for high in the margin register is 3 mV less, and its output the same.
    looked()
    trimmed = DeviceValues(vout_mode=0x14, command_word=3470, command_v=3470 / 4096, trim_v=12 / 4096)
    rows = {
        (row.rail, row.level): row
        for row in level_table(load_plan(tmp_path / "plan.yaml"), {}, values={"CORE": trimmed})
    }
    assert rows["CORE", "nominal"].decoded_v == 3482 / 4096
    assert rows["CORE", "high"].word == 3656 - 12
    assert rows["CORE", "high"].decoded_v == 3656 / 4096


def test_a_relative_device_that_is_moved_by_vout_command_takes_its_limits_along(looked, tmp_path) -> None:
    # PMBus 1.3: where limits are ratios, moving VOUT_COMMAND drags them with it; margining through OPERATION does not.
    text = (files("cornerrun.bench.pmbus") / "profiles" / "generic.yaml").read_text(encoding="utf-8")
    (tmp_path / "moved.yaml").write_text(text.replace("margin:\n", "margin:\n  by: VOUT_COMMAND\n"), encoding="utf-8")
    looked()
    values = DeviceValues(
        vout_mode=0x94,
        command_word=3482,
        command_v=3482 / 4096,
        limits_v={"ov_fault": 0.90},
        ratios=frozenset({"ov_fault"}),
    )
    plan = load_plan(tmp_path / "plan.yaml")
    still, moved = (
        rail_levels(plan, {}, {"generic": load_profile(name, tmp_path)}, {"CORE": values})[0]
        for name in ("generic", "moved")
    )
    assert (still.register("high"), moved.register("high")) == ("VOUT_MARGIN_HIGH", "VOUT_COMMAND")
    assert still.limits_v("high") == {"ov_fault": 0.90}
    share = moved.row("high").setpoint_v / values.command_v
    assert moved.limits_v("high")["ov_fault"] == pytest.approx(0.90 * share)
