"""Rails against devices, each other and their own limits."""

from collections.abc import Mapping

from cornerrun.plan.amounts import Amount
from cornerrun.plan.cross import Board, volts
from cornerrun.plan.model import HIGH, LOW, NOMINAL, HardLimits
from cornerrun.plan.nearest import suggestion
from cornerrun.plan.rail_file import RailFile, volts_of
from cornerrun.plan.trim_levels import is_trim_level
from cornerrun.units import Kind, show

__all__ = ["check_rails"]


def check_rails(board: Board, limits: Mapping[int, HardLimits]) -> None:
    """Add every problem of rails: names, margins, levels against hard limits, pages."""
    pages: dict[tuple[str, int], int] = {}
    outputs: dict[tuple[str, int], int] = {}
    for index, rail in board.rails.items():
        _check_name(board, index, rail)
        _check_margin(board, index, rail)
        _check_levels(board, index, rail)
        _check_motive(board, index, rail)
        _check_power(board, index, rail, pages)
        _check_output(board, index, rail, outputs)
        if rail.settle.timeout <= rail.settle.stable_for:
            hold = show(rail.settle.stable_for, Kind.TIME)
            came = f"times out after {show(rail.settle.timeout, Kind.TIME)}, before {hold} of hold can pass"
            board.add(("rails", index, "settle", "timeout"), came, "write a timeout well above 'stable_for'")
        if index in limits and board.rail_index[rail.name] == index:
            _check_limits(board, index, rail, limits[index])


def _check_name(board: Board, index: int, rail: RailFile) -> None:
    loc = ("rails", index, "name")
    first = board.rail_index[rail.name]
    if first != index:
        where = board.reader.where(("rails", first, "name"))
        board.add(
            loc, f"{rail.name!r} is the name of another rail, in line {where.line}", "give each rail its own name"
        )
    if rail.name in board.reader.keys(("groups",)):
        board.add(loc, f"{rail.name!r} is also the name of a group", "rename one of the two")


def _check_margin(board: Board, index: int, rail: RailFile) -> None:
    if rail.margin is None:
        return
    for side, amount, sign in ((HIGH, rail.margin.high, 1), (LOW, rail.margin.low, -1)):
        loc = ("rails", index, "margin", side)
        if amount is None:
            continue
        if amount.ratio is not None and (amount.ratio < 0 or amount.text.startswith(("+", "-"))):
            unsigned = amount.text.lstrip("+- ")
            board.add(loc, f"{amount.text!r} has a sign", f"a margin is a magnitude: write '{unsigned}'")
        elif amount.ratio == 0 or (amount.volts is not None and amount.volts == rail.nominal):
            board.add(loc, f"{amount.text!r} is no margin", "leave 'margin' out of a rail that is never moved")
        elif amount.volts is not None and (amount.volts - rail.nominal) * sign < 0:
            came = f"{side} at {amount.text} lies {'below' if sign > 0 else 'above'} nominal, {volts(rail.nominal)}"
            board.add(loc, came, f"write an absolute voltage {'above' if sign > 0 else 'below'} nominal")
        elif side == LOW and ((amount.ratio or 0.0) >= 1 or (amount.volts is not None and amount.volts <= 0)):
            board.add(loc, f"{amount.text!r} leaves no voltage", "write a low margin below 100 %")


def _check_levels(board: Board, index: int, rail: RailFile) -> None:
    for name, amount in rail.levels.items():
        loc = ("rails", index, "levels", name)
        of_margin = name in (HIGH, LOW) and getattr(rail.margin, name, None) is not None
        level_v = amount.level_v(rail.nominal)
        if name == NOMINAL:
            board.add(
                loc, "'nominal' is a level of every rail", "leave it out, or give this level another name", at_key=True
            )
        elif of_margin:
            board.add(loc, f"{name!r} is set by 'margin' too", "leave one of the two out", at_key=True)
        elif level_v <= 0:
            board.add(loc, f"{amount.text!r} leaves no voltage", "write a level above 0 V")
        elif level_v == rail.nominal:
            board.add(loc, f"{amount.text!r} is nominal itself", "leave this level out: every rail has 'nominal'")
        elif name.casefold().startswith((HIGH, LOW)) and name.casefold().startswith(HIGH) != (level_v > rail.nominal):
            side = "above" if level_v > rail.nominal else "below"
            board.add(
                loc, f"{name!r} at {amount.text} lies {side} nominal, {volts(rail.nominal)}", _mended_sign(amount)
            )


def _mended_sign(amount: Amount) -> str:
    if amount.ratio is None:
        return "write a voltage on the side that the name says"
    other = "-" if amount.ratio > 0 else "+"
    return f"levels are signed: write '{other}{amount.text.lstrip('+- ')}'"


