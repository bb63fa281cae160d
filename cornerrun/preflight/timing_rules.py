"""Settling against the time between conversions, and bands against steps and accuracy."""

from collections.abc import Iterator

from cornerrun.plan.model import Rail
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
        if not rail.is_moved:
            continue
        settle, scan_s = rail.settle, facts.scan_s(rail)
        there = arrival(facts.by_rail[rail.name], *moves[rail.name]) if rail.name in moves else Arrival.nothing()
        held_s = max(settle.stable_for_s, (_LEAST_READINGS - 1) * (scan_s or 0.0))
        least_s = max(there.time_s, scan_s or 0.0) + held_s
        if scan_s is not None:
            parts = f"one conversion every {_time(scan_s)} and a hold of {_time(settle.stable_for_s)}"
        elif there.parts:
            parts = f"a hold of {_time(settle.stable_for_s)}"
        else:
            continue  # nobody says how fast it is, and nobody could see it
        if there.time_s:
            start_v, end_v = moves[rail.name]
            parts = f"{_volts(start_v)} to {_volts(end_v)} takes {_time(there.time_s)} into the band ({there.parts}); "
            parts += f"with {_conversions(scan_s)} and a hold of {_time(settle.stable_for_s)} it"
        need = "needs" if there.time_s or scan_s is None else "need"
        if least_s >= settle.timeout_s:
            numbers = f"{parts} {need} {_time(least_s)} at least, and the timeout is {_time(settle.timeout_s)}: it can "
            numbers += "never settle"
            yield _subject(facts, rail, "timeout").error(numbers, f"write a timeout well above {_time(least_s)}")
        elif 2 * least_s > settle.timeout_s:
            numbers = f"{parts} {need} {_time(least_s)} of the timeout of {_time(settle.timeout_s)}"
            yield _subject(facts, rail, "timeout").warning(numbers, "leave the rail more time to move")
        if scan_s is not None and settle.stable_for_s < (_LEAST_READINGS - 1) * scan_s:
            numbers = f"{_LEAST_READINGS} conversions every {_time(scan_s)} span {_time(held_s)}, longer than the hold "
            numbers += f"of {_time(settle.stable_for_s)}"
            yield _subject(facts, rail, "stable_for").note(numbers, "settling will take the longer of the two")


def _conversions(scan_s: float | None) -> str:
    return "no conversion to wait for" if scan_s is None else f"one conversion every {_time(scan_s)}"


def bands(facts: Facts) -> Iterator[Finding]:
    """Whether a rail that keeps its accuracy can lie inside the settling band and the voltage window."""
    window = facts.plan.criteria.voltage_window_ratio
    for found in facts.levels:
        rail = found.rail
        if not rail.is_moved:
            continue
        rounding = max((abs(row.error_v or 0.0) / row.target_v for row in found.rows), default=0.0)
        if rail.settle.band_ratio <= rounding:
            numbers = f"rounding of its codes takes {_share(rounding)} of target, the band is only "
            numbers += _share(rail.settle.band_ratio)
            yield _subject(facts, rail, "band").error(numbers, "widen the band: the rail can never settle")
        elif rail.settle.band_ratio < rail.accuracy_ratio:
            numbers = f"its accuracy of {_share(rail.accuracy_ratio)} is wider than the band of "
            numbers += _share(rail.settle.band_ratio)
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
