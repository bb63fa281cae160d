"""Checks against conditions and each other."""

from cornerrun.plan.check_file import CheckFile
from cornerrun.plan.cross import Board, repeated
from cornerrun.plan.nearest import suggestion
from cornerrun.units import Kind, show

__all__ = ["check_checks"]


def check_checks(board: Board) -> None:
    """Add every problem of checks: names used twice, conditions and their levels that nobody defines."""
    entry = board.reader.root.entries.get("checks")
    conditions = {condition.name: condition for condition in board.conditions.values()}
    names = board.reader.keys(("conditions",))
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
            if name not in names:
                board.add(loc, f"no condition is called {name!r}", suggestion(name, names), at_key=True)
            elif name in conditions:
                for place, level in enumerate(levels):
                    if level not in conditions[name].levels:
                        came = f"{name} has no level {level!r}"
                        board.add((*loc, place), came, suggestion(level, conditions[name].levels))
