"""Kinds of managers: formats, parts that lack something, parts that can more."""

import errno
from collections.abc import Callable

import pytest

from cornerrun.bench.pmbus.formats import Direct, VoutKind, VoutMode, decode_half
from cornerrun.bench.pmbus.formats import pec as checksum
from cornerrun.bench.simulated.registers import Code
from cornerrun.clock import ManualClock

A = 0x40
Wait = Callable[[ManualClock, float], None]

BOARD = """
format: 1
managers:
  PM1: {bus: main, address: 0x40, MORE}
rails:
  - {name: CORE, nominal: 0.8 V, power: {device: PM1, page: 0}, time_constant: 1 ms, adc: {noise: 0 V}, slew: 1 V/us}
  - {name: AUX, nominal: 2 V, power: {device: PM1, page: 1}, time_constant: 1 ms, adc: {noise: 0 V}, slew: 1 V/us}
"""


def board(more: str, rest: str = "") -> str:
    return BOARD.replace("MORE", more) + rest + "\n"


def refused(act: Callable[..., object], *arguments: object) -> int | None:
    with pytest.raises(OSError, match="acknowledge") as raised:
        act(*arguments)
    return raised.value.errno


@pytest.mark.parametrize(
    ("more", "mode", "step_v"),
    [
        ("exponent: -9, relative: true", VoutMode(kind=VoutKind.LINEAR, parameter=-9, is_relative=True), 2.0**-9),
        ("format: half", VoutMode(kind=VoutKind.HALF, parameter=0), 2.0**-11),
        ("format: half, relative: true", VoutMode(kind=VoutKind.HALF, parameter=0, is_relative=True), 2.0**-10),
        (
            "format: direct, direct: {m: 5000, b: 100, r: 0}",
            VoutMode(kind=VoutKind.DIRECT, parameter=0, direct=Direct(5000, 100, 0)),
            1 / 5000,
        ),
    ],
)
def test_margins_limits_and_readings_are_in_the_format_of_the_part(
    build, wait: Wait, more: str, mode: VoutMode, step_v: float
) -> None:
    bench, clock = build(board(more))
    link = bench.link("main")
    scale = 0.8 if mode.is_relative else 1.0
    assert mode.decode(link.read_word_data(A, Code.VOUT_COMMAND)) == pytest.approx(0.8, abs=step_v)
    high = mode.decode(link.read_word_data(A, Code.VOUT_MARGIN_HIGH)) * scale
    assert high == pytest.approx(0.84, abs=1.5 * step_v)
    link.write_byte_data(A, Code.OPERATION, 0xA8)
    wait(clock, 0.1)
    assert bench.truth_v("CORE", clock.now_s()) == pytest.approx(high, abs=2 * step_v)
    assert mode.decode(link.read_word_data(A, Code.READ_VOUT)) == pytest.approx(high, abs=2 * step_v)
    link.write_word_data(A, Code.VOUT_OV_WARN_LIMIT, mode.encode(0.82 / scale))
    assert link.read_byte_data(A, Code.STATUS_VOUT) == 0x40


def test_a_relative_part_drags_its_limits_along_with_vout_command(build, wait: Wait) -> None:
    # job.md 1.2: moving VOUT_COMMAND drags all limits with it; margining through OPERATION does not.
    bench, clock = build(board("relative: true"))
    link = bench.link("main")
    link.write_word_data(A, Code.VOUT_COMMAND, round(0.65 * 4096))
    wait(clock, 0.1)
    assert bench.truth_v("CORE", clock.now_s()) == pytest.approx(0.65, abs=2e-4)
    assert link.read_word_data(A, Code.STATUS_WORD) & 0x0040 == 0, "0.65 V is above 85 % of itself"
    absolute, other = build(board("relative: false"))
    absolute.link("main").write_word_data(A, Code.VOUT_COMMAND, round(0.65 * 4096))
    wait(other, 0.1)
    assert absolute.link("main").read_word_data(A, Code.STATUS_WORD) & 0x0040, "0.65 V is below 85 % of 0.8 V"


def test_half_precision_refuses_what_is_no_number(build) -> None:
    bench, _ = build(board("format: half"))
    link = bench.link("main")
    assert refused(link.write_word_data, A, Code.VOUT_MARGIN_HIGH, 0x7C00) == errno.EREMOTEIO
    assert link.read_byte_data(A, Code.STATUS_CML) == 0x40
    assert decode_half(link.read_word_data(A, Code.VOUT_MARGIN_HIGH)) == pytest.approx(0.84, abs=1e-3)


