import math
from collections.abc import Callable

import pytest

from cornerrun.bench.simulated.bench import SimulatedBench
from cornerrun.bench.simulated.registers import Code
from cornerrun.clock import ManualClock

A = 0x40
LSB_V = 2.0**-12
Wait = Callable[[ManualClock, float], None]

BOARD = """
format: 1
seed: 7
managers:
  PM1: {bus: main, address: 0x40}
rails:
  - name: CORE
    nominal: 1 V
    power: {device: PM1, page: 0}
    time_constant: 1 ms
    adc: {noise: 0 V}
    load: 10 A
    MORE
  - {name: AUX, nominal: 2 V, power: {device: PM1, page: 1}, time_constant: 1 ms, slew: 1 V/us, adc: {noise: 0 V}}
channels: {CORE: 1, AUX: 2}
"""


def board(more: str, rest: str = "") -> str:
    return BOARD.replace("MORE", more) + rest + "\n"


def operate(bench: SimulatedBench, page: int, operation: int) -> None:
    link = bench.link("main")
    link.write_byte_data(A, Code.PAGE, page)
    link.write_byte_data(A, Code.OPERATION, operation)


def truth(bench: SimulatedBench, clock: ManualClock, rail: str = "CORE") -> float:
    return bench.truth_v(rail, clock.now_s())


def test_a_rail_rings_and_a_fast_comparator_sees_the_peak(build, wait: Wait) -> None:
    ringing = "ringing: {natural_frequency: 1 kHz, damping: 0.5}\n    slew: 1 V/us"
    bench, clock = build(board(ringing))
    link = bench.link("main")
    # 5 % up with an overshoot of 16.3 % of the step peaks at 1.0581 V; it settles at 1.05 V.
    link.write_word_data(A, Code.VOUT_OV_WARN_LIMIT, round(1.055 / LSB_V))
    operate(bench, 0, 0xA8)
    moved_s = clock.now_s()
    wait(clock, 0.1)
    peak_s = moved_s + 1e-3 / (2.0 * math.sqrt(1.0 - 0.25))
    assert bench.truth_v("CORE", peak_s) == pytest.approx(1.0 + 0.05 * 1.163034, abs=2 * LSB_V)
    assert truth(bench, clock) == pytest.approx(1.05, abs=LSB_V)
    assert link.read_byte_data(A, Code.STATUS_VOUT) == 0x40, "the peak was seen, though no conversion was near it"


def test_a_comparator_lets_a_smaller_peak_pass(build, wait: Wait) -> None:
    bench, clock = build(board("ringing: {natural_frequency: 1 kHz, damping: 0.5}\n    slew: 1 V/us"))
    bench.link("main").write_word_data(A, Code.VOUT_OV_WARN_LIMIT, round(1.060 / LSB_V))
    operate(bench, 0, 0xA8)
    wait(clock, 0.1)
    assert bench.link("main").read_byte_data(A, Code.STATUS_VOUT) == 0


def test_load_regulation_counts_from_the_nominal_current_and_droop_from_none(build, wait: Wait) -> None:
    for key, due_v in (("output_resistance: 1 mOhm", 1.0), ("droop: 1 mOhm", 1.0 - 0.010)):
        bench, clock = build(board(key))
        assert truth(bench, clock) == pytest.approx(due_v, abs=1e-6), key
        operate(bench, 0, 0xA8)
        wait(clock, 0.1)
        # A resistor draws 5 % more at 5 % more: 0.5 A, 0.5 mV.
        asked_v = round(1.05 / LSB_V) * LSB_V
        assert truth(bench, clock) - asked_v == pytest.approx(due_v - 1.0 - 0.0005, abs=2e-6), key


@pytest.mark.parametrize(("kind", "share"), [("resistor", 0.95), ("current", 1.0), ("power", 1 / 0.95)])
def test_the_load_draws_what_its_kind_says(build, wait: Wait, kind: str, share: float) -> None:
    bench, clock = build(board(f"load_kind: {kind}\n    droop: 1 mOhm"))
    operate(bench, 0, 0x98)
    wait(clock, 0.1)
    asked_v = round(0.95 / LSB_V) * LSB_V
    # The current is that of the voltage before the drop, which is a hundredth: of second order.
    assert asked_v - truth(bench, clock) == pytest.approx(0.010 * share, rel=2e-3)


