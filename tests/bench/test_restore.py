import errno
from collections.abc import Callable
from typing import Literal

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cornerrun.bench.ports import RawWrite
from cornerrun.bench.restore import replay, verify
from cornerrun.clock import ManualClock

PAGE, OPERATION, HIGH, LOW = 0x00, 0x01, 0x25, 0x26


class Registers:
    """A bus with one device that holds what is written; ``before`` may fail a message."""

    pec = 0

    def __init__(self, pages: int = 2) -> None:
        self.page = 0
        self.held = {(page, code): 0x99 for page in range(pages) for code in (OPERATION, HIGH, LOW)}
        self.writes: list[tuple[int, int]] = []
        self.before: Callable[[str, int, int], None] = lambda method, page, command: None

    def read_byte_data(self, address: int, command: int, /) -> int:
        self.before("read", self.page, command)
        return self.page if command == PAGE else self.held[self.page, command] & 0xFF

    def read_word_data(self, address: int, command: int, /) -> int:
        self.before("read", self.page, command)
        return self.held[self.page, command]

    def write_byte_data(self, address: int, command: int, value: int, /) -> None:
        self.before("write", self.page, command)
        if command == PAGE:
            self.page = value
        else:
            self.writes.append((self.page, command))
            self.held[self.page, command] = value

    write_word_data = write_byte_data


def write(
    stage: Literal["nominal", "configuration", "page"], page: int | None, command: int, value: int, *, bus: str = "main"
) -> RawWrite:
    length = 1 if command in (PAGE, OPERATION) else 2
    return RawWrite(
        stage=stage,
        bus=bus,
        address=0x40,
        page=page,
        command=command,
        data=value.to_bytes(length, "little"),
        rails=(f"R{page}",) if page is not None else (),
    )


WRITES = (
    write("page", None, PAGE, 1),
    write("configuration", 0, HIGH, 0x1234),
    write("nominal", 1, OPERATION, 0x80),
    write("nominal", 0, OPERATION, 0x80),
    write("configuration", 1, LOW, 0x0E66),
)


def test_stages_go_in_their_order_and_writes_in_theirs() -> None:
    bus = Registers()
    report = replay(WRITES, {"main": bus}, clock=ManualClock())  # type: ignore[dict-item]  # a bus of few words
    assert report.is_complete
    assert (report.verified, report.written) == (5, 5)
    assert bus.writes == [(1, OPERATION), (0, OPERATION), (0, HIGH), (1, LOW)]
    assert bus.page == 1
    assert bus.held[0, HIGH] == 0x1234


def test_what_holds_its_word_already_is_not_written_again() -> None:
    bus = Registers()
    replay(WRITES, {"main": bus}, clock=ManualClock())  # type: ignore[dict-item]
    bus.writes.clear()
    report = replay(WRITES, {"main": bus}, clock=ManualClock())  # type: ignore[dict-item]
    assert bus.writes == []
    assert (report.verified, report.written) == (5, 1)  # PAGE


def test_single_stages_can_be_asked_for() -> None:
    bus = Registers()
    replay(WRITES, {"main": bus}, clock=ManualClock(), stages=("nominal",))  # type: ignore[dict-item]
    assert bus.writes == [(1, OPERATION), (0, OPERATION)]


def test_a_failure_is_reported_with_rail_and_register_and_stops_nothing() -> None:
    bus = Registers()

    def fail(method: str, page: int, command: int) -> None:
        if (page, command) == (1, OPERATION):
            raise OSError(errno.ENXIO, "planted")

    bus.before = fail
    report = replay(WRITES, {"main": bus}, clock=ManualClock())  # type: ignore[dict-item]
    (failure,) = report.failures
    assert str(failure).startswith("R1: OPERATION was not restored: bus main, device 0x40, writing OPERATION: ")
    assert not report.is_complete
    assert report.verified == 4
    assert bus.held[0, OPERATION] == 0x80


def test_a_link_that_is_missing_is_a_failure_of_its_writes_only() -> None:
    bus = Registers()
    other = write("nominal", 0, OPERATION, 0x80, bus="second")
    report = replay((other, *WRITES), {"main": bus}, clock=ManualClock())  # type: ignore[dict-item]
    assert [str(failure) for failure in report.failures] == [
        "R0: OPERATION was not restored: there is no link to bus 'second'"
    ]


@pytest.mark.parametrize("code", [0x11, 0x12, 0x15, 0x16])
def test_non_volatile_commands_are_never_replayed(code: int) -> None:
    bus = Registers()
    raw = RawWrite(stage="configuration", bus="main", address=0x40, page=0, command=code, data=b"", rails=("R0",))
    report = replay((raw,), {"main": bus}, clock=ManualClock())  # type: ignore[dict-item]
    assert "non-volatile" in report.failures[0].why
    assert bus.writes == []


def test_verifying_compares_and_writes_nothing_but_page() -> None:
    bus = Registers()
    report = verify(WRITES, {"main": bus}, clock=ManualClock())  # type: ignore[dict-item]
    assert len(report.failures) == 4
    assert "it holds 99 00, not 34 12" in " ".join(failure.why for failure in report.failures)
    assert bus.writes == []
    replay(WRITES, {"main": bus}, clock=ManualClock())  # type: ignore[dict-item]
    assert verify(WRITES, {"main": bus}, clock=ManualClock()).is_complete  # type: ignore[dict-item]
    assert bus.page == 1


def test_a_command_that_the_table_does_not_know_travels_by_its_length() -> None:
    bus = Registers()
    bus.held[0, 0xD0] = 0
    raw = RawWrite(stage="configuration", bus="main", address=0x40, page=0, command=0xD0, data=b"\x34\x12", rails=())
    assert replay((raw,), {"main": bus}, clock=ManualClock()).is_complete  # type: ignore[dict-item]
    assert bus.held[0, 0xD0] == 0x1234


@settings(max_examples=150, deadline=None)
@given(st.dictionaries(st.integers(0, 60), st.sampled_from([errno.ENXIO, errno.EBADMSG, errno.EAGAIN]), max_size=10))
def test_whatever_fails_the_report_says_what_the_registers_hold(faults: dict[int, int]) -> None:
    bus, count = Registers(), 0

    def fail(method: str, page: int, command: int) -> None:
        nonlocal count
        count += 1
        if count in faults:
            raise OSError(faults[count], "planted")

    bus.before = fail
    report = replay(WRITES, {"main": bus}, clock=ManualClock())  # type: ignore[dict-item]
    failed = {(failure.write.page, failure.write.command) for failure in report.failures}
    for raw in WRITES:
        if (raw.page, raw.command) not in failed and raw.page is not None:
            assert bus.held[raw.page, raw.command] == int.from_bytes(raw.data, "little")
