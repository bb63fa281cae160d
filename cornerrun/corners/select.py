"""Which corners: every scheme of a plan spelled out, each corner once, and what cannot be run with its reason."""

import math
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import product

from cornerrun.corners.allowed import Grid, spelled
from cornerrun.corners.around import surroundings
from cornerrun.corners.blocks import bounds, condition_blocks, left_out_blocks, nominal_corner, why_not_at
from cornerrun.corners.cover import covered
from cornerrun.corners.factors import Factors
from cornerrun.corners.model import ConditionLevel, Corner, NotRunnable, RailLevel, Selection
from cornerrun.corners.names import conditions_suffix, level_name
from cornerrun.corners.relations import Passage
from cornerrun.corners.screened import screened
from cornerrun.corners.trim import TRIM, sweeps
from cornerrun.errors import PlanError
from cornerrun.plan.model import (
    NOMINAL,
    AllRails,
    Covering,
    FullFactorial,
    NamedCorner,
    Plan,
    Scheme,
    Screening,
    SingleRail,
)

__all__ = ["condition_blocks", "nominal_corner", "select"]

_Key = tuple[object, ...]  # the level of every rail, and which copy of the corner it is

_MOST = 100_000  # chosen: a run of more corners would take weeks, and its list would fill the memory


@dataclass(frozen=True, kw_only=True, slots=True)
class _Wish:
    """A corner that a scheme asks for: levels by the rails it names, or why it cannot be.

    ``at`` are the levels of conditions that it is wanted at; at every level of those not named. ``copy`` counts what is
    the same corner again, wanted apart.
    """

    name: str
    scheme: str
    levels: Mapping[str, str]
    reason: str = ""
    at: Mapping[str, str] = field(default_factory=dict)
    copy: int = 0


def select(plan: Plan) -> Selection:
    """Spell out the corners of a plan.

    A corner that several schemes ask for appears once: a name that the plan gives wins over one made here, and the
    others become aliases. Corners that hold a forbidden combination, break a relation or cannot be reached from nominal
    are listed as not runnable. PlanError if a scheme asks for more corners than any run could visit.
    """
    return _Selector(plan).selection()


