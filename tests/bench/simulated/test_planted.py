import errno
import math
from collections import Counter
from collections.abc import Callable

import pytest

from cornerrun.bench.simulated.registers import Code
from cornerrun.clock import ManualClock

A = 0x40
Wait = Callable[[ManualClock, float], None]


def operate(link, page: int, operation: int) -> None:
    link.write_byte_data(A, Code.PAGE, page)
    link.write_byte_data(A, Code.OPERATION, operation)


def status(link, page: int) -> int:
    link.write_byte_data(A, Code.PAGE, page)
    return link.read_word_data(A, Code.STATUS_WORD)


@pytest.mark.parametrize(
    ("shows", "detail", "summary"),
    [
        ("uv_fault", (Code.STATUS_VOUT, 0x10), 0x8001),
        ("ov_fault", (Code.STATUS_VOUT, 0x80), 0x8020),
        ("oc_fault", (Code.STATUS_IOUT, 0x80), 0x4010),
        ("ot_fault", (Code.STATUS_TEMPERATURE, 0x80), 0x0004),
    ],
)
def test_a_trip_planted_at_a_time_happens_then_and_shows_its_cause(
    build, wait: Wait, shows: str, detail: tuple[int, int], summary: int
) -> None:
    bench, clock = build(build.board(faults=f"{{trips: [{{rail: VDD_CORE, shows: {shows}, at: 1 s}}]}}"))
    link = bench.link("main")
    wait(clock, 0.99)
    assert status(link, 0) == 0
    wait(clock, 0.1)
    assert status(link, 0) == 0x0840 | summary
    assert link.read_byte_data(A, detail[0]) == detail[1]
    assert bench.truth_v("VDD_CORE", 1.2) == pytest.approx(0.0, abs=1e-6)
    assert status(link, 1) == 0, "the others go on"


def test_a_trip_planted_at_a_corner_happens_there_and_nowhere_else(build, wait: Wait) -> None:
    planted = "{trips: [{rail: VDD_CORE, when: {VDD_CORE: {below: 0.82 V}, VDDQ: {above: 1.25 V}}}]}"
    bench, clock = build(build.board(faults=planted))
    link = bench.link("main")
    for core, memory, trips in ((0x98, 0x80, 0), (0x80, 0x80, 0), (0x80, 0xA8, 0), (0x98, 0xA8, 1)):
        operate(link, 0, core)
        operate(link, 1, memory)
        wait(clock, 0.1)
        assert bool(status(link, 0) & 0x0040) == bool(trips), (hex(core), hex(memory))


def test_a_trip_planted_at_a_corner_waits_until_the_last_rail_has_arrived(build, wait: Wait) -> None:
    planted = "{trips: [{rail: VDD_CORE, when: {VDDQ: {above: 1.25 V}}}]}"
    bench, clock = build(build.board(faults=planted))
    link = bench.link("main")
    operate(link, 1, 0xA8)
    moved_s = clock.now_s()
    wait(clock, 0.2)
    # From 1.2 V to 1.26 V with 2 ms: 1.25 V is crossed after ln(6) time constants.
    crossed_s = moved_s + 0.002 * math.log(6.0)
    assert bench.truth_v("VDD_CORE", crossed_s - 2e-5) == pytest.approx(0.85, abs=2.0**-12)
    assert bench.truth_v("VDD_CORE", crossed_s + 2e-4) < 0.84


def test_a_trip_happens_as_often_as_planted(build, wait: Wait) -> None:
    planted = "{trips: [{rail: VDD_CORE, times: 2, when: {VDDQ: {above: 1.25 V}}}]}"
    bench, clock = build(build.board(faults=planted))
    link = bench.link("main")
    seen = []
    for _ in range(3):
        operate(link, 1, 0xA8)
        wait(clock, 0.1)
        seen.append(bool(status(link, 0) & 0x0040))
        operate(link, 1, 0x80)
        operate(link, 0, 0x00)
        operate(link, 0, 0x80)
        wait(clock, 0.1)
        assert status(link, 0) == 0
    assert seen == [True, True, False]


def test_with_time_and_corner_both_must_have_come(build, wait: Wait) -> None:
    planted = "{trips: [{rail: VDD_CORE, at: 1 s, when: {VDDQ: {above: 1.25 V}}}]}"
    bench, clock = build(build.board(faults=planted))
    link = bench.link("main")
    operate(link, 1, 0xA8)
    wait(clock, 0.5)
    assert status(link, 0) == 0
    wait(clock, 1.0)
    assert status(link, 0) & 0x0040
    assert bench.truth_v("VDD_CORE", 0.999) == pytest.approx(0.85, abs=2.0**-12)


