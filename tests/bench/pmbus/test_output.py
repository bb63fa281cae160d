"""Levels, words and volts of one rail, in every format that a device may have."""

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from cornerrun.bench.pmbus.formats import Direct, encode_half
from cornerrun.bench.pmbus.profile import load_profile
from cornerrun.corners.model import RailLevel
from cornerrun.errors import BenchError, GuardRefusal

MODE, COMMAND, TRIM, HIGH, LOW = 0x20, 0x21, 0x22, 0x25, 0x26


def test_a_setpoint_decodes_the_word_that_was_encoded(setup: Any) -> None:
    setup.power.connect()
    setpoint = setup.power.setpoint("R0", "high")
    assert setpoint.word == round(0.8925 * 4096)
    assert setpoint.decoded_v == setpoint.word / 4096
    assert setpoint.target_v == pytest.approx(0.8925)
    assert setup.power.setpoint("R0", "nominal").word == setup.emulator.pages[0][COMMAND]


def test_what_trim_adds_is_taken_off_the_margin_word_and_counted_in_the_output(setup: Any) -> None:
    setup.emulator.pages[0][TRIM] = 0x10000 - 20  # -20 steps: read as unsigned it would be almost 16 V
    setup.power.connect()
    setpoint = setup.power.setpoint("R0", "high")
    assert setpoint.word == round((0.8925 + 20 / 4096) * 4096)
    setup.power.move([RailLevel(rail="R0", level="high")])
    assert setup.emulator.output_v(0) == pytest.approx(0.8925, abs=2e-4)
    assert setup.guard.targets_v["R0"] == pytest.approx(0.8925, abs=2e-4)


def test_a_device_without_trim_is_moved_all_the_same(make: Any, make_emulator: Any) -> None:
    setup = make(emulator=make_emulator([0.85, 1.2, 1.8], trim=False))
    setup.power.connect()
    setup.power.move([RailLevel(rail="R0", level="high")])
    assert setup.emulator.output_v(0) == pytest.approx(0.8925, abs=2e-4)


def test_relative_margins_are_ratios_of_the_command(setup: Any) -> None:
    registers = setup.emulator.pages[0]
    registers[MODE] = 0x94
    registers[HIGH], registers[LOW] = round(1.2 * 4096), round(0.8 * 4096)
    setup.power.connect()
    setpoint = setup.power.setpoint("R0", "high")
    command_v = registers[COMMAND] / 4096
    assert setpoint.word == pytest.approx(1.05 * 4096, abs=1)
    assert setpoint.decoded_v == pytest.approx(setpoint.word / 4096 * command_v)
    setup.power.move([RailLevel(rail="R0", level="high")])
    assert registers[HIGH] == setpoint.word
    assert setup.guard.targets_v["R0"] == pytest.approx(0.8925, abs=5e-4)


def test_a_relative_margin_beyond_the_hard_limits_is_refused_in_volts(setup: Any) -> None:
    setup.emulator.pages[1][MODE] = 0x94
    setup.power.connect()
    with pytest.raises(GuardRefusal, match=r"R1 would be moved to 1\.3801 V"):
        setup.power.move([RailLevel(rail="R1", level="too_high")])


def test_half_precision_words_are_encoded_and_decoded(setup: Any) -> None:
    registers = setup.emulator.pages[0]
    registers.update({MODE: 0x60, COMMAND: encode_half(0.85), TRIM: 0, HIGH: encode_half(1.0), LOW: encode_half(0.7)})
    setup.power.connect()
    setpoint = setup.power.setpoint("R0", "high")
    assert setpoint.word == encode_half(0.8925)
    assert setpoint.decoded_v == pytest.approx(0.8925, abs=5e-4)
    setup.power.move([RailLevel(rail="R0", level="high")])
    assert registers[HIGH] == setpoint.word


def test_a_reading_of_infinity_or_not_a_number_is_no_reading(setup: Any) -> None:
    registers = setup.emulator.pages[0]
    registers.update({MODE: 0x60, COMMAND: encode_half(0.85), TRIM: 0})
    setup.power.connect()
    setup.emulator.output_v = lambda page: 0x7E00 / 4096  # READ_VOUT then reads 0x7E00, a NaN
    with pytest.raises(BenchError, match="READ_VOUT 0x7E00 is no number"):
        setup.power.read(["R0"])


def test_direct_words_use_the_coefficients_of_the_profile(make: Any) -> None:
    direct = Direct(1000, 0, 0)
    setup = make(profile=replace(load_profile("generic", Path()), direct=direct))
    for page, volts in zip(setup.emulator.pages, (0.85, 1.2, 1.8), strict=True):
        page.update({MODE: 0x40, COMMAND: round(volts * 1000), TRIM: 0})
    setup.power.connect()
    setup.power.move([RailLevel(rail="R0", level="high")])
    assert setup.emulator.pages[0][HIGH] == 892
    assert setup.guard.targets_v["R0"] == pytest.approx(0.892)


def test_a_level_on_the_same_side_goes_through_nominal_before_its_word_is_programmed(setup: Any) -> None:
    setup.power.connect()
    setup.power.move([RailLevel(rail="R0", level="low")])
    setup.emulator.log.clear()
    setup.power.move([RailLevel(rail="R0", level="low3")])
    written = [entry[1:] for entry in setup.emulator.log if entry[0].startswith("write") and entry[1] != 0x00]
    assert written == [(0x01, 0x80), (LOW, round(0.85 * 0.97 * 4096)), (0x01, 0x98)]


def test_a_level_that_is_already_programmed_costs_nine_messages(setup: Any) -> None:
    setup.link.pec = 1  # without a packet error code, what a write is built on is read twice
    setup.power.connect()
    setup.power.move([RailLevel(rail="R0", level="high")])
    setup.power.move([RailLevel(rail="R0", level="nominal")])
    setup.power.read(["R1"])
    setup.emulator.log.clear()
    setup.power.move([RailLevel(rail="R0", level="high")])
    # PAGE, STATUS_WORD, OPERATION, margin word, VOUT_TRIM, PAGE verified; OPERATION written, read back, PAGE verified.
    assert [entry[1] for entry in setup.emulator.log] == [0x00, 0x79, 0x01, HIGH, TRIM, 0x00, 0x01, 0x01, 0x00]


def test_only_bits_5_to_2_of_operation_change(setup: Any) -> None:
    setup.emulator.pages[0][0x01] = 0xC3
    setup.power.connect()
    setup.power.move([RailLevel(rail="R0", level="high")])
    assert setup.emulator.pages[0][0x01] == 0xEB
    setup.power.move([RailLevel(rail="R0", level="nominal")])
    assert setup.emulator.pages[0][0x01] == 0xC3


def test_a_rail_that_the_plan_never_moves_is_not_moved(make: Any) -> None:
    setup = make(fixed=(2,))
    setup.power.connect()
    with pytest.raises(BenchError, match="R2 has no level 'high'"):
        setup.power.move([RailLevel(rail="R2", level="high")])
    assert [reading.rail for reading in setup.power.read(["R2", "R0"])] == ["R2", "R0"]
