"""The exchanges of one device, message by message."""

import errno
from collections.abc import Callable

import pytest

from cornerrun.bench.pmbus.commands import COMMANDS
from cornerrun.bench.pmbus.health import CountedLink
from cornerrun.bench.pmbus.paging import PagedDevice
from cornerrun.bench.pmbus.profile import Delays
from cornerrun.clock import ManualClock
from cornerrun.errors import LinkError, ReadbackMismatch
from cornerrun.testing.scripted import BusExchange, ScriptedLink, scripted_link

A = 0x40
MARGIN_HIGH, OPERATION, CLEAR_FAULTS = COMMANDS["VOUT_MARGIN_HIGH"], COMMANDS["OPERATION"], COMMANDS["CLEAR_FAULTS"]


def turn(page: int) -> BusExchange:
    return BusExchange(method="write_byte_data", arguments=(A, 0x00, page))


def verified(page: int) -> BusExchange:
    return BusExchange(method="read_byte_data", arguments=(A, 0x00), answer=page)


def word(command: int, answer: int | OSError) -> BusExchange:
    return BusExchange(method="read_word_data", arguments=(A, command), answer=answer)


def byte(command: int, answer: int | OSError) -> BusExchange:
    return BusExchange(method="read_byte_data", arguments=(A, command), answer=answer)


def write_word(command: int, value: int, answer: OSError | None = None) -> BusExchange:
    return BusExchange(method="write_word_data", arguments=(A, command, value), answer=answer)


def write_byte(command: int, value: int) -> BusExchange:
    return BusExchange(method="write_byte_data", arguments=(A, command, value))


def device(link: ScriptedLink, *, has_page: bool = True, delays: Delays | None = None) -> PagedDevice:
    return PagedDevice(
        name="PM1",
        address=A,
        link=CountedLink(link, name="main"),
        clock=ManualClock(),
        has_page=has_page,
        delays=delays or Delays(),
    )


def test_a_watched_rail_costs_four_messages_and_three_while_page_stays() -> None:
    first = (turn(2), word(0x79, 0x0000), word(0x8B, 0x0D9A), verified(2))
    again = (word(0x79, 0x0040), word(0x8B, 0x0D9B), verified(2))
    with scripted_link(*first, *again) as link:
        paged = device(link)
        assert paged.status_and_voltage(2) == (0x0000, 0x0D9A)
        assert paged.status_and_voltage(2) == (0x0040, 0x0D9B)


def test_a_reading_under_a_lost_page_is_thrown_away_and_taken_again() -> None:
    with scripted_link(
        turn(1), word(0x79, 0), word(0x8B, 0x1111), verified(3),
        turn(1), word(0x79, 0), word(0x8B, 0x2222), verified(1),
    ) as link:  # fmt: skip
        assert device(link).status_and_voltage(1) == (0, 0x2222)


def test_page_is_written_again_after_any_error() -> None:
    with scripted_link(
        turn(1), word(0x79, 0), word(0x8B, OSError(errno.EBADMSG, "PEC")),
        turn(1), word(0x79, 0), word(0x8B, 0x2222), verified(1),
    ) as link:  # fmt: skip
        assert device(link).status_and_voltage(1) == (0, 0x2222)


def test_a_write_is_verified_before_read_back_and_verified_after() -> None:
    with scripted_link(
        turn(1), verified(1), write_word(0x25, 0x0E48), word(0x25, 0x0E48), verified(1),
    ) as link:  # fmt: skip
        device(link).write(1, MARGIN_HIGH, b"\x48\x0e")


def test_a_write_right_after_a_verified_read_needs_no_second_verification() -> None:
    with scripted_link(
        turn(1), byte(0x01, 0x80), verified(1),
        write_byte(0x01, 0xA8), byte(0x01, 0xA8), verified(1),
    ) as link:  # fmt: skip
        paged = device(link)
        assert paged.read(1, (OPERATION,)) == [0x80]
        paged.write(1, OPERATION, b"\xa8")


def test_a_write_is_never_sent_while_page_does_not_read_right() -> None:
    lost = (turn(1), verified(0)) * 5
    with scripted_link(*lost) as link, pytest.raises(LinkError, match="PAGE reads 0x00 where 0x01 was written"):
        device(link).write(1, MARGIN_HIGH, b"\x48\x0e")


def test_a_write_that_is_not_acknowledged_is_not_sent_again() -> None:
    with scripted_link(
        turn(1), verified(1), write_word(0x25, 0x0E48, OSError(errno.ENXIO, "NACK")), turn(1), word(0x79, 0),
        word(0x8B, 1), verified(1),
    ) as link:  # fmt: skip
        paged = device(link)
        with pytest.raises(LinkError, match=r"bus main, device 0x40, writing VOUT_MARGIN_HIGH: .*\(ENXIO\)"):
            paged.write(1, MARGIN_HIGH, b"\x48\x0e")
        paged.status_and_voltage(1)


