"""What a provoked fault takes down, and which relations between rails that would break."""

from collections.abc import Iterator, Mapping

from cornerrun.plan.fault_response import FaultResponse
from cornerrun.plan.model import Plan, Relation

__all__ = ["broken_relations", "taken_down"]


def taken_down(plan: Plan, response: FaultResponse) -> frozenset[str]:
    """Tell every rail that loses its voltage, rails that follow by hardware among them."""
    down = {response.rail, *response.takes_down}
    while True:
        more = {rail.name for rail in plan.rails if rail.tracks is not None and rail.tracks.rail in down} - down
        if not more:
            return frozenset(down)
        down |= more


def broken_relations(plan: Plan, response: FaultResponse) -> Iterator[tuple[Relation, float]]:
    """Find relations that would break while rails go down, each with its worst difference in volts.

    Rails fall one after the other, so every mix of rails at nominal and rails at nothing is looked at.
    """
    nominal: Mapping[str, float] = {rail.name: rail.nominal_v for rail in plan.rails}
    down = taken_down(plan, response)
    for relation in plan.relations:
        if relation.rail not in down and relation.minus not in down:
            continue
        differences = [
            upper_v - lower_v
            for upper_v in _states(relation.rail, nominal, down)
            for lower_v in _states(relation.minus, nominal, down)
        ]
        least_v, greatest_v = min(differences), max(differences)
        if relation.min_v is not None and least_v < relation.min_v:
            yield relation, least_v
        elif relation.max_v is not None and greatest_v > relation.max_v:
            yield relation, greatest_v


def _states(rail: str, nominal: Mapping[str, float], down: frozenset[str]) -> tuple[float, ...]:
    return (nominal[rail], 0.0) if rail in down else (nominal[rail],)
