"""Which states of the rails are allowed, and in which order rails may move so that every state between is.

Relations are differences of two rails. What is allowed is judged on target voltages; the guard judges encoded words
again before each write.
"""

from collections.abc import Iterable, Iterator, Mapping
from copy import copy
from dataclasses import dataclass
from graphlib import CycleError, TopologicalSorter

from cornerrun.plan.model import NOMINAL, Plan, Relation
from cornerrun.units import Kind, show

__all__ = ["Breach", "Ordering", "Passage", "Wait", "breach", "layered"]

_SLACK_V = 1e-9  # chosen: far below any register's step, far above the rounding of a difference of two floats

Levels = Mapping[str, str]


@dataclass(frozen=True, kw_only=True, slots=True)
class Breach:
    """A relation that does not hold, with the difference that there would be."""

    relation: Relation
    difference_v: float

    def __str__(self) -> str:
        low_v, high_v = self.relation.min_v, self.relation.max_v
        is_low = low_v is not None and self.difference_v < low_v
        limit_v = low_v if is_low else high_v
        side = "below" if is_low else "above"
        shown = "no limit" if limit_v is None else show(limit_v, Kind.VOLTAGE)
        return (
            f"{self.relation.rail} - {self.relation.minus} would be {show(self.difference_v, Kind.VOLTAGE)}, "
            f"{side} {shown}"
        )


@dataclass(frozen=True, kw_only=True, slots=True)
class Wait:
    """One rail has to move before another, or ``cause`` would be."""

    early: str
    late: str
    cause: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Ordering:
    """How rails get from one state to another: bursts in order, or why no order is allowed.

    ``stuck`` are the rails that stand in each other's way, in plan order; empty where there is an order.
    """

    bursts: tuple[tuple[str, ...], ...] = ()
    reason: str = ""
    stuck: tuple[str, ...] = ()

    @property
    def is_possible(self) -> bool:
        """Whether the move can be made with every relation kept."""
        return not self.reason


def breach(relation: Relation, rail_v: float, minus_v: float) -> Breach | None:
    """Tell how a relation is broken by two voltages; None where it holds."""
    difference_v = rail_v - minus_v
    is_low = relation.min_v is not None and difference_v < relation.min_v - _SLACK_V
    is_high = relation.max_v is not None and difference_v > relation.max_v + _SLACK_V
    return Breach(relation=relation, difference_v=difference_v) if is_low or is_high else None


