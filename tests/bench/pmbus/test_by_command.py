"""Devices without margin registers: VOUT_COMMAND itself is written, and its own word is what nominal is."""

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from cornerrun.bench.pmbus.profile import Profile, load_profile
from cornerrun.corners.model import RailLevel
from cornerrun.errors import DeviceRefused, GuardRefusal, NotAtNominal, ReadbackMismatch

COMMAND, TRIM = 0x21, 0x22


@pytest.fixture
def profile() -> Profile:
    generic = load_profile("generic", Path())
    margins = {"VOUT_MARGIN_HIGH", "VOUT_MARGIN_LOW"}
    return replace(generic, by_command=True, required=generic.required - margins)


@pytest.fixture
def setup(make: Any, profile: Profile) -> Any:
    made = make(profile=profile)
    for page in made.emulator.pages:
        del page[0x25], page[0x26]
    return made


def test_a_level_is_written_to_vout_command_and_home_is_the_word_that_was_found(setup: Any) -> None:
    registers = setup.emulator.pages[0]
    registers[COMMAND] += 1  # not what the plan's nominal encodes to
    found = registers[COMMAND]
    setup.power.connect()
    (setpoint,) = setup.power.move([RailLevel(rail="R0", level="high")])
    assert registers[COMMAND] == setpoint.word == round(0.8925 * 4096)
    assert registers[0x01] == 0x80
    setup.power.move([RailLevel(rail="R0", level="low3")])
    assert setup.guard.targets_v["R0"] == pytest.approx(0.85 * 0.97, abs=2e-4)
    setup.power.to_nominal()
    assert registers[COMMAND] == found


def test_the_baseline_brings_vout_command_back_byte_for_byte(setup: Any) -> None:
    setup.power.connect()
    baseline = setup.power.take_baseline()
    setup.power.move([RailLevel(rail=rail, level="low") for rail in ("R0", "R1", "R2")])
    setup.power.restore(baseline)
    assert setup.power.take_baseline().registers == baseline.registers


def test_a_board_found_away_is_refused_and_comes_home_to_the_plans_nominal(setup: Any) -> None:
    registers = setup.emulator.pages[0]
    registers[COMMAND] = round(0.8925 * 4096)
    setup.power.connect()
    with pytest.raises(NotAtNominal, match="R0: VOUT_COMMAND and VOUT_TRIM ask for"):
        setup.power.take_baseline()
    setup.power.to_nominal()
    assert registers[COMMAND] == round(0.85 * 4096)


def test_a_level_beyond_hard_limits_is_refused(setup: Any) -> None:
    setup.power.connect()
    with pytest.raises(GuardRefusal, match="hard limits"):
        setup.power.move([RailLevel(rail="R1", level="too_high")])
    assert setup.emulator.pages[1][COMMAND] == round(1.2 * 4096)


@pytest.mark.parametrize(("register", "name"), [(COMMAND, "VOUT_COMMAND"), (TRIM, "VOUT_TRIM"), (0x01, "OPERATION")])
def test_what_another_master_wrote_is_noticed_before_the_write(setup: Any, register: int, name: str) -> None:
    setup.power.connect()
    setup.power.move([RailLevel(rail="R0", level="high")])
    registers = setup.emulator.pages[0]
    registers[register] = 0x98 if register == 0x01 else registers[register] + 9
    with pytest.raises((ReadbackMismatch, KeyError), match=f"{name} changed"):
        setup.power.move([RailLevel(rail="R0", level="low")])
    assert [note.rail for note in setup.link.remarks.take() if "second master" in note.what] == ["R0"]


def test_write_protect_that_lets_no_vout_command_through_is_named(setup: Any) -> None:
    setup.emulator.write_protect = 0x40
    setup.power.connect()
    with pytest.raises(DeviceRefused, match="WRITE_PROTECT 0x40 lets no VOUT_COMMAND through"):
        setup.power.take_baseline()


def test_an_output_that_is_off_is_not_margined(setup: Any) -> None:
    setup.power.connect()
    setup.emulator.pages[0][0x01] = 0x00
    with pytest.raises(DeviceRefused, match="unit is off"):
        setup.power.move([RailLevel(rail="R0", level="high")])
