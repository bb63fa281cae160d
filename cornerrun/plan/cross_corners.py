"""Corners against rails, groups and their levels."""

from collections.abc import Iterable, Mapping
from typing import Literal

from cornerrun.plan.corner_file import CoveringFile, SchemeFile
from cornerrun.plan.cross import Board, repeated
from cornerrun.plan.model import NOMINAL
from cornerrun.plan.nearest import suggestion
from cornerrun.plan.nodes import Loc
from cornerrun.plan.rail_levels import lineage

__all__ = ["check_corners", "commanded_root", "spelled_out"]


def check_corners(board: Board) -> None:
    """Add every problem of schemes and of forbidden combinations."""
    names: dict[str, int] = {}
    for index in _indices(board, "schemes"):
        scheme = board.reader.part(("corners", "schemes", index), SchemeFile)
        if scheme is None:
            continue
        loc = ("corners", "schemes", index)
        if scheme.name is not None and scheme.levels is not None:
            _check_corner_name(board, loc, scheme.name, names.setdefault(scheme.name, index))
            _check_named(board, loc, scheme.levels)
        for key, part in _sweeps(scheme):
            _check_sweep(board, (*loc, key), key, part)
        if scheme.covering is not None:
            check_covering(board, (*loc, "covering"), scheme.covering)
    for index in _indices(board, "forbidden"):
        levels = board.reader.part(("corners", "forbidden", index), dict[str, str])
        if levels is not None:
            _check_forbidden(board, ("corners", "forbidden", index), levels)
    for index in _indices(board, "conditions"):
        chosen = board.reader.part(("corners", "conditions", index), dict[str, str])
        if chosen is not None:
            _check_conditions(board, ("corners", "conditions", index), chosen)


def check_covering(board: Board, loc: tuple[str | int, ...], covering: CoveringFile) -> None:
    """Add every problem of the factors of a covering scheme and of the corners that it must hold."""
    taken: dict[str, str] = {}
    for index, name in enumerate(covering.together or ()):
        where = (*loc, "together", index)
        if name not in board.groups:
            board.add(where, f"no group is called {name!r}", suggestion(name, dict.fromkeys(board.groups)))
            continue
        for member in board.groups[name]:
            if member in taken:
                board.add(where, f"{member} is in {taken[member]!r} too", "put each rail into one of them")
            taken[member] = name
    known = {condition.name: None for condition in board.conditions.values()}
    for index, name in enumerate(covering.conditions or ()):
        if name not in known:
            board.add((*loc, "conditions", index), f"no condition is called {name!r}", suggestion(name, known))
    for index, name in repeated(covering.conditions or ()):
        board.add((*loc, "conditions", index), f"the condition {name!r} is named twice", "name it once")
    swept = None if covering.rails is None else set(spelled_out(dict.fromkeys(covering.rails, ""), board.groups))
    for index, row in enumerate(covering.include):
        where = (*loc, "include", index)
        for member, level in _levels_by_rail(board, where, row, is_command=True).items():
            key = next(name for name in row if member in board.groups.get(name, (name,)))
            if level not in covering.levels and level != NOMINAL:
                board.add((*where, key), f"covering has no level {level!r}", "add it to its 'levels'")
            elif swept is not None and member not in swept:
                board.add((*where, key), f"covering does not vary {member}", "add it to its 'rails'", at_key=True)


def _indices(board: Board, key: str) -> range:
    corners = board.reader.root.child("corners")
    node = corners.child(key) if corners is not None else None
    return range(len(node.items) if node is not None else 0)


def _sweeps(scheme: SchemeFile) -> Iterable[tuple[str, tuple[tuple[str, ...], tuple[str, ...] | None]]]:
    if scheme.all_rails is not None:
        yield "all_rails", (scheme.all_rails, None)
    for key, part in (
        ("single_rail", scheme.single_rail),
        ("full_factorial", scheme.full_factorial),
        ("covering", scheme.covering),
        ("screening", scheme.screening),
    ):
        if part is not None:
            yield key, (part.levels, part.rails)