def test_a_dead_device_acknowledges_nothing_while_its_outputs_stay(build, wait: Wait) -> None:
    bench, clock = build(build.board(faults="{dead_devices: [{device: PM1, at: 1 s, lasts: 2 s}]}"))
    link = bench.link("main")
    operate(link, 0, 0xA8)
    wait(clock, 1.5)
    for act in (
        lambda: link.read_word_data(A, Code.READ_VOUT),
        lambda: link.read_byte_data(A, Code.PAGE),
        lambda: link.write_byte_data(A, Code.PAGE, 0),
        lambda: link.write_byte_data(A, Code.OPERATION, 0x80),
    ):
        with pytest.raises(OSError, match="no acknowledge") as raised:
            act()
        assert raised.value.errno == errno.ENXIO
    assert bench.truth_v("VDD_CORE", clock.now_s()) == pytest.approx(0.8925, abs=2.0**-12)
    wait(clock, 2.0)
    assert link.read_byte_data(A, Code.OPERATION) == 0xA8


def test_a_device_may_die_for_good(build, wait: Wait) -> None:
    bench, clock = build(build.board(faults="{dead_devices: [{device: PM1, at: 1 s}]}"))
    wait(clock, 1e6)
    with pytest.raises(OSError, match="no acknowledge"):
        bench.link("main").read_word_data(A, Code.READ_VOUT)


def test_a_planted_reset_loses_volatile_words_and_the_margin(build, wait: Wait) -> None:
    bench, clock = build(build.board(faults="{resets: [{device: PM1, at: 1 s}]}"))
    link = bench.link("main")
    link.write_word_data(A, Code.VOUT_MARGIN_HIGH, 3600)
    operate(link, 0, 0xA8)
    wait(clock, 2.0)
    assert link.read_byte_data(A, Code.OPERATION) == 0x80
    assert link.read_word_data(A, Code.VOUT_MARGIN_HIGH) == round(0.85 * 1.05 * 4096)
    assert bench.truth_v("VDD_CORE", clock.now_s()) == pytest.approx(0.85, abs=2.0**-12)


@pytest.mark.parametrize("pec", [True, False])
def test_bit_errors_come_at_their_rate_and_pec_finds_all_of_them(build, pec: bool) -> None:
    bench, _ = build(build.board(faults="{bus_errors: [{bus: main, bit_errors: 10 %}]}"))
    link = bench.link("main", pec=pec)
    seen: Counter[int | None] = Counter()
    wrong = 0
    for _ in range(4000):
        try:
            wrong += link.read_word_data(A, Code.POWER_GOOD_OFF) != round(0.85 * 0.86 * 4096)
        except OSError as error:
            seen[error.errno] += 1
    raised = seen.total()
    assert set(seen) <= {errno.EBADMSG, errno.EREMOTEIO}
    spoiled = bench.buses["main"].errors.spoiled
    # Five standard deviations of a binomial of 4000 at 10 %.
    assert spoiled == pytest.approx(400, abs=95)
    if pec:
        # A single turned bit never passes CRC-8; one of a command byte makes another command, read with its own PEC.
        assert raised == spoiled
        assert wrong == 0
    else:
        assert wrong > 100


def test_missing_acknowledges_come_at_their_rate(build) -> None:
    bench, _ = build(build.board(faults="{bus_errors: [{bus: main, no_acknowledge: 5 %}]}"))
    link = bench.link("main")
    missed: Counter[int | None] = Counter()
    for _ in range(4000):
        try:
            link.read_word_data(A, Code.READ_VOUT)
        except OSError as error:
            missed[error.errno] += 1
    # Five standard deviations of a binomial of 4000 at 5 %.
    assert set(missed) == {errno.ENXIO}
    assert missed.total() == pytest.approx(200, abs=69)


def test_the_same_seed_spoils_the_same_messages(build) -> None:
    def spoiled(seed: int) -> list[int]:
        bench, _ = build(build.board(faults="{bus_errors: [{bus: main, no_acknowledge: 20 %}]}"), seed=seed)
        link, missed = bench.link("main"), []
        for index in range(200):
            try:
                link.read_word_data(A, Code.READ_VOUT)
            except OSError:
                missed.append(index)
        return missed

    assert spoiled(1) == spoiled(1)
    assert spoiled(1) != spoiled(2)
