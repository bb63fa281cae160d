import errno
from collections.abc import Callable

import pytest

from cornerrun.bench.simulated.registers import Code
from cornerrun.clock import ManualClock

A = 0x40
Wait = Callable[[ManualClock, float], None]

BOARD = """
format: 1
managers:
  PM1: {bus: main, address: 0x40, MORE}
rails:
  - {name: CORE, nominal: 1 V, power: {device: PM1, page: 0}, time_constant: 1 ms, adc: {noise: 0 V}}
  - {name: MGMT, nominal: 3.3 V, adc: {noise: 0 V}}
conditions: {input_voltage: {start: 12 V, time_constant: 1 ms}}
"""


def board(more: str, rest: str = "") -> str:
    return BOARD.replace("MORE", more) + rest + "\n"


def test_a_manager_browns_out_with_its_supply_and_starts_from_its_memory(build, wait: Wait) -> None:
    faults = "faults: {brown_outs: [{to: 4 V, lasts: 50 ms, at: 1 s}]}"
    bench, clock = build(board("supply: {rail: input, brown_out: 5 V, boot: 20 ms}", faults))
    link = bench.link("main")
    link.write_word_data(A, Code.VOUT_MARGIN_HIGH, 4200)
    link.write_byte_data(A, Code.OPERATION, 0xA8)
    clock.sleep_until(1.03)
    with pytest.raises(OSError, match="no acknowledge") as raised:
        link.read_byte_data(A, Code.OPERATION)
    assert raised.value.errno == errno.ENXIO
    assert bench.truth_v("CORE", 1.045) < 0.01
    clock.sleep_until(1.06)
    with pytest.raises(OSError, match="no acknowledge"):
        link.read_byte_data(A, Code.OPERATION)
    clock.sleep_until(1.2)
    assert link.read_byte_data(A, Code.OPERATION) == 0x80
    assert link.read_word_data(A, Code.VOUT_MARGIN_HIGH) == round(1.05 * 4096)
    assert bench.truth_v("CORE", 1.2) == pytest.approx(1.0, abs=1e-3)
    assert link.read_word_data(A, Code.STATUS_WORD) == 0


def test_a_rail_that_it_makes_itself_may_be_what_feeds_it(build, wait: Wait) -> None:
    bench, clock = build(board("supply: {rail: CORE, brown_out: 970 mV}"))
    link = bench.link("main")
    link.write_byte_data(A, Code.OPERATION, 0x98)
    wait(clock, 1.0)
    # It has sawn off the branch it sat on: off for good, the hazard that plans must keep from.
    with pytest.raises(OSError, match="no acknowledge"):
        link.read_byte_data(A, Code.OPERATION)
    assert bench.truth_v("CORE", clock.now_s()) == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize(
    ("limit", "volts", "bit"),
    [("ov_fault: 14 V", 15.0, 0x80), ("ov_warn: 13 V", 13.5, 0x40), ("uv_warn: 11 V", 10.5, 0x20)],
)
def test_status_input_shows_what_the_supply_did(build, wait: Wait, limit: str, volts: float, bit: int) -> None:
    # STATUS_INPUT: Linux drivers/hwmon/pmbus/pmbus.h.
    bench, clock = build(board(f"input: {{{limit}}}"))
    link, condition = bench.link("main"), bench.condition("input_voltage")
    assert link.read_byte_data(A, Code.STATUS_INPUT) == 0
    condition.start(volts)
    wait(clock, 0.1)
    condition.start(12.0)
    wait(clock, 0.1)
    assert link.read_byte_data(A, Code.STATUS_INPUT) == bit
    assert link.read_word_data(A, Code.STATUS_WORD) & 0x2000
    link.write_byte(A, Code.CLEAR_FAULTS)
    assert link.read_byte_data(A, Code.STATUS_INPUT) == 0


def test_below_the_input_fault_every_output_is_off_until_the_supply_is_back(build, wait: Wait) -> None:
    bench, clock = build(board("input: {uv_fault: 9 V}"))
    link, condition = bench.link("main"), bench.condition("input_voltage")
    condition.start(8.0)
    wait(clock, 0.2)
    assert link.read_word_data(A, Code.STATUS_WORD) & 0x2048 == 0x2048  # INPUT, OFF, VIN_UV
    assert bench.truth_v("CORE", clock.now_s()) < 0.01
    condition.start(12.0)
    wait(clock, 0.2)
    assert bench.truth_v("CORE", clock.now_s()) == pytest.approx(1.0, abs=1e-3)


def test_a_brown_out_comes_back_to_what_was_set_meanwhile(build, wait: Wait) -> None:
    bench, clock = build(board("exponent: -12", "faults: {brown_outs: [{to: 9 V, lasts: 1 s, at: 1 s}]}"))
    condition = bench.condition("input_voltage")
    clock.sleep_until(1.5)
    bench.truth_v("CORE", 1.5)
    assert condition.read() == pytest.approx(9.0, abs=1e-6)
    condition.start(13.0)
    clock.sleep_until(3.0)
    bench.truth_v("CORE", 3.0)
    assert condition.read() == pytest.approx(13.0, abs=1e-6)
