import errno
from collections import Counter
from collections.abc import Callable

import pytest

from cornerrun.bench.simulated.registers import Code
from cornerrun.clock import ManualClock

A, B = 0x40, 0x41
Wait = Callable[[ManualClock, float], None]

BOARD = """
format: 1
managers:
  PM1: {bus: main, address: 0x40, pages: 4}
  PM2: {bus: main, address: 0x41}
rails:
  - {name: CORE, nominal: 1 V, power: {device: PM1, page: 0}, adc: {noise: 0 V}}
  - {name: IO, nominal: 2 V, power: {device: PM1, page: 1}, adc: {noise: 0 V}}
  - {name: AUX, nominal: 3 V, power: {device: PM2, page: 0}, adc: {noise: 0 V}}
faults: FAULTS
"""


def board(faults: str) -> str:
    return BOARD.replace("FAULTS", faults)


def number_of(act: Callable[[], object]) -> int | None:
    try:
        act()
    except OSError as error:
        return error.errno
    return None


RATES = [
    ("arbitration_lost", "arbitration_lost", errno.EAGAIN),
    ("clock_stretches", "clock_stretch", errno.ETIMEDOUT),
    ("no_acknowledge", None, errno.ENXIO),
]


@pytest.mark.parametrize(("rate", "kind", "number"), RATES)
def test_trouble_comes_at_its_rate_and_shows_as_its_errno(build, rate: str, kind: str | None, number: int) -> None:
    # Errno: Linux Documentation/i2c/fault-codes.
    bench, _ = build(board(f"{{bus_errors: [{{bus: main, {rate}: 5 %}}]}}"))
    link = bench.link("main")
    seen = Counter(number_of(lambda: link.read_word_data(A, Code.READ_VOUT)) for _ in range(4000))
    assert set(seen) == {None, number}
    # Five standard deviations of a binomial of 4000 at 5 %.
    assert seen[number] == pytest.approx(200, abs=69)
    if kind is not None:
        assert bench.buses["main"].trouble.seen == {kind: seen[number]}


def test_a_wrong_packet_error_code_is_noticed_only_where_one_is_used(build) -> None:
    bench, _ = build(board("{bus_errors: [{bus: main, pec_errors: 100 %}]}"))
    without, with_code = bench.link("main"), bench.link("main", pec=True)
    assert number_of(lambda: without.read_word_data(A, Code.VOUT_COMMAND)) is None
    assert number_of(lambda: with_code.read_word_data(A, Code.VOUT_COMMAND)) == errno.EBADMSG
    # A write that comes with a wrong code is refused, and the device says why (STATUS_CML bit 5).
    assert number_of(lambda: with_code.write_byte_data(A, Code.OPERATION, 0x98)) == errno.EREMOTEIO
    assert without.read_byte_data(A, Code.STATUS_CML) == 0x20
    assert without.read_byte_data(A, Code.OPERATION) == 0x80


def test_a_second_master_leaves_another_page_selected(build) -> None:
    bench, _ = build(board("{bus_errors: [{bus: main, page_flips: 20 %}]}"))
    link, found = bench.link("main"), Counter()
    for _ in range(1000):
        link.write_byte_data(A, Code.PAGE, 1)
        found[link.read_byte_data(A, Code.PAGE)] += 1
    # Flips before the write do no harm; those before the read show another of the four pages.
    assert sum(count for page, count in found.items() if page != 1) == pytest.approx(200, abs=63)
    assert set(found) == {0, 1, 2, 3}


def test_a_lost_page_is_0(build) -> None:
    bench, _ = build(board("{bus_errors: [{bus: main, page_lost: 100 %}]}"))
    link = bench.link("main")
    link.write_byte_data(A, Code.PAGE, 1)
    assert link.read_byte_data(A, Code.PAGE) == 0


def test_a_stretched_message_takes_its_time_and_changes_nothing(build) -> None:
    bench, clock = build(board("{bus_events: [{bus: main, kind: clock_stretch, message: 1}]}"))
    link = bench.link("main")
    assert number_of(lambda: link.write_byte_data(A, Code.OPERATION, 0x98)) == errno.ETIMEDOUT
    # A master gives up after 25 to 35 ms (SMBus time-out as reference manuals restate it).
    assert clock.now_s() == pytest.approx(0.035 + 29 / 100e3)
    assert link.read_byte_data(A, Code.OPERATION) == 0x80


def page_after_a_recovery(build, seed: int) -> int:
    bench, clock = build(board("{bus_events: [{bus: main, kind: stuck, at: 1 s}]}"), seed=seed)
    link = bench.link("main")
    link.write_byte_data(A, Code.PAGE, 1)
    clock.sleep_until(1.0)
    assert number_of(lambda: link.read_word_data(A, Code.READ_VOUT)) == errno.EBUSY
    clock.sleep_until(1.01)
    assert number_of(lambda: link.read_word_data(B, Code.READ_VOUT)) == errno.EBUSY, "nobody gets through"
    clock.sleep_until(1.03)
    assert number_of(lambda: link.read_word_data(A, Code.READ_VOUT)) is None
    assert bench.buses["main"].trouble.seen == {"stuck": 1, "recovered": 1}
    return link.read_byte_data(A, Code.PAGE)


