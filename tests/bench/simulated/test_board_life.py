import statistics
from collections.abc import Callable
from typing import Any

import pytest

from cornerrun.bench.simulated.bench import SimulatedBench
from cornerrun.bench.simulated.registers import Code
from cornerrun.clock import ManualClock

PM1, CORE, VDDQ = 0x40, 0, 1
OFF, ON = 0x00, 0x80


class Bench:
    """The usual board with a section ``board``, and a hand on its rails."""

    def __init__(self, build: Any, section: str, **more: str) -> None:
        self.bench: SimulatedBench
        self.clock: ManualClock
        self.bench, self.clock = build(build.board(board=section, **more))
        self.link = self.bench.link("main")

    def wait(self, seconds: float) -> None:
        self.clock.sleep_until(self.clock.now_s() + seconds)

    def put(self, page: int, voltage_v: float) -> None:
        self.link.write_byte_data(PM1, Code.PAGE, page)
        self.link.write_word_data(PM1, Code.VOUT_COMMAND, round(voltage_v * 4096))

    def switch(self, page: int, operation: int) -> None:
        self.link.write_byte_data(PM1, Code.PAGE, page)
        self.link.write_byte_data(PM1, Code.OPERATION, operation)

    @property
    def truth(self) -> Any:
        return self.bench.board.truth(self.clock.now_s())


@pytest.fixture
def make(build: Any) -> Callable[..., Bench]:
    return lambda section, **more: Bench(build, section, **more)


BOOT = "{boot: {time: 3 s, needs: {VDD_CORE: 0.7 V, VDDQ: 1.0 V}}}"


def test_a_board_without_a_life_tells_nothing_but_its_file(make: Callable[..., Bench]) -> None:
    bench = make("{}")
    assert not bench.bench.board.is_alive
    assert set(bench.bench.begin_check("march")) == {"simulation"}
    assert bench.truth.state == "up"


def test_it_boots_once_its_rails_are_back_and_takes_its_time(make: Callable[..., Bench]) -> None:
    bench = make(BOOT)
    assert bench.truth.state == "up"
    bench.switch(CORE, OFF)
    bench.wait(0.1)
    assert bench.truth.state == "off"
    bench.switch(CORE, ON)
    bench.wait(2.9)
    assert bench.truth.state == "booting"
    assert bench.bench.begin_check("march")["state"] == "booting"
    bench.wait(0.2)
    assert (bench.truth.state, bench.truth.boots) == ("up", 1)


def test_it_needs_every_rail(make: Callable[..., Bench]) -> None:
    bench = make(BOOT)
    bench.switch(CORE, OFF)
    bench.switch(VDDQ, OFF)
    bench.wait(0.5)
    bench.switch(CORE, ON)
    bench.wait(10.0)
    assert bench.truth.state == "off"
    bench.switch(VDDQ, ON)
    bench.wait(4.0)
    assert bench.truth.state == "up"


def test_a_rail_lost_while_it_boots_begins_it_anew(make: Callable[..., Bench]) -> None:
    bench = make("{boot: {time: 3 s, needs: {VDD_CORE: 0.7 V}, starts: off}}")
    bench.wait(2.0)
    bench.switch(CORE, OFF)
    bench.wait(0.1)
    bench.switch(CORE, ON)
    bench.wait(2.0)
    assert bench.truth.state == "booting"
    bench.wait(1.1)
    assert (bench.truth.state, bench.truth.boots) == ("up", 2)


def test_where_nothing_is_named_every_rail_of_a_manager_is_needed(make: Callable[..., Bench]) -> None:
    bench = make("{boot: {time: 1 s}}")
    bench.switch(2, OFF)
    bench.wait(0.1)
    assert bench.truth.state == "off"


def test_the_input_voltage_can_be_needed(make: Callable[..., Bench]) -> None:
    bench = make("{boot: {time: 1 s, needs: {input_voltage: 9 V}}}")
    bench.bench.condition("input_voltage").start(8.0)
    bench.wait(1.0)
    assert bench.truth.state == "off"


def test_boot_times_spread_as_they_should(make: Callable[..., Bench]) -> None:
    bench = make("{boot: {time: 2 s, spread: 10 %, needs: {VDD_CORE: 0.7 V}}}")
    times_s = []
    for _ in range(120):
        bench.bench.board.restart(bench.clock.now_s())
        began_s = bench.clock.now_s()
        bench.wait(4.0)
        times_s.append(bench.truth.up_since_s - began_s)
    # Four standard errors: of the mean 0.2 / sqrt(120), of the standard deviation 6.5 %.
    assert statistics.mean(times_s) == pytest.approx(2.0, abs=0.073)
    assert statistics.stdev(times_s) == pytest.approx(0.2, rel=0.26)


def test_some_starts_hang_until_the_power_is_cycled(make: Callable[..., Bench]) -> None:
    bench = make("{boot: {time: 1 s, needs: {VDD_CORE: 0.7 V}, fails: 100 %, starts: off}}")
    bench.wait(60.0)
    assert bench.truth.state == "hung"


