from collections.abc import Callable

import pytest

from cornerrun.bench.simulated.registers import Code
from cornerrun.clock import ManualClock

A = 0x40
LSB_V = 2.0**-12
Wait = Callable[[ManualClock, float], None]


def word(voltage_v: float) -> int:
    return round(voltage_v / LSB_V)


@pytest.mark.parametrize(
    ("limit", "operation", "bits"),
    [((Code.VOUT_OV_WARN_LIMIT, 0.87), 0xA8, 0x40), ((Code.VOUT_UV_WARN_LIMIT, 0.83), 0x98, 0x20)],
)
def test_a_warning_is_latched_and_moves_nothing(
    build, wait: Wait, limit: tuple[int, float], operation: int, bits: int
) -> None:
    bench, clock = build()
    link = bench.link("main")
    link.write_word_data(A, limit[0], word(limit[1]))
    link.write_byte_data(A, Code.OPERATION, operation)
    wait(clock, 0.1)
    assert link.read_byte_data(A, Code.STATUS_VOUT) == bits
    assert link.read_word_data(A, Code.STATUS_WORD) == 0x8001  # VOUT; NONE OF THE ABOVE
    link.write_byte_data(A, Code.OPERATION, 0x80)
    wait(clock, 0.1)
    assert link.read_byte_data(A, Code.STATUS_VOUT) == bits, "it stays until it is cleared"
    link.write_byte(A, Code.CLEAR_FAULTS)
    assert link.read_word_data(A, Code.STATUS_WORD) == 0


@pytest.mark.parametrize(
    ("limit", "operation", "bits"),
    [((Code.VOUT_OV_FAULT_LIMIT, 0.87), 0xA8, 0x80), ((Code.VOUT_UV_FAULT_LIMIT, 0.83), 0x98, 0x10)],
)
def test_a_fault_shuts_the_output_down_and_latches(
    build, wait: Wait, limit: tuple[int, float], operation: int, bits: int
) -> None:
    bench, clock = build()
    link = bench.link("main")
    link.write_word_data(A, limit[0], word(limit[1]))
    link.write_byte_data(A, Code.OPERATION, operation)
    wait(clock, 0.2)
    assert bench.truth_v("VDD_CORE", clock.now_s()) == pytest.approx(0.0, abs=1e-9)
    status = link.read_word_data(A, Code.STATUS_WORD)
    assert status & 0x8840 == 0x8840  # VOUT, POWER_GOOD#, OFF (Linux pmbus.h)
    assert bool(status & 0x0020) == (bits == 0x80)  # VOUT_OV has a bit of its own
    assert link.read_byte_data(A, Code.STATUS_VOUT) & bits
    link.write_byte(A, Code.CLEAR_FAULTS)
    wait(clock, 0.2)
    assert link.read_word_data(A, Code.STATUS_WORD) == 0x0840, "clearing starts nothing"
    link.write_byte_data(A, Code.OPERATION, 0x80)
    wait(clock, 0.2)
    assert link.read_word_data(A, Code.STATUS_WORD) & 0x0040, "only off, then on, releases it"
    link.write_byte_data(A, Code.OPERATION, 0x00)
    link.write_byte_data(A, Code.OPERATION, 0x80)
    wait(clock, 0.2)
    assert link.read_word_data(A, Code.STATUS_WORD) == 0
    assert bench.truth_v("VDD_CORE", clock.now_s()) == pytest.approx(0.85, abs=LSB_V)


def test_a_trip_happens_at_the_instant_of_the_crossing_not_when_somebody_looks(build, wait: Wait) -> None:
    bench, clock = build()
    link = bench.link("main")
    link.write_word_data(A, Code.VOUT_UV_FAULT_LIMIT, word(0.83))
    link.write_byte_data(A, Code.OPERATION, 0x98)
    moved_s = clock.now_s()
    wait(clock, 1.0)
    lowest_v = min(bench.truth_v("VDD_CORE", moved_s + index * 1e-5) for index in range(80))
    # ln(42.5/22.5) time constants of 2 ms after the command the output is at its limit; from there it discharges.
    crossed_s = moved_s + 0.002 * 0.636
    assert bench.truth_v("VDD_CORE", crossed_s) == pytest.approx(0.83, abs=0.001)
    assert lowest_v > 0.8295 - 0.0075
    assert bench.truth_v("VDD_CORE", crossed_s + 0.005) == pytest.approx(0.83 / 2.718, abs=0.01)


def test_a_condition_that_is_still_there_latches_again_at_once(build, wait: Wait) -> None:
    bench, clock = build()
    link = bench.link("main")
    link.write_word_data(A, Code.VOUT_UV_WARN_LIMIT, word(0.83))
    link.write_byte_data(A, Code.OPERATION, 0x98)
    wait(clock, 0.1)
    link.write_byte(A, Code.CLEAR_FAULTS)
    assert link.read_byte_data(A, Code.STATUS_VOUT) == 0x20
    link.write_byte_data(A, Code.STATUS_VOUT, 0x20)
    assert link.read_byte_data(A, Code.STATUS_VOUT) == 0x20


