"""Plan and bench file -> one RailPower for all links, the meter, the conditions; and one Guard over all of them."""

from collections import Counter
from collections.abc import Iterable, Mapping
from contextlib import ExitStack
from dataclasses import replace
from functools import partial
from typing import TYPE_CHECKING

from cornerrun.bench.abilities import Closes, TakesNotes
from cornerrun.bench.by_hand.person import Person
from cornerrun.bench.combined import CombinedPower, PowerDriver
from cornerrun.bench.condition_settings import soak_of
from cornerrun.bench.guard import Guard
from cornerrun.bench.patience import patient
from cornerrun.bench.ports import BenchPorts, Condition, Note, Voltmeter
from cornerrun.bench.registry import Surroundings, condition_driver, link_driver, meter_driver, supply_driver
from cornerrun.bench.scpi.session import TextLink
from cornerrun.bench.soaked import soaked
from cornerrun.clock import Clock
from cornerrun.errors import PlanError
from cornerrun.plan.bench_file import SIMULATED, BenchFile
from cornerrun.plan.model import Plan
from cornerrun.plan.proof import with_proof_levels

if TYPE_CHECKING:
    from cornerrun.bench.pmbus.health import CountedLink
    from cornerrun.bench.simulated.bench import SimulatedBench

__all__ = ["bench_identity", "is_private", "open_bench", "simulation_of"]

_SOAKS_ITSELF = "scpi"  # its words may name a sensor that only it can read
_LONGEST_EXCHANGE_S = 2.0  # chosen: i2c-dev gives up a message after 1 s unless told otherwise (from memory)


def is_private(bench_file: BenchFile) -> bool:
    """Tell whether every link of a bench ends in this process, so that no other process can disturb it."""
    instruments = [*bench_file.instruments.values(), *([bench_file.meter] if bench_file.meter is not None else [])]
    return all(bus.link == SIMULATED for bus in bench_file.buses.values()) and all(
        instrument.simulated_as is not None for instrument in instruments
    )


def is_board_simulated(bench_file: BenchFile) -> bool:
    """Tell whether what makes the board's rails ends in this process: its buses, or supplies where it has no bus."""
    if bench_file.buses:
        return any(bus.link == SIMULATED for bus in bench_file.buses.values())
    return any(instrument.simulated_as is not None for instrument in bench_file.instruments.values())


def bench_identity(bench_file: BenchFile) -> str:
    """Name a bench for locks and for the store: its station and what its links reach."""
    links = sorted(bus.link for bus in bench_file.buses.values())
    if not links:  # a board without a manager is told by the instruments around it
        links = sorted(instrument.resource for instrument in bench_file.instruments.values())
    if bench_file.simulation is not None and any(link.partition(":")[0] == SIMULATED for link in links):
        links.append(str(bench_file.simulation))
    return f"{bench_file.station} ({', '.join(dict.fromkeys(links))})"


def open_bench(
    plan: Plan,
    bench_file: BenchFile,
    clock: Clock,
    *,
    seed: int | None = None,
    serial: str | None = None,
    person: Person | None = None,
) -> BenchPorts:
    """Open every link and instrument of a bench; what is open already is closed if one cannot be.

    ``seed`` replaces that of the simulation file, ``serial`` says which unit of its population is on the bench.
    ``person`` is asked for what is done by hand. Nothing is sent that changes a device.

    Raises:
        PlanError: the files do not fit each other.
        BenchError: a link or an instrument cannot be reached.

    """
    with ExitStack() as opened:
        simulation = simulation_of(bench_file, clock, seed=seed, serial=serial)
        surroundings = Surroundings(plan=plan, bench_file=bench_file, clock=clock, simulation=simulation, person=person)
        guard = Guard(with_proof_levels(plan))
        drivers, links = _power(surroundings, guard, opened)
        meter = _meter(surroundings, opened)
        console = _console(surroundings, opened)
        power = CombinedPower(drivers, guard)
        conditions = _conditions(replace(surroundings, sense=partial(_temperature_degc, power)), opened)
        closing = opened.pop_all()
    return BenchPorts(
        identity=bench_identity(bench_file),
        power=power,
        safety=power,
        faults=power,
        meter=meter,
        conditions=conditions,
        links={bus.name: bus.link for bus in bench_file.buses.values()},
        traffic=lambda: _traffic(links),
        close=closing.close,
        notes=lambda: _notes(links, (*drivers, meter, *conditions.values())),
        snapshot=power.snapshot,
        board=simulation if is_board_simulated(bench_file) else None,
        is_private=is_private(bench_file),
        console=console,
    )


def simulation_of(
    bench_file: BenchFile, clock: Clock, *, seed: int | None = None, serial: str | None = None
) -> "SimulatedBench | None":
    """Make the simulated bench that a bench file names; None on hardware."""
    if bench_file.simulation is None:
        return None
    from cornerrun.bench.simulated.bench import SimulatedBench

    return SimulatedBench.load(bench_file.simulation, clock, seed=seed, serial=serial)


