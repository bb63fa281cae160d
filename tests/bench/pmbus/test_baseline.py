"""What may keep a run from starting, and what the baseline holds."""

from typing import Any

import pytest

from cornerrun.corners.model import RailLevel
from cornerrun.errors import DeviceRefused, GuardRefusal, NotAtNominal

OPERATION, ON_OFF_CONFIG, COMMAND, HIGH, LOW = 0x01, 0x02, 0x21, 0x25, 0x26


def test_a_baseline_is_what_was_found_and_writes_nothing(setup: Any) -> None:
    setup.emulator.page = 2
    setup.power.connect()
    baseline = setup.power.take_baseline()
    values = {(value.page, value.command): value.data for value in baseline.registers}
    assert values[None, 0x00] == b"\x02"
    assert values[0, HIGH] == setup.emulator.pages[0][HIGH].to_bytes(2, "little")
    assert values[1, OPERATION] == b"\x80"
    assert set(baseline.voltages_v) == {"R0", "R1", "R2"}
    assert {entry[1] for entry in setup.emulator.log if entry[0].startswith("write")} == {0x00}


def test_every_reason_against_a_start_is_named_together(setup: Any) -> None:
    pages = setup.emulator.pages
    pages[0][OPERATION] = 0x98
    pages[0][LOW] = round(0.8075 * 4096)
    pages[1][COMMAND] = round(1.26 * 4096)
    setup.power.connect()
    with pytest.raises(NotAtNominal) as raised:
        setup.power.take_baseline()
    text = str(raised.value)
    assert "R0: OPERATION 0x98 selects margin low" in text
    assert "R1: VOUT_COMMAND and VOUT_TRIM ask for 1.26 V, the plan's nominal is 1.2 V" in text
    assert "R2" not in text
    assert "cornerrun to-nominal" in text


def test_an_output_that_is_not_where_it_is_asked_to_be_gives_no_baseline(setup: Any) -> None:
    setup.power.connect()
    setup.emulator.output_v = lambda page: (0.85, 1.2, 1.75)[page]
    with pytest.raises(NotAtNominal, match=r"R2: reads 1\.75 V, outside 1\.782 V to 1\.818 V"):
        setup.power.take_baseline()


def test_a_rail_that_is_never_moved_may_stand_anywhere_within_its_limits(make: Any) -> None:
    setup = make(fixed=(2,))
    setup.power.connect()
    setup.emulator.output_v = lambda page: (0.85, 1.2, 1.75)[page]
    setup.power.take_baseline()
    setup.emulator.output_v = lambda page: (0.85, 1.2, 1.60)[page]
    with pytest.raises(NotAtNominal, match=r"R2: reads 1\.6001 V"):
        setup.power.take_baseline()


def test_a_board_that_is_off_is_named_as_off(setup: Any) -> None:
    setup.emulator.pages[1][OPERATION] = 0x00
    setup.power.connect()
    with pytest.raises(DeviceRefused, match=r"unit is off: R1 \(STATUS_WORD says OFF\)"):
        setup.power.take_baseline()


def test_an_output_that_is_off_is_not_margined(setup: Any) -> None:
    setup.power.connect()
    setup.emulator.pages[0][OPERATION] = 0x00
    with pytest.raises(DeviceRefused, match=r"R0 \(PM1 page 0\): unit is off \(STATUS_WORD 0x0840\)"):
        setup.power.move([RailLevel(rail="R0", level="high")])


def test_an_output_that_is_off_by_its_enable_line_names_that_gate(setup: Any) -> None:
    setup.power.connect()
    setup.emulator.is_on = lambda page: False
    setup.emulator.pages[0][ON_OFF_CONFIG] = 0x16
    with pytest.raises(DeviceRefused, match=r"unit is off .*; ON_OFF_CONFIG 0x16 ignores OPERATION"):
        setup.power.move([RailLevel(rail="R0", level="high")])


def test_a_rail_that_could_not_come_home_does_not_leave(setup: Any) -> None:
    # 1.294 V lies within 1.296 V, and 0.5 % of it reach beyond.
    setup.emulator.pages[1][COMMAND] = round(1.294 * 4096)
    setup.power.connect()
    with pytest.raises(GuardRefusal, match=r"R1 would be brought home to 1\.29\d* V"):
        setup.power.move([RailLevel(rail="R1", level="low")])
    assert setup.emulator.pages[1][OPERATION] == 0x80