def test_coefficients_tell_m_b_and_r(build) -> None:
    bench, _ = build(board("format: direct, direct: {m: 2000, b: -50, r: -1}"))
    answer = bytes(bench.link("main").block_process_call(A, Code.COEFFICIENTS, [Code.READ_VOUT, 1]))
    # Five bytes: m and b of two each, R of one, low byte first (QEMU and Linux headers).
    assert int.from_bytes(answer[0:2], "little", signed=True) == 2000
    assert int.from_bytes(answer[2:4], "little", signed=True) == -50
    assert int.from_bytes(answer[4:5], "little", signed=True) == -1
    plain, _ = build(board("exponent: -12"))
    assert refused(plain.link("main").block_process_call, A, Code.COEFFICIENTS, [Code.READ_VOUT, 1]) == errno.EREMOTEIO


def test_a_part_without_margin_registers_can_only_be_commanded(build, wait: Wait) -> None:
    bench, clock = build(board("lacks: [VOUT_MARGIN_HIGH, VOUT_MARGIN_LOW]"))
    link = bench.link("main")
    assert refused(link.read_word_data, A, Code.VOUT_MARGIN_HIGH) == errno.EREMOTEIO
    assert refused(link.write_word_data, A, Code.VOUT_MARGIN_LOW, 3000) == errno.EREMOTEIO
    assert refused(link.write_byte_data, A, Code.OPERATION, 0xA8) == errno.EREMOTEIO
    link.write_word_data(A, Code.VOUT_COMMAND, round(0.84 * 4096))
    wait(clock, 0.1)
    assert bench.truth_v("CORE", clock.now_s()) == pytest.approx(0.84, abs=2e-4)


def test_a_register_that_is_not_there_may_read_as_all_ones(build) -> None:
    bench, _ = build(board("lacks: [WRITE_PROTECT, READ_VIN], unsupported: ones"))
    link = bench.link("main")
    assert link.read_byte_data(A, Code.WRITE_PROTECT) == 0xFF
    assert link.read_word_data(A, Code.READ_VIN) == 0xFFFF
    assert refused(link.write_byte_data, A, Code.WRITE_PROTECT, 0) == errno.EREMOTEIO
    link.pec = 1
    with pytest.raises(OSError, match="packet error code") as raised:
        link.read_word_data(A, Code.READ_VIN)
    assert raised.value.errno == errno.EBADMSG


def test_page_plus_reaches_a_page_without_touching_page(build, wait: Wait) -> None:
    bench, clock = build(board("page_plus: true"))
    for pec in (False, True):
        link = bench.link("main", pec=pec)
        link.write_byte_data(A, Code.PAGE, 0)
        word = round(2.05 * 4096).to_bytes(2, "little")
        link.write_block_data(A, Code.PAGE_PLUS_WRITE, [1, Code.VOUT_MARGIN_HIGH, *word])
        link.write_block_data(A, Code.PAGE_PLUS_WRITE, [1, Code.OPERATION, 0xA8])
        wait(clock, 0.1)
        assert link.read_byte_data(A, Code.PAGE) == 0
        assert bench.truth_v("AUX", clock.now_s()) == pytest.approx(2.05, abs=2e-4)
        assert bytes(link.block_process_call(A, Code.PAGE_PLUS_READ, [1, Code.VOUT_MARGIN_HIGH])) == word
        assert link.block_process_call(A, Code.PAGE_PLUS_READ, [0, Code.OPERATION]) == [0x80]
        link.write_block_data(A, Code.PAGE_PLUS_WRITE, [1, Code.OPERATION, 0x80])
        link.write_block_data(A, Code.PAGE_PLUS_WRITE, [1, Code.CLEAR_FAULTS])


@pytest.mark.parametrize(
    "data", [[2, 0x01, 0x80], [0], [0, 0x01], [0, 0x01, 0x80, 0x00], [0, 0xD3, 1], [0, 0x8B, 1, 2], [0, 0x10, 0x40]]
)
def test_page_plus_refuses_nonsense(build, data: list[int]) -> None:
    bench, _ = build(board("page_plus: true"))
    assert refused(bench.link("main").write_block_data, A, Code.PAGE_PLUS_WRITE, data) == errno.EREMOTEIO


