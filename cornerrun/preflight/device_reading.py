"""Read what devices hold, through the drivers, writing nothing but PAGE, which is put back."""

from collections.abc import Iterable, Mapping
from contextlib import ExitStack, suppress
from dataclasses import replace

from cornerrun.bench.bench import bench_identity
from cornerrun.bench.lock import hold_bench
from cornerrun.bench.pmbus.device import ManagedDevice
from cornerrun.bench.pmbus.health import CountedLink
from cornerrun.bench.pmbus.page_words import page_format
from cornerrun.bench.pmbus.profile import Profile
from cornerrun.bench.registry import Surroundings, link_driver
from cornerrun.clock import Clock, ManualClock, SystemClock
from cornerrun.errors import BenchError, CornerrunError, FormatError
from cornerrun.plan.bench_file import BenchFile
from cornerrun.plan.model import Device, Plan, Rail
from cornerrun.preflight.device_values import REGISTERS, BenchValues, DeviceValues, decode_values

__all__ = ["read_values"]

_IN_PROCESS = "simulated"


def read_values(
    plan: Plan, bench_file: BenchFile, profiles: Mapping[str, Profile], *, may_open: bool = False
) -> BenchValues:
    """Read formats and limits of every rail that a device makes.

    A bus simulated in this process is always asked: nothing is powered by it. Real links are opened only with
    ``may_open``, under the lock of the bench, and not while another process holds it. A device that cannot be read is
    told in ``trouble``.

    Raises:
        PlanProblems: the simulation file has problems.

    """
    wanted = {
        device.name: device
        for device in plan.devices.values()
        if device.profile in profiles
        and device.bus in bench_file.buses
        and (may_open or bench_file.buses[device.bus].link == _IN_PROCESS)
        and any(rail.power is not None and rail.power.device == device.name for rail in plan.rails)
    }
    if not wanted:
        return BenchValues()
    is_real = any(bench_file.buses[device.bus].link != _IN_PROCESS for device in wanted.values())
    clock: Clock = SystemClock() if is_real else ManualClock()
    simulation = None
    if bench_file.simulation is not None:
        from cornerrun.bench.simulated.bench import SimulatedBench

        simulation = SimulatedBench.load(bench_file.simulation, clock)
    surroundings = Surroundings(plan=plan, bench_file=bench_file, clock=clock, simulation=simulation)
    rails: dict[str, DeviceValues] = {}
    trouble: dict[str, str] = {}
    with ExitStack() as stack:
        if is_real:
            try:
                stack.enter_context(hold_bench(bench_identity(bench_file), purpose="preflight"))
            except BenchError as error:
                return BenchValues(trouble=dict.fromkeys(wanted, str(error)))
        for bus_name in dict.fromkeys(device.bus for device in wanted.values()):
            devices = [device for device in wanted.values() if device.bus == bus_name]
            try:
                build, target = link_driver(bench_file.buses[bus_name].link)
                link = build(bench_file.buses[bus_name], target, surroundings)
            except CornerrunError as error:
                trouble.update({device.name: str(error) for device in devices})
                continue
            stack.callback(link.close)
            counted = CountedLink(link, name=bus_name)
            for device in devices:
                made = [rail for rail in plan.rails if rail.power is not None and rail.power.device == device.name]
                try:
                    rails |= _read_device(device, profiles[device.profile], counted, clock, made)
                except (BenchError, FormatError) as error:
                    trouble[device.name] = str(error)
    return BenchValues(rails=rails, trouble=trouble, source=str(bench_file.source.path))


def _read_device(
    device: Device, profile: Profile, link: CountedLink, clock: Clock, rails: Iterable[Rail]
) -> dict[str, DeviceValues]:
    # A VOUT_MODE that the plan does not expect is a finding of its own.
    managed = ManagedDevice(device=replace(device, vout_mode=None), profile=profile, link=link, clock=clock)
    pages = {rail.power.page: rail for rail in rails if rail.power is not None and rail.power.page < profile.pages}
    values: dict[str, DeviceValues] = {}
    try:
        if pages:
            managed.connect(min(pages))
        for page, rail in pages.items():
            found = managed.read(page, REGISTERS)
            where = f"{rail.name} ({device.name} page {page})"
            values[rail.name] = decode_values(found, page_format(managed, page, found, where))
    finally:
        if managed.page_found is not None:
            # Whoever finds PAGE elsewhere writes it anyway; a device that does not answer is told by what was asked.
            with suppress(BenchError):
                managed.paged.set_page(managed.page_found)
    return values
