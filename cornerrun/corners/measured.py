"""How much of what could go wrong together a plan's corners bring together, whatever schemes chose them."""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass

import numpy as np

from cornerrun.corners.allowed import Constraint, Grid
from cornerrun.corners.around import surroundings
from cornerrun.corners.blocks import bounds, condition_blocks
from cornerrun.corners.cover import bound_by_number, named
from cornerrun.corners.factors import Factors
from cornerrun.corners.feasible import feasible
from cornerrun.corners.model import ConditionLevel, Selection
from cornerrun.corners.nogoods import Nogoods
from cornerrun.corners.tuples import TupleSpace
from cornerrun.plan.model import NOMINAL, Covering, NamedCorner, Plan

__all__ = ["PlanCoverage", "plan_coverage", "varied_conditions"]


@dataclass(frozen=True, kw_only=True, slots=True)
class PlanCoverage:
    """How many combinations of levels of any ``strength`` rails a plan meets in some corner.

    Levels are those off nominal that the plan's schemes name; rails tied together count as one. Conditions that a
    covering scheme varies count beside the rails, with every level. ``total`` counts all combinations, ``feasible``
    those that forbidden combinations and relations leave, ``covered`` those of them that are met. ``infeasible`` tells
    some of the others by rail and level: the first 1000.
    """

    strength: int
    total: int
    feasible: int
    covered: int
    infeasible: tuple[Mapping[str, str], ...] = ()

    @property
    def ratio(self) -> float:
        """The share of the feasible combinations that is met; 1 where nothing is feasible."""
        return self.covered / self.feasible if self.feasible else 1.0


_LISTED = 1000  # chosen: nobody reads further


def plan_coverage(plan: Plan, selection: Selection, *, strength: int) -> PlanCoverage:
    """Count what the corners of a plan cover, at whatever levels of the conditions that no scheme varies.

    A plan with fewer rails than ``strength`` has nothing to cover. PlanError if the combinations are too many to count.
    """
    axes = _axes(plan)
    around = _conditions(plan)
    if len(axes) + len(around) < strength:
        return PlanCoverage(strength=strength, total=0, feasible=0, covered=0)
    # Nominal is not counted, but a rail may have to be there for others to be allowed.
    grid = Grid(plan, {rail: (*levels, NOMINAL) for rail, levels in axes.items()})
    levels = (*grid.levels, *map(len, around.values()))
    space = TupleSpace(levels, strength)
    # Of a condition every level counts: none of its numbers is that of nominal.
    uncounted = np.array([*(count - 1 for count in grid.levels), *(-1 for _ in around)], dtype=np.int64)
    nominals = uncounted[np.repeat(space.columns, space.sizes, axis=0)]
    counted = np.all(space.digits() != nominals, axis=1)
    constraints = [constraint.pairs for constraint in (*grid.constraints(), *_outside(plan, grid, around))]
    if () in constraints:
        possible = np.zeros(space.size, dtype=np.bool_)
    else:
        possible = counted & feasible(space, Nogoods(levels, constraints), np.random.default_rng(0))
    rows = dict.fromkeys(
        (*grid.inside(corner.by_rail()), *_inside(around, corner.conditions)) for corner in selection.corners
    )
    met = space.counts(np.array(list(rows), dtype=np.int64).reshape(len(rows), len(levels))) > 0
    infeasible = np.flatnonzero(counted & ~possible)[:_LISTED].tolist()
    return PlanCoverage(
        strength=strength,
        total=int(counted.sum()),
        feasible=int(possible.sum()),
        covered=int((possible & met).sum()),
        infeasible=tuple(named(grid, around, space.spell(number)) for number in infeasible),
    )


def varied_conditions(plan: Plan) -> tuple[str, ...]:
    """Name the conditions that covering schemes vary: they count beside the rails."""
    varied = {name for scheme in plan.corners.schemes if isinstance(scheme, Covering) for name in scheme.conditions}
    return tuple(one.name for one in plan.conditions if one.name in varied)


def _conditions(plan: Plan) -> dict[str, tuple[str, ...]]:
    """List the levels of the conditions that covering schemes vary."""
    return {one.name: tuple(one.levels) for one in plan.conditions if one.name in varied_conditions(plan)}


def _outside(plan: Plan, grid: Grid, around: Mapping[str, tuple[str, ...]]) -> Iterator[Constraint]:
    """List what rails must not do at any combination of conditions that is visited, in numbers of these factors."""
    groups = [*surroundings(plan, condition_blocks(plan), bounds(plan), tuple(around), grid)]
    common = [bound for bound in groups[0].bounds if all(bound in group.bounds for group in groups)]
    return bound_by_number(grid, around, common)


def _inside(around: Mapping[str, tuple[str, ...]], conditions: Iterable[ConditionLevel]) -> Iterator[int]:
    here = {item.condition: item.level for item in conditions}
    return (levels.index(here[name]) for name, levels in around.items())


def _axes(plan: Plan) -> dict[str, tuple[str, ...]]:
    """List the levels off nominal that the schemes of a plan name, by the rails that lead."""
    factors = Factors(plan)
    named: dict[str, dict[str, None]] = {factor.rail: {} for factor in factors.all}
    for scheme in plan.corners.schemes:
        if isinstance(scheme, NamedCorner):
            wanted = list(scheme.levels.items())
        else:
            rails = getattr(scheme, "rails", None)
            wanted = [(factor.rail, level) for factor in factors.among(rails) for level in scheme.levels]
        for rail, level in wanted:
            factor = factors.of(rail)
            if factor is not None and level in factor.levels and level != NOMINAL:
                named[factor.rail][level] = None
    return {rail: tuple(levels) for rail, levels in named.items() if levels}