def test_a_register_that_reads_back_otherwise_is_an_error() -> None:
    with (
        scripted_link(turn(1), verified(1), write_word(0x25, 0x0E48), word(0x25, 0x0E40), verified(1)) as link,
        pytest.raises(
            ReadbackMismatch, match="VOUT_MARGIN_HIGH reads back 0x0E40 where 0x0E48 was written; the device"
        ),
    ):
        device(link).write(1, MARGIN_HIGH, b"\x48\x0e")


def test_a_write_that_went_to_another_page_says_so() -> None:
    with (
        scripted_link(
            turn(1), verified(1), write_word(0x25, 0x0E48), word(0x25, 0x0E48), verified(2),
            turn(1), word(0x25, 0x1000), verified(1),
        ) as link,
        pytest.raises(ReadbackMismatch, match="the write may have reached another page"),
    ):  # fmt: skip
        device(link).write(1, MARGIN_HIGH, b"\x48\x0e")


def test_a_page_lost_after_the_write_does_not_hide_that_it_arrived() -> None:
    with scripted_link(
        turn(1), verified(1), write_word(0x25, 0x0E48), word(0x25, 0x7777), verified(2),
        turn(1), word(0x25, 0x0E48), verified(1),
    ) as link:  # fmt: skip
        device(link).write(1, MARGIN_HIGH, b"\x48\x0e")


def test_a_command_without_data_goes_to_a_verified_page_only() -> None:
    send = BusExchange(method="write_byte", arguments=(A, 0x03))
    with scripted_link(turn(1), verified(0), turn(1), verified(1), send, verified(1), send) as link:
        paged = device(link)
        paged.send(1, CLEAR_FAULTS)
        paged.send(1, CLEAR_FAULTS)


def test_a_write_to_all_pages_leaves_page_forgotten() -> None:
    with scripted_link(
        turn(0xFF), verified(0xFF), write_byte(0x01, 0xA8), turn(0), byte(0x01, 0xA8), verified(0),
    ) as link:  # fmt: skip
        paged = device(link)
        paged.write_all(OPERATION, b"\xa8")
        assert paged.read(0, (OPERATION,)) == [0xA8]


def test_a_device_without_page_is_never_sent_one() -> None:
    with scripted_link(word(0x79, 0), word(0x8B, 5), write_byte(0x01, 0xA8), byte(0x01, 0xA8)) as link:
        paged = device(link, has_page=False)
        assert paged.status_and_voltage(0) == (0, 5)
        paged.write(0, OPERATION, b"\xa8")


@pytest.mark.parametrize(
    ("delays", "waited_s"),
    [
        (Delays(page_change_s=50e-6), 50e-6),
        (Delays(access_s=1e-3), 4e-3),
        (Delays(write_s=2e-3), 2e-3),
        (Delays(access_s=1e-3, page_change_s=3e-3), 6e-3),
    ],
)
def test_the_delays_of_the_profile_are_kept(delays: Delays, waited_s: float) -> None:
    clock = ManualClock()
    with scripted_link(turn(0), word(0x79, 0), word(0x8B, 5), verified(0)) as link:
        paged = PagedDevice(name="PM1", address=A, link=CountedLink(link, name="main"), clock=clock, delays=delays)
        paged.status_and_voltage(0)
    assert clock.now_s() == pytest.approx(waited_s)


@pytest.mark.parametrize(
    "read",
    [
        lambda paged: paged.status_and_voltage(0),
        lambda paged: paged.read(0, (OPERATION,)),
        lambda paged: paged.read_block(None, COMMANDS["MFR_ID"]),
    ],
)
def test_reads_are_tried_five_times_at_most(read: Callable[[PagedDevice], object]) -> None:
    class Dead(ScriptedLink):
        calls = 0

        def _take(self, method: str, *arguments: int | tuple[int, ...]) -> int | list[int] | None:
            self.calls += 1
            raise OSError(errno.ETIMEDOUT, "timed out")

    link = Dead(())
    with pytest.raises(LinkError, match="ETIMEDOUT"):
        read(device(link))
    assert link.calls == 5


def test_an_error_that_cannot_pass_is_not_tried_again() -> None:
    with (
        scripted_link(turn(0), word(0x79, OSError(errno.EOPNOTSUPP, "no"))) as link,
        pytest.raises(LinkError, match="EOPNOTSUPP"),
    ):
        device(link).status_and_voltage(0)
