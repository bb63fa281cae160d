"""Conditions against rails and groups, and their own parts against each other."""

from collections.abc import Iterable, Mapping, Sequence

from cornerrun.errors import UnitError
from cornerrun.plan.condition_file import ALL_RAILS, ConditionFile
from cornerrun.plan.cross import Board, repeated
from cornerrun.plan.model import NOMINAL
from cornerrun.plan.nearest import suggestion
from cornerrun.plan.nodes import Loc
from cornerrun.units import Kind, kind_of, quantity, show

__all__ = ["check_conditions", "condition_levels", "ramp_per_s", "rest_of", "spelled_rails"]

_RATES = {Kind.TEMPERATURE: Kind.TEMPERATURE_RATE, Kind.VOLTAGE: Kind.SLEW}


def check_conditions(board: Board) -> None:
    """Add every problem of conditions: names used twice, levels and quantities that do not fit, unknown rails."""
    names = [condition.name for condition in board.conditions.values()]
    indices = list(board.conditions)
    for place, name in repeated(names):
        board.add(("conditions", indices[place], "name"), f"{name!r} is the name of another condition", "rename one")
    for index, condition in board.conditions.items():
        if condition.name in board.rail_names or condition.name in board.groups:
            came = f"{condition.name!r} is also the name of a rail or group"
            board.add(("conditions", index, "name"), came, "rename one of the two")
        kind, _ = condition_levels(condition, board, index)
        loc: Loc = ("conditions", index)
        for key in ("allow", "settle_at"):
            _check_levels(board, (*loc, key), condition, getattr(condition, key), at_key=True)
        _check_allow(board, (*loc, "allow"), condition)
        _check_settle(board, (*loc, "settle_at"), condition)
        if kind is not None:
            ramp_per_s(condition, kind, board, index)
            rest_of(condition, kind, board, index)
        _check_cold_boot(board, (*loc, "cold_boot"), condition)
        _check_dew_point(board, loc, condition, kind)


def condition_levels(condition: ConditionFile, board: Board, index: int) -> tuple[Kind | None, dict[str, float]]:
    """Read the levels of a condition in SI units; adds a problem for each that does not fit."""
    kind = kind_of(condition.unit) if condition.unit else None
    levels: dict[str, float] = {}
    for name, text in condition.levels.items():
        loc = ("conditions", index, "levels", name)
        if kind is None:
            unit = text.strip().lstrip("+-0123456789.eE").strip()
            kind = kind_of(unit)
            if kind is None:
                board.add(loc, f"{text!r} has no unit that is known", "write it like '25 degC', '12 V' or '100 MHz'")
                return None, {}
        try:
            levels[name] = quantity(text, kind)
        except UnitError as error:
            came, _, advice = str(error).rpartition("; ")
            board.add(loc, came, advice)
            continue
        same = [other for other, value in levels.items() if other != name and value == levels[name]]
        if same:
            came = f"{name!r} and {same[0]!r} are both {show(levels[name], kind)}"
            board.add(loc, came, "leave one of the two out")
    return kind, levels


def ramp_per_s(condition: ConditionFile, kind: Kind, board: Board, index: int) -> float | None:
    """Read how fast a condition may change, in units a second; adds a problem if that does not fit."""
    if condition.ramp is None:
        return None
    loc = ("conditions", index, "ramp")
    rate = _RATES.get(kind)
    if rate is None:
        came = f"{condition.name!r} is neither a temperature nor a voltage: no speed is known for it"
        board.add(loc, came, "leave 'ramp' out, and set the speed in the bench file if its driver has one")
        return None
    try:
        value = quantity(condition.ramp, rate)
    except UnitError as error:
        came, _, advice = str(error).rpartition("; ")
        board.add(loc, came, advice)
        return None
    if not value > 0:
        board.add(loc, f"{condition.ramp!r} gets nowhere", f"write it like {rate.example!r}")
        return None
    return value


def rest_of(condition: ConditionFile, kind: Kind, board: Board, index: int) -> float | None:
    """Read where a condition is left: a level by name, or a quantity; adds a problem if it is neither."""
    if condition.rest is None:
        return None
    text = condition.levels.get(condition.rest, condition.rest)
    try:
        return quantity(text, kind)
    except UnitError as error:
        came, _, advice = str(error).rpartition("; ")
        named = ", ".join(condition.levels)
        board.add(("conditions", index, "rest"), came, f"{advice}, or name a level: {named}")
        return None


