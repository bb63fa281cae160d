"""Where the rails are on their way through a run: from a corner to the next, and back to nominal from anywhere."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

from cornerrun.corners.model import Corner, RailLevel, Step
from cornerrun.corners.relations import Passage, layered
from cornerrun.errors import PlanError
from cornerrun.plan.model import NOMINAL, Plan, Relation

__all__ = ["Legs", "Stop", "Walk", "way_back"]

Levels = Mapping[str, str]
Bursts = tuple[tuple[RailLevel, ...], ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class Stop:
    """A visit to come: its corner, and whether conditions change before it or the rails go by way of nominal."""

    corner: Corner
    repeat: int
    is_control: bool
    opens_block: bool = False
    via_nominal: bool = False


def way_back(passage: Passage, states: Sequence[Levels]) -> tuple[tuple[str, ...], ...]:
    """Order the rails that are off nominal in any of these states into bursts back; `order.return_order` says how."""
    off: dict[str, tuple[str, ...]] = {}
    for rail in passage.commanded:
        levels = dict.fromkeys(state.get(rail, NOMINAL) for state in states)
        if set(levels) != {NOMINAL}:
            off[rail] = tuple(levels)
    waits = [
        wait
        for relation in passage.relations
        for mix in _mixes(passage, relation, off)
        for wait in passage.waits(relation, mix, {})
        if wait.early != wait.late
    ]
    for preferred in ([*waits, *passage.headroom(states[-1], {})], waits):
        common = layered(off, preferred)
        if common.is_possible:
            return common.bursts
    back = passage.bursts(states[-1], {}).bursts
    rest = tuple(rail for rail in off if not any(rail in burst for burst in back))
    return (*back, rest) if rest else back


def _mixes(passage: Passage, relation: Relation, off: Mapping[str, tuple[str, ...]]) -> Iterator[Levels]:
    """List what two related rails may hold together, if both have a way to go."""
    first, second = passage.leader(relation.rail), passage.leader(relation.minus)
    if first in off and second in off:
        yield from ({first: a, second: b} for a in off[first] for b in off[second])


@dataclass(frozen=True, kw_only=True, slots=True)
class Legs:
    """The bursts of a move: those that bring rails to rest at nominal, then the others."""

    to_rest: Bursts
    onward: Bursts


class Walk:
    """Remember where the rails are, and which level each margin register was last loaded with."""

    def __init__(self, plan: Plan) -> None:
        self._plan = plan
        self._passage = Passage(plan)
        self._rails = {rail.name: rail for rail in plan.rails}
        self.levels: dict[str, str] = {}
        self._loaded: dict[tuple[str, int], str] = {}
        for rail in plan.commanded_rails:
            for side in (-1, 1):
                names = [level for level in rail.levels if self._side(rail.name, level) == side]
                if len(names) == 1:
                    self._loaded[rail.name, side] = names[0]

    @property
    def related(self) -> frozenset[str]:
        """The commanded rails that a relation or a feeding rail may make wait for another."""
        return self._passage.related

    def to(self, stop: Stop, *, ordinal: int) -> Step:
        """Go to a stop and tell the step."""
        new = {rail: level for rail, level in stop.corner.by_rail().items() if level != NOMINAL}
        old = self.levels
        via_all = self._plan.corners.via_nominal or stop.opens_block or stop.via_nominal
        moves = self._moves(old, new, rest=list(old) if via_all else [])
        back = way_back(self._passage, (old, new))
        for burst in moves:
            for item in burst:
                if item.level != NOMINAL:
                    self._loaded[item.rail, self._side(item.rail, item.level)] = item.level
        self.levels = new
        return Step(
            ordinal=ordinal,
            corner=stop.corner,
            repeat=stop.repeat,
            is_control=stop.is_control,
            moves=moves,
            return_order=back,
        )

    def _moves(self, old: Levels, new: Levels, rest: Iterable[str]) -> Bursts:
        legs = self.legs(old, new, rest)
        return (*legs.to_rest, *legs.onward)

    def legs(self, old: Levels, new: Levels, rest: Iterable[str] = ()) -> Legs:
        """Find bursts from old to new; ``rest`` are the rails that have to pass nominal anyway.

        Rails that stand in each other's way are sent through nominal as well, then all rails: out of nominal every
        corner of a selection can be reached, and every way can be gone back. PlanError if that fails too.
        """
        resting = set(rest) | {rail for rail in old if self._must_rest(rail, old[rail], new.get(rail, NOMINAL))}
        while True:
            between = {rail: level for rail, level in old.items() if rail not in resting}
            first, second = self._passage.bursts(old, between), self._passage.bursts(between, new)
            if first.is_possible and second.is_possible:
                return Legs(to_rest=_named(first.bursts, between), onward=_named(second.bursts, new))
            stuck = {rail for leg in (first, second) for rail in leg.stuck if rail in between}
            if not between:
                raise PlanError(f"no allowed way to this corner: {first.reason or second.reason}")
            resting |= stuck or set(between)

    def _must_rest(self, rail: str, old: str, new: str) -> bool:
        """Whether a rail has to pass nominal: margin registers are loaded there only."""
        if NOMINAL in (old, new) or old == new:
            return False
        side = self._side(rail, new)
        return side == self._side(rail, old) or self._loaded.get((rail, side)) != new

    def _side(self, rail: str, level: str) -> int:
        """Tell which margin register holds a level: 1 above nominal, -1 below, 0 at nominal itself."""
        levels = self._rails[rail].levels
        return (levels[level] > levels[NOMINAL]) - (levels[level] < levels[NOMINAL])


def _named(bursts: Iterable[Iterable[str]], levels: Levels) -> Bursts:
    return tuple(tuple(RailLevel(rail=rail, level=levels.get(rail, NOMINAL)) for rail in burst) for burst in bursts)
