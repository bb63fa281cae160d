"""Driver name -> what builds the driver. Built-in drivers are imported when asked for; others come by entry point.

A package adds drivers through the entry point group ``cornerrun.drivers``: each entry names a callable that takes the
same arguments as the built-in ones below and is called ``link:NAME``, ``meter:NAME``, ``supply:NAME`` or
``condition:NAME``.
"""

import difflib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from importlib import import_module
from importlib.metadata import entry_points
from typing import Any, Protocol

from cornerrun.bench.by_hand.person import Person
from cornerrun.bench.combined import PowerDriver
from cornerrun.bench.guard import Guard
from cornerrun.bench.pmbus.link import Link
from cornerrun.bench.ports import Condition, Voltmeter
from cornerrun.clock import Clock
from cornerrun.errors import PlanError
from cornerrun.plan.bench_file import BenchFile, Bus, ConditionDriver, Instrument
from cornerrun.plan.model import Plan

__all__ = [
    "BuildCondition",
    "BuildLink",
    "BuildMeter",
    "BuildSupply",
    "ClosingPower",
    "Surroundings",
    "condition_driver",
    "link_driver",
    "meter_driver",
    "supply_driver",
]

_GROUP = "cornerrun.drivers"


@dataclass(frozen=True, kw_only=True)
class Surroundings:
    """What a driver may need besides its own lines of the bench file.

    ``simulation`` is a `cornerrun.bench.simulated.bench.SimulatedBench`, None on hardware; it is typed Any so that
    hardware benches do not import the physics. ``sense`` reads the temperature that a rail's own device tells, in
    degrees Celsius, None where it tells none. ``person`` is asked where something is done by hand; None where nobody
    shall be.
    """

    plan: Plan
    bench_file: BenchFile
    clock: Clock
    simulation: Any
    sense: Callable[[str], float | None] = lambda _: None
    person: Person | None = None


class BuildLink(Protocol):
    """Opens a bus: ``target`` is what follows the driver's name and a colon in the bench file."""

    def __call__(self, bus: Bus, target: str, surroundings: Surroundings, /) -> Link:
        """Open the bus; LinkError if it cannot be reached."""
        ...


class BuildMeter(Protocol):
    """Builds the reference meter."""

    def __call__(self, instrument: Instrument, surroundings: Surroundings, /) -> Voltmeter:
        """Open the meter; InstrumentError if it cannot be reached."""
        ...


class ClosingPower(PowerDriver, Protocol):
    """A driver of rails that holds an instrument of its own."""

    def close(self) -> None:
        """Give the instrument back."""
        ...


class BuildSupply(Protocol):
    """Builds what moves the rails that a supply makes."""

    def __call__(self, instrument: Instrument, guard: Guard, surroundings: Surroundings, /) -> ClosingPower:
        """Open the supply; InstrumentError if it cannot be reached. ``guard`` is asked before anything is sent."""
        ...


class BuildCondition(Protocol):
    """Builds what sets a condition."""

    def __call__(self, driver: ConditionDriver, surroundings: Surroundings, /) -> Condition:
        """Open what sets the condition."""
        ...


_BUILT_IN: Mapping[str, str] = {
    "link:simulated": "cornerrun.bench.opening:open_simulated_link",
    "link:tcp": "cornerrun.bench.opening:open_tcp_link",
    "link:i2c": "cornerrun.bench.opening:open_i2c_link",
    "meter:scpi-meter": "cornerrun.bench.opening:open_scpi_meter",
    "supply:scpi-supply": "cornerrun.bench.opening:open_scpi_supply",
    "meter:hand-probe": "cornerrun.bench.by_hand.opening:open_hand_probe",
    "meter:hand-meter": "cornerrun.bench.by_hand.opening:open_hand_meter",
    "condition:by-hand": "cornerrun.bench.by_hand.opening:open_hand_setting",
    "condition:scpi": "cornerrun.bench.opening:open_scpi_condition",
    "condition:simulated": "cornerrun.bench.opening:open_simulated_condition",
}


def link_driver(link: str) -> tuple[BuildLink, str]:
    """Find what opens a link such as "tcp:127.0.0.1:5030", and what it shall open ("127.0.0.1:5030")."""
    name, _, target = link.partition(":")
    build: BuildLink = _find("link", name)
    return build, target


def meter_driver(name: str) -> BuildMeter:
    """Find a meter driver by name."""
    build: BuildMeter = _find("meter", name)
    return build


def supply_driver(name: str) -> BuildSupply:
    """Find a driver of rails that a supply makes, by name."""
    build: BuildSupply = _find("supply", name)
    return build


def condition_driver(name: str) -> BuildCondition:
    """Find a condition driver by name."""
    build: BuildCondition = _find("condition", name)
    return build


def _find(duty: str, name: str) -> Any:
    key = f"{duty}:{name}"
    if key in _BUILT_IN:
        module, _, attribute = _BUILT_IN[key].partition(":")
        return getattr(import_module(module), attribute)
    plugged = {entry.name: entry for entry in entry_points(group=_GROUP)}
    if key in plugged:
        try:
            return plugged[key].load()
        except Exception as error:
            raise PlanError(f"{duty} driver {name!r} from {plugged[key].value!r} cannot be loaded: {error}") from error
    known = sorted(known.partition(":")[2] for known in [*_BUILT_IN, *plugged] if known.startswith(f"{duty}:"))
    near = difflib.get_close_matches(name, known, n=1)
    hint = f"did you mean {near[0]!r}?" if near else f"known are {', '.join(known)}"
    raise PlanError(f"no {duty} driver is called {name!r}; {hint}")