def spelled_rails(
    by_name: Mapping[str, object], rails: Sequence[str], groups: Mapping[str, tuple[str, ...]]
) -> Mapping[str, str]:
    """Tell under which name each of ``rails`` is meant: its own before its group's, that before all rails."""
    found: dict[str, str] = dict.fromkeys(rails, ALL_RAILS) if ALL_RAILS in by_name else {}
    for name in by_name:
        found |= {member: name for member in groups.get(name, ()) if member in rails}
    return found | {name: name for name in by_name if name in rails}


def _check_levels(board: Board, loc: Loc, condition: ConditionFile, named: Iterable[str], *, at_key: bool) -> None:
    for place, level in enumerate(named):
        if level not in condition.levels:
            where = (*loc, level) if at_key else (*loc, place)
            board.add(
                where, f"{condition.name} has no level {level!r}", suggestion(level, condition.levels), at_key=at_key
            )


def _names(board: Board, loc: Loc, by_name: Mapping[str, object]) -> Mapping[str, tuple[str, ...]]:
    """Spell out the rails of each name; adds a problem for each that is unknown."""
    return {
        name: board.rail_names if name == ALL_RAILS else board.members(name, (*loc, name), at_key=True)
        for name in by_name
    }


def _check_allow(board: Board, loc: Loc, condition: ConditionFile) -> None:
    for at, given in condition.allow.items():
        for name, members in _names(board, (*loc, at), given.rails).items():
            where = (*loc, at) if name == ALL_RAILS else (*loc, at, name)
            held = {level for member in members for level in board.levels.get(member, ())}
            is_whole = all(member in board.levels for member in members)
            for place, level in enumerate(given.rails[name]):
                if level != NOMINAL and is_whole and members and level not in held:
                    subject = "no rail" if name == ALL_RAILS else f"{name}"
                    came = f"{subject} has {'the' if name == ALL_RAILS else 'no'} level {level!r}"
                    board.add((*where, place), came, suggestion(level, dict.fromkeys(sorted(held))))
            for member in members if name != ALL_RAILS else ():
                if member in board.levels and len(board.levels[member]) > 1 and not board.is_commanded(member):
                    board.add(where, f"{member} follows another rail by hardware", "name that rail", at_key=True)


def _check_settle(board: Board, loc: Loc, condition: ConditionFile) -> None:
    for at, given in condition.settle_at.items():
        named = _names(board, (*loc, at), given.rails)
        for name, members in named.items():
            change = given.rails[name]
            where: Loc = (*loc, at) if name == ALL_RAILS else (*loc, at, name)
            for member in members:
                rail = board.rail(member)
                if rail is None or spelled_rails(given.rails, board.rail_names, board.groups).get(member) != name:
                    continue
                hold = rail.settle.stable_for if change.stable_for is None else change.stable_for
                patience = rail.settle.timeout if change.timeout is None else change.timeout
                if patience <= hold:
                    came = f"{member} would time out after {show(patience, Kind.TIME)}, before {show(hold, Kind.TIME)} "
                    board.add(where, f"{came}of hold can pass", "write a longer timeout, or a shorter stable_for")


def _check_cold_boot(board: Board, loc: Loc, condition: ConditionFile) -> None:
    wanted = condition.cold_boot
    if not isinstance(wanted, bool):
        _check_levels(board, loc, condition, wanted, at_key=False)
        for place, level in repeated(wanted):
            board.add((*loc, place), f"{level!r} is named twice", "name it once")
    if wanted and board.reader.node(("power_up",)) is None:
        came = "the board is turned off and on here, and nothing says how"
        board.add(loc, came, "write 'power_up', as in 'power_up: {order: [RAIL, ...]}'")


def _check_dew_point(board: Board, loc: Loc, condition: ConditionFile, kind: Kind | None) -> None:
    if condition.dew_point is not None and kind is not None and kind is not Kind.TEMPERATURE:
        came = f"{condition.name!r} is no temperature"
        board.add((*loc, "dew_point"), came, "write it with the condition that is the board's temperature")
