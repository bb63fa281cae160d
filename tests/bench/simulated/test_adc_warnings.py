from collections.abc import Callable

import pytest

from cornerrun.bench.simulated.registers import Code
from cornerrun.clock import ManualClock

A = 0x40
LSB_V = 2.0**-12
Wait = Callable[[ManualClock, float], None]

BOARD = """
format: 1
managers: {PM1: {bus: main, address: 0x40, scan: 20 ms, warnings: WARNINGS}}
rails:
  - name: CORE
    nominal: 1 V
    power: {device: PM1, page: 0}
    time_constant: 0.1 ms
    slew: 1 V/us
    adc: {noise: NOISE}
    output_resistance: 1 mOhm
    load_steps: [{current: -30 A, at: 1.001 s, lasts: 5 ms}]
"""


def board(warnings: str, noise: str = "0 V") -> str:
    return BOARD.replace("WARNINGS", warnings).replace("NOISE", noise)


@pytest.mark.parametrize(("warnings", "bits"), [("comparator", 0x40), ("adc", 0x00)])
def test_a_peak_between_two_conversions_warns_only_where_comparators_look(build, warnings: str, bits: int) -> None:
    bench, clock = build(board(warnings))
    link = bench.link("main")
    link.write_word_data(A, Code.VOUT_OV_WARN_LIMIT, round(1.02 / LSB_V))
    clock.sleep_until(2.0)
    assert bench.truth_v("CORE", 1.004) > 1.025
    assert link.read_byte_data(A, Code.STATUS_VOUT) == bits


def test_a_warning_of_the_adc_comes_with_its_next_conversion(build) -> None:
    bench, clock = build(board("adc"))
    link = bench.link("main", clock_hz=400e3)
    link.write_word_data(A, Code.VOUT_OV_WARN_LIMIT, round(1.02 / LSB_V))
    clock.sleep_until(0.501)
    link.write_byte_data(A, Code.OPERATION, 0xA8)
    clock.sleep_until(0.515)
    assert link.read_byte_data(A, Code.STATUS_VOUT) == 0
    clock.sleep_until(0.521)
    assert link.read_byte_data(A, Code.STATUS_VOUT) == 0x40
    link.write_byte(A, Code.CLEAR_FAULTS)
    assert link.read_byte_data(A, Code.STATUS_VOUT) == 0x40, "the last conversion is still beyond"
    link.write_byte_data(A, Code.OPERATION, 0x80)
    clock.sleep_until(0.6)
    link.write_byte(A, Code.CLEAR_FAULTS)
    assert link.read_byte_data(A, Code.STATUS_VOUT) == 0


def test_noise_alone_makes_the_adc_warn_in_the_end(build) -> None:
    # Three standard deviations away, one conversion in about 740 is beyond (normal distribution): 50 a second.
    bench, clock = build(board("adc", noise="2 mV"))
    link = bench.link("main")
    link.write_word_data(A, Code.VOUT_UV_WARN_LIMIT, round(0.994 / LSB_V))
    clock.sleep_until(60.0)
    assert link.read_byte_data(A, Code.STATUS_VOUT) & 0x20
    quiet, later = build(board("comparator", noise="2 mV"))
    quiet.link("main").write_word_data(A, Code.VOUT_UV_WARN_LIMIT, round(0.994 / LSB_V))
    later.sleep_until(60.0)
    assert quiet.link("main").read_byte_data(A, Code.STATUS_VOUT) & 0x20 == 0


def test_an_output_that_is_off_warns_of_nothing(build) -> None:
    bench, clock = build(board("adc"))
    link = bench.link("main")
    link.write_byte_data(A, Code.OPERATION, 0x00)
    clock.sleep_until(1.0)
    assert link.read_byte_data(A, Code.STATUS_VOUT) == 0
    link.write_byte_data(A, Code.OPERATION, 0x80)
    clock.sleep_until(1.5)
    assert link.read_word_data(A, Code.STATUS_WORD) == 0
