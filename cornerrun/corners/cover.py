"""The covering scheme of a plan: rows of a covering array as levels of rails, and what cannot be met, with reasons."""

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache, partial
from itertools import combinations, product

from cornerrun.corners.allowed import Constraint, Grid, Pairs
from cornerrun.corners.blocks import Bound
from cornerrun.corners.covering import coverage, covering_array
from cornerrun.corners.nogoods import FREE, Nogoods
from cornerrun.errors import PlanError

__all__ = ["Covered", "Impossible", "bound_by_number", "covered", "named"]

Row = tuple[int, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class Impossible:
    """Levels that no corner of the scheme can hold together, and why."""

    levels: Mapping[str, str]
    reason: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Covered:
    """The corners of a covering scheme, as levels of the rails that lead, and the combinations that cannot be.

    ``conditions`` are the levels of the conditions that the scheme varies, one mapping a corner.
    """

    corners: tuple[Mapping[str, str], ...]
    impossible: tuple[Impossible, ...]
    conditions: tuple[Mapping[str, str], ...] = ()


def covered(
    grid: Grid,
    strength: int,
    already: Iterable[Mapping[str, str]] = (),
    *,
    times: int = 1,
    include: Iterable[Mapping[str, str]] = (),
    conditions: Mapping[str, Sequence[str]] | None = None,
    bounds: Iterable[Bound] = (),
) -> Covered:
    """Cover every combination of levels of any ``strength`` factors that some corner can hold, ``times`` times.

    Factors are those of the grid and ``conditions``, levels by name. Corners that are visited anyway (``already``, at
    every combination of the conditions) count, and come first in the result; those of ``include`` follow, filled where
    they are open. A corner that only several relations together rule out is found when it comes up, and forbidden then.
    ``bounds`` must not be met either: they are what rails must not do at levels of these conditions.
    """
    constraints = [*grid.constraints(), *bound_by_number(grid, conditions or {}, bounds)]
    around = {name: tuple(levels) for name, levels in (conditions or {}).items()}
    everywhere = list(product(*(range(len(levels)) for levels in around.values())))
    visited = [(*row, *at) for levels in already if (row := grid.row(levels)) is not None for at in everywhere]
    asked = [(grid.open_row(levels), levels) for levels in include]
    counts = (*grid.levels, *(len(levels) for levels in around.values()))
    strength = min(strength, len(counts))
    while True:
        forbidden = tuple(dict.fromkeys(constraint.pairs for constraint in constraints))
        if () in forbidden:
            reason = next(constraint.reason for constraint in constraints if not constraint.pairs)
            return Covered(corners=(), impossible=(Impossible(levels={}, reason=reason),))
        nogoods = Nogoods(counts, forbidden)
        visited = [row for row in visited if nogoods.can_hold(_set(row))]
        wanted = [(*row, *([FREE] * len(around))) for row, _ in asked if nogoods.can_hold(_set(row))]
        try:
            rows = _array(counts, strength, forbidden, tuple(dict.fromkeys((*visited, *wanted))), times)
        except PlanError as error:
            return Covered(corners=(), impossible=(Impossible(levels={}, reason=str(error)),))
        corners = tuple(grid.named(tuple(enumerate(row[: len(grid.levels)]))) for row in rows)
        found = [obstacle for levels in corners if (obstacle := grid.obstacle(levels)) is not None]
        if found:
            constraints += found
            continue
        refused = [
            Impossible(levels=levels, reason=f"to be included, but {_why(_set(row), constraints)}")
            for row, levels in asked
            if not nogoods.can_hold(_set(row))
        ]
        return Covered(
            corners=corners,
            impossible=(*refused, *_impossible(partial(named, grid, around), counts, strength, rows, constraints)),
            conditions=tuple(_at(around, row[len(grid.levels) :]) for row in rows),
        )


@lru_cache(maxsize=16)  # a plan is selected several times on its way through one command
def _array(
    levels: Row, strength: int, forbidden: tuple[Pairs, ...], include: tuple[Row, ...], times: int
) -> tuple[Row, ...]:
    array = covering_array(levels, strength=strength, forbidden=forbidden, include=include, times=times)
    return tuple(tuple(row) for row in array.tolist())


def _set(row: Row) -> Pairs:
    return tuple((factor, level) for factor, level in enumerate(row) if level != FREE)


def _at(around: Mapping[str, Sequence[str]], row: Row) -> dict[str, str]:
    return {name: levels[place] for (name, levels), place in zip(around.items(), row, strict=True)}


def bound_by_number(grid: Grid, around: Mapping[str, Sequence[str]], bounds: Iterable[Bound]) -> Iterator[Constraint]:
    """Say bounds by numbers, conditions after rails; those that cannot be met here are left out."""
    names = list(around)
    for bound in bounds:
        pairs = grid.pairs(bound.levels)
        is_here = all(name in around and level in around[name] for name, level in bound.conditions.items())
        if pairs is not None and is_here:
            outside = tuple(
                (len(grid.levels) + names.index(name), around[name].index(level))
                for name, level in bound.conditions.items()
            )
            yield Constraint(pairs=(*pairs, *outside), reason=bound.reason)


def named(grid: Grid, around: Mapping[str, Sequence[str]], pairs: Pairs) -> dict[str, str]:
    """Tell levels of rails and conditions by name."""
    rails, names = len(grid.levels), list(around)
    outside = [(names[factor - rails], level) for factor, level in pairs if factor >= rails]
    inside = grid.named([pair for pair in pairs if pair[0] < rails])
    return inside | {name: around[name][level] for name, level in outside}


def _impossible(
    named: Callable[[Pairs], Mapping[str, str]],
    counts: Row,
    strength: int,
    rows: Sequence[Row],
    constraints: Sequence[Constraint],
) -> tuple[Impossible, ...]:
    """Name what cannot be met, each by the fewest levels that already cannot be together."""
    nogoods = Nogoods(counts, [constraint.pairs for constraint in constraints])
    infeasible = coverage(rows, counts, strength=strength, forbidden=nogoods.combinations).infeasible
    least: dict[Pairs, None] = {}
    for pairs in infeasible:
        smaller = (part for size in range(1, strength) for part in combinations(pairs, size))
        least[next((part for part in smaller if not nogoods.can_hold(part)), pairs)] = None
    return tuple(Impossible(levels=named(pairs), reason=_why(pairs, constraints)) for pairs in least)


def _why(pairs: Pairs, constraints: Sequence[Constraint]) -> str:
    for constraint in constraints:
        if set(constraint.pairs) <= set(pairs):
            return constraint.reason
    return "no allowed corner holds it"
