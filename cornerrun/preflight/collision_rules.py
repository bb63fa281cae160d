"""Margins against the limits that the device keeps: faults, warnings, VOUT_MAX and VOUT_MIN, power good.

Every collision is judged twice. By the setpoint alone: what it crosses is crossed on every board. At worst, with all
that the plan knows to add: then a fault is still an error, since the rail would be shut down, and a warning a warning.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace

from cornerrun.plan.model import NOMINAL, Rail
from cornerrun.preflight.facts import Facts
from cornerrun.preflight.finding import Finding, Severity, Subject
from cornerrun.preflight.levels import LevelRow, RailLevels
from cornerrun.preflight.places import level_subject, rail_subject
from cornerrun.preflight.reach import reach
from cornerrun.units import Kind, show

__all__ = ["clamps", "faults", "power_good", "warnings"]


@dataclass(frozen=True, kw_only=True, slots=True)
class _Limit:
    """One limit: its name, the side that it guards, what happens there, and how bad its worst case is."""

    name: str
    sign: int
    consequence: str
    at_worst: Severity
    is_by_converter: bool = False


_CLAMPS = (
    _Limit(name="vout_max", sign=1, consequence="the device would clamp there, in silence", at_worst="error"),
    _Limit(name="vout_min", sign=-1, consequence="the device would clamp there, in silence", at_worst="error"),
)
_FAULTS = (
    _Limit(name="ov_fault", sign=1, consequence="the device would shut the rail down", at_worst="error"),
    _Limit(name="uv_fault", sign=-1, consequence="the device would shut the rail down", at_worst="error"),
)
_WARNINGS = (
    _Limit(name="ov_warn", sign=1, consequence="the device would warn", at_worst="warning", is_by_converter=True),
    _Limit(name="uv_warn", sign=-1, consequence="the device would warn", at_worst="warning", is_by_converter=True),
)
_POWER_GOOD_OFF = _Limit(
    name="power_good_off",
    sign=-1,
    consequence="power good would go away, and whatever waits for it",
    at_worst="warning",
)
_POWER_GOOD_ON = _Limit(
    name="power_good_on", sign=-1, consequence="power good would not come back at nominal", at_worst="warning"
)


def clamps(facts: Facts) -> Iterator[Finding]:
    """Whether the device would take each setpoint as it is: VOUT_MAX and VOUT_MIN bound the command, not the output."""
    for found, row in _rows(facts):
        limits = found.limits_v(row.level)
        for limit in _CLAMPS:
            if limit.name in limits and (row.setpoint_v - limits[limit.name]) * limit.sign > 1e-9:
                numbers = f"{row.level} is {_volts(row.setpoint_v)}, beyond {_named(found, limit)} of "
                numbers += f"{_volts(limits[limit.name])}: {limit.consequence}"
                yield _told(facts, found.rail, row.level, limit).error(numbers, _advice(row, limit))


def faults(facts: Facts) -> Iterator[Finding]:
    """Whether any level may reach a fault limit: V (1 + e) + ripple / 2 + overshoot < OV (1 - e_comparator)."""
    for found, row in _rows(facts):
        for limit in _FAULTS:
            for finding in _collision(facts, found, row, limit):
                # Faults act again the moment a margin is left: what lies beyond a limit trips on the way back.
                is_ignored = found.rail.ignores_faults and row.level != NOMINAL
                is_beyond = (row.setpoint_v - found.limits_v(row.level)[limit.name]) * limit.sign >= 0
                yield replace(finding, severity="warning") if is_ignored and not is_beyond else finding
        if found.rail.ignores_faults and row is found.rows[-1]:
            told = rail_subject(facts, "device limits", found.rail, "name")
            numbers = "its device ignores faults while the rail is margined, as 'overrides' asks"
            yield told.warning(numbers, "nothing but this program watches it meanwhile, and only at the watch period")


def warnings(facts: Facts) -> Iterator[Finding]:
    """Whether any level may reach a warning, made by a comparator or by the device's converter: the worse is told."""
    yield from _collisions(facts, _WARNINGS)


def power_good(facts: Facts) -> Iterator[Finding]:
    """Whether power good stays at every level, and comes back at nominal."""
    yield from _collisions(facts, (_POWER_GOOD_OFF,))
    for found in facts.levels:
        row = found.row(NOMINAL) if found.rows and found.rows[0].level == NOMINAL else None
        if row is not None:
            yield from _collision(facts, found, row, _POWER_GOOD_ON)


def _collisions(facts: Facts, limits: tuple[_Limit, ...]) -> Iterator[Finding]:
    for found, row in _rows(facts):
        for limit in limits:
            yield from _collision(facts, found, row, limit)


def _collision(facts: Facts, found: RailLevels, row: LevelRow, limit: _Limit) -> Iterator[Finding]:
    limit_v = found.limits_v(row.level).get(limit.name)
    if limit_v is None:
        return
    worst = reach(found.rail, row.setpoint_v, limit.sign)
    comparator = found.rail.supply.comparator_ratio or 0.0
    trips_v = limit_v * (1.0 - limit.sign * comparator)
    named = _named(found, limit)
    if (row.setpoint_v - limit_v) * limit.sign >= 0:
        numbers = f"{row.level} is {_volts(row.setpoint_v)}, and {named} is {_volts(limit_v)}: {limit.consequence}"
        yield _told(facts, found.rail, row.level, limit).error(numbers, _advice(row, limit))
    elif (worst.fast_v - trips_v) * limit.sign >= 0:
        acts = (
            f"may act at {_volts(trips_v)} (comparator {show(comparator, Kind.RATIO)})" if comparator else "acts there"
        )
        numbers = f"{row.level} at {_volts(row.setpoint_v)} may come to {_volts(worst.fast_v)} ({worst.parts}), and "
        numbers += f"{named} of {_volts(limit_v)} {acts}: {limit.consequence}"
        yield _told(facts, found.rail, row.level, limit).finding(limit.at_worst, numbers, _advice(row, limit))
    elif limit.is_by_converter and (worst.slow_v - limit_v) * limit.sign >= 0:
        numbers = f"{row.level} at {_volts(row.setpoint_v)} may read {_volts(worst.slow_v)} ({worst.slow_parts}), and "
        numbers += f"{named} is {_volts(limit_v)}: {limit.consequence}"
        yield _told(facts, found.rail, row.level, limit).finding(limit.at_worst, numbers, _advice(row, limit))


def _rows(facts: Facts) -> Iterator[tuple[RailLevels, LevelRow]]:
    for found in facts.levels:
        for row in found.rows:
            if row.verdict != "not encodable":
                yield found, row


def _named(found: RailLevels, limit: _Limit) -> str:
    is_read = found.values is not None and limit.name in found.values.limits_v
    return f"{limit.name} {'in the device' if is_read else 'in the plan'}"


def _told(facts: Facts, rail: Rail, level: str, limit: _Limit) -> Subject:
    rule = "power good" if limit.name.startswith("power_good") else "device limits"
    return level_subject(facts, rule, rail, level)


def _advice(row: LevelRow, limit: _Limit) -> str:
    return f"move {row.level} or {limit.name}" if row.level != NOMINAL else f"move {limit.name}, or mend nominal"


def _volts(value_v: float) -> str:
    return show(value_v, Kind.VOLTAGE)
