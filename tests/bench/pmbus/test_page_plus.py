"""Page and command in one message: no hidden state is left that anybody could change."""

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from cornerrun.bench.pmbus.commands import COMMANDS
from cornerrun.bench.pmbus.health import CountedLink
from cornerrun.bench.pmbus.page_plus import PagePlusDevice
from cornerrun.bench.pmbus.profile import Delays, load_profile
from cornerrun.clock import ManualClock
from cornerrun.corners.model import RailLevel
from cornerrun.errors import LinkError, ReadbackMismatch
from cornerrun.testing.scripted import BusExchange, scripted_link

READ, WRITE = 0x06, 0x05


@pytest.fixture
def setup(make: Any, make_emulator: Any) -> Any:
    class PlusEmulator(make_emulator):  # type: ignore[misc]
        def block_process_call(self, address: int, command: int, data: Any, /) -> list[int]:
            page, code = data
            self._arrive("block_process_call", address, code, page)
            kept, self.page = self.page, page
            try:
                name = next(name for name, c in COMMANDS.items() if c.code == code)
                word = COMMANDS[name].is_word
                before, self.before = self.before, lambda method, command: None
                log = list(self.log)
                number = (self.read_word_data if word else self.read_byte_data)(address, code)
                self.log, self.before = log, before
                return list(number.to_bytes(2 if word else 1, "little"))
            finally:
                self.page = kept

        def write_block_data(self, address: int, command: int, data: Any, /) -> None:
            page, code, *rest = data
            self._arrive("write_block_data", address, code, page)
            kept, self.page = self.page, page
            try:
                self._write(code, int.from_bytes(bytes(rest), "little"))
            finally:
                self.page = kept

    profile = replace(load_profile("generic", Path()), page_plus=True, query=False)
    return make(emulator=PlusEmulator([0.85, 1.2, 1.8]), profile=profile)


def test_page_is_never_written_and_a_second_master_on_it_does_nothing(setup: Any) -> None:
    def turn(method: str, command: int) -> None:
        setup.emulator.page = (setup.emulator.page + 1) % 3

    setup.emulator.before = turn
    setup.power.connect()
    setup.power.move([RailLevel(rail=f"R{page}", level="high") for page in range(3)])
    for reading in setup.power.read(["R2", "R0", "R1"]):
        assert reading.voltage_v == pytest.approx(setup.emulator.output_v(int(reading.rail[1:])), abs=1e-3)
    setup.power.to_nominal()
    assert not [entry for entry in setup.emulator.log if entry[0] == "write_byte_data"]
    assert "page lost" not in setup.link.counts


def test_a_reading_costs_two_messages_which_is_the_least_there_is(setup: Any) -> None:
    setup.power.connect()
    setup.power.read(["R0", "R1", "R2"])  # the first time, the status is confirmed
    setup.emulator.log.clear()
    setup.power.read(["R0", "R1", "R2"])
    assert len(setup.emulator.log) == 6


def test_what_is_written_is_read_back(setup: Any) -> None:
    setup.power.connect()
    real = setup.emulator._write
    setup.emulator._write = lambda command, value: None if command == 0x25 else real(command, value)
    with pytest.raises(ReadbackMismatch, match="VOUT_MARGIN_HIGH reads back"):
        setup.power.move([RailLevel(rail="R0", level="high")])


def call(data: list[int], answer: list[int]) -> BusExchange:
    return BusExchange(method="block_process_call", arguments=(0x40, READ, tuple(data)), answer=answer)


def block(data: list[int]) -> BusExchange:
    return BusExchange(method="write_block_data", arguments=(0x40, WRITE, tuple(data)))


def device(link: Any) -> PagePlusDevice:
    counted = CountedLink(link, name="main")
    return PagePlusDevice(name="PM1", address=0x40, link=counted, clock=ManualClock(), delays=Delays())


def test_the_bytes_on_the_wire_are_page_command_and_data() -> None:
    plain = BusExchange(method="read_byte_data", arguments=(0x40, 0x10), answer=0x00)
    with scripted_link(
        call([2, 0x8B], [0x9A, 0x0D]), call([2, 0x01], [0x80]),
        block([2, 0x01, 0xA8]), call([2, 0x01], [0xA8]),
        block([2, 0x03]), plain,
    ) as link:  # fmt: skip
        paged = device(link)
        assert paged.read(2, [COMMANDS["READ_VOUT"], COMMANDS["OPERATION"]]) == [0x0D9A, 0x80]
        paged.write(2, COMMANDS["OPERATION"], b"\xa8")
        paged.send(2, COMMANDS["CLEAR_FAULTS"])
        assert paged.read(2, [COMMANDS["WRITE_PROTECT"]]) == [0]


def test_an_answer_of_another_length_is_no_reading() -> None:
    with (
        scripted_link(*[call([0, 0x8B], [0x9A])] * 5) as link,
        pytest.raises(LinkError, match="PAGE_PLUS_READ answered 1 bytes; 2 are due"),
    ):
        device(link).read(0, [COMMANDS["READ_VOUT"]])
