import itertools
from collections.abc import Callable

import pytest

from cornerrun.bench.simulated.fault_log import TICK_S
from cornerrun.bench.simulated.registers import Code
from cornerrun.clock import ManualClock

A, B = 0x40, 0x41
LSB_V = 2.0**-12
Wait = Callable[[ManualClock, float], None]

BOARD = """
format: 1
managers:
  PM1: {bus: main, address: 0x40, fault_log: {}MORE}
  PM2: {bus: main, address: 0x41, fault_log: {}}
rails:
  - {name: CORE, nominal: 1 V, power: {device: PM1, page: 0}, time_constant: 1 ms, adc: {noise: 0 V}}
  - {name: SRAM, nominal: 1 V, power: {device: PM1, page: 1}, time_constant: 1 ms, adc: {noise: 0 V}}
  - {name: IO, nominal: 1 V, power: {device: PM2, page: 0}, time_constant: 1 ms, adc: {noise: 0 V}}
  - {name: AUX, nominal: 1 V, power: {device: PM2, page: 1}, time_constant: 1 ms, adc: {noise: 0 V}}
fault_lines:
  F0: {driven_by: [CORE, IO], obeyed_by: [CORE, SRAM, IO], delay: 2 ms, LINE}
"""
RAILS = {"CORE": (A, 0), "SRAM": (A, 1), "IO": (B, 0), "AUX": (B, 1)}


def board(line: str = "latches: true", more: str = "", rest: str = "") -> str:
    return BOARD.replace("LINE", line).replace("MORE", more) + rest + "\n"


def select(link, rail: str) -> int:
    address, page = RAILS[rail]
    link.write_byte_data(address, Code.PAGE, page)
    return address


def off(link) -> dict[str, bool]:
    return {rail: bool(link.read_word_data(select(link, rail), Code.STATUS_WORD) & 0x0040) for rail in RAILS}


def fault(link, rail: str) -> None:
    """Let a rail trip on over-voltage by a limit below its voltage."""
    link.write_word_data(select(link, rail), Code.VOUT_OV_FAULT_LIMIT, round(0.9 / LSB_V))


def mend(link, rail: str) -> None:
    link.write_word_data(select(link, rail), Code.VOUT_OV_FAULT_LIMIT, round(1.15 / LSB_V))


def cycle(link, rail: str) -> None:
    link.write_byte_data(select(link, rail), Code.OPERATION, 0x00)
    link.write_byte_data(select(link, rail), Code.OPERATION, 0x80)