def _check_sweep(
    board: Board, loc: tuple[str | int, ...], key: str, part: tuple[tuple[str, ...], tuple[str, ...] | None]
) -> None:
    levels, rails = part
    node = board.reader.node((*loc, "levels"))
    level_loc = (*loc, "levels") if node is not None else loc
    for index, level in repeated(levels):
        board.add((*level_loc, index), f"the level {level!r} is named twice", "name it once")
    if key in ("all_rails", "single_rail") and NOMINAL in levels:
        where = (*level_loc, levels.index(NOMINAL))
        board.add(where, "'nominal' is visited as control point", "leave it out here")
    swept = None if rails is None else _swept_rails(board, (*loc, "rails"), rails)
    known = {name: held for name, held in board.levels.items() if board.is_commanded(name)}
    is_whole = len(board.levels) == len(board.rail_names)
    for index, level in enumerate(levels):
        holders = known if swept is None else {name: known[name] for name in swept if name in known}
        lacking = [name for name, held in holders.items() if level not in held]
        if swept is None and len(lacking) == len(holders) and (is_whole or holders) and level != NOMINAL and is_whole:
            every = {name: None for held in known.values() for name in held}
            board.add((*level_loc, index), f"no rail that is moved has the level {level!r}", suggestion(level, every))
        elif swept is not None and lacking:
            _add_lacking(board, (*level_loc, index), level, lacking, holders)


def _add_lacking(
    board: Board, loc: Loc, level: str, lacking: list[str], holders: Mapping[str, Mapping[str, float]]
) -> None:
    every = {name: None for held in holders.values() for name in held}
    if len(lacking) == len(holders) and level not in every:
        board.add(loc, f"none of these rails has the level {level!r}", suggestion(level, every))
    else:
        verb = "has" if len(lacking) == 1 else "have"
        board.add(loc, f"{', '.join(lacking)} {verb} no level {level!r}", "add that level, or leave it out of 'rails'")


def _swept_rails(board: Board, loc: tuple[str | int, ...], rails: tuple[str, ...]) -> tuple[str, ...]:
    found: dict[str, int] = {}
    for index, name in enumerate(rails):
        for member in board.members(name, (*loc, index)):
            if member in found:
                via = "" if member == name else f" (by group {name!r})"
                board.add((*loc, index), f"{member} is named twice{via}", "name each rail once")
                continue
            found[member] = index
    for member, index in found.items():
        _is_free(board, member, (*loc, index), rails[index])
    return tuple(found)


def _is_free(board: Board, member: str, loc: Loc, named: str) -> bool:
    """Whether a rail can be set by itself; adds the problem if not. A broken rail is taken to be free."""
    rail = board.rail(member)
    if rail is None or member not in board.levels:
        return True
    via = "" if member == named else f" (in group {named!r})"
    if rail.tracks is not None:
        line = lineage(member, board.rails_by_name, "tracks")
        board.add(loc, f"{member}{via} follows {line.root} by hardware", f"set {line.root} instead")
    elif not board.is_commanded(member):
        board.add(loc, f"{member}{via} is never moved", "leave it out, or give it a margin")
    elif rail.tied_to is not None:
        line = lineage(member, board.rails_by_name, "tied_to")
        board.add(loc, f"{member}{via} is tied to {line.root}", f"name {line.root} alone: {member} goes with it")
    else:
        return True
    return False


def _check_corner_name(board: Board, loc: tuple[str | int, ...], name: str, first: int) -> None:
    if first != loc[-1]:
        line = board.reader.where(("corners", "schemes", first, "name")).line
        board.add((*loc, "name"), f"{name!r} is the name of another corner, in line {line}", "rename one of the two")
    if name == NOMINAL:
        board.add((*loc, "name"), "'nominal' is the control point", "give this corner another name")


