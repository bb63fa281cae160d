"""Whether conditions can be changed as the plan asks, and left so that nobody meets a frosted board."""

from collections.abc import Iterator

from cornerrun.plan.model import Condition
from cornerrun.preflight.facts import Facts
from cornerrun.preflight.finding import Finding, Subject
from cornerrun.units import Kind, show

__all__ = ["changes"]

_DAMP_DEGC = 15.0  # chosen: the dew point of most rooms lies below (20 degC at 70 % has 14.4 degC)
_SPARE_K = 3.0  # chosen: a board is warmer at some places than at others


def changes(facts: Facts) -> Iterator[Finding]:
    """Whether a board that is off can be changed and sensed, and whether it ends above the dew point."""
    for condition in facts.plan.conditions:
        yield from _cold_boot(facts, condition)
        if condition.unit == Kind.TEMPERATURE.unit:
            yield from _dew(facts, condition)


def _cold_boot(facts: Facts, condition: Condition) -> Iterator[Finding]:
    asked, bench = facts.plan.power_up, facts.bench_file
    if not condition.cold_boots or asked is None or asked.by != "input power":
        return
    subject = Subject(rule="cold boot", position=facts.position("conditions", condition.name, "cold_boot"))
    if condition.unit == Kind.VOLTAGE.unit:
        numbers = f"{condition.name} is a voltage, and 'power_up' cuts the input power while it changes"
        yield subject.error(numbers, "turn the board off 'by: operation', or leave 'cold_boot' out here")
    driver = bench.conditions.get(condition.name) if bench is not None else None
    if driver is not None and driver.soak is not None and driver.soak.sensor != "instrument":
        numbers = f"the soak waits for the device of {driver.soak.sensor}, which has no power while the input is cut"
        yield subject.error(numbers, "write 'sensor: instrument' in the bench file, or turn off 'by: operation'")


def _dew(facts: Facts, condition: Condition) -> Iterator[Finding]:
    subject = Subject(rule="dew point", position=facts.position("conditions", condition.name))
    coldest, dew, rest = min(condition.levels.values()), condition.dew_point_degc, condition.rest
    if dew is None:
        if coldest < _DAMP_DEGC:
            numbers = f"{condition.name} goes down to {_shown(coldest)}, and nothing tells the dew point of the room"
            advice = "write 'dew_point' and 'rest', so that no water settles on a board that is taken out"
            yield subject.note(numbers, advice)
        return
    if rest is None:
        if coldest <= dew:
            numbers = (
                f"{condition.name} goes down to {_shown(coldest)}, the dew point is {_shown(dew)}, and nothing says "
            )
            yield subject.warning(f"{numbers}where it is left at the end", "write 'rest' above the dew point")
    elif rest <= dew:
        numbers = f"{condition.name} is left at {_shown(rest)}, and water settles below {_shown(dew)}"
        yield subject.error(numbers, "write a 'rest' above the dew point")
    elif rest < dew + _SPARE_K:
        numbers = f"{condition.name} is left at {_shown(rest)}, {rest - dew:.2g} K above the dew point of {_shown(dew)}"
        yield subject.warning(numbers, f"leave {_SPARE_K:g} K: some places of a board are colder than its sensor")


def _shown(value_degc: float) -> str:
    return show(value_degc, Kind.TEMPERATURE, digits=3)
