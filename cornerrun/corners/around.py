"""What conditions a covering scheme varies, and around what others: one array for all that allow the same."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import product

from cornerrun.corners.allowed import Grid
from cornerrun.corners.blocks import Block, Bound
from cornerrun.plan.model import Plan

__all__ = ["Around", "surroundings"]

_NEVER = "left out: this combination of conditions is not visited"


@dataclass(frozen=True, kw_only=True, slots=True)
class Around:
    """Combinations of conditions that are no factors, at which rails may do the same.

    ``places`` are their levels by name, one empty mapping for everywhere. ``levels`` are those of the conditions that
    are factors, ``bounds`` what must not be together with them. ``suffix`` tells the places in a name.
    """

    places: tuple[Mapping[str, str], ...]
    levels: Mapping[str, tuple[str, ...]]
    bounds: tuple[Bound, ...]
    suffix: str


def surroundings(
    plan: Plan, blocks: Sequence[Block], bounds: Sequence[Bound], factors: Sequence[str], grid: Grid
) -> Iterator[Around]:
    """Go through the groups of combinations of conditions that need arrays of their own: mostly one."""
    visited = [{item.condition: item.level for item in block} for block in blocks]
    levels = {one.name: tuple(one.levels) for one in plan.conditions if one.name in factors}
    groups: dict[tuple[object, ...], tuple[list[Bound], list[Mapping[str, str]]]] = {}
    for outer in dict.fromkeys(tuple((n, level) for n, level in at.items() if n not in factors) for at in visited):
        here = dict(outer)
        inner = [{n: at[n] for n in levels} for at in visited if all(at[n] == level for n, level in outer)]
        found = [
            Bound(levels={}, conditions=at, reason=_NEVER)
            for combination in product(*levels.values())
            if (at := dict(zip(levels, combination, strict=True))) not in inner
        ]
        for bound in bounds:
            rest = {n: level for n, level in bound.conditions.items() if n not in here}
            is_here = all(here.get(n, level) == level for n, level in bound.conditions.items())
            if is_here and (bound.levels or rest) and grid.pairs(bound.levels) is not None:
                found.append(replace(bound, conditions=rest))
        distinct = {_key(bound): bound for bound in reversed(found)}
        groups.setdefault(tuple(distinct), (list(distinct.values()), []))[1].append(here)
    for own, places in groups.values():
        is_everywhere = len(groups) == 1
        told = "; ".join(", ".join(f"{name} {level}" for name, level in place.items()) for place in places)
        yield Around(
            places=({},) if is_everywhere else tuple(places),
            levels=levels,
            bounds=tuple(own),
            suffix="" if is_everywhere else f" @ {told}",
        )


def _key(bound: Bound) -> tuple[object, ...]:
    """Tell what a bound rules out, whatever its reason."""
    return tuple(sorted(bound.levels.items())), tuple(sorted(bound.conditions.items()))