class Passage:
    """Know every rail's targets and the relations of a plan, and find orders that keep them.

    ``levels``, ``old`` and ``new`` hold the levels of commanded rails; one not named is at nominal. KeyError if a rail
    has no such level.
    """

    def __init__(self, plan: Plan) -> None:
        self._rails = {rail.name: rail for rail in plan.rails}
        self._leaders = {rail.name: self._leader(rail.name) for rail in plan.rails}
        self._feeds = tuple(
            (self._leaders[rail.supply.upstream.rail], self._leaders[rail.name])
            for rail in plan.rails
            if rail.supply.upstream is not None and rail.supply.upstream.rail in self._rails
        )
        self.relations = plan.relations
        self.commanded = tuple(rail.name for rail in plan.commanded_rails)

    def only(self, relation: Relation) -> "Passage":
        """Know the same rails and one relation alone."""
        single = copy(self)
        single.relations = (relation,)
        return single

    @property
    def related(self) -> frozenset[str]:
        """The rails that a relation or a feeding rail may make wait for another, by those that lead."""
        ends = [(self._leaders[relation.rail], self._leaders[relation.minus]) for relation in self.relations]
        return frozenset(rail for pair in (*ends, *self._feeds) for rail in pair if rail in self.commanded)

    def leader(self, rail: str) -> str:
        """Name the rail whose level decides this one's voltage: itself, unless hardware makes it follow another."""
        return self._leaders[rail]

    def target_v(self, rail: str, levels: Levels) -> float:
        """Tell the target of a rail in volts."""
        return self._rails[rail].levels[levels.get(self._leaders[rail], NOMINAL)]

    def breaches(self, levels: Levels) -> tuple[Breach, ...]:
        """Tell every relation that a state breaks."""
        found = (
            breach(relation, self.target_v(relation.rail, levels), self.target_v(relation.minus, levels))
            for relation in self.relations
        )
        return tuple(item for item in found if item is not None)

    def obstacle(self, levels: Levels) -> Ordering | None:
        """Tell why a corner cannot be: a relation broken there, or no allowed way from nominal; None if it can."""
        ordering = self.bursts({}, levels)
        return None if ordering.is_possible else ordering

    def bursts(self, old: Levels, new: Levels) -> Ordering:
        """Order the rails that change level into the fewest bursts, so that relations hold in every state between.

        Within a burst, they hold for every mix of old and new levels of its rails, and of the rails that follow them,
        which may lag. A relation that the end state breaks, or two that contradict each other, make the move
        impossible. Where relations leave the choice, a rail that feeds another goes up before it and down after it.
        """
        moving = [name for name in self.commanded if old.get(name, NOMINAL) != new.get(name, NOMINAL)]
        movers = set(moving)
        waits: list[Wait] = []
        for relation in self.relations:
            pair = (self._leaders[relation.rail], self._leaders[relation.minus])
            if movers.isdisjoint(pair):
                continue
            at_end = breach(relation, self.target_v(relation.rail, new), self.target_v(relation.minus, new))
            if at_end is not None:
                return Ordering(reason=str(at_end), stuck=tuple(name for name in moving if name in pair))
            for wait in self.waits(relation, old, new):
                if wait.early == wait.late:
                    return Ordering(reason=f"{wait.cause}, while one lags behind the other", stuck=(wait.late,))
                if wait.early in movers and wait.late in movers:
                    waits.append(wait)
        fed = layered(moving, [*waits, *self.headroom(old, new)])
        return fed if fed.is_possible else layered(moving, waits)

    def headroom(self, old: Levels, new: Levels) -> Iterator[Wait]:
        """Tell who should move first where one rail feeds another and both go up, or both go down.

        Common practice, no source: the feeding rail up first and down last keeps the headroom of what it feeds.
        """
        for source, fed in self._feeds:
            rises = [self.target_v(rail, new) - self.target_v(rail, old) for rail in (source, fed)]
            if source != fed and min(rises) > 0:
                yield Wait(early=source, late=fed, cause=f"{fed} would rise before {source}, which feeds it")
            elif source != fed and max(rises) < 0:
                yield Wait(early=fed, late=source, cause=f"{source} would fall before {fed}, which it feeds")

    def waits(self, relation: Relation, old: Levels, new: Levels) -> Iterator[Wait]:
        """Tell who has to move before whom, for one relation: what must not be is one rail new, the other old."""
        first, second = self._leaders[relation.rail], self._leaders[relation.minus]
        first_leads = breach(relation, self.target_v(relation.rail, new), self.target_v(relation.minus, old))
        if first_leads is not None:
            yield Wait(early=second, late=first, cause=str(first_leads))
        second_leads = breach(relation, self.target_v(relation.rail, old), self.target_v(relation.minus, new))
        if second_leads is not None:
            yield Wait(early=first, late=second, cause=str(second_leads))

    def _leader(self, rail: str) -> str:
        seen = {rail}
        tracks = self._rails[rail].tracks
        while tracks is not None and tracks.rail not in seen:
            rail = tracks.rail
            seen.add(rail)
            tracks = self._rails[rail].tracks
        return rail


def layered(moving: Iterable[str], waits: Iterable[Wait]) -> Ordering:
    """Order rails into the fewest bursts that respect who waits for whom."""
    names = list(moving)
    before: dict[str, set[str]] = {name: set() for name in names}
    causes: dict[tuple[str, str], str] = {}
    for wait in waits:
        before[wait.late].add(wait.early)
        causes[wait.early, wait.late] = wait.cause
    sorter = TopologicalSorter(before)
    try:
        sorter.prepare()
    except CycleError as error:
        cycle = set(error.args[1])
        stuck = tuple(name for name in names if name in cycle)
        cause = next(cause for pair, cause in causes.items() if cycle.issuperset(pair))
        return Ordering(reason=f"{cause}, on the way, whichever of {', '.join(stuck)} moves first", stuck=stuck)
    layers = []
    while sorter.is_active():
        ready = set(sorter.get_ready())
        layers.append(tuple(name for name in names if name in ready))
        sorter.done(*ready)
    return Ordering(bursts=tuple(layers))
