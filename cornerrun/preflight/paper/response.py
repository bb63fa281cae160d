"""How long each rail of a simulated board takes to a level: tried on a private copy of it, with nothing else moved."""

from collections.abc import Iterator, Mapping
from contextlib import suppress
from typing import Protocol

from cornerrun.bench.pmbus.commands import COMMANDS
from cornerrun.bench.pmbus.link import Link
from cornerrun.bench.pmbus.operation import Side, ignoring_faults, with_margin
from cornerrun.bench.pmbus.widening import REGISTERS
from cornerrun.clock import ManualClock
from cornerrun.errors import BenchError
from cornerrun.plan.model import NOMINAL, Rail
from cornerrun.preflight.facts import Facts
from cornerrun.preflight.levels import RailLevels

__all__ = ["tried_times_s"]

_GRAIN = 400  # chosen: steps into which a time-out is cut; a move is timed to the half of one per cent of it
_LONGEST_GRAIN_S = 0.5e-3


class _Bench(Protocol):
    """What is asked of a simulated bench."""

    def link(self, bus_name: str, *, clock_hz: float = ..., pec: bool = ...) -> Link: ...

    def truth_v(self, rail: str, at_s: float) -> float: ...


def tried_times_s(facts: Facts) -> Mapping[tuple[str, str], float]:
    """Time each rail from nominal to each of its levels, by rail and level.

    Empty where the bench is not simulated in this process; what cannot be tried is left out.
    """
    bench_file = facts.bench_file
    if bench_file is None or bench_file.simulation is None:
        return {}
    from cornerrun.bench.simulated.bench import SimulatedBench

    times: dict[tuple[str, str], float] = {}
    clock = ManualClock()
    simulation = SimulatedBench.load(bench_file.simulation, clock)
    for found in facts.levels:
        rail = found.rail
        if not rail.is_commanded or rail.power is None or found.page_format is None:
            continue
        device = facts.plan.devices[rail.power.device]
        bus = bench_file.buses.get(device.bus)
        profile = facts.profiles.get(device.profile)
        if bus is None or bus.link != "simulated" or profile is None or profile.by_command:
            continue
        for row in found.rows:
            if row.level == NOMINAL or row.word is None:
                continue
            side = Side.HIGH if rail.levels[row.level] > rail.nominal_v else Side.LOW
            with suppress(BenchError, OSError):
                link = simulation.link(bus.name, clock_hz=bus.clock_hz, pec=bus.pec)
                if profile.has_page:
                    link.write_byte_data(device.address, COMMANDS["PAGE"].code, rail.power.page)
                code = COMMANDS[found.register(row.level)].code
                link.write_word_data(device.address, code, row.word)
                for register, limit_v in _widened(found):
                    link.write_word_data(
                        device.address, COMMANDS[register].code, found.page_format.encode(register, limit_v)
                    )
                operation = link.read_byte_data(device.address, COMMANDS["OPERATION"].code)
                selects = profile.operation(side)
                wanted = with_margin(operation, ignoring_faults(selects) if rail.ignores_faults else selects)
                link.write_byte_data(device.address, COMMANDS["OPERATION"].code, wanted)
                times[rail.name, row.level] = _time_s(simulation, rail, row.setpoint_v, clock)
                link.write_byte_data(device.address, COMMANDS["OPERATION"].code, operation)
                clock.charge(rail.settle.timeout_s)
    return times


def _widened(found: RailLevels) -> Iterator[tuple[str, float]]:
    """Give the limits that the plan's overrides widen, by register: without that the copy would shut down there."""
    widened = found.rail.widened.limits_v if found.rail.widened is not None else {}
    yield from ((REGISTERS[name][0], limit_v) for name, limit_v in widened.items())


def _time_s(simulation: _Bench, rail: Rail, target_v: float, clock: ManualClock) -> float:
    """Tell how long until a rail is in its band and stays; the time-out if it does not get there.

    The trim's own error is taken off: what is timed is the way, not where it ends.
    """
    grain_s = min(_LONGEST_GRAIN_S, rail.settle.timeout_s / _GRAIN)
    started_s = clock.now_s()
    band_v = rail.settle.band_ratio * target_v
    last_s = 0.0
    waited_s = 0.0
    while waited_s < min(rail.settle.timeout_s, max(20 * last_s, 0.1)):
        waited_s += grain_s
        clock.charge(grain_s)
        if abs(simulation.truth_v(rail.name, started_s + waited_s) - target_v) > band_v:
            last_s = waited_s
    return last_s