def test_a_check_steps_the_load_while_it_runs(build, wait: Wait) -> None:
    bench, clock = build(board("output_resistance: 2 mOhm\n    load_steps: [{current: 5 A, check: march, rise: 1 ms}]"))
    wait(clock, 1.0)
    bench.begin_check("other")
    wait(clock, 0.1)
    assert truth(bench, clock) == pytest.approx(1.0, abs=1e-6)
    bench.end_check("other")
    bench.begin_check("march")
    wait(clock, 0.1)
    assert truth(bench, clock) == pytest.approx(1.0 - 0.010, abs=1e-6)
    bench.end_check("march")
    wait(clock, 0.1)
    assert truth(bench, clock) == pytest.approx(1.0, abs=1e-6)


def test_a_load_step_that_is_deep_enough_trips_at_its_instant(build, wait: Wait) -> None:
    more = "output_resistance: 20 mOhm\n    load_steps: [{current: 10 A, at: 1 s, lasts: 1 ms}]"
    bench, clock = build(board(more))
    wait(clock, 2.0)
    assert bench.link("main").read_word_data(A, Code.STATUS_WORD) & 0x0040, "200 mV below nominal is under 0.85 V"
    assert bench.truth_v("CORE", 0.9999) == pytest.approx(1.0, abs=1e-6)


def test_load_steps_by_time_come_again(build, wait: Wait) -> None:
    more = "output_resistance: 1 mOhm\n    load_steps: [{current: 10 A, at: 1 s, every: 2 s, lasts: 500 ms}]"
    bench, clock = build(board(more))
    wait(clock, 6.0)
    seen = [bench.truth_v("CORE", at_s) < 0.995 for at_s in (0.9, 1.1, 1.6, 2.9, 3.1, 3.6, 5.2)]
    assert seen == [False, True, False, False, True, False, True]


def test_ripple_is_seen_whole_by_comparators_and_not_by_a_meter(build, wait: Wait) -> None:
    bench, clock = build(board("ripple: {amplitude: 20 mV, frequency: 500 kHz}"))
    link = bench.link("main")
    wait(clock, 0.1)
    link.write_word_data(A, Code.VOUT_UV_WARN_LIMIT, round(0.992 / LSB_V))
    assert link.read_byte_data(A, Code.STATUS_VOUT) == 0x20, "the valleys are 10 mV below the mean"
    # A / (pi f T) of an amplitude of 10 mV at 500 kHz in 20 ms is 0.32 uV (job.md 1.3 computes 0.38 uV in 16.67 ms).
    mean_v = bench._world.outputs["CORE"].mean_v(clock.now_s() - 0.02, clock.now_s())
    assert mean_v == pytest.approx(1.0, abs=0.4e-6)


def test_ripple_is_noise_to_a_sampling_adc(build, wait: Wait) -> None:
    bench, clock = build(board("ripple: {amplitude: 20 mV, frequency: 123.457 kHz}"))
    link, seen_v = bench.link("main"), []
    for _ in range(400):
        wait(clock, 0.02)
        seen_v.append(link.read_word_data(A, Code.READ_VOUT) * LSB_V)
    # A sine of amplitude 10 mV: nothing beyond, and a standard deviation of 10 mV / sqrt(2).
    assert max(abs(voltage_v - 1.0) for voltage_v in seen_v) <= 0.010 + LSB_V
    spread_v = math.sqrt(sum((voltage_v - 1.0) ** 2 for voltage_v in seen_v) / len(seen_v))
    assert spread_v == pytest.approx(0.010 / math.sqrt(2.0), rel=0.15)


def test_another_rail_comes_through_by_its_share(build, wait: Wait) -> None:
    bench, clock = build(board("coupling: {AUX: 2 %}"))
    operate(bench, 1, 0xA8)
    wait(clock, 0.1)
    # 5 % of 2 V are 100 mV; 2 % of that are 2 mV. Half a step of AUX's word comes through by its share.
    assert truth(bench, clock) == pytest.approx(1.002, abs=0.02 * LSB_V)
    assert truth(bench, clock, "AUX") == pytest.approx(2.1, abs=LSB_V)


def test_two_rails_may_couple_into_each_other(build, wait: Wait) -> None:
    text = board("coupling: {AUX: 2 %}").replace("page: 1}, ", "page: 1}, coupling: {CORE: 10 %}, ")
    bench, clock = build(text)
    operate(bench, 0, 0xA8)
    wait(clock, 0.1)
    assert truth(bench, clock) == pytest.approx(1.05, abs=LSB_V)
    assert truth(bench, clock, "AUX") == pytest.approx(2.005, abs=0.1 * LSB_V)