def _check_named(board: Board, loc: tuple[str | int, ...], levels: Mapping[str, str]) -> None:
    set_to = _levels_by_rail(board, (*loc, "levels"), levels, is_command=True)
    for member, level in set_to.items():
        rail = board.rail(member)
        if rail is None or rail.tied_to is None:
            continue
        root = lineage(member, board.rails_by_name, "tied_to").root
        if set_to.get(root, NOMINAL) != level and root in board.levels:
            key = (
                member if member in levels else next(group for group in levels if member in board.groups.get(group, ()))
            )
            came = f"{member} is tied to {root}, which is at {set_to.get(root, NOMINAL)!r} here"
            board.add((*loc, "levels", key), came, f"set {root} alone: {member} goes with it")
    if set_to and all(level == NOMINAL for level in set_to.values()):
        board.add((*loc, "levels"), "sets every rail to nominal", "set some rail to another level")


def _levels_by_rail(
    board: Board, loc: tuple[str | int, ...], levels: Mapping[str, str], *, is_command: bool
) -> dict[str, str]:
    """Spell groups out as rails; adds a problem for each name, level and rail that does not fit."""
    set_to: dict[str, str] = {}
    by_key: dict[str, str] = {}
    for key, level in levels.items():
        own = (*loc, key)
        if any(condition.name == key for condition in board.conditions.values()):
            board.add(own, f"{key!r} is a condition, and rails are due here", "name rails or groups", at_key=True)
            continue
        for member in board.members(key, own, at_key=True):
            if member in set_to:
                other = f" by {by_key[member]!r} and {key!r}" if by_key[member] != key else ""
                board.add(own, f"{member} is set twice{other}", "set each rail once", at_key=True)
                continue
            set_to[member], by_key[member] = level, key
            rail = board.rail(member)
            if is_command and rail is not None and rail.tracks is not None:
                root = lineage(member, board.rails_by_name, "tracks").root
                board.add(own, f"{member} follows {root} by hardware", f"set {root} instead", at_key=True)
                continue
            board.has_level(member, level, own)
    return set_to


def _check_conditions(board: Board, loc: Loc, levels: Mapping[str, str]) -> None:
    """Add every problem of levels of conditions, each by the condition's name."""
    names = board.reader.keys(("conditions",))
    known = {condition.name: condition.levels for condition in board.conditions.values()}
    for name, level in levels.items():
        if name not in names:
            board.add((*loc, name), f"no condition is called {name!r}", suggestion(name, names), at_key=True)
        elif name in known and level not in known[name]:
            board.add((*loc, name), f"{name} has no level {level!r}", suggestion(level, known[name]))


def _check_forbidden(board: Board, loc: tuple[str | int, ...], levels: Mapping[str, str]) -> None:
    conditions = board.reader.keys(("conditions",))
    _check_conditions(board, loc, {name: level for name, level in levels.items() if name in conditions})
    levels = {name: level for name, level in levels.items() if name not in conditions}
    set_to = _levels_by_rail(board, loc, levels, is_command=False)
    if set_to and all(level == NOMINAL for level in set_to.values()):
        board.add(loc, "forbids the nominal corner itself", "name at least one level other than 'nominal'")
    roots: dict[str, str] = {}
    for member, level in set_to.items():
        root = commanded_root(board, member)
        if roots.setdefault(root, level) != level:
            board.add(loc, f"can never happen: {member} goes with {root}", "mend it, or leave it out")


def commanded_root(board: Board, name: str) -> str:
    """The rail whose command decides the level of a rail: itself, or the one that it tracks or is tied to."""
    chains: tuple[Literal["tracks", "tied_to"], ...] = ("tracks", "tied_to")
    for by in chains:
        line = lineage(name, board.rails_by_name, by)
        if line.trouble is None:
            name = line.root
    return name


def spelled_out(levels: Mapping[str, str], groups: Mapping[str, tuple[str, ...]]) -> dict[str, str]:
    """Write levels of groups as levels of their members."""
    return {member: level for name, level in levels.items() for member in groups.get(name, (name,))}
