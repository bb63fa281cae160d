"""Check what the sections `board`, `population` and of the instruments say of rails, checks and each other."""

from collections.abc import Iterable, Iterator, Mapping

from cornerrun.bench.simulated.board_life import INPUT_VOLTAGE
from cornerrun.bench.simulated.board_settings import JUNCTION, BoardSettings, Edge
from cornerrun.bench.simulated.model import SimulationFile
from cornerrun.bench.simulated.troubles import Loc, Trouble, unknown

__all__ = ["board_troubles"]


def board_troubles(model: SimulationFile) -> Iterator[Trouble]:
    """Find names that lead nowhere, and features that need another section."""
    rails = tuple(rail.name for rail in model.rails)
    yield from _instruments(model, rails)
    yield from _checks(model.board, rails)
    yield from _life(model.board, rails)
    yield from _population(model, rails)
    yield from _kinds(model)


def _instruments(model: SimulationFile, rails: tuple[str, ...]) -> Iterator[Trouble]:
    if model.electronic_load is not None:
        yield from _names((("electronic_load", "rail"), (model.electronic_load.rail,)), "rail", rails)


def _checks(board: BoardSettings, rails: tuple[str, ...]) -> Iterator[Trouble]:
    for name, check in board.checks.items():
        loc: Loc = ("board", "checks", name)
        for index, threshold in enumerate(check.thresholds):
            yield from _edge((*loc, "thresholds", index), threshold, rails)
        conditions = {
            "thresholds": [edge.condition for edge in check.thresholds],
            "temperatures": [edge.condition for edge in check.temperatures],
        }
        for kind, named in conditions.items():
            for index, condition in enumerate(named):
                if condition == JUNCTION and board.heating is None:
                    yield Trouble(
                        loc=(*loc, kind, index, "condition"),
                        came="the board's silicon has no temperature of its own",
                        advice="add 'heating' to 'board', or use 'ambient'",
                    )
        if check.heat and board.heating is None:
            came = "nothing says how the board warms up"
            yield Trouble(loc=(*loc, "heat"), came=came, advice="add 'heating' to 'board'")


def _life(board: BoardSettings, rails: tuple[str, ...]) -> Iterator[Trouble]:
    known = (*rails, INPUT_VOLTAGE)
    if board.boot is not None:
        for rail in board.boot.needs:
            yield from _names((("board", "boot", "needs", rail), (rail,)), "rail", known)
    for index, hang in enumerate(board.hangs):
        if hang.edge is not None:
            yield from _edge(("board", "hangs", index, "edge"), hang.edge, known)
    for index, edge in enumerate(() if board.console is None else board.console.lost):
        yield from _edge(("board", "console", "lost", index), edge, known)
    for index, stress in enumerate(board.overstress):
        loc: Loc = ("board", "overstress", index)
        yield from _names(((*loc, "rail"), (stress.rail,)), "rail", known)
        yield from _names(((*loc, "checks"), stress.checks), "check", board.checks)


def _population(model: SimulationFile, rails: tuple[str, ...]) -> Iterator[Trouble]:
    population = model.population
    if population is None:
        return
    checks = model.board.checks
    yield from _keys(("population", "rails"), population.rails, "rail", rails)
    yield from _keys(("population", "thresholds"), population.thresholds, "check", checks)
    for kind, weakness in population.weak.items():
        loc: Loc = ("population", "weak", kind)
        yield from _keys((*loc, "rails"), weakness.rails, "rail", rails)
        yield from _keys((*loc, "thresholds"), weakness.thresholds, "check", checks)
        yield from _keys((*loc, "intermittent"), weakness.intermittent, "check", checks)
        if not weakness.share and not weakness.serials:
            yield Trouble(loc=loc, came="no unit is of this kind", advice="give 'share' or 'serials'")


def _kinds(model: SimulationFile) -> Iterator[Trouble]:
    known = () if model.population is None else tuple(model.population.weak)
    for name, planted in model.faults:
        for index, item in enumerate(planted if isinstance(planted, tuple) else ()):
            kind = getattr(item, "only_on", None)
            if kind is not None and kind not in known:
                yield unknown(("faults", name, index, "only_on"), "kind of weak unit", kind, known)


def _edge(loc: Loc, edge: Edge, rails: Iterable[str]) -> Iterator[Trouble]:
    yield from _names(((*loc, "rail"), (edge.rail,)), "rail", rails)
    yield from _keys((*loc, "minus"), edge.minus, "rail", rails)


def _keys(loc: Loc, named: Mapping[str, object], what: str, known: Iterable[str]) -> Iterator[Trouble]:
    for name in named:
        yield from _names(((*loc, name), (name,)), what, known)


def _names(place: tuple[Loc, Iterable[str]], what: str, known: Iterable[str]) -> Iterator[Trouble]:
    loc, names = place
    known = tuple(known)
    for name in names:
        if name not in known:
            yield unknown(loc, what, name, known)
