"""Devices that answer nonsense: each is named, none is drafted in silence, and the others are still found."""

import errno
from pathlib import Path
from typing import Any

import pytest

from cornerrun.bench import scan as scanning
from cornerrun.bench.plan_draft import draft_text
from cornerrun.bench.pmbus.commands import COMMANDS
from cornerrun.bench.scan import Scan, scan
from cornerrun.clock import ManualClock
from cornerrun.plan.load import load_bench

BENCH = Path(__file__).parents[2] / "plans" / "quickstart_bench.yaml"
CODES = {name: command.code for name, command in COMMANDS.items()}


class Nasty:
    """A link that does as another one does, but for what a test replaces."""

    def __init__(self, link: Any, **instead: Any) -> None:
        self.link = link
        self.instead = instead
        self.state: dict[str, int] = {}

    def __getattr__(self, name: str) -> Any:
        if name not in self.instead:
            return getattr(self.link, name)
        return lambda *arguments: self.instead[name](self, *arguments)


@pytest.fixture
def found(monkeypatch: pytest.MonkeyPatch) -> Any:
    def look(**instead: Any) -> Scan:
        real = scanning.link_driver

        def link_driver(link: str) -> Any:
            build, target = real(link)
            return (lambda bus, target, around, /: Nasty(build(bus, target, around), **instead)), target

        monkeypatch.setattr(scanning, "link_driver", link_driver)
        return scan(load_bench(BENCH), ManualClock())

    return look


def words(**held: int) -> Any:
    by_code = {CODES[name]: word for name, word in held.items()}

    def read(nasty: Nasty, address: int, command: int) -> int:
        return by_code.get(command, nasty.link.read_word_data(address, command))

    return read


def failing(number: int, *addresses: int) -> Any:
    def read(nasty: Nasty, address: int, command: int) -> int:
        if address in addresses:
            raise OSError(number, "planted")
        return nasty.link.read_byte_data(address, command)

    return read


def test_a_sound_bench_has_no_troubles(found: Any) -> None:
    assert found().troubles == ()


@pytest.mark.parametrize("number", [errno.EBUSY, errno.ETIMEDOUT, errno.EBADMSG])
def test_trouble_at_one_address_does_not_hide_the_others(found: Any, number: int) -> None:
    seen = found(read_byte_data=failing(number, 0x20))
    assert [device.address for device in seen.devices] == [0x40]
    (trouble,) = seen.troubles
    assert "0x20" in trouble


def test_a_bus_that_is_dead_is_given_up_after_three_addresses(found: Any) -> None:
    asked = []

    def dead(nasty: Nasty, address: int, command: int) -> int:
        asked.append(address)
        raise OSError(errno.ETIMEDOUT, "planted")

    seen = found(read_byte_data=dead)
    assert seen.troubles[-1] == "bus main: 3 addresses in a row failed; the rest of it was not looked at"
    assert set(asked) == {0x10, 0x11, 0x12}


def test_a_page_that_takes_every_number_is_told(found: Any) -> None:
    def write(nasty: Nasty, address: int, command: int, byte: int) -> None:
        nasty.state["page"] = byte
        nasty.link.write_byte_data(address, command, byte % 5)

    def read(nasty: Nasty, address: int, command: int) -> int:
        byte: int = nasty.link.read_byte_data(address, command)
        return nasty.state.get("page", byte) if command == 0 else byte

    seen = found(write_byte_data=write, read_byte_data=read)
    assert any("it takes every PAGE up to 31" in trouble for trouble in seen.troubles)


def test_a_page_that_never_reads_back_is_told(found: Any) -> None:
    def read(nasty: Nasty, address: int, command: int) -> int:
        byte: int = nasty.link.read_byte_data(address, command)
        return 0xFF if command == 0 else byte

    assert found(read_byte_data=read).troubles == (
        "main 0x40: PAGE does not read back what is written to it; is another master on the bus?",
    )


@pytest.mark.parametrize("held", [{"VOUT_COMMAND": 0xFFFF}, {"READ_VOUT": 0}])
def test_a_page_that_reads_far_from_what_it_asks_for_is_doubted_in_scan_and_draft(found: Any, held: Any) -> None:
    seen = found(read_word_data=words(**held))
    assert sum("it is off, or VOUT_MODE is not what its words are written in" in one for one in seen.troubles) == 5
    assert draft_text(seen, bench=None).count("# TODO it asks for") == 5


def test_margins_on_one_side_are_doubted(found: Any) -> None:
    seen = found(read_word_data=words(VOUT_MARGIN_HIGH=100, VOUT_MARGIN_LOW=0xFF00))
    assert all("its margin registers do not lie on either side" in trouble for trouble in seen.troubles)
    assert len(seen.troubles) == 5


def test_margin_registers_that_nobody_ever_wrote_are_no_trouble(found: Any) -> None:
    assert found(read_word_data=words(VOUT_MARGIN_HIGH=0, VOUT_MARGIN_LOW=0)).troubles == ()


def test_an_identity_that_was_never_given_is_left_out_and_the_device_is_found(found: Any) -> None:
    def read(nasty: Nasty, address: int, command: int) -> list[int]:
        nasty.link.read_block_data(address, command)
        raise OSError(errno.EPROTO, "a block of no length")

    seen = found(read_block_data=read)
    assert seen.troubles == ()
    assert len(seen.devices[0].rails) == 5
    assert "model" not in seen.devices[0].texts


def test_a_page_that_cannot_be_read_is_told_beside_those_that_can(found: Any) -> None:
    def read(nasty: Nasty, address: int, command: int) -> int:
        if command == CODES["VOUT_COMMAND"] and nasty.link.read_byte_data(address, 0) == 2:
            raise OSError(errno.ENXIO, "planted")
        word: int = nasty.link.read_word_data(address, command)
        return word

    seen = found(read_word_data=read)
    (trouble,) = seen.troubles
    assert trouble.startswith("main 0x40 page 2: bus main, device 0x40, reading VOUT_COMMAND")
    assert [page.page for page in seen.devices[0].rails] == [0, 1, 3, 4]


@pytest.mark.parametrize("answer", [[], [0xFF] * 5, [0x00], [0xFF]])
def test_a_query_that_makes_no_sense_is_not_believed_and_rails_are_found_by_the_profile(
    found: Any, answer: list[int]
) -> None:
    seen = found(block_process_call=lambda nasty, *message: answer)
    assert len(seen.devices[0].rails) == 5
