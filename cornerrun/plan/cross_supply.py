"""What feeds a rail, against the rails and conditions that there are."""

from cornerrun.errors import UnitError
from cornerrun.plan.cross import Board
from cornerrun.plan.nearest import suggestion
from cornerrun.units import Kind, kind_of, quantity

__all__ = ["check_supplies"]


def check_supplies(board: Board) -> None:
    """Add every problem of ``upstream``: unknown rails or conditions, circles, conditions that are no voltage."""
    for index, rail in board.rails.items():
        if rail.upstream is None:
            continue
        if rail.upstream.rail is not None:
            loc = ("rails", index, "upstream", "rail")
            if board.knows_rail(rail.upstream.rail, loc):
                circle = _circle(board, rail.name)
                if circle:
                    board.add(loc, f"{rail.name} feeds itself: {' from '.join(circle)}", "mend what feeds what")
        elif rail.upstream.condition is not None:
            _check_condition(board, index, rail.upstream.condition)


def _circle(board: Board, name: str) -> tuple[str, ...]:
    """The chain of feeding rails that comes back to ``name``; empty if it does not."""
    chain = [name]
    while True:
        rail = board.rail(chain[-1])
        feeder = rail.upstream.rail if rail is not None and rail.upstream is not None else None
        if feeder is None or feeder in chain[1:]:
            return ()
        chain.append(feeder)
        if feeder == name:
            return tuple(chain)


def _check_condition(board: Board, index: int, name: str) -> None:
    loc = ("rails", index, "upstream", "condition")
    known = board.reader.keys(("conditions",))
    if name not in known:
        board.add(loc, f"no condition is called {name!r}", suggestion(name, known))
        return
    file = next((file for file in board.conditions.values() if file.name == name), None)
    if file is None:
        return
    is_voltage = file.unit is None or kind_of(file.unit) is Kind.VOLTAGE
    try:
        is_voltage = is_voltage and all(quantity(text, Kind.VOLTAGE) > 0 for text in file.levels.values())
    except UnitError:
        is_voltage = False
    if not is_voltage:
        board.add(loc, f"condition {name!r} is no voltage", "name the condition that sets the input voltage")
