"""The covering scheme of a plan: rows of a covering array as levels of rails, and what cannot be met, with reasons."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import combinations

from cornerrun.corners.allowed import Constraint, Grid, Pairs
from cornerrun.corners.covering import coverage, covering_array
from cornerrun.corners.nogoods import Nogoods
from cornerrun.errors import PlanError

__all__ = ["Covered", "Impossible", "covered"]

Row = tuple[int, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class Impossible:
    """Levels that no corner of the scheme can hold together, and why."""

    levels: Mapping[str, str]
    reason: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Covered:
    """The corners of a covering scheme, as levels of the rails that lead, and the combinations that cannot be."""

    corners: tuple[Mapping[str, str], ...]
    impossible: tuple[Impossible, ...]


def covered(grid: Grid, strength: int, already: Iterable[Mapping[str, str]] = ()) -> Covered:
    """Cover every combination of levels of any ``strength`` factors of a grid that some corner can hold.

    Corners that are visited anyway (``already``) count, and come first in the result. A corner that only several
    relations together rule out is found when it comes up, and forbidden then.
    """
    constraints = list(grid.constraints())
    include = tuple(dict.fromkeys(row for levels in already if (row := grid.row(levels)) is not None))
    strength = min(strength, len(grid.levels))
    while True:
        forbidden = tuple(dict.fromkeys(constraint.pairs for constraint in constraints))
        if () in forbidden:
            reason = next(constraint.reason for constraint in constraints if not constraint.pairs)
            return Covered(corners=(), impossible=(Impossible(levels={}, reason=reason),))
        try:
            rows = _array(grid.levels, strength, forbidden, include)
        except PlanError as error:
            return Covered(corners=(), impossible=(Impossible(levels={}, reason=str(error)),))
        corners = tuple(grid.named(tuple(enumerate(row))) for row in rows)
        found = [obstacle for levels in corners if (obstacle := grid.obstacle(levels)) is not None]
        if not found:
            return Covered(corners=corners, impossible=_impossible(grid, strength, rows, constraints))
        constraints += found


@lru_cache(maxsize=16)  # a plan is selected several times on its way through one command
def _array(levels: Row, strength: int, forbidden: tuple[Pairs, ...], include: tuple[Row, ...]) -> tuple[Row, ...]:
    array = covering_array(levels, strength=strength, forbidden=forbidden, include=include)
    return tuple(tuple(row) for row in array.tolist())


def _impossible(
    grid: Grid, strength: int, rows: Sequence[Row], constraints: Sequence[Constraint]
) -> tuple[Impossible, ...]:
    """Name what cannot be met, each by the fewest levels that already cannot be together."""
    nogoods = Nogoods(grid.levels, [constraint.pairs for constraint in constraints])
    infeasible = coverage(rows, grid.levels, strength=strength, forbidden=nogoods.combinations).infeasible
    least: dict[Pairs, None] = {}
    for pairs in infeasible:
        smaller = (part for size in range(1, strength) for part in combinations(pairs, size))
        least[next((part for part in smaller if not nogoods.can_hold(part)), pairs)] = None
    return tuple(Impossible(levels=grid.named(pairs), reason=_why(pairs, constraints)) for pairs in least)


def _why(pairs: Pairs, constraints: Sequence[Constraint]) -> str:
    for constraint in constraints:
        if set(constraint.pairs) <= set(pairs):
            return constraint.reason
    return "no allowed corner holds it"
