"""Read a simulation file, and check what its sections say of each other."""

from collections.abc import Iterator
from pathlib import Path

from cornerrun.bench.simulated.board_checks import board_troubles
from cornerrun.bench.simulated.device_checks import device_troubles
from cornerrun.bench.simulated.fault_checks import fault_troubles
from cornerrun.bench.simulated.model import ManagerSettings, RailSettings, SimulationFile
from cornerrun.bench.simulated.registers import BY_NAME, Register, Shape
from cornerrun.bench.simulated.troubles import Loc, Trouble, unknown
from cornerrun.errors import PlanProblems
from cornerrun.plan.document import Document, load_document
from cornerrun.plan.nearest import suggestion

__all__ = ["load_simulation"]


def load_simulation(path: Path) -> Document[SimulationFile]:
    """Read a simulation file.

    Raises:
        PlanProblems: every problem of the file, with its position.

    """
    document = load_document(path, SimulationFile, role="simulation")
    problems = tuple(document.problem(item.loc, item.came, item.advice) for item in _troubles(document.model))
    if problems:
        raise PlanProblems(tuple(sorted(problems, key=lambda problem: (problem.line, problem.column))))
    return document


def _troubles(model: SimulationFile) -> Iterator[Trouble]:
    yield from _managers(model)
    yield from _rails(model)
    yield from _pages(model)
    yield from _tracking(model)
    yield from _channels(model)
    yield from _rail_supplies(model)
    yield from board_troubles(model)
    yield from device_troubles(model)
    yield from fault_troubles(model)


def _managers(model: SimulationFile) -> Iterator[Trouble]:
    taken: dict[tuple[str, int], str] = {}
    for name, manager in model.managers.items():
        loc: Loc = ("managers", name)
        first = taken.setdefault((manager.bus, manager.address), name)
        if first != name:
            came = f"address 0x{manager.address:02X} on bus {manager.bus!r} is that of {first} too"
            yield Trouble(loc=(*loc, "address"), came=came, advice="give each manager of a bus its own address")
        yield from _registers(manager, loc)


def _rails(model: SimulationFile) -> Iterator[Trouble]:
    seen = set[str]()
    for index, rail in enumerate(model.rails):
        if rail.name in seen:
            came = f"the rail {rail.name!r} stands here twice"
            yield Trouble(loc=("rails", index, "name"), came=came, advice="give each rail a name of its own")
        seen.add(rail.name)
        yield from _registers(rail, ("rails", index))


def _registers(owner: ManagerSettings | RailSettings, loc: Loc) -> Iterator[Trouble]:
    is_paged = isinstance(owner, RailSettings)
    known = {name: register for name, register in BY_NAME.items() if _can_be_preset(register, is_paged)}
    for name, value in owner.registers.items():
        place = (*loc, "registers", name)
        register = known.get(name.upper())
        if register is None:
            kind = "paged register" if is_paged else "register that all pages share"
            yield Trouble(
                loc=place,
                came=f"no {kind} that can be preset is called {name!r}",
                advice=suggestion(name.upper(), known),
            )
        elif register.shape is Shape.BYTE and value > 0xFF:
            yield Trouble(loc=place, came=f"{value:#x} is no byte", advice="write 0x00 to 0xFF")


def _can_be_preset(register: Register, is_paged: bool) -> bool:
    is_shaped = register.shape in (Shape.BYTE, Shape.WORD)
    is_kept = register.is_writable or register.name in ("VOUT_MODE", "CAPABILITY", "PMBUS_REVISION")
    return register.is_paged is is_paged and is_shaped and is_kept and register.name != "PAGE"


def _pages(model: SimulationFile) -> Iterator[Trouble]:
    taken: dict[tuple[str, int], str] = {}
    for index, rail in enumerate(model.rails):
        if rail.power is None:
            continue
        loc: Loc = ("rails", index, "power")
        manager = model.managers.get(rail.power.device)
        if manager is None:
            yield unknown((*loc, "device"), "manager", rail.power.device, model.managers)
            continue
        page = rail.power.page
        first = taken.setdefault((rail.power.device, page), rail.name)
        if first != rail.name:
            came = f"page {page} of {rail.power.device} is that of {first} too"
            yield Trouble(loc=(*loc, "page"), came=came, advice="give each rail a page of its own")
        if manager.pages is not None and page >= manager.pages:
            came = f"{rail.power.device} has pages 0 to {manager.pages - 1}, not {page}"
            yield Trouble(loc=(*loc, "page"), came=came, advice="use one of those, or raise 'pages'")
        if manager.format == "linear" and rail.nominal / 2.0**manager.exponent > 0xFFFF:
            came = f"no word of exponent {manager.exponent} holds {rail.nominal:g} V"
            yield Trouble(loc=("rails", index, "nominal"), came=came, advice=f"raise 'exponent' of {rail.power.device}")


def _tracking(model: SimulationFile) -> Iterator[Trouble]:
    leaders = {rail.name: rail.tracks.rail for rail in model.rails if rail.tracks is not None}
    names = [rail.name for rail in model.rails]
    for index, rail in enumerate(model.rails):
        if rail.tracks is None:
            continue
        loc: Loc = ("rails", index, "tracks", "rail")
        if rail.tracks.rail not in names:
            yield unknown(loc, "rail", rail.tracks.rail, names)
            continue
        leader, steps = rail.tracks.rail, 0
        while leader in leaders and leader != rail.name and steps < len(leaders):
            leader, steps = leaders[leader], steps + 1
        if leader == rail.name:
            came = f"{rail.name} follows itself in the end"
            yield Trouble(loc=loc, came=came, advice="let the first of a chain track nothing")


def _channels(model: SimulationFile) -> Iterator[Trouble]:
    names = [rail.name for rail in model.rails]
    taken: dict[int, str] = {}
    for name, channel in model.channels.items():
        if name not in names:
            yield unknown(("channels", name), "rail", name, names)
        first = taken.setdefault(channel, name)
        if first != name:
            came = f"channel {channel} is wired to {first} already"
            yield Trouble(loc=("channels", name), came=came, advice="give each rail a channel of its own")


def _rail_supplies(model: SimulationFile) -> Iterator[Trouble]:
    rails = {rail.name: rail for rail in model.rails}
    taken: dict[str, str] = {}
    for name, supply in model.rail_supplies.items():
        loc: Loc = ("rail_supplies", name)
        if name in ("meter", "supply", "electronic_load", "chamber", "clock_generator"):
            yield Trouble(loc=loc, came=f"{name!r} is another instrument's name", advice="give it a name of its own")
        rail = rails.get(supply.rail)
        if rail is None:
            yield unknown((*loc, "rail"), "rail", supply.rail, rails)
            continue
        if rail.power is not None or rail.tracks is not None:
            came = f"{rail.name} is made by {'a page' if rail.power is not None else 'another rail'} already"
            yield Trouble(loc=(*loc, "rail"), came=came, advice="take 'power' or 'tracks' from the rail")
        first = taken.setdefault(supply.rail, name)
        if first != name:
            came = f"{supply.rail} is made by {first} already"
            yield Trouble(loc=(*loc, "rail"), came=came, advice="give each rail a supply of its own")
