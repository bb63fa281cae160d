"""A plan's constraints in the terms of covering arrays: factors and levels by number, and why each is forbidden."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import product

from cornerrun.corners.factors import Factor, Factors
from cornerrun.corners.nogoods import FREE
from cornerrun.corners.relations import Passage
from cornerrun.plan.model import NOMINAL, Plan

__all__ = ["Constraint", "Grid", "Pairs", "spelled"]

Pairs = tuple[tuple[int, int], ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class Constraint:
    """Levels of factors, by number, that must not be together, and why. No pairs at all: nothing is allowed."""

    pairs: Pairs
    reason: str


class Grid:
    """Some factors of a plan and some of their levels; every other rail is at nominal.

    ``axes`` holds the levels of each factor by name, in the order of their numbers.
    """

    def __init__(self, plan: Plan, axes: Mapping[str, Sequence[str]]) -> None:
        self._plan = plan
        self._factors = Factors(plan)
        self._passage = Passage(plan)
        self.axes = {rail: tuple(levels) for rail, levels in axes.items()}
        self.rails = tuple(self.axes)

    @property
    def levels(self) -> tuple[int, ...]:
        """The number of levels of each factor."""
        return tuple(len(levels) for levels in self.axes.values())

    def named(self, pairs: Sequence[tuple[int, int]]) -> dict[str, str]:
        """Tell levels by rail for factors and levels by number."""
        return {self.rails[factor]: self.axes[self.rails[factor]][level] for factor, level in pairs}

    def row(self, levels: Mapping[str, str]) -> tuple[int, ...] | None:
        """Tell the row that a corner is, by the levels of its rails; None if it is outside this grid."""
        if not all(self._goes_along(rail, level, levels) for rail, level in levels.items() if rail not in self.axes):
            return None
        found = []
        for rail, names in self.axes.items():
            level = levels.get(rail, NOMINAL)
            if level not in names:
                return None
            found.append(names.index(level))
        return tuple(found)

    def _goes_along(self, rail: str, level: str, levels: Mapping[str, str]) -> bool:
        """Whether a rail that is no factor is where the grid has it: at the level of its factor, else at nominal."""
        factor = self._factors.of(rail)
        head = factor.rail if factor is not None else rail
        return level == (levels.get(head, NOMINAL) if head in self.axes else NOMINAL)

    def open_row(self, levels: Mapping[str, str]) -> tuple[int, ...]:
        """Tell the row of some rails' levels, with -1 for what they leave open."""
        named = {(factor.rail if (factor := self._factors.of(r)) else r): level for r, level in levels.items()}
        return tuple(
            (names.index(named[rail]) if named[rail] in names else FREE) if rail in named else FREE
            for rail, names in self.axes.items()
        )

    def inside(self, levels: Mapping[str, str]) -> tuple[int, ...]:
        """Tell the row of a corner, with -1 for each factor whose level is none of its own here."""
        found = ((names, levels.get(rail, NOMINAL)) for rail, names in self.axes.items())
        return tuple(names.index(level) if level in names else FREE for names, level in found)

    def constraints(self) -> Iterator[Constraint]:
        """List what the plan forbids in so many words, and what each relation alone rules out."""
        for combination in self._plan.corners.forbidden:
            pairs = self.pairs(combination)
            if pairs is not None:
                text = ", ".join(f"{rail} {level}" for rail, level in combination.items())
                yield Constraint(pairs=pairs, reason=f"forbidden: {text}")
        for relation in self._passage.relations:
            ends = (self._passage.leader(relation.rail), self._passage.leader(relation.minus))
            heads = [factor.rail for end in ends if (factor := self._factors.of(end)) is not None]
            rails = [rail for rail in dict.fromkeys(heads) if rail in self.axes]
            alone = self._passage.only(relation)
            for levels in product(*(self.axes[rail] for rail in rails)):
                obstacle = alone.obstacle(self.spelled(dict(zip(rails, levels, strict=True))))
                if obstacle is not None:
                    yield Constraint(pairs=self._pairs(dict(zip(rails, levels, strict=True))), reason=obstacle.reason)

    def obstacle(self, levels: Mapping[str, str]) -> Constraint | None:
        """Tell which levels of a row stand in each other's way, all relations taken together; None if none do."""
        found = self._passage.obstacle(self.spelled(levels))
        if found is None:
            return None
        heads = [factor.rail for rail in found.stuck if (factor := self._factors.of(rail)) is not None]
        stuck = {rail: levels.get(rail, NOMINAL) for rail in heads if rail in self.axes}
        return Constraint(pairs=self._pairs(stuck), reason=found.reason)

    def spelled(self, levels: Mapping[str, str]) -> dict[str, str]:
        """Give every commanded rail its level: its own, or that of the rail it is tied to, or nominal."""
        return spelled(self._plan, self._factors, levels)

    def pairs(self, combination: Mapping[str, str]) -> Pairs | None:
        """Say a combination of the plan by numbers; None if it cannot be met here."""
        wanted: dict[str, str] = {}
        for rail, level in combination.items():
            factor = self._factors.of(rail)
            head = factor.rail if factor is not None else rail
            if head not in self.axes:
                if level != NOMINAL:
                    return None
            elif level not in self.axes[head] or wanted.setdefault(head, level) != level:
                return None
        return self._pairs(wanted)

    def _pairs(self, levels: Mapping[str, str]) -> Pairs:
        return tuple((self.rails.index(rail), self.axes[rail].index(level)) for rail, level in levels.items())


def spelled(plan: Plan, factors: Factors, levels: Mapping[str, str]) -> dict[str, str]:
    """Give every commanded rail its level, by the levels of the rails that lead."""
    heads: dict[str, Factor | None] = {rail.name: factors.of(rail.name) for rail in plan.commanded_rails}
    return {rail: levels.get(factor.rail, NOMINAL) if factor else NOMINAL for rail, factor in heads.items()}