def _power(
    surroundings: Surroundings, guard: Guard, opened: ExitStack
) -> "tuple[list[PowerDriver], list[CountedLink]]":
    from cornerrun.bench.pmbus.controller import PmbusPower
    from cornerrun.bench.pmbus.health import CountedLink
    from cornerrun.bench.pmbus.profile import load_profile

    plan, bench_file = with_proof_levels(surroundings.plan), surroundings.bench_file
    drivers: list[PowerDriver] = []
    links: list[CountedLink] = []
    by_bus: dict[str, list[str]] = {}
    for device in plan.devices.values():
        by_bus.setdefault(device.bus, []).append(device.name)
    for bus_name, names in by_bus.items():
        if bus_name not in bench_file.buses:
            known = ", ".join(bench_file.buses) or "none"
            raise PlanError(
                f"{bench_file.source.path}: buses: devices {', '.join(names)} sit on bus {bus_name!r}, which this "
                f"bench does not have; it has {known}"
            )
        bus = bench_file.buses[bus_name]
        build, target = link_driver(bus.link)
        link = build(bus, target, surroundings)
        if not getattr(link, "tells_of_waiting", False):
            link = patient(link, surroundings.clock, longest_s=_LONGEST_EXCHANGE_S)
        opened.callback(link.close)
        counted = CountedLink(link, name=bus_name, budget_ratio=bus.error_budget_ratio)
        links.append(counted)
        devices = [plan.devices[name] for name in names]
        profiles = {device.profile: load_profile(device.profile, plan.directory) for device in devices}
        drivers.append(
            PmbusPower(
                plan=plan,
                bus=bus,
                devices=devices,
                link=counted,
                profiles=profiles,
                guard=guard,
                clock=surroundings.clock,
            )
        )
    drivers += _supplies(replace(surroundings, plan=plan), guard, opened)
    return drivers, links


def _supplies(surroundings: Surroundings, guard: Guard, opened: ExitStack) -> list[PowerDriver]:
    """Open the supplies that make rails, one driver each."""
    bench_file = surroundings.bench_file
    by_supply: dict[str, list[str]] = {}
    for rail in surroundings.plan.rails:
        if rail.output is not None:
            by_supply.setdefault(rail.output.supply, []).append(rail.name)
    drivers: list[PowerDriver] = []
    for name, rails in by_supply.items():
        if name not in bench_file.instruments:
            known = ", ".join(bench_file.instruments) or "none beside the meter"
            raise PlanError(
                f"{bench_file.source.path}: instruments: the plan has {', '.join(rails)} made by supply {name!r}, "
                f"which this bench does not have; it has {known}"
            )
        instrument = bench_file.instruments[name]
        driver = supply_driver(instrument.driver)(instrument, guard, surroundings)
        opened.callback(driver.close)
        drivers.append(driver)
    return drivers


def _meter(surroundings: Surroundings, opened: ExitStack) -> Voltmeter | None:
    instrument = surroundings.bench_file.meter
    if instrument is None:
        return None
    meter = meter_driver(instrument.driver)(instrument, surroundings)
    opened.callback(meter.close)
    return meter


def _console(surroundings: Surroundings, opened: ExitStack) -> TextLink | None:
    """Open the board's console, only where the plan listens to it."""
    bench_file, power_up = surroundings.bench_file, surroundings.plan.power_up
    if bench_file.console is None or power_up is None or power_up.ready is None or power_up.ready.console is None:
        return None
    link: TextLink | None
    if bench_file.console == SIMULATED:
        link = surroundings.simulation.console()
        if link is None:
            raise PlanError(f"{bench_file.source.path}: console: the simulation file gives its board no console")
    else:
        from cornerrun.bench.scpi.visa import PyvisaLink

        link = patient(PyvisaLink(bench_file.console, settings={}), surroundings.clock, longest_s=_LONGEST_EXCHANGE_S)
    opened.callback(link.close)
    return link


def _conditions(surroundings: Surroundings, opened: ExitStack) -> Mapping[str, Condition]:
    conditions: dict[str, Condition] = {}
    for condition in surroundings.plan.conditions:
        driver = surroundings.bench_file.conditions.get(condition.name)
        if driver is None:
            raise PlanError(
                f"{surroundings.bench_file.source.path}: conditions: the plan sets {condition.name!r}, and this bench "
                "has nothing that does; add it there, or take it from the plan"
            )
        made = condition_driver(driver.driver)(driver, surroundings)
        if isinstance(made, Closes):
            opened.callback(made.close)
        soak = soak_of(driver, surroundings.plan, surroundings.bench_file)
        if soak is not None and driver.driver != _SOAKS_ITSELF:
            sense = made.read if soak.sensor == "instrument" else partial(surroundings.sense, soak.sensor)
            made = soaked(made, name=condition.name, until=soak, sense=sense, clock=surroundings.clock)
        conditions[condition.name] = made
    return conditions


def _temperature_degc(power: CombinedPower, rail: str) -> float | None:
    (reading,) = power.read([rail], with_load=True)
    return reading.temperature_degc


def _traffic(links: "list[CountedLink]") -> Mapping[str, int]:
    total: Counter[str] = Counter()
    for link in links:
        total.update(link.counts)
    return dict(total)


def _notes(links: "list[CountedLink]", drivers: Iterable[object]) -> tuple[Note, ...]:
    told = [note for link in links for note in link.remarks.take()]
    told += [note for driver in drivers if isinstance(driver, TakesNotes) for note in driver.take_notes()]
    return tuple(told)
