"""Settling against the time between conversions, and bands against steps and accuracy."""

from collections.abc import Iterator
from operator import itemgetter

from cornerrun.corners.blocks import condition_blocks
from cornerrun.corners.names import conditions_suffix
from cornerrun.plan.model import Rail, Settle
from cornerrun.preflight.arrival import Arrival, arrival, longest_moves
from cornerrun.preflight.facts import Facts
from cornerrun.preflight.finding import Finding, Subject
from cornerrun.units import Kind, show

__all__ = ["bands", "settling"]

_LEAST_READINGS = 3  # what the settling detector asks for: two agree by chance


def settling(facts: Facts) -> Iterator[Finding]:
    """Whether a rail has time to get there, hold and be seen by its own ADC before the timeout."""
    moves = longest_moves(facts)
    for rail in facts.plan.rails:
        for settle, where in _settles(facts, rail) if rail.is_moved else ():
            yield from _settling(facts, rail, settle, where, moves.get(rail.name))


def _settles(facts: Facts, rail: Rail) -> Iterator[tuple[Settle, str]]:
    """Go through the ways in which a rail has to settle, each with where that is: what holds everywhere comes first."""
    yield rail.settle, ""
    seen = {rail.settle}
    for block in condition_blocks(facts.plan) if rail.settle_at else ():
        settle = rail.settle_in({item.condition: item.level for item in block})
        if settle not in seen:
            seen.add(settle)
            yield settle, conditions_suffix(block)


def _settling(
    facts: Facts, rail: Rail, settle: Settle, where: str, move: tuple[float, float] | None
) -> Iterator[Finding]:
    scan_s = facts.scan_s(rail)
    there = Arrival.nothing() if move is None else arrival(facts.by_rail[rail.name], *move)
    held_s = max(settle.stable_for_s, (_LEAST_READINGS - 1) * (scan_s or 0.0))
    least_s = max(there.time_s, scan_s or 0.0) + held_s
    if scan_s is not None:
        parts = f"one conversion every {_time(scan_s)} and a hold of {_time(settle.stable_for_s)}"
    elif there.parts:
        parts = f"a hold of {_time(settle.stable_for_s)}"
    else:
        return  # nobody says how fast it is, and nobody could see it
    if there.time_s and move is not None:
        start_v, end_v = move
        parts = f"{_volts(start_v)} to {_volts(end_v)} takes {_time(there.time_s)} into the band ({there.parts}); "
        parts += f"with {_conversions(scan_s)} and a hold of {_time(settle.stable_for_s)} it"
    need = "needs" if there.time_s or scan_s is None else "need"
    if least_s >= settle.timeout_s:
        numbers = f"{parts} {need} {_time(least_s)} at least, and the timeout is {_time(settle.timeout_s)}: it can "
        numbers += f"never settle{where}"
        yield _subject(facts, rail, "timeout").error(numbers, f"write a timeout well above {_time(least_s)}")
    elif 2 * least_s > settle.timeout_s:
        numbers = f"{parts} {need} {_time(least_s)} of the timeout of {_time(settle.timeout_s)}{where}"
        yield _subject(facts, rail, "timeout").warning(numbers, "leave the rail more time to move")
    if scan_s is not None and settle.stable_for_s < (_LEAST_READINGS - 1) * scan_s:
        numbers = f"{_LEAST_READINGS} conversions every {_time(scan_s)} span {_time(held_s)}, longer than the hold "
        numbers += f"of {_time(settle.stable_for_s)}{where}"
        yield _subject(facts, rail, "stable_for").note(numbers, "settling will take the longer of the two")


def _conversions(scan_s: float | None) -> str:
    return "no conversion to wait for" if scan_s is None else f"one conversion every {_time(scan_s)}"


def bands(facts: Facts) -> Iterator[Finding]:
    """Whether a rail that keeps its accuracy can lie inside the settling band and the voltage window."""
    criteria = facts.plan.criteria
    narrowest = [at for levels in criteria.voltage_window_at.values() for at in levels.values()]
    window = min((criteria.voltage_window_ratio, *narrowest))
    for found in facts.levels:
        rail = found.rail
        if not rail.is_moved:
            continue
        rounding = max((abs(row.error_v or 0.0) / row.target_v for row in found.rows), default=0.0)
        band, where = min(((settle.band_ratio, where) for settle, where in _settles(facts, rail)), key=itemgetter(0))
        if band <= rounding:
            numbers = (
                f"rounding of its codes takes {_share(rounding)} of target, the band is only {_share(band)}{where}"
            )
            yield _subject(facts, rail, "band").error(numbers, "widen the band: the rail can never settle")
        elif band < rail.accuracy_ratio:
            numbers = f"its accuracy of {_share(rail.accuracy_ratio)} is wider than the band of {_share(band)}{where}"
            yield _subject(facts, rail, "band").note(numbers, "a rail at the edge of its accuracy may not settle")
        if window < rail.accuracy_ratio:
            numbers = f"its accuracy of {_share(rail.accuracy_ratio)} is wider than the voltage window of "
            numbers += _share(window)
            yield _subject(facts, rail, "accuracy").warning(numbers, "a rail that keeps its accuracy may fail")


def _time(duration_s: float) -> str:
    return show(duration_s, Kind.TIME)


def _volts(value_v: float) -> str:
    return show(value_v, Kind.VOLTAGE)


def _share(ratio: float) -> str:
    return show(ratio, Kind.RATIO, digits=3)


def _subject(facts: Facts, rail: Rail, key: str) -> Subject:
    if key == "accuracy":
        position = facts.position("rails", rail.name, key)
        return Subject(rule="voltage window", rail=rail.name, position=position)
    return Subject(rule="settling", rail=rail.name, position=facts.position("rails", rail.name, "settle", key))
