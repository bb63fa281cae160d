"""Rails that are named where a plan says how a board is turned on, what is left alone, and what a fault must do."""

from cornerrun.plan.cross import Board
from cornerrun.plan.fault_response_file import FaultResponseFile
from cornerrun.plan.nodes import Loc

__all__ = ["check_fault_responses", "check_kept", "check_power_up"]


def check_kept(board: Board) -> None:
    """Find names under ``limits_kept`` that are no rail, no group and not "all"."""
    for name in board.reader.keys(("limits_kept",)):
        if name != "all":
            board.members(str(name), ("limits_kept", name), at_key=True)


def check_power_up(board: Board) -> None:
    """Find rails under ``power_up.order`` that are unknown, named twice, or made by no device."""
    order = board.reader.part(("power_up", "order"), tuple[str, ...]) or ()
    for place, name in enumerate(order):
        loc = ("power_up", "order", place)
        rail = board.rail(name) if board.knows_rail(name, loc) else None
        if name in order[:place]:
            board.add(loc, f"{name!r} stands here twice", "delete one of the two")
        elif rail is not None and ((rail.power is None and rail.output is None) or rail.tracks is not None):
            board.add(
                loc, f"{name!r} is turned on by nothing in the plan", "name rails that a device or a supply makes"
            )


def check_fault_responses(board: Board) -> None:
    """Find rails under ``fault_responses`` that are unknown, follow another, or are made by nothing in the plan."""
    seen = set()
    node = board.reader.node(("fault_responses",))
    for index in range(0 if node is None else len(node.items)):
        item = board.reader.part(("fault_responses", index), FaultResponseFile)
        if item is None:
            continue
        named: list[tuple[Loc, str]] = [(("rail",), item.rail)]
        named += [(("takes_down", place), name) for place, name in enumerate(item.takes_down)]
        for keys, name in named:
            loc = ("fault_responses", index, *keys)
            rail = board.rail(name) if board.knows_rail(name, loc) else None
            if rail is not None and rail.tracks is not None:
                board.add(
                    loc, f"{name!r} follows {rail.tracks.rail} by hardware, and goes down with it", "leave it out"
                )
            elif rail is not None and rail.power is None and keys == ("rail",):
                board.add(loc, f"{name!r} is made by no device, so nothing provokes its fault", "name another rail")
        if (item.rail, item.fault) in seen:
            board.add(("fault_responses", index), f"{item.fault} of {item.rail!r} stands here twice", "delete one")
        seen.add((item.rail, item.fault))
        if item.rail in item.takes_down:
            board.add(("fault_responses", index, "takes_down"), f"{item.rail!r} is the one that faults", "leave it out")
