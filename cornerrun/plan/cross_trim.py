"""The characterisation of trim accuracy against rails and their levels."""

from cornerrun.plan.cross import Board, repeated
from cornerrun.plan.nodes import Loc
from cornerrun.plan.rail_levels import lineage
from cornerrun.plan.trim_file import TrimSweepFile
from cornerrun.plan.trim_levels import is_trim_level

__all__ = ["check_trim"]


def check_trim(board: Board) -> None:
    """Add every problem of ``trim``: rails that are unknown or not free to move, levels whose names it needs."""
    sweep = board.reader.part(("trim",), TrimSweepFile)
    if sweep is None:
        return
    for index, rail in board.rails.items():
        for level in rail.levels:
            if is_trim_level(level):
                loc = ("rails", index, "levels", level)
                board.add(loc, f"{level!r} is a name that 'trim' gives its setpoints", "rename it", at_key=True)
    if sweep.rails is None and not any(board.is_commanded(name) for name in board.levels) and not board.has_nameless:
        board.add(("trim",), "no rail of this plan is moved", "give rails a margin, or leave 'trim' out")
    for index, name in repeated(sweep.rails or ()):
        board.add(("trim", "rails", index), f"{name!r} is named twice", "name it once")
    for index, name in enumerate(dict.fromkeys(sweep.rails or ())):
        for member in board.members(name, ("trim", "rails", index)):
            _check_free(board, member, ("trim", "rails", index))
    for place, declared in enumerate(sweep.declared):
        for index, name in enumerate(declared.rails or ()):
            board.members(name, ("trim", "declared", place, "rails", index))


def _check_free(board: Board, member: str, loc: Loc) -> None:
    rail = board.rail(member)
    if rail is None or member not in board.levels:
        return
    if rail.tracks is not None:
        root = lineage(member, board.rails_by_name, "tracks").root
        board.add(loc, f"{member} follows {root} by hardware", f"name {root} instead")
    elif rail.tied_to is not None:
        root = lineage(member, board.rails_by_name, "tied_to").root
        board.add(loc, f"{member} is tied to {root}", f"name {root} instead: {member} goes with it")
    elif not board.is_commanded(member):
        board.add(loc, f"{member} is never moved", "leave it out, or give it a margin")