def test_a_stuck_bus_is_busy_until_it_is_freed_by_a_write_to_page(build) -> None:
    # Linux gpio-fault-injection: recovery may write anything to register 0x00. Most bytes are no page and are refused.
    pages = {page_after_a_recovery(build, seed) for seed in range(300)}
    assert 1 in pages
    assert pages - {1}, "some seed has it that PAGE changed"


@pytest.mark.parametrize(
    ("event", "hit"),
    [
        ("message: 3", [3]),
        ("message: 3, times: 2", [3, 4]),
        ("at: 1 s", [5]),
        ("device: PM2", [2]),
        ("device: PM2, times: 9", [2, 4, 6]),
        ("command: READ_VOUT, message: 2", [5]),
        ("command: read_vout, device: PM2", []),
    ],
)
def test_a_script_meets_the_message_that_it_names(build, event: str, hit: list[int]) -> None:
    bench, clock = build(board(f"{{bus_events: [{{bus: main, kind: no_acknowledge, {event}}}]}}"))
    link, found = bench.link("main"), []
    messages = [
        (A, Code.READ_VOUT),
        (B, Code.VOUT_COMMAND),
        (A, Code.VOUT_COMMAND),
        (B, Code.VOUT_COMMAND),
        (A, Code.READ_VOUT),
        (B, Code.VOUT_COMMAND),
    ]
    for number, (address, code) in enumerate(messages, 1):
        if number == 5:
            clock.sleep_until(1.0)
        if number_of(lambda address=address, code=code: link.read_word_data(address, code)) is not None:
            found.append(number)
    assert found == hit


def test_a_scripted_flip_leads_where_it_says(build) -> None:
    bench, _ = build(board("{bus_events: [{bus: main, kind: page_flip, page: 2, command: OPERATION}]}"))
    link = bench.link("main")
    link.write_byte_data(A, Code.PAGE, 1)
    link.write_byte_data(A, Code.OPERATION, 0x98)
    assert link.read_byte_data(A, Code.PAGE) == 2
    link.write_byte_data(A, Code.PAGE, 1)
    assert link.read_byte_data(A, Code.OPERATION) == 0x80, "the write went astray"


def test_the_same_seed_has_the_same_trouble(build) -> None:
    rates = "page_flips: 5 %, arbitration_lost: 5 %, clock_stretches: 5 %, pec_errors: 5 %, stuck: 2 %, bit_errors: 5 %"

    def story(seed: int) -> list[object]:
        bench, clock = build(board(f"{{bus_errors: [{{bus: main, {rates}}}]}}"), seed=seed)
        link, told = bench.link("main", pec=True), []
        for _ in range(300):
            try:
                told.append(link.read_word_data(A, Code.VOUT_COMMAND))
            except OSError as error:
                told.append(error.errno)
            clock.sleep_until(clock.now_s() + 0.003)
        return told

    assert story(1) == story(1)
    assert story(1) != story(2)


def test_trouble_of_one_bus_leaves_another_alone(build) -> None:
    text = board("{bus_errors: [{bus: main, no_acknowledge: 100 %, page_lost: 100 %}]}")
    bench, _ = build(text.replace("PM2: {bus: main", "PM2: {bus: aux"))
    assert number_of(lambda: bench.link("main").read_byte_data(A, Code.PAGE)) == errno.ENXIO
    assert number_of(lambda: bench.link("aux").read_byte_data(B, Code.PAGE)) is None


def test_data_after_a_change_of_page_may_be_that_of_the_page_before(build, wait: Wait) -> None:
    bench, clock = build(board("{stale_pages: [{device: PM1, lasts: 1 ms}]}"))
    link = bench.link("main", clock_hz=400e3)
    core, io = round(1.0 * 4096), round(2.0 * 4096)
    assert link.read_word_data(A, Code.VOUT_COMMAND) == core
    link.write_byte_data(A, Code.PAGE, 1)
    assert link.read_byte_data(A, Code.PAGE) == 1, "PAGE itself reads right"
    assert link.read_word_data(A, Code.VOUT_COMMAND) == core
    wait(clock, 0.001)
    assert link.read_word_data(A, Code.VOUT_COMMAND) == io


def test_stale_data_come_by_chance(build, wait: Wait) -> None:
    bench, clock = build(board("{stale_pages: [{device: PM1, lasts: 1 ms, chance: 25 %}]}"))
    link, stale = bench.link("main", clock_hz=400e3), 0
    for number in range(400):
        link.write_byte_data(A, Code.PAGE, number % 2)
        stale += link.read_word_data(A, Code.VOUT_COMMAND) != round((1.0 + number % 2) * 4096)
        wait(clock, 0.01)
    # Five standard deviations of a binomial of 400 at 25 %.
    assert stale == pytest.approx(100, abs=44)
