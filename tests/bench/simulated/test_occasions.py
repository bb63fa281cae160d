from collections.abc import Callable

import pytest

from cornerrun.bench.simulated.bench import SimulatedBench
from cornerrun.bench.simulated.model import SimulationFile
from cornerrun.bench.simulated.registers import Code
from cornerrun.clock import ManualClock

A = 0x40
Wait = Callable[[ManualClock, float], None]

BOARD = """
format: 1
managers: {PM1: {bus: main, address: 0x40}}
rails:
  - {name: CORE, nominal: 1 V, power: {device: PM1, page: 0}, time_constant: 1 ms, adc: {noise: 0 V}}
  - {name: IO, nominal: 2 V, power: {device: PM1, page: 1}, time_constant: 1 ms, adc: {noise: 0 V}}
  - {name: AUX, nominal: 3 V}
faults: FAULTS
"""


def board(faults: str) -> str:
    return BOARD.replace("FAULTS", faults)


def is_off(bench: SimulatedBench, page: int = 0) -> bool:
    link = bench.link("main")
    link.write_byte_data(A, Code.PAGE, page)
    return bool(link.read_word_data(A, Code.STATUS_WORD) & 0x0040)


def revive(bench: SimulatedBench) -> None:
    link = bench.link("main")
    link.write_byte_data(A, Code.PAGE, 0)
    link.write_byte_data(A, Code.OPERATION, 0x00)
    link.write_byte_data(A, Code.OPERATION, 0x80)


def tripped_at(bench: SimulatedBench, clock: ManualClock, visits: dict[int, str]) -> list[int]:
    found = []
    for visit, corner in visits.items():
        bench.begin_visit(visit, corner)
        clock.sleep_until(clock.now_s() + 1.0)
        if is_off(bench):
            found.append(visit)
            revive(bench)
            clock.sleep_until(clock.now_s() + 0.1)
    return found


CORNERS = {0: "nominal", 1: "all high", 2: "all low", 3: "core low", 4: "nominal", 5: "all low"}


@pytest.mark.parametrize(
    ("when", "due"),
    [
        ("visits: [2, 4], times: 9", [2, 4]),
        ('corner: "all low", times: 9', [2, 5]),
        ('corner: "* low", times: 9', [2, 3, 5]),
        ('corner: "* low"', [2]),
        ('corner: "* low", visits: [3, 4], times: 9', [3]),
        ('corner: "* low", at: 3 s, times: 9', [3, 5]),
        ('corner: "* low", after: 2 s, times: 9', []),
        ('corner: "* low", serial: "X*", times: 9', []),
    ],
)
def test_what_is_planted_by_visit_or_corner_happens_there(build, when: str, due: list[int]) -> None:
    bench, clock = build(board(f"{{trips: [{{rail: CORE, {when}}}]}}"))
    assert tripped_at(bench, clock, CORNERS) == due


def test_it_happens_after_the_start_of_the_visit(build) -> None:
    bench, clock = build(board('{trips: [{rail: CORE, corner: "all low", after: 300 ms}]}'))
    clock.sleep_until(1.0)
    bench.begin_visit(7, "all low")
    clock.sleep_until(2.0)
    assert bench.truth_v("CORE", 1.299) == pytest.approx(1.0, abs=1e-6)
    assert bench.truth_v("CORE", 1.31) < 0.2


def test_chance_is_drawn_for_each_visit_and_belongs_to_seed_and_unit(build, tmp_path) -> None:
    faults = '{trips: [{rail: CORE, corner: "*", probability: 30 %, times: 1000}]}'
    visits = dict.fromkeys(range(200), "c")

    def story(seed: int, serial: str = "", asked: dict[int, str] = visits) -> list[int]:
        model = SimulationFile.model_validate(build(board(faults))[0].model)
        clock = ManualClock()
        return tripped_at(SimulatedBench(model, clock, seed=seed, serial=serial), clock, asked)

    found = story(1)
    # Five standard deviations of a binomial of 200 at 30 %.
    assert len(found) == pytest.approx(60, abs=33)
    assert story(1) == found
    assert story(2) != found
    assert story(1, "00123") != found
    # A draw belongs to its visit: a run that begins in the middle meets the same ones.
    assert story(1, asked=dict.fromkeys(range(100, 200), "c")) == [visit for visit in found if visit >= 100]


