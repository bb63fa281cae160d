"""Identity, gates and missing registers: what is found out before anything is written."""

import errno
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from cornerrun.bench.pmbus.profile import load_profile
from cornerrun.corners.model import RailLevel
from cornerrun.errors import DeviceRefused, LinkError, ReadbackMismatch

HIGH = [RailLevel(rail="R0", level="high")]


def writes(setup: Any) -> list[tuple[str, int, int | None]]:
    """Everything that was written but PAGE, which has to be turned to read."""
    return [entry for entry in setup.emulator.log if entry[0].startswith("write") and entry[1] != 0x00]


def test_identity_is_read_and_padding_taken_off(setup: Any) -> None:
    setup.emulator.model = b"PM8\0\0  "
    (identity,) = setup.power.connect()
    assert (identity.device, identity.texts) == ("PM1", {"model": "PM8"})
    assert writes(setup) == []


def test_bytes_that_are_no_text_do_not_break_the_identity(make: Any) -> None:
    setup = make(identity={})
    setup.emulator.model = b"PM\xff\x008"
    (identity,) = setup.power.connect()
    assert identity.texts["model"] == "PM\\xff\x008"


def test_a_device_of_another_identity_is_refused_before_any_write(make: Any) -> None:
    setup = make(identity={"model": "PM16"})
    with pytest.raises(
        DeviceRefused, match=r"PM1 \(0x40\): MFR_MODEL is 'PM8', the plan wants 'PM16'; nothing was written"
    ):
        setup.power.connect()
    assert writes(setup) == []


def test_an_identity_that_can_not_be_read_is_refused(make: Any) -> None:
    setup = make(identity={"serial": "00123"})
    with pytest.raises(DeviceRefused, match="the plan wants MFR_SERIAL '00123', and the device or its profile"):
        setup.power.connect()


def test_declared_registers_that_are_not_there_are_told_and_never_sent_again(setup: Any) -> None:
    setup.power.connect()
    setup.power.take_baseline()
    setup.power.capture()
    told = [note.what for note in setup.link.remarks.take()]
    assert any("declares VOUT_MAX, which the device does not acknowledge" in what for what in told)
    setup.emulator.log.clear()
    setup.power.take_baseline()
    setup.power.capture()
    assert {entry[1] for entry in setup.emulator.log} <= {
        0x00,
        0x01,
        0x02,
        0x10,
        0x20,
        0x21,
        0x22,
        0x25,
        0x26,
        0x79,
        0x8B,
    }
    assert "error ENXIO" not in setup.link.counts


def test_only_declared_commands_are_ever_sent(make: Any) -> None:
    generic = load_profile("generic", Path())
    setup = make(identity={}, profile=replace(generic, optional=frozenset()))
    setup.power.connect()
    setup.power.read(["R0"], with_load=True)
    setup.power.move(HIGH)
    setup.power.to_nominal()
    setup.power.capture()
    assert {entry[1] for entry in setup.emulator.log} == {0x00, 0x01, 0x20, 0x21, 0x25, 0x26, 0x79, 0x8B}


def test_a_required_register_that_is_not_there_is_an_error(setup: Any) -> None:
    del setup.emulator.pages[2][0x26]
    with pytest.raises(LinkError, match=r"reading VOUT_MARGIN_LOW: .*ENXIO"):
        setup.power.connect()


def test_a_device_that_answers_nothing_says_so(setup: Any) -> None:
    setup.emulator.address = 0x41
    with pytest.raises(
        LinkError, match=r"device 0x40, reading PAGE: nothing acknowledged the address \(ENXIO\); check"
    ):
        setup.power.connect()


def test_a_bus_error_that_is_no_missing_acknowledge_hides_no_register(setup: Any) -> None:
    def fail(method: str, command: int) -> None:
        if command == 0x22:
            raise OSError(errno.ETIMEDOUT, "timed out")

    setup.emulator.before = fail
    with pytest.raises(LinkError, match="reading VOUT_TRIM: the bus timed out"):
        setup.power.connect()


def test_write_protect_at_its_highest_level_is_named_at_once(setup: Any) -> None:
    setup.emulator.write_protect = 0x80
    with pytest.raises(
        DeviceRefused, match=r"PM1: WRITE_PROTECT 0x80 lets no write through; write 0x00 to WRITE_PROTECT"
    ):
        setup.power.connect()


@pytest.mark.parametrize("level", [0x40, 0x20])
def test_write_protect_of_a_lower_level_is_named_before_a_run(setup: Any, level: int) -> None:
    setup.emulator.write_protect = level
    setup.power.connect()
    with pytest.raises(DeviceRefused, match=f"WRITE_PROTECT 0x{level:02X} lets no VOUT_MARGIN_HIGH through"):
        setup.power.take_baseline()
    with pytest.raises(DeviceRefused, match="VOUT_MARGIN_HIGH"):
        setup.power.move(HIGH)
    assert writes(setup) == []


def test_a_margin_that_is_already_there_may_be_selected_under_write_protect(setup: Any) -> None:
    setup.power.connect()
    setup.power.move(HIGH)
    setup.power.to_nominal()
    setup.emulator.write_protect = 0x40
    setup.power.connect()
    setup.power.move(HIGH)
    assert setup.emulator.output_v(0) == pytest.approx(0.8925, abs=1e-3)


def test_write_protect_that_comes_up_in_between_is_named(setup: Any) -> None:
    setup.power.connect()
    setup.power.move(HIGH)
    setup.emulator.write_protect = 0x40
    with pytest.raises(DeviceRefused, match="WRITE_PROTECT 0x40 lets no VOUT_MARGIN_LOW through") as raised:
        setup.power.move([RailLevel(rail="R0", level="low3")])
    assert isinstance(raised.value.__cause__, ReadbackMismatch)
    # The rail went to nominal before its register was to be programmed, and stays there.
    assert setup.emulator.output_v(0) == pytest.approx(0.85, abs=1e-3)


@pytest.mark.parametrize(
    ("mode", "command", "message"),
    [
        (
            0x00,
            None,
            r"R1 \(PM1 page 1\): VOUT_MODE 0x00 and VOUT_COMMAND 0x1333 ask for 4915 V, the plan's nominal is",
        ),
        (0x13, None, r"ask for 599\.98 mV, the plan's nominal is 1\.2 V"),
        (0x21, None, "VID, type 1"),
        (0x40, None, "coefficients"),
        (0x14, 0x0001, "ask for"),
    ],
)
def test_a_vout_mode_that_makes_no_sense_is_refused_before_any_write(
    setup: Any, mode: int, command: int | None, message: str
) -> None:
    setup.emulator.pages[1][0x20] = mode
    if command is not None:
        setup.emulator.pages[1][0x21] = command
    with pytest.raises(DeviceRefused, match=message):
        setup.power.connect()
    assert writes(setup) == []


def test_a_vout_mode_other_than_the_plans_is_refused(make: Any) -> None:
    setup = make(vout_mode=0x17)
    with pytest.raises(DeviceRefused, match="VOUT_MODE is 0x14, the plan wants 0x17"):
        setup.power.connect()


def test_a_page_that_the_profile_does_not_have_is_refused(make: Any) -> None:
    profile = replace(load_profile("generic", Path()), pages=2)
    with pytest.raises(DeviceRefused, match="R2: page 2 of PM1, and its profile 'generic' has pages 0 to 1"):
        make(profile=profile).power.connect()