def test_it_hangs_beyond_an_edge_after_a_time_drawn_from_an_exponential(make: Callable[..., Bench]) -> None:
    bench = make(
        "{boot: {time: 0 s, needs: {VDD_AUX: 1 V}}, "
        "hangs: [{edge: {rail: VDD_CORE, below: 0.82 V}, after: 5 s, watchdog: 1000 s}]}"
    )
    bench.put(CORE, 0.85)
    bench.wait(500.0)
    assert bench.truth.state == "up"
    bench.put(CORE, 0.80)
    hung = 0
    for _ in range(200):
        bench.bench.board.restart(bench.clock.now_s())
        bench.wait(5.0)
        hung += bench.truth.state == "hung"
        bench.bench.board.restart(bench.clock.now_s())
        bench.put(CORE, 0.85)
        bench.wait(0.1)
        bench.put(CORE, 0.80)
    # The chance to hang within one mean time: 1 - 1/e. Four standard errors of 200.
    assert hung / 200 == pytest.approx(0.632, abs=0.137)


def test_back_inside_the_edge_nothing_comes_of_it(make: Callable[..., Bench]) -> None:
    bench = make("{hangs: [{edge: {rail: VDD_CORE, below: 0.82 V}, after: 5 s}]}")
    for _ in range(50):
        bench.put(CORE, 0.80)
        bench.wait(0.01)
        bench.put(CORE, 0.85)
        bench.wait(1.0)
    assert bench.truth.state == "up"


def test_a_watchdog_starts_it_again(make: Callable[..., Bench]) -> None:
    bench = make("{boot: {time: 2 s}, hangs: [{after: 1 ms, watchdog: 5 s}]}")
    bench.wait(1.0)
    assert bench.truth.state == "hung"
    bench.wait(5.0)
    assert bench.truth.state == "booting"


def test_its_console_is_lost_beyond_an_edge_and_comes_back(make: Callable[..., Bench]) -> None:
    bench = make("{console: {lost: [{rail: VDDQ, below: 1.15 V}]}}")
    assert bench.bench.begin_check("march")["console"] == "heard"
    bench.put(VDDQ, 1.10)
    bench.wait(1.0)
    assert bench.bench.begin_check("march")["console"] == "lost"
    bench.put(VDDQ, 1.20)
    bench.wait(1.0)
    assert bench.truth.has_console


def test_heat_of_rails_and_checks_is_told_to_checks(make: Callable[..., Bench]) -> None:
    bench = make(
        "{heating: {rise: 20 degC, time_constant: 10 s}, checks: {march: {heat: 8 degC, intermittent: {rate: 0 %}}}}"
    )
    assert float(bench.bench.begin_check("march")["junction"]) == pytest.approx(45.0, abs=0.01)
    bench.wait(100.0)
    assert bench.truth.junction_degc == pytest.approx(53.0, abs=0.01)
    bench.bench.end_check("march")
    bench.wait(100.0)
    assert bench.truth.junction_degc == pytest.approx(45.0, abs=0.01)


def test_over_stress_moves_edges_for_good_and_the_truth_shows_it(make: Callable[..., Bench]) -> None:
    bench = make(
        "{checks: {march: {thresholds: [{rail: VDD_CORE, below: 0.80 V, spread: 2 mV}]}}, "
        "overstress: [{rail: VDD_CORE, above: 0.90 V, shift: 10 mV, after: 10 s, checks: [march]}]}"
    )
    assert bench.truth.edges_v == {"march": (pytest.approx(0.80),)}
    bench.put(CORE, 0.93)
    bench.wait(1000.0)
    bench.put(CORE, 0.85)
    bench.wait(1000.0)
    assert bench.truth.over_stress_s[0] == pytest.approx(1000.0, abs=0.1)
    assert bench.truth.edges_v == {"march": (pytest.approx(0.81),)}
    assert float(bench.bench.begin_check("march")["shift march"]) == pytest.approx(0.010)


def test_hysteresis_remembers_from_which_side_the_rail_came(make: Callable[..., Bench]) -> None:
    bench = make("{checks: {pll: {thresholds: [{rail: VDD_CORE, below: 0.80 V, spread: 1 mV, hysteresis: 30 mV}]}}}")
    bench.put(CORE, 0.81)
    bench.wait(1.0)
    assert "crossed" not in bench.bench.begin_check("pll")
    bench.put(CORE, 0.79)
    bench.wait(1.0)
    bench.put(CORE, 0.81)
    bench.wait(1.0)
    assert bench.bench.begin_check("pll")["crossed"] == "pll/0"
    bench.put(CORE, 0.85)
    bench.wait(1.0)
    assert "crossed" not in bench.bench.begin_check("pll")


def test_the_same_seed_lives_the_same_life(make: Callable[..., Bench]) -> None:
    def life() -> list[str]:
        bench = make("{boot: {time: 1 s, spread: 20 %, fails: 30 %}, hangs: [{after: 4 s, watchdog: 1 s}]}")
        states = []
        for _ in range(60):
            bench.wait(0.5)
            states.append(bench.truth.state)
        return states

    assert life() == life()
