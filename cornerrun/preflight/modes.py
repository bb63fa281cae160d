"""VOUT_MODE of a bench that is only simulated: there it can be read without powering anything."""

from collections.abc import Mapping

from cornerrun.bench.pmbus.commands import COMMANDS
from cornerrun.plan.bench_file import BenchFile
from cornerrun.plan.model import Plan

__all__ = ["simulated_modes"]


def simulated_modes(plan: Plan, bench_file: BenchFile) -> Mapping[str, int]:
    """Read VOUT_MODE of each rail whose bus is simulated in this process; a rail that does not answer is left out.

    Raises:
        PlanProblems: the simulation file has problems.

    """
    buses = {name for name, bus in bench_file.buses.items() if bus.link == "simulated"}
    asked = [rail for rail in plan.rails if rail.power and plan.devices[rail.power.device].bus in buses]
    if bench_file.simulation is None or not asked:
        return {}
    from cornerrun.bench.simulated.bench import SimulatedBench
    from cornerrun.clock import ManualClock
    from cornerrun.errors import BenchError

    bench = SimulatedBench.load(bench_file.simulation, ManualClock())
    modes: dict[str, int] = {}
    for rail in asked:
        if rail.power is None:
            continue
        device = plan.devices[rail.power.device]
        try:
            link = bench.link(device.bus)
            link.write_byte_data(device.address, COMMANDS["PAGE"].code, rail.power.page)
            modes[rail.name] = link.read_byte_data(device.address, COMMANDS["VOUT_MODE"].code)
        except (OSError, BenchError):
            continue  # a device that is not there is found, with its reason, when the bench is opened
    return modes
