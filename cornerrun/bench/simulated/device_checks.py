"""Check what managers, rails and fault lines of a simulation file say of each other, beyond their pages."""

from collections.abc import Iterator

from cornerrun.bench.simulated.model import ManagerSettings, RailSettings, SimulationFile
from cornerrun.bench.simulated.physics_settings import INPUT
from cornerrun.bench.simulated.presets import format_of
from cornerrun.bench.simulated.registers import BY_NAME
from cornerrun.bench.simulated.troubles import Loc, Trouble, unknown
from cornerrun.errors import FormatError
from cornerrun.plan.nearest import suggestion

__all__ = ["device_troubles"]


def device_troubles(model: SimulationFile) -> Iterator[Trouble]:
    """Tell every problem that abilities of managers, physics of rails and fault lines have."""
    rails = {rail.name: rail for rail in model.rails}
    for name, manager in model.managers.items():
        yield from _abilities(manager, ("managers", name))
        if manager.supply is not None:
            yield from _feeder(manager.supply.rail, rails, ("managers", name, "supply", "rail"))
    for index, rail in enumerate(model.rails):
        yield from _physics(rail, rails, ("rails", index))
        yield from _fits(rail, model, ("rails", index))
    for name, line in model.fault_lines.items():
        for key, members in (("driven_by", line.driven_by), ("obeyed_by", line.obeyed_by)):
            for place, member in enumerate(members):
                loc: Loc = ("fault_lines", name, key, place)
                if member not in rails:
                    yield unknown(loc, "rail", member, rails)
                elif rails[member].power is None:
                    yield Trouble(loc=loc, came=f"{member} is on no page", advice="name a rail with 'power'")


def _abilities(manager: ManagerSettings, loc: Loc) -> Iterator[Trouble]:
    if (manager.format == "direct") is not (manager.direct is not None):
        yield Trouble(
            loc=(*loc, "direct" if manager.direct is not None else "format"),
            came="coefficients and the direct format belong together",
            advice="give both 'format: direct' and 'direct: {m: 1000, b: 0, r: 0}', or neither",
        )
    if manager.direct is not None and manager.direct.m == 0:
        yield Trouble(loc=(*loc, "direct", "m"), came="m = 0 holds no number", advice="write what COEFFICIENTS tells")
    if manager.format == "direct" and manager.relative:
        came = "no source says how words are read that are direct and relative"
        yield Trouble(loc=(*loc, "relative"), came=came, advice="leave one of them out")
    if not manager.responses:
        yield Trouble(loc=(*loc, "responses"), came="a device knows some response", advice="name at least one")
    for key, names in (("lacks", manager.lacks), ("always_writable", manager.always_writable)):
        for place, name in enumerate(names):
            if name.upper() not in BY_NAME:
                came = f"{name!r} is no register of a simulated manager"
                yield Trouble(loc=(*loc, key, place), came=came, advice=suggestion(name.upper(), BY_NAME))


def _physics(rail: RailSettings, rails: dict[str, RailSettings], loc: Loc) -> Iterator[Trouble]:
    for other in rail.coupling:
        if other not in rails:
            yield unknown((*loc, "coupling", other), "rail", other, rails)
        elif other == rail.name:
            came = f"{rail.name} would couple into itself"
            yield Trouble(loc=(*loc, "coupling", other), came=came, advice="name another rail")
    if rail.upstream is not None:
        yield from _feeder(rail.upstream.rail, rails, (*loc, "upstream", "rail"))
        if _is_in_ring(rail.name, rails):
            came = f"{rail.name} feeds itself in the end"
            yield Trouble(
                loc=(*loc, "upstream", "rail"), came=came, advice=f"let the first of a chain hang on {INPUT!r}"
            )
    for key in ("servo", "ringing"):
        if getattr(rail, key) is not None and (rail.tracks is not None or rail.power is None):
            came = f"nothing moves {rail.name} by itself"
            yield Trouble(loc=(*loc, key), came=came, advice="leave it to a rail with 'power' and without 'tracks'")


def _feeder(name: str, rails: dict[str, RailSettings], loc: Loc) -> Iterator[Trouble]:
    if name != INPUT and name not in rails:
        yield unknown(loc, "rail", name, (INPUT, *rails))
    elif name == INPUT and name in rails:
        came = f"{INPUT!r} means the board's supply, and a rail has that name too"
        yield Trouble(loc=loc, came=came, advice="give that rail another name")


def _is_in_ring(name: str, rails: dict[str, RailSettings]) -> bool:
    seen, left = set[str](), [name]
    while left:
        rail = rails.get(left.pop())
        if rail is None:
            continue
        feeders = ([rail.upstream.rail] if rail.upstream else []) + ([rail.tracks.rail] if rail.tracks else [])
        if name in feeders:
            return True
        left += [feeder for feeder in feeders if feeder not in seen]
        seen.update(feeders)
    return False


def _fits(rail: RailSettings, model: SimulationFile, loc: Loc) -> Iterator[Trouble]:
    """A rail's nominal must be a number of its manager's format; linear words are checked with the pages."""
    manager = None if rail.power is None else model.managers.get(rail.power.device)
    if manager is None or manager.format == "linear" or (manager.format == "direct" and not _is_direct(manager)):
        return
    try:
        format_of(manager).encode(rail.nominal * 1.2)  # VOUT_MAX as preset
    except FormatError as error:
        yield Trouble(loc=(*loc, "nominal"), came=str(error), advice="use another format, or other coefficients")


def _is_direct(manager: ManagerSettings) -> bool:
    return manager.direct is not None and manager.direct.m != 0 and not manager.relative
