"""A board with every section on, and one with none."""

from collections.abc import Callable

import pytest

from cornerrun.bench.simulated.output import MovedOutput
from cornerrun.bench.simulated.registers import Code
from cornerrun.clock import ManualClock

A = 0x40
Wait = Callable[[ManualClock, float], None]

EVERYTHING = """
format: 1
seed: 11
managers:
  PM1:
    bus: main
    address: 0x40
    pages: 8
    scan: 20 ms
    format: linear
    exponent: -12
    relative: true
    lacks: [QUERY]
    unsupported: ones
    page_plus: true
    group: true
    alert: true
    control: asserted
    always_writable: [CLEAR_FAULTS]
    warnings: adc
    comparator_tolerance: 1.5 %
    responses: [continue, delay, shut_down, while_present]
    retries: any
    retry: 100 ms
    delay_unit: 2 ms
    fault_log: {command: 0xEA, entries: 5, cleared_by_clear_faults: false, clock_offset: 0 s}
    supply: {rail: input, brown_out: 4 V, boot: 20 ms}
    input: {uv_warn: 10.8 V, uv_fault: 9 V, ov_warn: 13 V, ov_fault: 14 V}
  PM2: {bus: main, address: 0x41, format: direct, direct: {m: 5000, b: 10, r: 0}}
  PM3: {bus: main, address: 0x42, format: half}
rails:
  - name: CORE
    nominal: 0.85 V
    power: {device: PM1, page: 0}
    time_constant: 4 ms
    ringing: {natural_frequency: 2 kHz, damping: 0.4}
    trim: {gain_error: 0.5 %, offset_error: 1 mV, inl: 0.5 mV, inl_span: 20 %}
    servo: {step: 0.3 mV, period: 100 ms, range: 50 mV, begins: setpoint}
    load: 11 A
    load_kind: power
    load_steps:
      - {current: 6 A, check: memory march, rise: 10 us}
      - {current: 2 A, at: 4 s, every: 5 s, lasts: 1 s}
    output_resistance: 0.4 mOhm
    droop: 0.5 mOhm
    ripple: {amplitude: 8 mV, frequency: 500 kHz}
    coupling: {VDDQ: 1.5 %}
    temperature_coefficient: 60 ppm/K
    self_heating: 10 degC
    thermal_time_constant: 20 s
    drift: {amount: 0.4 mV, over: 1 h, shape: wander}
    upstream: {rail: input, duty: 90 %, dropout: 200 mV, lockout: 4 V}
  - {name: VDDQ, nominal: 1.2 V, power: {device: PM1, page: 1}, coupling: {CORE: 1 %}}
  - {name: VTT, nominal: 0.6 V, tracks: {rail: VDDQ, ratio: 0.5}, ripple: {amplitude: 2 mV}}
  - {name: IO, nominal: 1.8 V, power: {device: PM2, page: 0}, upstream: {rail: VDDQ}}
  - {name: AUX, nominal: 3.3 V, power: {device: PM3, page: 0}, drift: {amount: 1 mV, over: 1 h}}
fault_lines:
  F0: {driven_by: [CORE, VDDQ], obeyed_by: [CORE, VDDQ, IO], delay: 10 us, latches: false, shows: true}
faults:
  bus_errors:
    - {bus: main, bit_errors: 0.5 %, no_acknowledge: 0.5 %, pec_errors: 0.5 %, page_flips: 0.5 %, page_lost: 0.5 %,
       arbitration_lost: 0.5 %, clock_stretches: 0.5 %, stretch: 35 ms, stuck: 0.5 %, stuck_for: 20 ms}
  bus_events:
    - {bus: main, kind: page_flip, page: 3, device: PM1, command: OPERATION, at: 3 s}
    - {bus: main, kind: stuck, message: 150}
  stale_pages: [{device: PM1, lasts: 500 us, chance: 2 %}]
  trips: [{rail: VDDQ, shows: oc_fault, corner: "all low", after: 200 ms, probability: 20 %, times: 100}]
  shorts: [{rail: AUX, at: 8 s, share: 5 %, lasts: 2 s}]
  brown_outs: [{to: 3.5 V, lasts: 30 ms, visits: [6]}]
  resets: [{device: PM1, at: 12 s}]
  dead_devices: [{device: PM2, at: 16 s, lasts: 1 s}]
  dead_segments: [{devices: [PM2, PM3], visits: [9]}]
  absurd_modes: [{device: PM1, byte: 0x00, at: 2 s, lasts: 1 s}]
channels: {CORE: 1, VDDQ: 2, VTT: 3, IO: 4, AUX: 5}
"""


def night(build, *, looks: int) -> tuple[list[object], dict[str, int]]:
    """Run through a dozen visits, and tell what was seen and which trouble there was; ``looks`` look at the truth."""
    bench, clock = build(EVERYTHING)
    link, told = bench.link("main", clock_hz=400e3), []
    for visit in range(12):
        bench.begin_visit(visit, ("nominal", "all low", "all high")[visit % 3])
        for address, page, operation in ((A, 0, 0xA8), (A, 1, 0x98), (0x41, 0, 0x80), (0x42, 0, 0xA8)):
            for act in (
                lambda: link.write_byte_data(address, Code.PAGE, page),  # noqa: B023 - called at once
                lambda: link.write_byte_data(address, Code.OPERATION, operation if visit % 2 else 0x80),  # noqa: B023
                lambda: link.read_word_data(address, Code.READ_VOUT),  # noqa: B023
                lambda: link.read_word_data(address, Code.STATUS_WORD),  # noqa: B023
            ):
                try:
                    told.append(act())
                except OSError as error:
                    told.append(error.errno)
        bench.begin_check("memory march")
        clock.sleep_until(clock.now_s() + 0.8)
        for _ in range(looks):
            bench.truth_v("VTT", clock.now_s())
        bench.end_check("memory march")
        clock.sleep_until(clock.now_s() + 0.7)
    told += [bench.truth_v(rail, clock.now_s() - 0.01) for rail in ("CORE", "VDDQ", "VTT", "IO", "AUX")]
    return told, dict(bench.buses["main"].trouble.seen)


def test_everything_at_once_is_the_same_each_time(build) -> None:
    once, trouble = night(build, looks=0)
    again, _ = night(build, looks=3)
    assert once == again
    assert trouble, "there was trouble"
    assert all(word is None or isinstance(word, int | float) for word in once)


def test_a_plain_file_builds_plain_parts(build) -> None:
    # What is not asked for costs nothing: outputs in closed form, and reads by the short way.
    bench, _ = build()
    assert all(isinstance(bench._world.outputs[name], MovedOutput) for name in ("VDD_CORE", "VDDQ", "VDD_AUX"))
    assert bench.buses["main"].is_plain
    assert all(manager.is_plain for manager in bench.managers.values())


@pytest.mark.parametrize("rail", ["CORE", "VDDQ", "VTT", "IO", "AUX"])
def test_a_forecast_agrees_with_what_comes(build, wait: Wait, rail: str) -> None:
    bench, clock = build(EVERYTHING)
    output = bench._world.outputs[rail]
    forecast_v = output.voltage_v(0.05)
    wait(clock, 0.05)
    assert bench.truth_v(rail, 0.05) == pytest.approx(forecast_v, abs=1e-12)