def test_a_plant_may_wait_for_a_unit(build) -> None:
    model = build(board('{trips: [{rail: CORE, at: 1 s, serial: "00*"}]}'))[0].model
    for serial, trips in (("00123", True), ("10123", False), ("", False)):
        clock = ManualClock()
        bench = SimulatedBench(model, clock, serial=serial)
        clock.sleep_until(2.0)
        assert is_off(bench) is trips


def test_voltages_count_only_within_the_visit(build, wait: Wait) -> None:
    bench, clock = build(board('{trips: [{rail: CORE, corner: "io high", when: {IO: {above: 2.05 V}}, times: 9}]}'))
    link = bench.link("main")

    def visit(number: int, corner: str, operation: int) -> bool:
        bench.begin_visit(number, corner)
        link.write_byte_data(A, Code.PAGE, 1)
        link.write_byte_data(A, Code.OPERATION, operation)
        wait(clock, 0.2)
        return is_off(bench)

    assert not visit(0, "other", 0xA8)
    # A visit begins with the step to it: what is still there from the visit before counts, so go back first.
    link.write_byte_data(A, Code.PAGE, 1)
    link.write_byte_data(A, Code.OPERATION, 0x80)
    wait(clock, 0.2)
    assert not visit(1, "io high", 0x80)
    assert visit(2, "io high", 0xA8)


def test_a_short_takes_its_rail_down_and_trips_its_page_on_over_current(build, wait: Wait) -> None:
    bench, clock = build(board("{shorts: [{rail: CORE, at: 1 s, share: 5 %, lasts: 1 s}]}"))
    wait(clock, 1.5)
    assert is_off(bench)
    assert bench.link("main").read_byte_data(A, Code.STATUS_IOUT) == 0x80
    assert bench.truth_v("CORE", 1.0002) == pytest.approx(0.05, abs=0.01)
    revive(bench)
    wait(clock, 0.1)
    assert is_off(bench), "the short is still there"
    wait(clock, 1.0)
    revive(bench)
    wait(clock, 0.1)
    assert not is_off(bench)
    assert bench.truth_v("CORE", clock.now_s()) == pytest.approx(1.0, abs=1e-3)


def test_a_short_of_a_rail_that_nothing_turns_off_just_lies_there(build, wait: Wait) -> None:
    bench, clock = build(board("{shorts: [{rail: AUX, at: 1 s, lasts: 1 s}]}"))
    wait(clock, 5.0)
    assert [bench.truth_v("AUX", at_s) for at_s in (0.9, 1.5, 2.5)] == pytest.approx([3.0, 0.0, 3.0], abs=1e-6)


def test_vout_mode_may_read_as_nonsense_for_a_while(build, wait: Wait) -> None:
    bench, clock = build(board("{absurd_modes: [{device: PM1, byte: 0x00, at: 1 s, lasts: 1 s}]}"))
    link, seen = bench.link("main"), []
    for at_s in (0.5, 1.5, 2.5):
        clock.sleep_until(at_s)
        seen.append(link.read_byte_data(A, Code.VOUT_MODE))
    assert seen == [0x14, 0x00, 0x14]
    assert bench.truth_v("CORE", 1.5) == pytest.approx(1.0, abs=1e-3), "only the byte lies"


def test_a_dead_segment_cuts_several_devices_off(build, wait: Wait) -> None:
    text = """
format: 1
managers:
  PM1: {bus: main, address: 0x40}
  PM2: {bus: main, address: 0x41}
  PM3: {bus: main, address: 0x42}
rails: [{name: CORE, nominal: 1 V, power: {device: PM1, page: 0}}]
faults: {dead_segments: [{devices: [PM1, PM3], at: 1 s, lasts: 1 s}]}
"""
    bench, clock = build(text)
    link = bench.link("main")

    def answers() -> list[bool]:
        found = []
        for address in (0x40, 0x41, 0x42):
            try:
                link.read_byte_data(address, Code.PAGE)
                found.append(True)
            except OSError:
                found.append(False)
        return found

    assert answers() == [True, True, True]
    clock.sleep_until(1.5)
    assert answers() == [False, True, False]
    clock.sleep_until(2.5)
    assert answers() == [True, True, True]