class _Selector:
    def __init__(self, plan: Plan) -> None:
        self._plan = plan
        self._factors = Factors(plan)
        self._passage = Passage(plan)
        self._forbidden = [self._by_factor(combination) for combination in plan.corners.forbidden]
        self._found: dict[_Key, Corner] = {}
        self._places: dict[_Key, list[Mapping[str, str]]] = {}
        self._refused: dict[tuple[str, str], NotRunnable] = {}
        self._taken: set[str] = set()
        self._coverings = self._screenings = 0
        self._blocks = condition_blocks(plan)
        self._bounds = bounds(plan)

    def selection(self) -> Selection:
        for scheme in self._plan.corners.schemes:
            for wish in self._wishes(scheme):
                self._take(wish)
        places = {corner.name: self._places[key] for key, corner in self._found.items()}
        everything = (*self._found.values(), *self._trims())
        corners: list[Corner] = []
        for conditions in self._blocks:
            for corner in everything:
                if _is_among(conditions, places.get(corner.name, [{}])):
                    corners += self._at(corner, conditions)
        for conditions, reason in left_out_blocks(self._plan):
            self._refuse(f"everything{conditions_suffix(conditions)}", "", reason)
        return Selection(corners=tuple(corners), not_runnable=tuple(self._refused.values()))

    def _at(self, corner: Corner, conditions: tuple[ConditionLevel, ...]) -> Iterator[Corner]:
        """Visit a corner at a combination of conditions, unless they do not allow it."""
        here = _within(corner, conditions)
        reason = why_not_at(self._bounds, corner.by_rail(), conditions)
        if reason:
            self._refuse(here.name, here.scheme, reason)
        else:
            yield here

    def _refuse(self, name: str, scheme: str, reason: str) -> None:
        self._refused.setdefault((name, reason), NotRunnable(name=name, scheme=scheme, reason=reason))

    def _wishes(self, scheme: Scheme) -> Iterator[_Wish]:
        match scheme:
            case AllRails():
                yield from self._all_rails(scheme)
            case SingleRail():
                yield from self._single_rail(scheme)
            case FullFactorial():
                yield from self._full_factorial(scheme)
            case NamedCorner():
                yield self._named(scheme)
            case Covering():
                yield from self._covering(scheme)
            case Screening():
                yield from self._screening(scheme)

    def _all_rails(self, scheme: AllRails) -> Iterator[_Wish]:
        for level in scheme.levels:
            levels = {factor.rail: level for factor in self._factors.all if level in factor.levels}
            name = NOMINAL if level == NOMINAL else f"all {level}"
            reason = "" if levels else f"no rail has a level {level!r}"
            yield _Wish(name=name, scheme=scheme.kind, levels=levels, reason=reason)

    def _single_rail(self, scheme: SingleRail) -> Iterator[_Wish]:
        named = scheme.rails if scheme.rails is not None else tuple(factor.rail for factor in self._factors.all)
        for rail in named:
            for level in scheme.levels:
                why = self._factors.why_not(rail, level)
                factor = self._factors.of(rail)
                if why and (scheme.rails is not None or (factor is not None and level in factor.lacking)):
                    yield _Wish(name=f"{rail} {level}", scheme=scheme.kind, levels={}, reason=why)
        for factor in self._factors.among(scheme.rails):
            for level in scheme.levels:
                if level in factor.levels:
                    levels = {factor.rail: level}
                    yield _Wish(name=level_name(levels), scheme=scheme.kind, levels=levels)

    def _full_factorial(self, scheme: FullFactorial) -> Iterator[_Wish]:
        for rail in scheme.rails:
            if self._factors.of(rail) is None:
                reason = self._factors.why_not(rail, "") or ""
                yield _Wish(name=f"{rail} at {', '.join(scheme.levels)}", scheme=scheme.kind, levels={}, reason=reason)
        factors = self._factors.among(scheme.rails)
        axes = [[level for level in scheme.levels if level in factor.levels] or [NOMINAL] for factor in factors]
        count = math.prod(len(axis) for axis in axes)
        if count > _MOST:
            raise PlanError(
                f"full_factorial of {len(factors)} rails asks for {count:,} corners, more than {_MOST:,}; "
                "name fewer rails, or use covering"
            )
        for combination in product(*axes):
            levels = {factor.rail: level for factor, level in zip(factors, combination, strict=True)}
            yield _Wish(name=level_name(levels), scheme=scheme.kind, levels=levels)

    def _covering(self, scheme: Covering) -> Iterator[_Wish]:
        plan = _tied(self._plan, scheme.together)
        axes: dict[str, tuple[str, ...]] = {}
        for factor in Factors(plan).among(scheme.rails):
            # A rail that lacks a level stays at nominal for it, as it does where all rails take that level.
            wanted = dict.fromkeys(level if level in factor.levels else NOMINAL for level in scheme.levels)
            if set(wanted) != {NOMINAL}:
                axes[factor.rail] = tuple(wanted)
        if not axes:
            reason = f"no rail has a level of {', '.join(scheme.levels)}"
            yield _Wish(name="covering", scheme=scheme.kind, levels={}, reason=reason)
            return
        grid = Grid(plan, axes)
        everywhere = [corner.by_rail() for key, corner in self._found.items() if {} in self._places[key]]
        names: dict[_Key, str] = {}
        for around in surroundings(plan, self._blocks, self._bounds, scheme.conditions, grid):
            result = covered(
                grid,
                scheme.strength,
                everywhere,
                times=scheme.times,
                include=scheme.include,
                conditions=around.levels,
                bounds=around.bounds,
            )
            for impossible in result.impossible:
                name = level_name(impossible.levels) if impossible.levels else "covering"
                name += around.suffix
                yield _Wish(name=name, scheme=scheme.kind, levels=impossible.levels, reason=impossible.reason)
            copies: Counter[tuple[object, ...]] = Counter()
            for levels, at in zip(result.corners, result.conditions, strict=True):
                rails = grid.spelled(levels)
                copy = copies[(*rails.values(), *at.values())]
                copies[(*rails.values(), *at.values())] += 1
                key = (*rails.values(), copy)
                if key in self._found and {} in self._places[key]:
                    continue
                if key not in names:
                    self._coverings += 1
                    names[key] = f"covering {self._coverings}"
                for place in around.places:
                    yield _Wish(name=names[key], scheme=scheme.kind, levels=rails, at={**place, **at}, copy=copy)

    def _screening(self, scheme: Screening) -> Iterator[_Wish]:
        axes = screened(self._factors, scheme)
        if not axes:
            reason = f"no rail has a level of {', '.join(scheme.levels)}"
            yield _Wish(name="screening", scheme=scheme.kind, levels={}, reason=reason)
        for levels in axes:
            self._screenings += 1
            yield _Wish(name=f"screening {self._screenings}", scheme=scheme.kind, levels=levels)

    def _named(self, scheme: NamedCorner) -> _Wish:
        levels: dict[str, str] = {}
        reason = ""
        for rail, level in scheme.levels.items():
            factor = self._factors.of(rail)
            why = self._factors.why_not(rail, level)
            if why is None and factor is not None and levels.setdefault(factor.rail, level) != level:
                why = f"{rail} at {level} and {factor.rail} at {levels[factor.rail]}, but the two are tied"
            reason = reason or why or ""
        return _Wish(name=scheme.name, scheme=scheme.kind, levels=levels, reason=reason)

    def _take(self, wish: _Wish) -> None:
        """Add a corner, or merge it with the one that it equals, or list why it cannot be run."""
        levels = spelled(self._plan, self._factors, wish.levels)
        reason = wish.reason or self._why_not(levels)
        if reason:
            self._refuse(wish.name, wish.scheme, reason)
            return
        key = (*levels.values(), wish.copy)
        known = self._found.get(key)
        places = self._places.setdefault(key, [])
        if wish.at not in places:
            places.append(wish.at)
        if known is None:
            name = wish.name
            while name in self._taken:  # two different corners under one name: the later one says what it is
                name = f"{name} ({level_name(levels)})"
            listed = tuple(RailLevel(rail=rail, level=level) for rail, level in levels.items())
            self._found[key] = Corner(name=name, levels=listed, scheme=wish.scheme)
            self._taken.add(name)
        elif wish.name not in (known.name, *known.aliases):
            self._found[key] = _also(known, wish)
            self._taken.add(wish.name)

    def _trims(self) -> Iterator[Corner]:
        """Spell out the corners of a trim characterisation: they stay apart even where another corner is the same."""
        for name, level, rails in sweeps(self._plan):
            levels = spelled(self._plan, self._factors, dict.fromkeys(rails, level))
            reason = next((why for rail in rails if (why := self._factors.why_not(rail, level))), "")
            reason = reason or self._why_not(levels)
            if reason:
                self._refuse(name, TRIM, reason)
                continue
            own = f"{name} ({TRIM})" if name in self._taken else name
            self._taken.add(own)
            listed = tuple(RailLevel(rail=rail, level=at) for rail, at in levels.items())
            yield Corner(name=own, levels=listed, scheme=TRIM)

    def _why_not(self, levels: Mapping[str, str]) -> str:
        for combination, asked in zip(self._forbidden, self._plan.corners.forbidden, strict=True):
            if combination is not None and all(levels.get(rail) == level for rail, level in combination.items()):
                return f"forbidden: {', '.join(f'{rail} {level}' for rail, level in asked.items())}"
        obstacle = self._passage.obstacle(levels)
        return obstacle.reason if obstacle else ""

    def _by_factor(self, combination: Mapping[str, str]) -> Mapping[str, str] | None:
        """Say a combination by the rails that lead; None if it can never be met."""
        levels: dict[str, str] = {}
        for rail, level in combination.items():
            factor = self._factors.of(rail)
            if factor is None:
                if level != NOMINAL:
                    return None
            elif levels.setdefault(factor.rail, level) != level:
                return None
        return levels


