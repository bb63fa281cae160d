"""Whether the faults that a plan provokes can be provoked, and what they would break."""

from collections.abc import Iterator

from cornerrun.plan.fault_reach import broken_relations, taken_down
from cornerrun.preflight.facts import Facts
from cornerrun.preflight.finding import Finding, Subject
from cornerrun.units import Kind, show

__all__ = ["fault_responses"]

_LIMIT = {"under voltage": "VOUT_UV_FAULT_LIMIT", "over voltage": "VOUT_OV_FAULT_LIMIT"}


def fault_responses(facts: Facts) -> Iterator[Finding]:
    """Whether each limit and CLEAR_FAULTS are declared, relations hold while rails go down, and who is affected."""
    for index, response in enumerate(facts.plan.fault_responses):
        subject = Subject(rule="fault response", rail=response.rail, position=facts.position("fault_responses", index))
        for relation, worst_v in broken_relations(facts.plan, response):
            numbers = f"{relation.rail} - {relation.minus} would come to {_volts(worst_v)} while rails go down, which "
            numbers += "the plan forbids"
            yield subject.error(numbers, "leave this fault out, or part the relation from it")
        power = facts.plan.rail(response.rail).power
        profile = None if power is None else facts.profiles.get(facts.plan.devices[power.device].profile)
        if profile is not None:
            for name in (_LIMIT[response.fault], "CLEAR_FAULTS"):
                if not profile.declares(name):
                    yield subject.error(f"profile {profile.name!r} declares no {name}", "declare it, or leave this out")
        fixed = [
            name for name in sorted(taken_down(facts.plan, response)) if facts.plan.rail(name).why_fixed is not None
        ]
        if fixed:
            numbers = f"{', '.join(fixed)} go down, and are never moved otherwise"
            yield subject.warning(numbers, "see that bus and board stand that")
        if facts.plan.power_up is None:
            numbers = "the board is not power-cycled afterwards, for the plan has no 'power_up'"
            yield subject.note(numbers, "write one if the board does not start by itself")


def _volts(value_v: float) -> str:
    return show(value_v, Kind.VOLTAGE)
