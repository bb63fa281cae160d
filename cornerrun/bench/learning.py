"""Learn how rails settle, by a 1 % step of each, alone: the band from noise and step, the time from the response."""

import statistics
from collections.abc import Callable, Mapping

from cornerrun.bench.plan_draft import Learned
from cornerrun.bench.ports import Baseline, BenchPorts
from cornerrun.clock import Clock
from cornerrun.corners.model import RailLevel
from cornerrun.errors import DeviceRefused, UnsafeState
from cornerrun.plan.model import NOMINAL, Plan, Rail
from cornerrun.plan.proof import PROOF_DOWN, PROOF_UP
from cornerrun.units import Kind, show

__all__ = ["learn"]

_NOISE_READINGS = 20  # chosen: a standard deviation to about 16 %
_SIGMAS = 4.0  # common practice, no source: a band of four sigma is not left by noise
_LEAST_BAND = 0.001  # chosen: 0.1 %; tighter than anything that a margin needs
_LONGEST_S = 5.0  # chosen: a rail that has not settled by then needs a person


def learn(
    plan: Plan, bench: BenchPorts, clock: Clock, *, before: Callable[[Baseline], None] = lambda _: None
) -> Mapping[str, Learned]:
    """Step every commanded rail up by the plan's proof step, watch it settle, and bring it back.

    ``plan`` has the levels of the proof. ``before`` is given the baseline, with nothing moved; what it raises ends
    it. The baseline is brought back at the end, unless a rail was seen beyond its hard limits: then all rails are
    turned off.

    Raises:
        UnsafeState: a rail was beyond its hard limits, or the baseline could not be brought back.
        BenchError: the bench failed; the board is at its baseline.
        GuardRefusal: a step is not permitted.

    """
    bench.power.connect()
    baseline = bench.safety.take_baseline()
    before(baseline)
    try:
        learned = {rail.name: _learn_one(rail, bench, clock) for rail in plan.commanded_rails}
    except UnsafeState:
        # Beyond a hard limit: bringing back the baseline would turn the rail on again.
        bench.safety.turn_off()
        raise
    except BaseException:
        bench.safety.to_nominal()
        bench.safety.restore(baseline)
        raise
    bench.safety.to_nominal()
    bench.safety.restore(baseline)
    return learned


def _learn_one(rail: Rail, bench: BenchPorts, clock: Clock) -> Learned:
    scan_s = bench.power.scan_s[rail.name]
    noise = [_reading_v(rail, bench, clock, scan_s) for _ in range(_NOISE_READINGS)]
    level = PROOF_UP if PROOF_UP in rail.levels else PROOF_DOWN
    if level not in rail.levels:
        raise DeviceRefused(
            f"{rail.name}: its hard limits leave no room for a step of 1 %; widen them, or learn without"
        )
    (setpoint,) = bench.power.move([RailLevel(rail=rail.name, level=level)])
    start_s = clock.now_s()
    seen: list[tuple[float, float]] = []
    while clock.now_s() < start_s + _LONGEST_S:
        volts = _reading_v(rail, bench, clock, scan_s)
        seen.append((clock.now_s() - start_s, volts))
        if len(seen) >= _NOISE_READINGS and _is_flat([v for _, v in seen[-_NOISE_READINGS:]], noise):
            break
    bench.power.move([RailLevel(rail=rail.name, level=NOMINAL)])
    _wait(clock, max(0.1, 2 * _settle_s(seen, noise, setpoint.decoded_v) if seen else 0.1))
    final_v = statistics.fmean(volts for _, volts in seen[-_NOISE_READINGS:])
    spread_v = _spread(noise)
    # What a servo leaves between setpoint and output has to fit into the band as well, or it never settles.
    bias_v = max(abs(final_v - setpoint.decoded_v), abs(statistics.fmean(noise) - rail.nominal_v))
    band = max((_SIGMAS * spread_v + 1.5 * bias_v) / rail.nominal_v, _LEAST_BAND)
    has_settled = _is_flat([v for _, v in seen[-_NOISE_READINGS:]], noise)
    settle_s = _settle_s(seen, noise, final_v) if has_settled else None
    return Learned(band_ratio=_rounded_up(band), settle_s=settle_s)


def _spread(readings: list[float]) -> float:
    """The noise of readings; a rail quieter than the ADC's step counts as one that makes a third of it (uniform)."""
    steps = sorted({round(abs(a - b), 9) for a in readings for b in readings if a != b})
    return max(statistics.pstdev(readings), steps[0] / 12**0.5 if steps else 0.0)


def _is_flat(readings: list[float], noise: list[float]) -> bool:
    half = len(readings) // 2
    drift_v = abs(statistics.fmean(readings[:half]) - statistics.fmean(readings[half:]))
    return drift_v <= 2 * max(_spread(noise), 1e-6)


def _settle_s(seen: list[tuple[float, float]], noise: list[float], final_v: float) -> float:
    """The last instant outside of the band around the final voltage (documentation on settling: mid-step to remain)."""
    band_v = max(_SIGMAS * _spread(noise), _LEAST_BAND * abs(final_v))
    outside = [at_s for at_s, volts in seen if abs(volts - final_v) > band_v]
    return outside[-1] if outside else seen[0][0]


def _reading_v(rail: Rail, bench: BenchPorts, clock: Clock, scan_s: float) -> float:
    _wait(clock, scan_s)
    (reading,) = bench.power.read([rail.name])
    limits = rail.hard_limits
    if not limits.min_v <= reading.voltage_v <= limits.max_v:
        raise UnsafeState(
            f"{rail.name} reads {show(reading.voltage_v, Kind.VOLTAGE)}, beyond the draft's hard limits; all rails "
            "were turned off"
        )
    return reading.voltage_v


def _wait(clock: Clock, duration_s: float) -> None:
    clock.sleep_until(clock.now_s() + duration_s, interruptible=False)


def _rounded_up(ratio: float) -> float:
    """Round up to the next half per mille."""
    return round(-(-ratio // 0.0005) * 0.0005, 6)