@pytest.mark.parametrize("data", [[2, 0x01], [0], [0, 0xD3], [0, 0x03], [0, 0x01, 0x00]])
def test_page_plus_reads_nothing_that_is_not_there(build, data: list[int]) -> None:
    bench, _ = build(board("page_plus: true"))
    assert refused(bench.link("main").block_process_call, A, Code.PAGE_PLUS_READ, data) == errno.EREMOTEIO


def test_a_part_without_page_plus_refuses_it(build) -> None:
    bench, _ = build(board("exponent: -12"))
    link = bench.link("main")
    assert refused(link.write_block_data, A, Code.PAGE_PLUS_WRITE, [1, 0x01, 0x80]) == errno.EREMOTEIO
    assert link.read_byte_data(A, Code.STATUS_CML) == 0x80


def test_thirty_two_pages_are_thirty_two_outputs(build, wait: Wait) -> None:
    rails = "\n".join(
        f"  - {{name: R{page}, nominal: {800 + 10 * page} mV, power: {{device: PM1, page: {page}}}}}"
        for page in range(32)
    )
    text = f"format: 1\nmanagers: {{PM1: {{bus: main, address: 0x40}}}}\nrails:\n{rails}\n"
    bench, clock = build(text)
    link = bench.link("main")
    wait(clock, 0.1)
    for page in range(32):
        link.write_byte_data(A, Code.PAGE, page)
        assert link.read_word_data(A, Code.READ_VOUT) / 4096 == pytest.approx(0.8 + 0.01 * page, abs=1e-3)
    assert refused(link.write_byte_data, A, Code.PAGE, 32) == errno.EREMOTEIO


@pytest.mark.parametrize(("config", "is_on"), [(0x1A, True), (0x1E, False), (0x16, False), (0x0E, True), (0x12, True)])
def test_a_control_pin_that_is_released_turns_off_who_obeys_it(build, wait: Wait, config: int, is_on: bool) -> None:
    # Bit 4: needs pin or command at all; bit 3: obeys OPERATION; bit 2: obeys the CONTROL pin (job.md 2.4).
    bench, clock = build(board("control: released"))
    link = bench.link("main")
    link.write_byte_data(A, Code.ON_OFF_CONFIG, config)
    wait(clock, 0.5)
    assert bool(link.read_word_data(A, Code.STATUS_WORD) & 0x0040) is not is_on
    assert (bench.truth_v("CORE", clock.now_s()) > 0.5) is is_on


def test_write_protect_blocks_clear_faults_unless_the_part_leaves_it_open(build) -> None:
    # The levels of WRITE_PROTECT name what stays writable, and CLEAR_FAULTS is not among it (Linux pmbus.h); parts
    # differ, so it can be said (common practice, no source).
    for more, is_open in (("exponent: -12", False), ("always_writable: [CLEAR_FAULTS]", True)):
        bench, _ = build(board(more))
        link = bench.link("main")
        link.write_byte_data(A, Code.WRITE_PROTECT, 0x40)
        if is_open:
            link.write_byte(A, Code.CLEAR_FAULTS)
        else:
            assert refused(link.write_byte, A, Code.CLEAR_FAULTS) == errno.EREMOTEIO
        assert refused(link.write_word_data, A, Code.VOUT_MARGIN_HIGH, 3400) == errno.EREMOTEIO


def test_the_alert_response_address_answers_with_the_lowest_address_first(build) -> None:
    text = """
format: 1
managers:
  PM1: {bus: main, address: 0x42}
  PM2: {bus: main, address: 0x40}
  PM3: {bus: main, address: 0x41}
  PM4: {bus: main, address: 0x43, alert: false}
rails:
  - {name: R, nominal: 1 V, power: {device: PM1, page: 0}}
"""
    bench, _ = build(text)
    link, bus = bench.link("main", pec=True), bench.buses["main"]
    assert not bus.is_alerting
    assert refused(link.read_byte, 0x0C) == errno.ENXIO
    for address in (0x42, 0x40, 0x43):
        refused(link.read_byte_data, address, 0xD3)
    assert bus.is_alerting
    # The seven-bit address comes in bits 7:1; each device then lets go (SMBus, from memory).
    assert [link.read_byte(0x0C) >> 1, link.read_byte(0x0C) >> 1] == [0x40, 0x42]
    assert not bus.is_alerting
    assert refused(link.read_byte, 0x0C) == errno.ENXIO
    assert link.read_byte_data(0x40, Code.STATUS_CML) == 0x80, "the cause is still there"
    refused(link.read_byte_data, 0x40, 0xD3)
    assert not bus.is_alerting, "a bit that was set already is nothing new"


