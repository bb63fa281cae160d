"""What a guardian knows of devices beyond the raw writes: how long they must be left alone, what nominal reads as."""

from collections.abc import Mapping

from cornerrun.bench.pmbus.delays import Delays
from cornerrun.bench.pmbus.profile import load_profile
from cornerrun.bench.ports import RailPower, Setpoint, Telemetry
from cornerrun.plan.bench_file import SIMULATED, BenchFile
from cornerrun.plan.model import NOMINAL, Plan, Rail
from cornerrun.run.guardian_order import Arrival

__all__ = ["arrival", "arrivals", "delays", "reachable_links", "reachable_supplies"]

_WORDS = 2.0  # chosen: how far a word may lie from where two setpoints say that its voltage lies


def reachable_links(bench_file: BenchFile) -> Mapping[str, str]:
    """Tell the buses that another process can reach, by name: all but those simulated inside this one."""
    return {bus.name: bus.link for bus in bench_file.buses.values() if bus.link != SIMULATED}


def reachable_supplies(plan: Plan, bench_file: BenchFile) -> tuple[str, ...]:
    """Tell the supplies that make rails of a plan and that another process can reach."""
    names = dict.fromkeys(rail.output.supply for rail in plan.rails if rail.output is not None)
    return tuple(name for name in names if bench_file.instruments[name].simulated_as is None)


def delays(plan: Plan) -> Mapping[tuple[str, int], Delays]:
    """Tell the delays of every device of a plan, by bus and address."""
    return {
        (device.bus, device.address): load_profile(device.profile, plan.directory).delays
        for device in plan.devices.values()
    }


def arrivals(plan: Plan, power: RailPower) -> tuple[Arrival, ...]:
    """Read every commanded rail, at nominal, and tell which words of READ_VOUT shall count as nominal later."""
    rails = [rail for rail in plan.commanded_rails if rail.power is not None and len(rail.levels) > 1]
    found = []
    for rail, reading in zip(rails, power.read([rail.name for rail in rails]), strict=True):
        other = next(level for level in rail.levels if level != NOMINAL)
        one = arrival(rail, reading, power.setpoint(rail.name, NOMINAL), power.setpoint(rail.name, other))
        if one is not None:
            found.append(one)
    return tuple(found)


def arrival(rail: Rail, reading: Telemetry, nominal: Setpoint, other: Setpoint) -> Arrival | None:
    """Tell the words of one rail by the straight line through two setpoints.

    None where the reading is not on that line, because it has a format of its own: such a rail is not verified by its
    voltage.
    """
    if other.decoded_v == nominal.decoded_v:
        return None
    words_per_volt = (other.word - nominal.word) / (other.decoded_v - nominal.decoded_v)

    def word(voltage_v: float) -> float:
        return nominal.word + words_per_volt * (voltage_v - nominal.decoded_v)

    tolerance_v = rail.nominal_v * (rail.accuracy_ratio + rail.settle.band_ratio)
    if abs(word(reading.voltage_v) - reading.word) > _WORDS:
        return None
    ends = sorted((word(rail.nominal_v - tolerance_v), word(rail.nominal_v + tolerance_v)))
    return Arrival(rail=rail.name, low_word=round(ends[0]), high_word=round(ends[1]), timeout_s=rail.longest_settle_s)
