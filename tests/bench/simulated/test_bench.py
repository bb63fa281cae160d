from collections.abc import Callable

import pytest

from cornerrun.bench.simulated.registers import Code
from cornerrun.clock import ManualClock
from cornerrun.errors import BenchError

A = 0x40
Wait = Callable[[ManualClock, float], None]


def test_the_truth_is_where_the_registers_put_it(build) -> None:
    bench, clock = build()
    assert bench.now == clock.now_s()
    assert bench.truth_v("VDDQ", clock.now_s()) == pytest.approx(1.2, abs=2.0**-13)
    with pytest.raises(BenchError, match="no rail 'VDD'; it has VDD_CORE, VDDQ, VTT, VDD_AUX"):
        bench.truth_v("VDD", 0.0)


def test_a_tracking_rail_follows_at_every_instant_of_a_move(build, wait: Wait) -> None:
    bench, clock = build()
    link = bench.link("main")
    link.write_byte_data(A, Code.PAGE, 1)
    link.write_byte_data(A, Code.OPERATION, 0xA8)
    moved_s = clock.now_s()
    wait(clock, 0.1)
    for index in range(50):
        at_s = moved_s + index * 2e-4
        assert bench.truth_v("VTT", at_s) == pytest.approx(0.5 * bench.truth_v("VDDQ", at_s))
    assert bench.truth_v("VTT", clock.now_s()) == pytest.approx(0.63, abs=2.0**-12)


def test_rails_that_track_may_stand_before_their_leader(build) -> None:
    text = """
format: 1
managers: {PM1: {bus: main, address: 0x40}}
rails:
  - {name: C, nominal: 0.3 V, tracks: {rail: B, ratio: 0.5}}
  - {name: B, nominal: 0.6 V, tracks: {rail: A, ratio: 0.5}}
  - {name: A, nominal: 1.2 V, power: {device: PM1, page: 0}}
"""
    bench, clock = build(text)
    assert bench.truth_v("C", clock.now_s()) == pytest.approx(0.3, abs=1e-4)


def test_a_rail_that_nobody_commands_is_there_for_the_meter(build) -> None:
    bench, clock = build("format: 1\nrails: [{name: VBAT, nominal: 3 V, trim: {gain_error: 1 %}}]\n")
    assert bench.truth_v("VBAT", clock.now_s()) == pytest.approx(3.03)
    assert bench.buses == {}


def test_a_bench_without_a_meter_has_none(build) -> None:
    bench, _ = build()
    assert bench.meter() is None


def test_the_meter_reads_the_rail_that_its_channel_is_wired_to(build, wait: Wait) -> None:
    bench, clock = build(build.board(meter="{noise: 0 V}"))
    meter = bench.meter()
    wait(clock, 0.1)
    for channel, rail in ((101, "VDD_CORE"), (102, "VDDQ"), (103, "VTT")):
        meter.write(f"CONF:VOLT:DC 10,(@{channel})")
        meter.write(f"ROUT:SCAN (@{channel})")
        meter.write("READ?")
        # One microvolt: the resolution of what the meter prints is finer.
        assert float(meter.read(5.0)) == pytest.approx(bench.truth_v(rail, clock.now_s()), abs=1e-6)
    meter.close()


def test_conditions_approach_their_target_and_settle_inside_their_band(build, wait: Wait) -> None:
    bench, clock = build(build.board(conditions="{ambient: {start: 23 degC, time_constant: 10 s, band: 1 degC}}"))
    ambient = bench.condition("ambient")
    assert ambient.read() == 23.0
    assert ambient.has_settled()
    ambient.start(73.0)
    wait(clock, 10.0)
    # First order: 1 - 1/e of the way after a time constant.
    assert ambient.read() == pytest.approx(23.0 + 50.0 * 0.632121, abs=1e-4)
    assert not ambient.has_settled()
    wait(clock, 29.0)
    assert not ambient.has_settled(), "ln(50) = 3.912 time constants are needed (check_values 12A1)"
    wait(clock, 0.2)
    assert ambient.has_settled()
    link = bench.link("main")
    assert link.read_word_data(A, Code.READ_TEMPERATURE_1) != 0
    ambient.release()
    wait(clock, 200.0)
    assert ambient.read() == pytest.approx(23.0, abs=1e-6)


def test_the_input_voltage_shows_in_read_vin(build, wait: Wait) -> None:
    from cornerrun.bench.pmbus.formats import decode_linear11

    bench, clock = build()
    bench.condition("input_voltage").start(10.8)
    wait(clock, 2.0)
    assert decode_linear11(bench.link("main").read_word_data(A, Code.READ_VIN)) == pytest.approx(10.8, abs=0.04)


def test_a_condition_that_the_simulation_lacks_is_named(build) -> None:
    bench, _ = build()
    with pytest.raises(BenchError, match="no condition 'humidity'; it has ambient, input_voltage"):
        bench.condition("humidity")


def test_the_same_seed_gives_the_same_readings_and_another_gives_others(build, wait: Wait) -> None:
    def words(seed: int | None) -> list[int]:
        bench, clock = build(seed=seed)
        link = bench.link("main")
        link.write_byte_data(A, Code.PAGE, 1)
        seen = []
        for _ in range(30):
            seen.append(link.read_word_data(A, Code.READ_VOUT))
            wait(clock, 0.02)
        return seen

    assert words(None) == words(None) == words(7)
    assert words(8) != words(7)


def test_the_start_of_the_clock_does_not_matter(tmp_path, build, wait: Wait) -> None:
    from cornerrun.bench.simulated.bench import SimulatedBench

    def words(start_s: float) -> list[int]:
        build()
        clock = ManualClock()
        clock.sleep_until(start_s)
        link = SimulatedBench.load(tmp_path / "board.yaml", clock).link("main")
        link.write_byte_data(A, Code.PAGE, 1)
        seen = []
        for _ in range(30):
            seen.append(link.read_word_data(A, Code.READ_VOUT))
            wait(clock, 0.02)
        return seen

    # A machine's monotonic clock counts from some boot long ago.
    assert words(0.0) == words(1024.0)