def test_a_warning_may_come_from_a_rail_that_was_not_moved(build, wait: Wait) -> None:
    bench, clock = build(board("coupling: {AUX: 20 %}"))
    link = bench.link("main")
    link.write_word_data(A, Code.VOUT_UV_WARN_LIMIT, round(0.985 / LSB_V))
    operate(bench, 1, 0x98)
    wait(clock, 0.1)
    link.write_byte_data(A, Code.PAGE, 0)
    assert link.read_byte_data(A, Code.STATUS_VOUT) == 0x20


def test_what_feeds_a_rail_holds_it_down(build, wait: Wait) -> None:
    bench, clock = build(board("upstream: {rail: AUX, dropout: 950 mV}"))
    operate(bench, 0, 0xA8)
    wait(clock, 0.1)
    # 2 V less 0.95 V let 1.05 V through: nothing is lost yet.
    assert truth(bench, clock) == pytest.approx(1.05, abs=LSB_V)
    operate(bench, 1, 0x98)
    wait(clock, 0.1)
    assert truth(bench, clock) == pytest.approx(1.9 - 0.95, abs=LSB_V)


def test_below_its_lockout_a_rail_is_off_and_its_page_trips(build, wait: Wait) -> None:
    bench, clock = build(board("upstream: {rail: AUX, lockout: 1.95 V}"))
    operate(bench, 1, 0x98)
    wait(clock, 0.1)
    assert truth(bench, clock) == 0.0
    link = bench.link("main")
    link.write_byte_data(A, Code.PAGE, 0)
    assert link.read_word_data(A, Code.STATUS_WORD) & 0x0040
    assert link.read_byte_data(A, Code.STATUS_VOUT) & 0x10


def test_the_input_supply_sets_the_highest_duty(build, wait: Wait) -> None:
    rest = "conditions: {input_voltage: {start: 12 V, time_constant: 1 ms}}"
    bench, clock = build(board("upstream: {rail: input, duty: 10 %}", rest))
    condition = bench.condition("input_voltage")
    assert truth(bench, clock) == pytest.approx(1.0, abs=LSB_V)
    condition.start(9.0)
    wait(clock, 0.1)
    assert truth(bench, clock) == pytest.approx(0.9, abs=1e-6)


def test_a_temperature_coefficient_counts_from_25_degrees_of_the_rail_itself(build, wait: Wait) -> None:
    rest = "conditions: {ambient: {start: 25 degC, time_constant: 1 s}}"
    bench, clock = build(board("temperature_coefficient: 100 ppm/K\n    self_heating: 20 degC", rest))
    assert truth(bench, clock) == pytest.approx(1.0 + 20 * 100e-6, abs=1e-9)
    bench.condition("ambient").start(65.0)
    wait(clock, 60.0)
    assert truth(bench, clock) == pytest.approx(1.0 + 60 * 100e-6, abs=1e-9)


def test_self_heating_follows_the_power_slowly(build, wait: Wait) -> None:
    more = "temperature_coefficient: 100 ppm/K\n    self_heating: 20 degC\n    thermal_time_constant: 10 s"
    bench, clock = build(board(more))
    operate(bench, 0, 0xA8)
    moved_s = clock.now_s()
    wait(clock, 200.0)
    asked_v = round(1.05 / LSB_V) * LSB_V
    # Power of a resistor goes with the square: 1.05^2 is 10.25 % more, 2.05 K; first order in 10 s.
    assert bench.truth_v("CORE", moved_s + 0.1) == pytest.approx(asked_v + 20e-4, abs=5e-6)
    assert bench.truth_v("CORE", moved_s + 10.0) == pytest.approx(
        asked_v + 20e-4 + 2.05e-4 * (1.0 - math.exp(-1.0)), abs=2e-6
    )
    assert truth(bench, clock) == pytest.approx(asked_v + 22.05e-4, abs=2e-6)


@pytest.mark.parametrize(
    ("shape", "due_v"),
    [("linear", (0.001, 0.002, 0.01)), ("settling", (0.001 * (1 - math.exp(-1)), 0.001 * (1 - math.exp(-2)), 0.001))],
)
def test_drift_takes_hours(build, wait: Wait, shape: str, due_v: tuple[float, ...]) -> None:
    bench, clock = build(board(f"drift: {{amount: 1 mV, over: 1 h, shape: {shape}}}"))
    wait(clock, 36000.0)
    for hours, volts in zip((1, 2, 10), due_v, strict=True):
        assert bench.truth_v("CORE", 3600.0 * hours) - 1.0 == pytest.approx(volts, abs=1e-7)


