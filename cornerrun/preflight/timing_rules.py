"""Settling against the time between conversions, and bands against steps and accuracy."""

from collections.abc import Iterator

from cornerrun.plan.model import Rail
from cornerrun.preflight.facts import Facts
from cornerrun.preflight.finding import Finding, Subject
from cornerrun.units import Kind, show

__all__ = ["bands", "settling"]

_LEAST_READINGS = 3  # what the settling detector asks for: two agree by chance


def settling(facts: Facts) -> Iterator[Finding]:
    """Whether the conversions of a rail's own ADC leave time to settle, hold and be seen before the timeout."""
    for rail in facts.plan.rails:
        scan_s = facts.scan_s(rail)
        if scan_s is None or not rail.is_moved:
            continue
        settle = rail.settle
        held_s = max(settle.stable_for_s, (_LEAST_READINGS - 1) * scan_s)
        least_s = scan_s + held_s
        if least_s >= settle.timeout_s:
            numbers = f"one conversion every {_time(scan_s)} and a hold of {_time(settle.stable_for_s)} need "
            numbers += f"{_time(least_s)} at least, and the timeout is {_time(settle.timeout_s)}: it can never settle"
            yield _subject(facts, rail, "timeout").error(numbers, f"write a timeout well above {_time(least_s)}")
        elif 2 * least_s > settle.timeout_s:
            numbers = f"of the timeout of {_time(settle.timeout_s)}, {_time(least_s)} go into conversions and hold"
            yield _subject(facts, rail, "timeout").warning(numbers, "leave the rail more time to move")
        if settle.stable_for_s < (_LEAST_READINGS - 1) * scan_s:
            numbers = f"{_LEAST_READINGS} conversions every {_time(scan_s)} span {_time(held_s)}, longer than the hold "
            numbers += f"of {_time(settle.stable_for_s)}"
            yield _subject(facts, rail, "stable_for").note(numbers, "settling will take the longer of the two")


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


def _share(ratio: float) -> str:
    return show(ratio, Kind.RATIO, digits=3)


def _subject(facts: Facts, rail: Rail, key: str) -> Subject:
    if key == "accuracy":
        position = facts.position("rails", rail.name, key)
        return Subject(rule="voltage window", rail=rail.name, position=position)
    return Subject(rule="settling", rail=rail.name, position=facts.position("rails", rail.name, "settle", key))