def _tied(plan: Plan, together: Iterable[Sequence[str]]) -> Plan:
    """Tie the rails of each group to the rail that leads its first one."""
    leads: dict[str, str] = {}
    factors = Factors(plan)
    for group in together:
        heads = [factor.rail for factor in factors.among(group)]
        leads |= dict.fromkeys(heads[1:], heads[0] if heads else "")
    if not leads:
        return plan
    rails = tuple(replace(rail, tied_to=leads[rail.name]) if rail.name in leads else rail for rail in plan.rails)
    return replace(plan, rails=rails)


def _is_among(conditions: tuple[ConditionLevel, ...], places: Iterable[Mapping[str, str]]) -> bool:
    here = {item.condition: item.level for item in conditions}
    return any(all(here.get(name) == level for name, level in place.items()) for place in places)


def _also(known: Corner, wish: _Wish) -> Corner:
    """Merge a wish into the corner that it equals; the plan's own name leads."""
    if wish.scheme == "named" and known.scheme != "named":
        return replace(known, name=wish.name, aliases=(known.name, *known.aliases))
    return replace(known, aliases=(*known.aliases, wish.name))


def _within(corner: Corner, conditions: tuple[ConditionLevel, ...]) -> Corner:
    return replace(corner, name=corner.name + conditions_suffix(conditions), conditions=conditions)