def test_a_wander_begins_at_nothing_and_has_the_spread_that_was_asked_for(build, wait: Wait) -> None:
    def courses() -> list[list[float]]:
        found = []
        for seed in range(60):
            bench, _ = build(board("drift: {amount: 1 mV, over: 1 h, shape: wander}"), seed=seed)
            output = bench._world.outputs["CORE"]
            found.append([output.voltage_v(600.0 * number) - 1.0 for number in range(300)])
        return found

    found = courses()
    assert all(course[0] == pytest.approx(0.0, abs=1e-12) for course in found)
    spreads = [math.sqrt(sum((v - sum(c) / len(c)) ** 2 for v in c) / len(c)) for c in found]
    # Each course is a sum of three sines over some periods only: 10 % for the ends that do not fit.
    assert sum(spreads) / len(spreads) == pytest.approx(0.001, rel=0.10)


def test_drift_reaches_a_limit_by_itself(build, wait: Wait) -> None:
    bench, clock = build(board("drift: {amount: 20 mV, over: 1 min}"))
    bench.link("main").write_word_data(A, Code.VOUT_OV_WARN_LIMIT, round(1.03 / LSB_V))
    wait(clock, 60.0)
    assert bench.link("main").read_byte_data(A, Code.STATUS_VOUT) == 0
    wait(clock, 60.0)
    assert bench.link("main").read_byte_data(A, Code.STATUS_VOUT) == 0x40


def test_an_s_of_non_linearity_is_zero_at_nominal_and_at_the_ends_of_its_span(build, wait: Wait) -> None:
    bench, clock = build(board("trim: {inl: 3 mV, inl_span: 10 %}\n    margin: 5 %"))
    assert truth(bench, clock) == pytest.approx(1.0, abs=LSB_V)
    operate(bench, 0, 0xA8)
    wait(clock, 0.1)
    # u = 1/2: 1.5 sqrt(3) (1/2 - 1/8) = 0.97428 of the amplitude.
    assert truth(bench, clock) - round(1.05 / LSB_V) * LSB_V == pytest.approx(0.97428 * 0.003, abs=1e-5)


def test_an_output_that_is_off_has_no_disturbance_either(build, wait: Wait) -> None:
    more = "coupling: {AUX: 20 %}\n    droop: 1 mOhm\n    temperature_coefficient: 500 ppm/K"
    bench, clock = build(board(more))
    operate(bench, 0, 0x00)
    operate(bench, 1, 0xA8)
    wait(clock, 1.0)
    assert truth(bench, clock) == pytest.approx(0.0, abs=1e-9)


def test_a_meter_sees_the_mean_of_everything(build, wait: Wait) -> None:
    more = "coupling: {AUX: 2 %}\n    output_resistance: 1 mOhm\n    load_steps: [{current: 5 A, at: 1 s, lasts: 5 ms}]"
    bench, clock = build(board(more))
    wait(clock, 2.0)
    output = bench._world.outputs["CORE"]
    points = [output.voltage_v(0.99 + 0.02 * (number + 0.5) / 4000) for number in range(4000)]
    # The step's two edges are worth half a point each.
    assert output.mean_v(0.99, 1.01) == pytest.approx(sum(points) / 4000, abs=5e-3 / 4000)


def test_the_same_board_tells_the_same_story_whoever_asks_first(build, wait: Wait) -> None:
    more = (
        "coupling: {AUX: 2 %}\n    drift: {amount: 1 mV, over: 10 s, shape: wander}\n    droop: 1 mOhm\n"
        "    servo: {step: 0.5 mV, period: 50 ms}\n    ripple: {amplitude: 5 mV}\n"
        "    ringing: {natural_frequency: 1 kHz, damping: 0.4}"
    )

    def story(asks: int) -> list[float]:
        bench, clock = build(board(more).replace("noise: 0 V", "noise: 1 mV"))
        for number in range(20):
            clock.sleep_until(0.1 * number)
            if number in (3, 9):
                operate(bench, number // 9, 0xA8)
            for _ in range(asks):
                bench.truth_v("AUX", clock.now_s())
                bench.managers["PM1"].quick_word(Code.READ_VOUT, clock.now_s())
        return [bench.truth_v("CORE", 0.05 * number) for number in range(38)]

    assert story(0) == story(5)
