"""Relations between rails, on the way too: judged by the run's own guard, on what the words mean."""

import math
from collections.abc import Iterator
from dataclasses import replace

from cornerrun.bench.guard import Guard
from cornerrun.bench.ports import Effect
from cornerrun.errors import GuardRefusal
from cornerrun.plan.model import NOMINAL, HardLimits, Plan, Relation
from cornerrun.preflight.facts import Facts
from cornerrun.preflight.finding import Finding, Subject
from cornerrun.preflight.walk import Burst, bursts

__all__ = ["relations"]


def relations(facts: Facts) -> Iterator[Finding]:
    """Whether every relation holds at every instant of every move, for every mix of old and new voltages.

    The plan of moves was made from targets; the guard will judge decoded words, and so does this. A way home is only
    warned of: it is never refused, whatever a relation says.
    """
    if facts.trouble or not facts.steps or not facts.plan.relations:
        return
    for index, relation in enumerate(facts.plan.relations):
        refusals = list(_refusals(facts, relation))
        if not refusals:
            continue
        # A corner that is never reached needs no way back from it.
        burst, why = min(refusals, key=lambda item: item[0].is_way_home)
        subject = Subject(rule="relations", rail=relation.rail, position=facts.position("between_rails", index))
        moves = ", ".join(f"{item.rail} to {item.level}" for item in burst.moves) or "at nominal"
        numbers = f"{why}, as the words mean it ({moves}; corner {burst.step.corner.name!r})"
        if burst.is_way_home:
            yield subject.warning(f"going back to nominal, {numbers}", "leave a step of room to the limit")
        else:
            yield subject.error(numbers, "the guard would refuse it: leave a step of room to the limit")


def _refusals(facts: Facts, relation: Relation) -> Iterator[tuple[Burst, str]]:
    bare = _without_hard_limits(facts.plan, relation)
    setpoints = {(found.rail.name, row.level): row.setpoint_v for found in facts.levels for row in found.rows}
    nominal = [
        Effect(rail=rail.name, target_v=setpoints[rail.name, NOMINAL]) for rail in bare.rails if rail.tracks is None
    ]
    # Only what the two rails, or those that lead them, do can matter; most bursts repeat an earlier one.
    leaders = {_leader(facts.plan, relation.rail), _leader(facts.plan, relation.minus)}
    seen: set[tuple[object, ...]] = set()
    for burst in (_standing(facts), *bursts(facts, ways_home=True)):
        moves = tuple((item.rail, item.level) for item in burst.moves if item.rail in leaders)
        before = tuple(sorted(item for item in burst.before.items() if item[0] in leaders))
        key = (moves, before, burst.is_way_home)
        if key in seen:
            continue
        seen.add(key)
        guard = Guard(bare)
        guard.found(nominal)
        guard.found(Effect(rail=rail, target_v=setpoints[rail, level]) for rail, level in before)
        try:
            guard.permit_together(Effect(rail=rail, target_v=setpoints[rail, level]) for rail, level in moves)
        except GuardRefusal as refusal:
            yield burst, str(refusal).partition(";")[0]


def _standing(facts: Facts) -> Burst:
    """Nominal, before anything has moved."""
    return Burst(step=facts.steps[0], moves=(), before={})


def _leader(plan: Plan, rail: str) -> str:
    tracks = plan.rail(rail).tracks
    return tracks.rail if tracks is not None else rail


def _without_hard_limits(plan: Plan, relation: Relation) -> Plan:
    """Let the guard judge one relation alone; hard limits have a rule of their own."""
    nothing = HardLimits(min_v=-math.inf, max_v=math.inf)
    rails = tuple(replace(rail, hard_limits=nothing) for rail in plan.rails)
    return replace(plan, rails=rails, relations=(relation,))
