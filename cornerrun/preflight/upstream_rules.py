"""Whether what feeds a rail leaves it the room that it needs, at every corner: culprits hide behind that."""

from collections.abc import Iterator
from dataclasses import dataclass

from cornerrun.corners.model import Corner
from cornerrun.plan.model import Rail
from cornerrun.plan.supply import Upstream
from cornerrun.preflight.facts import Facts
from cornerrun.preflight.finding import Finding, Severity
from cornerrun.preflight.places import rail_subject
from cornerrun.preflight.reach import reach
from cornerrun.units import Kind, show

__all__ = ["headroom"]


@dataclass(frozen=True, kw_only=True, slots=True)
class _Shortage:
    """How much is lacking of what one need asks, with its numbers."""

    lacks: float
    severity: Severity
    numbers: str


def headroom(facts: Facts) -> Iterator[Finding]:
    """Whether dropout, duty cycle and lockout hold at every corner.

    Linear: input (low) - output (high) >= dropout. Step-down: output (high) / input (low) < greatest duty. Any: input
    (low) > lockout. What even the setpoints lack is an error, what only the worst case lacks a warning; the worst
    corner of each need is told.
    """
    for found in facts.levels:
        rail, feed = found.rail, found.rail.supply.upstream
        if feed is None:
            continue
        worst: dict[str, tuple[_Shortage, Corner]] = {}
        for corner in facts.corners:
            for need, shortage in _shortages(facts, rail, feed, corner):
                known = worst.get(need)
                rank = (shortage.severity == "error", shortage.lacks)
                if known is None or rank > (known[0].severity == "error", known[0].lacks):
                    worst[need] = (shortage, corner)
        for need, (shortage, corner) in worst.items():
            subject = rail_subject(facts, "upstream headroom", rail, "upstream", need)
            numbers = f"{shortage.numbers}; corner {corner.name!r}"
            advice = "leave this corner out, move the two together, or raise what feeds it"
            yield subject.finding(shortage.severity, numbers, advice)


def _shortages(facts: Facts, rail: Rail, feed: Upstream, corner: Corner) -> Iterator[tuple[str, _Shortage]]:
    source = _input(facts, feed, corner)
    if source is None:
        return
    name, typical_v, low_v = source
    setpoint_v = facts.setpoint_v(corner, rail.name)
    high_v = reach(rail, setpoint_v, 1).fast_v
    said = f"{name} gives {_volts(typical_v)}, at worst {_volts(low_v)}"
    if feed.dropout_v is not None and low_v - high_v < feed.dropout_v:
        numbers = f"{said}; output {_volts(setpoint_v)}, at worst {_volts(high_v)}, leaves {_volts(low_v - high_v)} of "
        numbers += f"the {_volts(feed.dropout_v)} that the regulator needs"
        is_sure = typical_v - setpoint_v < feed.dropout_v
        yield "dropout", _shortage(feed.dropout_v - low_v + high_v, is_sure, numbers)
    if feed.max_duty_ratio is not None and high_v / low_v >= feed.max_duty_ratio:
        numbers = f"{said}; output {_volts(setpoint_v)}, at worst {_volts(high_v)}, asks for a duty of "
        numbers += f"{_share(high_v / low_v)}, and {_share(feed.max_duty_ratio)} is the most"
        is_sure = setpoint_v / typical_v >= feed.max_duty_ratio
        yield "max_duty", _shortage(high_v / low_v - feed.max_duty_ratio, is_sure, numbers)
    if feed.lockout_v is not None and low_v <= feed.lockout_v:
        numbers = f"{said}, and the converter turns off below {_volts(feed.lockout_v)}"
        yield "lockout", _shortage(feed.lockout_v - low_v, typical_v <= feed.lockout_v, numbers)


def _shortage(lacks: float, is_sure: bool, numbers: str) -> _Shortage:
    return _Shortage(lacks=lacks, severity="error" if is_sure else "warning", numbers=numbers)


def _input(facts: Facts, feed: Upstream, corner: Corner) -> tuple[str, float, float] | None:
    """What feeds a rail at a corner: its name, its setpoint, and the least that it may come to."""
    if feed.rail is not None:
        setpoint_v = facts.setpoint_v(corner, feed.rail)
        return feed.rail, setpoint_v, reach(facts.by_rail[feed.rail].rail, setpoint_v, -1).fast_v
    if feed.voltage_v is not None:
        return "its supply", feed.voltage_v, feed.voltage_v
    value = next((item.value for item in corner.conditions if item.condition == feed.condition), None)
    return None if value is None else (f"condition {feed.condition}", value, value)


def _volts(value_v: float) -> str:
    return show(value_v, Kind.VOLTAGE)


def _share(ratio: float) -> str:
    return show(ratio, Kind.RATIO, digits=4)