def test_writing_a_one_clears_only_that_bit(build, wait: Wait) -> None:
    bench, clock = build()
    link = bench.link("main")
    link.write_word_data(A, Code.VOUT_UV_WARN_LIMIT, word(0.83))
    link.write_byte_data(A, Code.OPERATION, 0x98)
    wait(clock, 0.1)
    link.write_word_data(A, Code.VOUT_OV_WARN_LIMIT, word(0.87))
    link.write_byte_data(A, Code.OPERATION, 0xA8)
    wait(clock, 0.1)
    assert link.read_byte_data(A, Code.STATUS_VOUT) == 0x60
    link.write_byte_data(A, Code.STATUS_VOUT, 0x20)
    assert link.read_byte_data(A, Code.STATUS_VOUT) == 0x40


def test_a_limit_written_past_the_output_acts_at_once(build, wait: Wait) -> None:
    bench, clock = build()
    link = bench.link("main")
    link.write_word_data(A, Code.VOUT_OV_FAULT_LIMIT, word(0.84))
    wait(clock, 0.1)
    assert link.read_byte_data(A, Code.STATUS_VOUT) & 0x80
    assert link.read_word_data(A, Code.STATUS_WORD) & 0x0040


def test_a_margin_that_ignores_faults_trips_nothing(build, wait: Wait) -> None:
    bench, clock = build()
    link = bench.link("main")
    link.write_word_data(A, Code.VOUT_UV_FAULT_LIMIT, word(0.83))
    link.write_byte_data(A, Code.OPERATION, 0x94)
    wait(clock, 0.1)
    assert link.read_word_data(A, Code.STATUS_WORD) == 0
    assert bench.truth_v("VDD_CORE", clock.now_s()) == pytest.approx(0.85 * 0.95, abs=LSB_V)


def test_a_response_of_0_goes_on_in_spite_of_the_fault(build, wait: Wait) -> None:
    bench, clock = build()
    link = bench.link("main")
    link.write_byte_data(A, Code.VOUT_UV_FAULT_RESPONSE, 0x00)
    link.write_word_data(A, Code.VOUT_UV_FAULT_LIMIT, word(0.83))
    link.write_byte_data(A, Code.OPERATION, 0x98)
    wait(clock, 0.1)
    assert link.read_byte_data(A, Code.STATUS_VOUT) & 0x10
    assert not link.read_word_data(A, Code.STATUS_WORD) & 0x0040


def test_retries_are_as_many_as_the_response_byte_says(build, wait: Wait) -> None:
    bench, clock = build()
    link = bench.link("main")
    # Two retries (Part II 10.5, from memory); an over-voltage limit below nominal trips each of them.
    link.write_byte_data(A, Code.VOUT_OV_FAULT_RESPONSE, 0x80 | 2 << 3)
    link.write_word_data(A, Code.VOUT_OV_FAULT_LIMIT, word(0.84))
    tripped_s = clock.now_s()
    wait(clock, 1.0)
    tops_v = [
        max(bench.truth_v("VDD_CORE", tripped_s + 0.1 * n + 0.001 * index) for index in range(2, 50)) for n in range(6)
    ]
    assert [top_v > 0.4 for top_v in tops_v] == [True, True, True, False, False, False]
    assert link.read_word_data(A, Code.STATUS_WORD) & 0x0040


def test_endless_retries_bring_the_output_back_once_the_cause_is_gone(build, wait: Wait) -> None:
    bench, clock = build()
    link = bench.link("main")
    link.write_byte_data(A, Code.VOUT_OV_FAULT_RESPONSE, 0xB8)
    link.write_word_data(A, Code.VOUT_OV_FAULT_LIMIT, word(0.84))
    wait(clock, 0.55)
    link.write_word_data(A, Code.VOUT_OV_FAULT_LIMIT, word(0.98))
    wait(clock, 0.5)
    assert not link.read_word_data(A, Code.STATUS_WORD) & 0x0840
    assert link.read_byte_data(A, Code.STATUS_VOUT) & 0x80, "but the fault stays on record"


def test_power_good_goes_and_comes_with_hysteresis(build, wait: Wait) -> None:
    bench, clock = build()
    link = bench.link("main")
    link.write_word_data(A, Code.VOUT_UV_FAULT_LIMIT, 0)
    link.write_word_data(A, Code.POWER_GOOD_ON, word(0.84))
    link.write_word_data(A, Code.POWER_GOOD_OFF, word(0.82))

    def after(voltage_v: float) -> bool:
        link.write_word_data(A, Code.VOUT_COMMAND, word(voltage_v))
        wait(clock, 0.1)
        return not link.read_word_data(A, Code.STATUS_WORD) & 0x0800

    assert [after(v) for v in (0.83, 0.81, 0.83, 0.845, 0.83)] == [True, False, False, True, True]


def test_a_follower_on_a_page_is_watched_though_nobody_commands_it(build, wait: Wait) -> None:
    text = build.board().replace(
        "tracks: {rail: VDDQ, ratio: 0.5}}", "tracks: {rail: VDDQ, ratio: 0.5}, power: {device: PM1, page: 3}}"
    )
    bench, clock = build(text)
    link = bench.link("main")
    link.write_byte_data(A, Code.PAGE, 3)
    link.write_word_data(A, Code.VOUT_OV_WARN_LIMIT, word(0.62))
    link.write_byte_data(A, Code.PAGE, 1)
    link.write_byte_data(A, Code.OPERATION, 0xA8)
    wait(clock, 0.1)
    link.write_byte_data(A, Code.PAGE, 3)
    assert link.read_byte_data(A, Code.STATUS_VOUT) == 0x40
    assert link.read_word_data(A, Code.READ_VOUT) == pytest.approx(word(0.63), abs=3)
