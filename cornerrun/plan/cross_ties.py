"""Rails that follow others, groups, relations between rails, devices."""

from typing import Literal

from cornerrun.plan.cross import Board, repeated, volts
from cornerrun.plan.rail_file import RelationFile
from cornerrun.plan.rail_levels import lineage

__all__ = [
    "check_devices",
    "check_followers",
    "check_groups",
    "check_relations",
]


def check_followers(board: Board) -> None:
    """Add every problem of ``tracks`` and ``tied_to``: unknown rails, cycles, levels or voltages that do not fit."""
    for index, rail in board.rails.items():
        if rail.tracks is not None and rail.tied_to is not None:
            came = f"tracks {rail.tracks.rail} and is tied to {rail.tied_to}"
            board.add(("rails", index, "tied_to"), came, "leave out 'tied_to': hardware moves this rail")
            continue
        if rail.tracks is not None and _is_sound(board, index, rail.name, rail.tracks.rail, "tracks"):
            _check_tracked_nominal(board, index, rail.name)
        if rail.tied_to is not None and _is_sound(board, index, rail.name, rail.tied_to, "tied_to"):
            _check_tied_levels(board, index, rail.name)


def _is_sound(board: Board, index: int, name: str, parent: str, by: Literal["tracks", "tied_to"]) -> bool:
    loc = ("rails", index, "tracks", "rail") if by == "tracks" else ("rails", index, "tied_to")
    if not board.knows_rail(parent, loc):
        return False
    line = lineage(name, board.rails_by_name, by)
    if line.trouble == "cycle" and name == line.root:
        said = "tracks" if by == "tracks" else "is tied to"
        loop = f" {said} ".join(line.chain)
        board.add(loc, f"{name} follows itself: {loop}", "let one rail of the circle stand by itself")
    return line.trouble is None


def _check_tracked_nominal(board: Board, index: int, name: str) -> None:
    line = lineage(name, board.rails_by_name, "tracks")
    rail, root = board.rail(name), board.rail(line.root)
    if rail is None or root is None:
        return
    followed_v = line.ratio * root.nominal
    if abs(followed_v - rail.nominal) > max(rail.accuracy, 1e-9) * rail.nominal:
        came = f"nominal is {volts(rail.nominal)}, but {line.ratio:g} times {line.root} is {volts(followed_v)}"
        board.add(("rails", index, "nominal"), came, "mend nominal or the ratio")


def _check_tied_levels(board: Board, index: int, name: str) -> None:
    line = lineage(name, board.rails_by_name, "tied_to")
    loc = ("rails", index, "tied_to")
    rail = board.rail(name)
    if rail is None or line.root not in board.levels:
        return
    if not board.is_commanded(line.root):
        board.add(loc, f"{line.root} is never commanded, so nothing can be tied to it", "leave 'tied_to' out")
        return
    lacking = [level for level in board.levels[line.root] if level not in board.levels.get(name, {})]
    if lacking:
        came = f"{name} has no level {', '.join(map(repr, lacking))}, which {line.root} has"
        board.add(loc, came, f"give {name} the same levels as the rail that it is tied to")


def check_groups(board: Board) -> None:
    """Add every problem of groups: unknown rails and rails named twice."""
    for name, members in board.groups.items():
        for index, member in enumerate(members):
            board.knows_rail(member, ("groups", name, index))
        for index, member in repeated(members):
            board.add(("groups", name, index), f"{member!r} is named twice in this group", "name it once")


def check_relations(board: Board) -> None:
    """Add every problem of relations: unknown rails, empty limits, and what does not hold even at nominal."""
    entry = board.reader.root.entries.get("between_rails")
    for index in range(len(entry.node.items) if entry else 0):
        relation = board.reader.part(("between_rails", index), RelationFile)
        if relation is None:
            continue
        loc = ("between_rails", index)
        is_known = board.knows_rail(relation.rail, (*loc, "rail")) & board.knows_rail(relation.minus, (*loc, "minus"))
        if relation.rail == relation.minus:
            board.add((*loc, "minus"), f"{relation.rail} less itself is always nothing", "name another rail")
        elif relation.min is None and relation.max is None:
            board.add(loc, "limits nothing", "write min, max or both")
        elif relation.min is not None and relation.max is not None and relation.min >= relation.max:
            board.add(
                (*loc, "min"), f"min {volts(relation.min)} is not below max {volts(relation.max)}", "swap the two"
            )
        elif is_known:
            _check_at_nominal(board, loc, relation)


def _check_at_nominal(board: Board, loc: tuple[str | int, ...], relation: RelationFile) -> None:
    rail, minus = board.rail(relation.rail), board.rail(relation.minus)
    if rail is None or minus is None:
        return
    difference_v = rail.nominal - minus.nominal
    for side, limit_v in (("min", relation.min), ("max", relation.max)):
        if limit_v is None:
            continue
        over_v = limit_v - difference_v if side == "min" else difference_v - limit_v
        if over_v > 1e-9:
            came = f"{relation.rail} less {relation.minus} is {volts(difference_v)} at nominal, "
            came += f"beyond {side} {volts(limit_v)}"
            board.add(
                (*loc, side), came, "mend the limit, or swap the two rails: a board must be able to stand at nominal"
            )


def check_devices(board: Board) -> None:
    """Add every problem of devices: addresses that no device may have, and addresses used twice."""
    taken: dict[tuple[str, int], str] = {}
    for name, device in board.devices.items():
        loc = ("devices", name, "address")
        if not 0x08 <= device.address <= 0x77:
            eight_bit = 0x10 <= device.address <= 0xEF
            halved = (
                f"seven bits are due: {device.address:#04x} may be the eight-bit form of {device.address >> 1:#04x}"
            )
            # SMBus 3.x reserves 0x00..0x07 and 0x78..0x7F, as I2C does (from memory).
            advice = halved if eight_bit and device.address > 0x7F else "write a seven-bit address from 0x08 to 0x77"
            board.add(loc, f"{device.address:#04x} is no address of a device", advice)
            continue
        if device.address == 0x0C:
            board.add(loc, "0x0c is the alert response address of SMBus", "write the address of the device itself")
            continue
        other = taken.setdefault((device.bus, device.address), name)
        if other != name:
            came = f"{device.address:#04x} on bus {device.bus!r} is the address of {other} already"
            board.add(loc, came, "give each device its own address or bus")