def test_a_warning_pulls_the_alert_line_and_clear_faults_lets_go(build, wait: Wait) -> None:
    bench, clock = build(board("exponent: -12"))
    link, bus = bench.link("main"), bench.buses["main"]
    link.write_word_data(A, Code.VOUT_OV_WARN_LIMIT, round(0.82 * 4096))
    link.write_byte_data(A, Code.OPERATION, 0xA8)
    wait(clock, 0.1)
    assert link.read_byte(0x0C) >> 1 == A
    link.write_byte(A, Code.CLEAR_FAULTS)
    assert bus.is_alerting, "the voltage is still beyond the limit"
    link.write_byte_data(A, Code.OPERATION, 0x80)
    wait(clock, 0.1)
    link.write_byte(A, Code.CLEAR_FAULTS)
    assert not bus.is_alerting


TWO = """
format: 1
managers:
  PM1: {bus: main, address: 0x40}
  PM2: {bus: main, address: 0x41, MORE}
rails:
  - {name: A, nominal: 1 V, power: {device: PM1, page: 0}, time_constant: 0 s, slew: 1 V/ms}
  - {name: B, nominal: 1 V, power: {device: PM2, page: 0}, time_constant: 0 s, slew: 1 V/ms}
"""


def started_s(bench, rail: str) -> float:
    """When a rail that moves at 1 V/ms left 1 V."""
    output = bench._world.outputs[rail]
    return output.crosses_at_s(1.01) - 1e-5


@pytest.mark.parametrize(("pec", "bits"), [(False, 28 * 2 + 1), (True, 37 * 2 + 1)])
def test_a_group_command_acts_at_its_one_stop(build, wait: Wait, pec: bool, bits: int) -> None:
    bench, clock = build(TWO.replace("MORE", "group: true"))
    link = bench.link("main", pec=pec)
    link.group_write([(0x40, bytes((Code.OPERATION, 0xA8))), (0x41, bytes((Code.OPERATION, 0xA8)))])
    # 28 K + 1 bits without PEC, 37 K + 1 with it (job.md table 2.1, computed there).
    assert clock.now_s() == pytest.approx(bits / 100e3)
    assert started_s(bench, "A") == pytest.approx(clock.now_s(), abs=1e-9)
    assert started_s(bench, "B") == pytest.approx(clock.now_s(), abs=1e-9)
    assert link.read_byte_data(0x40, Code.STATUS_CML) == link.read_byte_data(0x41, Code.STATUS_CML) == 0


def test_a_part_without_group_commands_acts_when_its_own_part_is_through(build) -> None:
    bench, clock = build(TWO.replace("MORE", "group: false"))
    link = bench.link("main")
    link.group_write([(0x41, bytes((Code.OPERATION, 0xA8))), (0x40, bytes((Code.OPERATION, 0xA8)))])
    assert started_s(bench, "B") == pytest.approx(28 / 100e3, abs=1e-9)
    assert started_s(bench, "A") == pytest.approx(clock.now_s(), abs=1e-9)


def test_a_group_command_has_one_write_a_device(build) -> None:
    bench, clock = build(TWO.replace("MORE", "group: true"))
    with pytest.raises(OSError, match="one write a device") as raised:
        bench.link("main").group_write([(0x40, b"\x01\x80"), (0x40, b"\x01\x80")])
    assert raised.value.errno == errno.EINVAL
    assert clock.now_s() == 0.0


def test_what_was_acknowledged_acts_though_a_later_part_of_a_group_was_not(build, wait: Wait) -> None:
    bench, clock = build(TWO.replace("MORE", "group: true"))
    with pytest.raises(OSError, match="0x55") as raised:
        bench.link("main").group_write([(0x40, b"\x01\xa8"), (0x55, b"\x01\xa8"), (0x41, b"\x01\xa8")])
    assert raised.value.errno == errno.ENXIO
    wait(clock, 0.1)
    assert bench.truth_v("A", clock.now_s()) == pytest.approx(1.05, abs=1e-3)
    assert bench.truth_v("B", clock.now_s()) == pytest.approx(1.0, abs=1e-3)


def test_a_group_carries_a_code_of_each_part(build) -> None:
    bench, _ = build(TWO.replace("MORE", "pec: required"))
    link = bench.link("main", pec=True)
    link.group_write([(0x41, b"\x01\xa8")])
    assert link.read_byte_data(0x41, Code.OPERATION) == 0xA8
    assert checksum((0x82, 0x01, 0xA8)) != checksum((0x80, 0x01, 0xA8))
