"""Evidence of faults: read, and cleared only when asked."""

import errno
from collections.abc import Callable
from typing import Any

import pytest

from cornerrun.errors import BenchError, LinkError


def failing_on_page(setup: Any, page: int, *commands: int) -> Callable[[str, int], None]:
    def fail(method: str, command: int) -> None:
        if setup.emulator.page == page and command in commands:
            raise OSError(errno.ENXIO, "planted")

    return fail


def test_evidence_holds_every_register_that_could_be_read(setup: Any) -> None:
    setup.power.connect()
    setup.emulator.before = failing_on_page(setup, 0, 0x8B)
    first, second = setup.power.capture(["R0", "R1"])
    assert "READ_VOUT" not in first.registers
    assert first.registers["STATUS_WORD"] == 0
    assert second.registers["READ_VOUT"] == pytest.approx(1.2 * 4096, abs=1)


def test_a_dead_bus_gives_no_evidence_but_an_error(setup: Any) -> None:
    setup.power.connect()
    setup.emulator.address = 0x41
    with pytest.raises(LinkError, match="nothing acknowledged"):
        setup.power.capture()


def test_faults_are_cleared_page_by_page_and_only_when_asked(setup: Any) -> None:
    setup.power.connect()
    setup.power.capture()
    assert not [entry for entry in setup.emulator.log if entry[0] == "write_byte"]
    setup.power.clear(["R2", "R0"])
    sent = [entry for entry in setup.emulator.log if entry[0] == "write_byte" or entry[:2] == ("write_byte_data", 0)]
    assert [entry[1:] for entry in sent[-4:]] == [(0x00, 2), (0x03, None), (0x00, 0), (0x03, None)]


def test_an_unknown_rail_is_named(setup: Any) -> None:
    with pytest.raises(BenchError, match="rail 'R9' is on no device of bus 'main'"):
        setup.power.capture(["R9"])
