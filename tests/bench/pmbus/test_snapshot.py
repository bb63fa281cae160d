"""The configuration as a whole, and what another master did to it."""

from typing import Any

import pytest

from cornerrun.bench.pmbus.commands import COMMANDS
from cornerrun.corners.model import RailLevel


def test_every_declared_register_that_keeps_a_word_is_in_it_and_no_reading(setup: Any) -> None:
    setup.power.connect()
    values = setup.power.snapshot()
    names = {next(n for n, c in COMMANDS.items() if c.code == value.command) for value in values}
    assert {
        "OPERATION",
        "VOUT_MODE",
        "VOUT_COMMAND",
        "VOUT_MARGIN_HIGH",
        "VOUT_TRIM",
        "WRITE_PROTECT",
        "MFR_MODEL",
    } <= names
    assert not any(name.startswith(("READ_", "STATUS_")) or name == "PAGE" for name in names)
    assert {value.page for value in values} == {None, 0, 1, 2}


def test_taking_it_twice_gives_the_same_and_writes_nothing_but_page(setup: Any) -> None:
    setup.power.connect()
    setup.emulator.log.clear()
    assert setup.power.snapshot() == setup.power.snapshot()
    assert {command for method, command, _ in setup.emulator.log if method.startswith("write")} == {0x00}


@pytest.mark.parametrize(("register", "name"), [(0x22, "VOUT_TRIM"), (0x21, "VOUT_COMMAND")])
def test_a_register_that_somebody_else_changed_is_told_before_it_is_put_back(
    setup: Any, register: int, name: str
) -> None:
    setup.power.connect()
    baseline = setup.power.take_baseline()
    setup.power.move([RailLevel(rail="R1", level="high")])
    setup.power.to_nominal()
    was = setup.emulator.pages[2][register]
    setup.emulator.pages[2][register] += 3
    setup.power.restore(baseline)
    assert setup.emulator.pages[2][register] == was
    (note,) = [note for note in setup.link.remarks.take() if "second master" in note.what]
    assert note.rail == "R2"
    assert f"{name} changed under us from 0x{was:04X} to 0x{was + 3:04X}" in note.what


def test_what_the_run_itself_changed_is_nobody_elses(setup: Any) -> None:
    setup.power.connect()
    baseline = setup.power.take_baseline()
    setup.power.move([RailLevel(rail=rail, level="low3") for rail in ("R0", "R1", "R2")])
    setup.power.restore(baseline)
    assert not [note for note in setup.link.remarks.take() if "second master" in note.what]


def test_a_page_that_changed_under_us_is_told_with_both_values(setup: Any) -> None:
    setup.power.connect()
    setup.power.read(["R0"])
    setup.emulator.page = 2
    setup.power.read(["R0"])
    (note,) = [note for note in setup.link.remarks.take() if "second master" in note.what]
    assert "PAGE of PM1 changed under us from 0x00 to 0x02" in note.what
    assert note.severity == "warning"