def _check_motive(board: Board, index: int, rail: RailFile) -> None:
    """Whether what moves the rail, or holds it, is said once."""
    moves = "margin" if rail.margin is not None else "levels" if rail.levels else None
    if moves and rail.tracks is not None:
        came = f"has {moves!r}, though hardware makes it follow {rail.tracks.rail}"
        board.add(("rails", index, moves), came, "leave it out: its levels are those of the rail that it tracks")
    elif moves and rail.why_fixed is not None:
        board.add(("rails", index, moves), f"has {moves!r} and 'why_fixed'", "leave one of the two out")
    elif moves and rail.power is None and rail.output is None:
        advice = "write 'power: {device: ..., page: ...}', or leave the margin out of a rail that is never moved"
        board.add(("rails", index), f"{rail.name} is moved, but no device makes it", advice)


def _check_output(board: Board, index: int, rail: RailFile, outputs: dict[tuple[str, int], int]) -> None:
    """Whether a supply's output makes one rail, nothing else does, and it can be at every level without tripping."""
    made = rail.output
    if made is None:
        return
    for other in ("power", "tracks"):
        if getattr(rail, other) is not None:
            board.add(("rails", index, "output"), f"has 'output' and {other!r}", "leave one of the two out")
    first = outputs.setdefault((made.supply, made.number), index)
    if first != index:
        came = f"output {made.number} of {made.supply} makes {board.rails[first].name} already"
        board.add(("rails", index, "output", "number"), came, "give each rail an output of its own")
    trips_v = volts_of(made.over_voltage, rail.nominal)
    highest_v = max([rail.nominal, *board.levels.get(rail.name, {}).values()]) * (1 + rail.accuracy)
    if trips_v <= highest_v:
        came = f"{show(trips_v, Kind.VOLTAGE)} would trip at the highest level, {show(highest_v, Kind.VOLTAGE)}"
        board.add(("rails", index, "output", "over_voltage"), came, "raise it above every level and its accuracy")


def _check_power(board: Board, index: int, rail: RailFile, pages: dict[tuple[str, int], int]) -> None:
    if rail.power is None:
        return
    device, page = rail.power.device, rail.power.page
    if device not in board.device_names:
        if board.has_nameless:
            return
        came = f"no device is called {device!r}"
        board.add(("rails", index, "power", "device"), came, suggestion(device, board.device_names))
        return
    other = pages.setdefault((device, page), index)
    if other != index:
        name = board.rails[other].name
        came = f"page {page} of {device} makes {name} already"
        board.add(("rails", index, "power", "page"), came, "give each rail a page of its own")


def _check_limits(board: Board, index: int, rail: RailFile, limits: HardLimits) -> None:
    """Whether every level, off by its accuracy, stays inside the hard limits."""
    levels = board.levels.get(rail.name, {})
    edges_v = {min(levels.values(), default=0.0), max(levels.values(), default=0.0)}
    for level, target_v in levels.items():
        # Of setpoints in a row only the outermost can be the first to lie beyond.
        if target_v <= 0 or (is_trim_level(level) and target_v not in edges_v):
            continue
        loc = _level_loc(index, rail, level)
        for side, limit_v, extreme_v in (
            ("min", limits.min_v, target_v * (1.0 - rail.accuracy)),
            ("max", limits.max_v, target_v * (1.0 + rail.accuracy)),
        ):
            over_v = limit_v - extreme_v if side == "min" else extreme_v - limit_v
            if over_v <= 1e-12 * abs(limit_v):  # chosen: rounding of floats, far below any converter's step
                continue
            came = f"{level} of {rail.name} at {volts(target_v)}"
            if (limit_v - target_v if side == "min" else target_v - limit_v) > 0:
                came += " is"
            else:
                came += f", off by its accuracy of {show(rail.accuracy, Kind.RATIO)}, reaches {volts(extreme_v)},"
            room_v = limit_v / (1.0 - rail.accuracy if side == "min" else 1.0 + rail.accuracy)
            edge = f"{level} may be {'at least' if side == 'min' else 'at most'} {volts(room_v)}"
            board.add(
                loc, f"{came} beyond its hard limit {side}, {volts(limit_v)}", f"{edge}, unless the limit is wrong"
            )
            break


def _level_loc(index: int, rail: RailFile, level: str) -> tuple[str | int, ...]:
    if level == NOMINAL:
        return ("rails", index, "nominal")
    if rail.tracks is not None:
        return ("rails", index, "tracks")
    if is_trim_level(level):
        return ("trim", "span")
    if level in (HIGH, LOW) and getattr(rail.margin, level, None) is not None:
        return ("rails", index, "margin", level)
    return ("rails", index, "levels", level)
