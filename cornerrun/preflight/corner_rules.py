"""Corners: which cannot be run, and relations once every level is what its word means."""

from collections.abc import Iterator

from cornerrun.corners.model import Corner
from cornerrun.plan.model import Relation
from cornerrun.preflight.facts import Facts
from cornerrun.preflight.finding import Finding, Subject
from cornerrun.units import Kind, show

__all__ = ["relations", "runnable"]

_SLACK_V = 1e-9  # chosen: the rounding of a difference of two floats, far below any register's step


def runnable(facts: Facts) -> Iterator[Finding]:
    """Whether there are corners to run, and which of those asked for are left out."""
    subject = Subject(rule="corners", position=facts.position("corners", "schemes"))
    if facts.trouble:
        yield subject.error(facts.trouble, "change the schemes")
    for item in facts.selection.not_runnable:
        numbers = f"{item.name!r} is not run: {item.reason}"
        yield subject.warning(numbers, "it counts as not covered; change it if it is needed")
    if not facts.trouble and all(corner.is_nominal for corner in facts.selection.corners):
        yield subject.error("no corner is left to run", "give a rail a margin, or loosen what forbids")
    elif facts.selection.corners:
        visits = len(facts.steps)
        numbers = f"{len(facts.selection.corners)} corners, {visits} visits with control points and repeats"
        yield subject.note(numbers, "see them with their order in the run")


def relations(facts: Facts) -> Iterator[Finding]:
    """Whether relations hold at each corner for the voltages that the words mean; the guard judges those."""
    told: set[tuple[str, str]] = set()
    levels = {found.rail.name: found for found in facts.levels}
    leaders = {rail.name: rail.tracks.rail if rail.tracks else rail.name for rail in facts.plan.rails}

    def setpoint_v(corner: Corner, rail: str) -> float:
        return levels[rail].row(corner.by_rail().get(leaders[rail], "nominal")).setpoint_v

    for corner in facts.corners:
        for index, relation in enumerate(facts.plan.relations):
            difference_v = setpoint_v(corner, relation.rail) - setpoint_v(corner, relation.minus)
            limit = _broken(relation, difference_v)
            key = (relation.rail, relation.minus)
            if limit is None or key in told:
                continue
            told.add(key)
            numbers = f"{relation.rail} less {relation.minus} is {show(difference_v, Kind.VOLTAGE, digits=6)} at "
            numbers += f"corner {corner.name!r} once encoded, beyond {show(limit, Kind.VOLTAGE, digits=6)}"
            subject = Subject(rule="relations", rail=relation.rail, position=facts.position("between_rails", index))
            yield subject.error(numbers, "the guard would refuse it: leave a step of room to the limit")


def _broken(relation: Relation, difference_v: float) -> float | None:
    if relation.min_v is not None and difference_v < relation.min_v - _SLACK_V:
        return relation.min_v
    if relation.max_v is not None and difference_v > relation.max_v + _SLACK_V:
        return relation.max_v
    return None