def entries(link, address: int) -> tuple[int, list[tuple[int, int, int, float]]]:
    block = bytes(link.read_block_data(address, 0xEA))
    cut = [block[1 + 6 * n : 7 + 6 * n] for n in range(len(block[1:]) // 6)]
    return block[0], [(e[0], e[1], e[2], int.from_bytes(e[3:6], "little") * TICK_S) for e in cut]


def test_who_obeys_the_line_shuts_down_with_who_drives_it(build, wait: Wait) -> None:
    bench, clock = build(board())
    link = bench.link("main")
    fault(link, "CORE")
    tripped_s = clock.now_s()
    wait(clock, 0.5)
    assert off(link) == {"CORE": True, "SRAM": True, "IO": True, "AUX": False}
    # The line takes 2 ms; until then the others stand.
    assert bench.truth_v("IO", tripped_s + 0.0019) == pytest.approx(1.0, abs=1e-6)
    assert bench.truth_v("IO", tripped_s + 0.0030) < 0.95


def test_only_who_drives_the_line_pulls_it(build, wait: Wait) -> None:
    bench, clock = build(board())
    link = bench.link("main")
    for rail in ("SRAM", "AUX"):
        fault(link, rail)
    wait(clock, 0.5)
    assert off(link) == {"CORE": False, "SRAM": True, "IO": False, "AUX": True}


def test_only_the_originator_shows_a_limit_of_its_own(build, wait: Wait) -> None:
    bench, clock = build(board("shows: true"))
    link = bench.link("main")
    fault(link, "CORE")
    wait(clock, 0.5)
    causes = {rail: link.read_byte_data(select(link, rail), Code.STATUS_VOUT) & 0x90 for rail in RAILS}
    assert causes == {"CORE": 0x80, "SRAM": 0, "IO": 0, "AUX": 0}
    obeyed = {rail: link.read_byte_data(select(link, rail), Code.STATUS_MFR_SPECIFIC) for rail in RAILS}
    assert obeyed == {"CORE": 0, "SRAM": 1, "IO": 1, "AUX": 0}


def test_without_latching_the_others_come_back_when_the_line_is_let_go(build, wait: Wait) -> None:
    bench, clock = build(board("latches: false"))
    link = bench.link("main")
    fault(link, "CORE")
    wait(clock, 0.5)
    mend(link, "CORE")
    cycle(link, "SRAM")
    wait(clock, 0.5)
    assert off(link)["SRAM"], "the line is still pulled"
    cycle(link, "CORE")
    wait(clock, 0.5)
    assert not any(off(link).values())


def test_with_latching_each_must_be_commanded_off_and_on(build, wait: Wait) -> None:
    bench, clock = build(board())
    link = bench.link("main")
    fault(link, "CORE")
    wait(clock, 0.5)
    mend(link, "CORE")
    cycle(link, "SRAM")  # before the line is let go: it counts, and takes effect later
    cycle(link, "CORE")
    wait(clock, 0.5)
    assert off(link) == {"CORE": False, "SRAM": False, "IO": True, "AUX": False}
    cycle(link, "IO")
    wait(clock, 0.5)
    assert not any(off(link).values())


@pytest.mark.parametrize("order", list(itertools.permutations(("CORE", "SRAM", "IO"))))
def test_a_board_comes_back_in_whatever_order_its_rails_are_cycled(build, wait: Wait, order: tuple[str, ...]) -> None:
    bench, clock = build(board())
    link = bench.link("main")
    fault(link, "IO")
    wait(clock, 0.5)
    mend(link, "IO")
    for rail in order:
        cycle(link, rail)
    wait(clock, 0.5)
    assert not any(off(link).values())


def test_two_drivers_hold_the_line_together(build, wait: Wait) -> None:
    bench, clock = build(board("latches: false"))
    link = bench.link("main")
    # At once: IO must trip before the line turns it off.
    fault(link, "CORE")
    fault(link, "IO")
    wait(clock, 0.5)
    mend(link, "CORE")
    cycle(link, "CORE")
    wait(clock, 0.5)
    assert off(link)["SRAM"]
    mend(link, "IO")
    cycle(link, "IO")
    wait(clock, 0.5)
    assert not any(off(link).values())


def test_a_retry_of_the_originator_brings_the_others_back(build, wait: Wait) -> None:
    bench, clock = build(board("latches: false"))
    link = bench.link("main")
    link.write_byte_data(select(link, "CORE"), Code.VOUT_OV_FAULT_RESPONSE, 0xB8)
    fault(link, "CORE")
    wait(clock, 0.05)
    assert off(link)["SRAM"]
    mend(link, "CORE")
    wait(clock, 0.5)
    assert not any(off(link).values())


def test_the_fault_log_keeps_the_order_of_events(build, wait: Wait) -> None:
    rest = "faults: {trips: [{rail: SRAM, shows: oc_fault, at: 1 s}, {rail: CORE, shows: ot_fault, at: 1.5 s}]}"
    bench, clock = build(board(rest=rest))
    link = bench.link("main")
    wait(clock, 2.0)
    count, kept = entries(link, A)
    assert count == 2
    assert [(page, code, bit) for page, code, bit, _ in kept] == [(1, 0x7B, 0x80), (0, 0x7D, 0x80)]
    assert [at_s for *_, at_s in kept] == pytest.approx([1.0, 1.5], abs=TICK_S)
    assert entries(link, B) == (0, []), "who obeys a line has no fault of its own"


def test_the_log_stops_when_it_is_full_and_goes_on_counting(build, wait: Wait) -> None:
    trips = ", ".join(f"{{rail: SRAM, at: {n} s}}" for n in range(1, 9))
    bench, clock = build(board(rest=f"faults: {{trips: [{trips}]}}"))
    link = bench.link("main")
    for number in range(1, 9):
        clock.sleep_until(number + 0.1)
        cycle(link, "SRAM")
    count, kept = entries(link, A)
    assert count == 8
    assert [at_s for *_, at_s in kept] == pytest.approx([1, 2, 3, 4, 5], abs=TICK_S)


@pytest.mark.parametrize(("wipes", "left"), [("true", 0), ("false", 1)])
def test_clear_faults_wipes_the_log_of_some_devices(build, wait: Wait, wipes: str, left: int) -> None:
    text = board(rest="faults: {trips: [{rail: SRAM, at: 1 s}]}").replace(
        "0x40, fault_log: {}", f"0x40, fault_log: {{cleared_by_clear_faults: {wipes}, clock_offset: 10 s}}"
    )
    bench, clock = build(text)
    link = bench.link("main")
    wait(clock, 2.0)
    assert [at_s for *_, at_s in entries(link, A)[1]] == pytest.approx([11.0], abs=TICK_S)
    link.write_byte(A, Code.CLEAR_FAULTS)
    assert entries(link, A)[0] == left


def test_a_response_may_wait_and_forgive(build, wait: Wait) -> None:
    more = ", responses: [continue, delay, shut_down, while_present], delay_unit: 10 ms"
    for held_s, trips in ((0.020, False), (0.040, True)):
        bench, clock = build(board(more=more))
        link = bench.link("main")
        # Bits 7:6 = 01, three units: go on for 30 ms, then shut down if it is still there (Part II 10.5, from memory).
        link.write_byte_data(select(link, "CORE"), Code.VOUT_OV_FAULT_RESPONSE, 0x40 | 3)
        fault(link, "CORE")
        wait(clock, held_s)
        mend(link, "CORE")
        wait(clock, 0.5)
        assert off(link)["CORE"] is trips
        assert link.read_byte_data(select(link, "CORE"), Code.STATUS_VOUT) & 0x80, "the bit is latched either way"


def test_a_second_fault_has_a_delay_of_its_own(build, wait: Wait) -> None:
    more = ", responses: [continue, delay, shut_down], delay_unit: 10 ms"
    bench, clock = build(board(more=more))
    link = bench.link("main")
    link.write_byte_data(select(link, "CORE"), Code.VOUT_OV_FAULT_RESPONSE, 0x40 | 3)
    for _ in range(3):
        fault(link, "CORE")
        wait(clock, 0.02)
        mend(link, "CORE")
        wait(clock, 0.002)
    wait(clock, 0.5)
    assert not off(link)["CORE"]


def test_off_while_present_comes_back_when_the_cause_is_gone(build, wait: Wait) -> None:
    bench, clock = build(board(more=", responses: [while_present]"))
    link = bench.link("main")
    link.write_byte_data(select(link, "CORE"), Code.VOUT_OV_FAULT_RESPONSE, 0xC0)
    fault(link, "CORE")
    wait(clock, 0.05)
    assert off(link)["CORE"]
    mend(link, "CORE")
    wait(clock, 0.5)
    assert not off(link)["CORE"]


def test_a_part_refuses_responses_and_retries_that_it_does_not_know(build) -> None:
    bench, _ = build(board(more=', responses: [shut_down], retries: "none or endless"'))
    link = bench.link("main")
    for response, is_known in ((0x80, True), (0xB8, True), (0x90, False), (0x00, False), (0x43, False), (0xC0, False)):
        if is_known:
            link.write_byte_data(A, Code.VOUT_OV_FAULT_RESPONSE, response)
        else:
            with pytest.raises(OSError, match="acknowledge"):
                link.write_byte_data(A, Code.VOUT_OV_FAULT_RESPONSE, response)
    assert link.read_byte_data(A, Code.STATUS_CML) == 0x40


def test_comparators_are_off_within_their_tolerance_and_each_in_its_own_way(build, wait: Wait) -> None:
    def acts_at_v(seed: int) -> float:
        bench, _ = build(board(more=", comparator_tolerance: 2 %"), seed=seed)
        link = bench.link("main")
        for word in range(round(1.05 / LSB_V), round(0.95 / LSB_V), -1):
            link.write_word_data(select(link, "CORE"), Code.VOUT_OV_WARN_LIMIT, word)
            if link.read_byte_data(A, Code.STATUS_VOUT) & 0x40:
                return word * LSB_V
        raise AssertionError("it never acted")

    found = [acts_at_v(seed) for seed in range(12)]
    assert all(1.0 / 1.02 - 2 * LSB_V <= level_v <= 1.0 / 0.98 + LSB_V for level_v in found)
    assert max(found) - min(found) > 0.01
    assert acts_at_v(3) == found[3]
