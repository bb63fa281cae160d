"""What loads see and draw: the voltage at the pin, current and power away from nominal."""

from collections.abc import Iterator

from cornerrun.plan.model import NOMINAL, Rail
from cornerrun.preflight.facts import Facts
from cornerrun.preflight.finding import Finding, Severity, Subject
from cornerrun.preflight.levels import RailLevels
from cornerrun.preflight.places import level_subject
from cornerrun.preflight.reach import reach
from cornerrun.units import Kind, show

__all__ = ["currents", "load_current_a", "pins", "power"]


def load_current_a(rail: Rail, setpoint_v: float) -> float | None:
    """Tell the current that a load draws at a setpoint; None where the plan does not tell it at nominal.

    Switching logic draws power with V^2 at a fixed clock, so its current goes with V (common practice, no source).
    """
    load = rail.supply.load
    if load.current_a is None:
        return None
    share = setpoint_v / rail.nominal_v
    if load.kind == "constant power":
        return load.current_a / share
    return load.current_a if load.kind == "constant current" else load.current_a * share


def pins(facts: Facts) -> Iterator[Finding]:
    """Whether the load's pin stays in its recommended range.

    High: V (1 + e) + ripple / 2 + overshoot. Low: V (1 - e) - I R - ripple / 2 - undershoot (from memory).
    """
    for found in facts.levels:
        load = found.rail.supply.load
        for row in found.rows:
            subject = level_subject(facts, "load pin", found.rail, row.level)
            high = reach(found.rail, row.setpoint_v, 1)
            if load.max_v is not None and high.fast_v > load.max_v:
                numbers = f"{row.level} may be {_volts(high.fast_v)} at the load's pin ({high.parts}), and its range "
                numbers += f"ends at {_volts(load.max_v)}"
                yield subject.warning(numbers, "a failure there says nothing against the load: choose a smaller margin")
            if load.min_v is None:
                continue
            low = reach(found.rail, row.setpoint_v, -1)
            current_a = load_current_a(found.rail, row.setpoint_v)
            drop_v = (current_a or 0.0) * (load.path_ohm or 0.0)
            if low.fast_v - drop_v < load.min_v:
                parts = low.parts + (f", {_volts(drop_v)} in the path" if drop_v else "")
                numbers = (
                    f"{row.level} may be {_volts(low.fast_v - drop_v)} at the load's pin ({parts}), and its range "
                )
                numbers += f"begins at {_volts(load.min_v)}"
                yield subject.warning(numbers, "a failure there says nothing against the load: choose a smaller margin")


def currents(facts: Facts) -> Iterator[Finding]:
    """Whether the current of each level stays below where the supply limits it, or trips."""
    for found in facts.levels:
        limit_a, origin = _limit(found)
        if limit_a is None:
            continue
        for row in found.rows:
            current_a = load_current_a(found.rail, row.setpoint_v)
            if current_a is None:
                continue
            worst_v = reach(found.rail, row.setpoint_v, 1 if found.rail.supply.load.kind != "constant power" else -1)
            worst_a = load_current_a(found.rail, worst_v.fast_v) or current_a
            if worst_a < limit_a:
                continue
            severity: Severity = "error" if current_a >= limit_a else "warning"
            numbers = f"{row.level} draws {_amperes(current_a)}, at worst {_amperes(worst_a)} "
            numbers += f"({found.rail.supply.load.kind}, {_amperes(found.rail.supply.load.current_a or 0.0)} at "
            numbers += f"nominal), and {origin} is {_amperes(limit_a)}"
            advice = "an over-current would look like a failure of the voltage: choose a smaller margin or load"
            yield level_subject(facts, "load current", found.rail, row.level).finding(severity, numbers, advice)


def power(facts: Facts) -> Iterator[Finding]:
    """How much power the loads draw at the corner that draws most, against nominal: heat mistaken for voltage."""
    known = [found for found in facts.levels if found.rail.supply.load.current_a is not None]
    if not known or facts.trouble:
        return
    at_nominal_w = sum(_power_w(found.rail, found.row(NOMINAL).setpoint_v) for found in known)
    totals = {
        corner.name: sum(_power_w(found.rail, facts.setpoint_v(corner, found.rail.name)) for found in known)
        for corner in facts.corners
    }
    if not totals or at_nominal_w <= 0:
        return
    name = max(totals, key=lambda corner: totals[corner])
    rise = totals[name] / at_nominal_w - 1.0
    loads = "1 load of known current draws" if len(known) == 1 else f"{len(known)} loads of known current draw"
    numbers = f"{loads} {show(at_nominal_w, Kind.POWER, digits=4)} at nominal "
    numbers += f"and {show(totals[name], Kind.POWER, digits=4)} at {name!r} ({rise * 100:+.2f} %)"
    advice = "let temperatures settle, or a thermal drift is mistaken for a failure of the voltage"
    yield Subject(rule="power", position=facts.position("rails")).note(numbers, advice)


def _limit(found: RailLevels) -> tuple[float | None, str]:
    held = found.values.current_limit_a if found.values is not None else None
    if held is not None:
        return held, "the device's over-current fault limit"
    return found.rail.supply.load.limit_a, "the supply's limit"


def _power_w(rail: Rail, setpoint_v: float) -> float:
    return setpoint_v * (load_current_a(rail, setpoint_v) or 0.0)


def _volts(value_v: float) -> str:
    return show(value_v, Kind.VOLTAGE)


def _amperes(value_a: float) -> str:
    return show(value_a, Kind.CURRENT, digits=4)
