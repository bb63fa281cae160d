"""Checks against conditions and each other."""

from collections.abc import Iterable, Mapping

from cornerrun.plan.check_file import CheckFile, CriteriaFile
from cornerrun.plan.cross import Board, repeated
from cornerrun.plan.nearest import suggestion
from cornerrun.plan.nodes import Loc
from cornerrun.units import Kind, show

__all__ = ["check_checks", "check_levels_of"]


def check_checks(board: Board) -> None:
    """Add every problem of checks: names used twice, conditions and their levels that nobody defines."""
    entry = board.reader.root.entries.get("checks")
    conditions = {condition.name: condition for condition in board.conditions.values()}
    parts: dict[int, CheckFile] = {}
    for index in range(len(entry.node.items) if entry else 0):
        part = board.reader.part(("checks", index), CheckFile)
        if part is not None:
            parts[index] = part
    indices = list(parts)
    for place, name in repeated(part.name for part in parts.values()):
        board.add(("checks", indices[place], "name"), f"{name!r} is the name of another check", "rename one of the two")
    for index, part in parts.items():
        if part.takes >= part.timeout:
            came = f"a trial takes {show(part.takes, Kind.TIME)}, and times out after {show(part.timeout, Kind.TIME)}"
            board.add(("checks", index, "timeout"), came, "write a timeout well above 'takes'")
        for name, levels in (part.at.conditions or {}).items():
            loc = ("checks", index, "at", "conditions", name)
            if _knows_condition(board, name, loc) and name in conditions:
                for place, level in enumerate(levels):
                    if level not in conditions[name].levels:
                        came = f"{name} has no level {level!r}"
                        board.add((*loc, place), came, suggestion(level, conditions[name].levels))
        check_levels_of(board, ("checks", index, "accept_at"), part.accept_at)
    criteria = board.reader.part(("criteria",), CriteriaFile)
    if criteria is not None and criteria.voltage is not None:
        check_levels_of(board, ("criteria", "voltage", "window_at"), criteria.voltage.window_at)


def check_levels_of(board: Board, loc: Loc, given: Mapping[str, Iterable[str]]) -> None:
    """Add a problem for each condition, and each of its levels, that nobody defines; both are keys of a mapping."""
    conditions = {condition.name: condition for condition in board.conditions.values()}
    for name, levels in given.items():
        if not _knows_condition(board, name, (*loc, name)) or name not in conditions:
            continue
        for level in levels:
            if level not in conditions[name].levels:
                came = f"{name} has no level {level!r}"
                board.add((*loc, name, level), came, suggestion(level, conditions[name].levels), at_key=True)


def _knows_condition(board: Board, name: str, loc: Loc) -> bool:
    names = board.reader.keys(("conditions",))
    if name not in names:
        board.add(loc, f"no condition is called {name!r}", suggestion(name, names), at_key=True)
    return name in names
