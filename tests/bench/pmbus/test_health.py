import errno
import logging
from typing import Any

import pytest

from cornerrun.bench.pmbus.errnos import explain, name_of
from cornerrun.bench.pmbus.health import CountedLink
from cornerrun.errors import LinkError
from cornerrun.testing.scripted import BusExchange, scripted_link


def link_that(raises: BaseException | None = None, answer: Any = None) -> CountedLink:
    class Fake:
        pec = 1

        def read_word_data(self, address: int, command: int, /) -> Any:
            if raises is not None:
                raise raises
            return answer

        read_byte_data = read_word_data

    return CountedLink(Fake(), name="main")  # type: ignore[arg-type]  # it lacks methods on purpose


@pytest.mark.parametrize(
    ("number", "means", "advice"),
    [
        (errno.ENXIO, "nothing acknowledged the address", "powered"),
        (errno.EREMOTEIO, "did not acknowledge", "STATUS_CML"),
        (errno.EAGAIN, "arbitration was lost", "other master"),
        (errno.EBADMSG, "packet error code is wrong", "signal integrity"),
        (errno.EBUSY, "is taken", "unbind a kernel driver"),
        (errno.ETIMEDOUT, "timed out", "lower the bus clock"),
        (errno.EPROTO, "breaks the protocol", "block"),
        (errno.EOPNOTSUPP, "cannot do this kind of message", "another adapter"),
        (errno.ECONNREFUSED, "nobody listens", "start"),
    ],
)
def test_each_errno_says_what_happened_and_what_to_do(number: int, means: str, advice: str) -> None:
    # Linux Documentation/i2c/fault-codes
    error = explain(OSError(number, "x"), "bus main, device 0x40, reading READ_VOUT", is_read=True)
    assert str(error).startswith("bus main, device 0x40, reading READ_VOUT: ")
    assert means in str(error)
    assert advice in str(error)
    assert f"({name_of(number)})" in str(error)
    assert error.errno == number


def test_an_errno_is_named_as_the_kernel_names_it() -> None:
    assert name_of(errno.EOPNOTSUPP) == "EOPNOTSUPP"
    assert name_of(errno.EREMOTEIO) == "EREMOTEIO"
    assert name_of(None) == "no errno"
    assert name_of(4711) == "4711"


def test_only_reads_and_only_passing_errors_may_be_tried_again() -> None:
    assert explain(OSError(errno.ENXIO, "x"), "", is_read=True).may_retry
    assert not explain(OSError(errno.ENXIO, "x"), "", is_read=False).may_retry
    assert not explain(OSError(errno.EACCES, "x"), "", is_read=True).may_retry
    assert explain(TimeoutError("late"), "", is_read=True).errno == errno.ETIMEDOUT
    assert explain(OSError("an emulator's own words"), "", is_read=True).may_retry
    assert "an emulator's own words" in str(explain(OSError("an emulator's own words"), "", is_read=True))
    assert "ENOSPC" in str(explain(OSError(errno.ENOSPC, "full"), "", is_read=True))


def test_messages_errors_and_retries_are_counted() -> None:
    link = link_that(raises=OSError(errno.EBADMSG, "PEC"))

    def read() -> int:
        return link.read_word_data(0x40, 0x8B)

    pauses = []
    with pytest.raises(LinkError) as first:
        read()
    with pytest.raises(LinkError, match="EBADMSG"):
        link.repeat(read, pause=lambda: pauses.append(1), after=first.value)
    assert link.counts == {"messages": 5, "retries": 4, "error EBADMSG": 5}
    assert len(pauses) == 4


def test_what_turned_out_to_be_an_answer_is_taken_back() -> None:
    link = link_that(raises=OSError(errno.ENXIO, "NACK"))
    mark = link.mark()
    with pytest.raises(LinkError):
        link.read_word_data(0x40, 0x22)
    link.set_aside(mark)
    assert link.counts == {"messages": 1, "retries": 0}


@pytest.mark.parametrize("answer", [-1, 0x10000])
def test_an_answer_that_is_no_word_is_an_error(answer: int) -> None:
    with pytest.raises(LinkError, match="EPROTO"):
        link_that(answer=answer).read_word_data(0x40, 0x8B)


def test_an_answer_that_is_no_byte_is_an_error() -> None:
    with pytest.raises(LinkError, match="EPROTO"):
        link_that(answer=0x100).read_byte_data(0x40, 0x01)


def test_a_link_that_lacks_a_method_says_so_when_it_is_needed() -> None:
    link = link_that(answer=3)
    assert link.read_word_data(0x40, 0x8B) == 3
    for call in (
        lambda: link.read_block_data(0x40, 0x99),
        lambda: link.write_byte(0x40, 0x03),
        lambda: link.write_word_data(0x40, 0x25, 1),
    ):
        with pytest.raises(LinkError, match="EOPNOTSUPP"):
            call()


def test_an_error_that_is_no_fault_of_the_bus_passes_through() -> None:
    with pytest.raises(ZeroDivisionError):
        link_that(raises=ZeroDivisionError()).read_word_data(0x40, 0x8B)


def test_every_method_reaches_the_link_as_it_is() -> None:
    exchanges = (
        BusExchange(method="write_byte", arguments=(0x40, 0x03)),
        BusExchange(method="read_byte", arguments=(0x0C,), answer=0x80),
        BusExchange(method="write_byte_data", arguments=(0x40, 0x01, 0x80)),
        BusExchange(method="read_byte_data", arguments=(0x40, 0x01), answer=0x80),
        BusExchange(method="write_word_data", arguments=(0x40, 0x21, 0x1000)),
        BusExchange(method="read_word_data", arguments=(0x40, 0x21), answer=0x1000),
        BusExchange(method="write_block_data", arguments=(0x40, 0x9C, (1, 2))),
        BusExchange(method="read_block_data", arguments=(0x40, 0x99), answer=[65, 66]),
        BusExchange(method="block_process_call", arguments=(0x40, 0x1A, (0x21,)), answer=[0xE0]),
    )
    with scripted_link(*exchanges) as script:
        link = CountedLink(script, name="main")
        link.write_byte(0x40, 0x03)
        assert link.read_byte(0x0C) == 0x80
        link.write_byte_data(0x40, 0x01, 0x80)
        assert link.read_byte_data(0x40, 0x01) == 0x80
        link.write_word_data(0x40, 0x21, 0x1000)
        assert link.read_word_data(0x40, 0x21) == 0x1000
        link.write_block_data(0x40, 0x9C, (1, 2))
        assert link.read_block_data(0x40, 0x99) == [65, 66]
        assert link.block_process_call(0x40, 0x1A, (0x21,)) == [0xE0]
        link.pec = 1
        assert script.pec == 1
        link.close()
        assert script.is_closed
    assert link.counts["messages"] == 9


def test_one_debug_line_an_exchange(caplog: pytest.LogCaptureFixture) -> None:
    with caplog.at_level(logging.DEBUG, logger="cornerrun.bench.pmbus.health"):
        link_that(answer=0x0D9A).read_word_data(0x40, 0x8B)
    assert caplog.messages == ["main 0x40 read 0x8B: 0x0D9A"]
