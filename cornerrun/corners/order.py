"""From corners to steps: what the run does one after another, each move admissible, each with its way back."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import groupby

from cornerrun.corners.blocks import condition_blocks, nominal_corner
from cornerrun.corners.choose import chosen
from cornerrun.corners.model import Corner, RailLevel, Selection, Step
from cornerrun.corners.relations import Passage, layered
from cornerrun.corners.trim import WARM_UP, split, visits
from cornerrun.errors import PlanError
from cornerrun.plan.model import NOMINAL, Plan, Relation

__all__ = ["return_order", "step_from", "steps"]

Levels = Mapping[str, str]


@dataclass(frozen=True, kw_only=True, slots=True)
class _Stop:
    corner: Corner
    repeat: int
    is_control: bool
    opens_block: bool = False
    via_nominal: bool = False


def steps(
    plan: Plan, selection: Selection, *, only: Sequence[str] | None = None, repeats: int | None = None
) -> tuple[Step, ...]:
    """Lay out a run: corners in the order of the selection, sweeps repeated within each combination of conditions.

    ``only`` names the corners to visit (names, aliases or shell patterns; UsageError if one fits none). ``repeats``
    replaces the plan's number of sweeps. Control points stand first and last in each block and after every n-th visit
    that is none, never twice in a row. The first step starts from nominal, and so does the first of each block, since
    conditions move while the rails are at rest.
    """
    corners = selection.corners if only is None else chosen(plan, selection, only)
    planned: list[Step] = []
    walk = _Walk(plan)
    for stop in _stops(plan, corners, plan.corners.repeats if repeats is None else repeats):
        planned.append(walk.to(stop, ordinal=len(planned)))
    return tuple(planned)


def step_from(plan: Plan, step: Step, levels: Levels) -> Step:
    """Lay out a step again from where the rails are now: after a recovery, or when a run is taken up again.

    ``levels`` holds the level of each commanded rail that is off nominal.
    """
    walk = _Walk(plan)
    walk.levels = dict(levels)
    stop = _Stop(corner=step.corner, repeat=step.repeat, is_control=step.is_control)
    return walk.to(stop, ordinal=step.ordinal)


def return_order(plan: Plan, *states: Levels) -> tuple[tuple[str, ...], ...]:
    """Order the rails that are off nominal in any of these states into bursts back to nominal, relations kept.

    With several states the order serves every mix of them where there is such an order, and the last of them else.
    Every rail that is off nominal in a state gets its turn, whatever relations say: the way back is never refused.
    """
    return _way_back(Passage(plan), states)


def _way_back(passage: Passage, states: Sequence[Levels]) -> tuple[tuple[str, ...], ...]:
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


def _stops(plan: Plan, corners: Iterable[Corner], repeats: int) -> Iterator[_Stop]:
    """Put control points between corners."""
    points = plan.corners.control_points
    count = 0
    blocks = {conditions: tuple(block) for conditions, block in groupby(corners, key=lambda corner: corner.conditions)}
    for conditions, block in (blocks or {condition_blocks(plan)[0]: ()}).items():
        nominal = nominal_corner(plan, conditions)
        if points.first:
            yield _Stop(corner=nominal, repeat=0, is_control=True, opens_block=True)
        is_open, at_control = not points.first, points.first
        corners_here, trims = split(block)
        for repeat in range(repeats):
            for corner in corners_here:
                yield _Stop(corner=corner, repeat=repeat, is_control=False, opens_block=is_open)
                is_open, at_control = False, False
                count += 1
                if points.every is not None and count % points.every == 0:
                    yield _Stop(corner=nominal, repeat=repeat, is_control=True)
                    at_control = True
        for stop in _trim_stops(plan, nominal, trims):
            if stop.is_control and stop.corner.scheme != WARM_UP and at_control:
                continue
            yield replace(stop, opens_block=is_open)
            is_open, at_control = False, stop.is_control
        if points.last and not at_control:
            yield _Stop(corner=nominal, repeat=max(repeats - 1, 0), is_control=True, opens_block=is_open)


def _trim_stops(plan: Plan, nominal: Corner, trims: Sequence[Corner]) -> Iterator[_Stop]:
    """Visit the setpoints of a characterisation in pairs of passes; nominal is one of them, and a control point."""
    if trims and plan.trim is not None and plan.trim.warm_up is not None:
        yield _Stop(corner=replace(nominal, scheme=WARM_UP), repeat=0, is_control=True)
    for corner, number in visits(trims, plan.trim):
        if corner is None:
            yield _Stop(corner=nominal, repeat=number, is_control=True)
        else:
            yield _Stop(corner=corner, repeat=number, is_control=False, via_nominal=True)


class _Walk:
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

    def to(self, stop: _Stop, *, ordinal: int) -> Step:
        """Go to a stop and tell the step."""
        new = {rail: level for rail, level in stop.corner.by_rail().items() if level != NOMINAL}
        old = self.levels
        via_all = self._plan.corners.via_nominal or stop.opens_block or stop.via_nominal
        moves = self._moves(old, new, rest=list(old) if via_all else [])
        back = _way_back(self._passage, (old, new))
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

    def _moves(self, old: Levels, new: Levels, rest: Iterable[str]) -> tuple[tuple[RailLevel, ...], ...]:
        """Find bursts from old to new; ``rest`` are the rails that have to pass nominal anyway.

        Rails that stand in each other's way are sent through nominal as well, then all rails: out of nominal every
        corner of a selection can be reached, and every way can be gone back.
        """
        resting = set(rest) | {rail for rail in old if self._must_rest(rail, old[rail], new.get(rail, NOMINAL))}
        while True:
            between = {rail: level for rail, level in old.items() if rail not in resting}
            legs = (self._passage.bursts(old, between), self._passage.bursts(between, new))
            if all(leg.is_possible for leg in legs):
                names = [
                    (state, burst) for leg, state in zip(legs, (between, new), strict=True) for burst in leg.bursts
                ]
                return tuple(
                    tuple(RailLevel(rail=rail, level=state.get(rail, NOMINAL)) for rail in burst)
                    for state, burst in names
                )
            stuck = {rail for leg in legs for rail in leg.stuck if rail in between}
            if not between:
                raise PlanError(f"no allowed way to this corner: {next(leg.reason for leg in legs if leg.reason)}")
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
