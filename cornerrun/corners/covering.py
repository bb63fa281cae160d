"""Covering arrays: few rows in which every combination of levels of any t factors is met.

Two-level arrays of strength 2 without constraints have the least rows there can be. Others are built, where a
construction is known, or grown row by row, and then shaved by a search; `fewest_rows` tells what no array can go below.
How near the best known sizes that comes is in tests/corners/test_covering.py.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from math import prod

import numpy as np

from cornerrun.corners.array_input import FREE, Combination, Row, read_levels, read_rows, whole
from cornerrun.corners.constructions import fewest_two_level
from cornerrun.corners.feasible import feasible
from cornerrun.corners.growing import grown
from cornerrun.corners.nogoods import Nogoods
from cornerrun.corners.shaving import shaved
from cornerrun.corners.starts import starts
from cornerrun.corners.tuples import ArrayError, Ints, Tuple, TupleSpace

__all__ = ["FREE", "ArrayError", "Coverage", "coverage", "covering_array", "fewest_rows"]

_LOOKS = 150_000_000  # chosen: about two seconds of search at most
_LOOKS_PER_TUPLE = 120_000  # chosen: small arrays are searched through long before that


@dataclass(frozen=True, kw_only=True)
class Coverage:
    """What an array meets of the t-tuples of its factors.

    ``total`` counts all tuples, ``feasible`` those that some allowed row holds, ``covered`` those of them that the
    array meets as often as was asked. ``infeasible`` lists the others as (factor, level) pairs. Iteration gives the two
    counts: ``covered, feasible = coverage(...)``.
    """

    strength: int
    total: int
    feasible: int
    covered: int
    infeasible: tuple[Tuple, ...]
    _space: TupleSpace = field(repr=False)
    _missing: Ints = field(repr=False)

    def __iter__(self) -> Iterator[int]:
        return iter((self.covered, self.feasible))

    @property
    def is_complete(self) -> bool:
        """Whether everything feasible is covered."""
        return self.covered == self.feasible

    @property
    def ratio(self) -> float:
        """The share of the feasible tuples that is covered; 1 where nothing is feasible."""
        return self.covered / self.feasible if self.feasible else 1.0

    def missing(self) -> Iterator[Tuple]:
        """Go through the feasible tuples that are not covered."""
        return (self._space.spell(number) for number in self._missing.tolist())


def covering_array(
    levels: Iterable[int],
    *,
    strength: int = 2,
    forbidden: Iterable[Combination] | None = (),
    include: Iterable[Row] | None = (),
    times: int = 1,
    seed: int = 0,
) -> Ints:
    """Build an array, rows x factors, of levels from 0, in which every feasible tuple is met at least ``times`` times.

    ``levels`` holds the number of levels of each factor; factors and levels count from 0. No row holds a combination of
    ``forbidden``: each is a mapping ``{factor: level}`` or pairs ``((factor, level), ...)``, of any length. The rows of
    ``include`` come first and stay, each once; a level of -1 or None in them is open, as is what a mapping as row does
    not name. What is infeasible is left out: `coverage` lists it. The same arguments give the same array.

    Raises:
        ArrayError: the forbidden combinations leave no row, a row of ``include`` holds one, an argument names what
            there is not or has no such form, or ``strength`` does not lie between 1 and the number of factors. It is a
            PlanError and a ValueError.

    """
    space = TupleSpace(read_levels(levels), whole(strength, "strength"))
    times = whole(times, "times")
    if times < 1:
        raise ArrayError(f"every tuple is met once at least; came times={times}")
    nogoods = Nogoods(space.levels, () if forbidden is None else forbidden)
    rng = np.random.default_rng(seed)
    needs = np.where(feasible(space, nogoods, rng), times, 0).astype(np.int64)
    kept = _included(space, nogoods, () if include is None else include, rng)
    fewest = _fewest(space, needs)
    best: Ints | None = None
    for start in starts(space, kept, times, rng, is_free=not nogoods):
        rows = _finished(space, nogoods, needs, start, kept=len(kept), rng=rng)
        if best is None or len(rows) < len(best):
            best = rows
        if len(best) <= max(fewest, len(kept)):
            break
    assert best is not None
    looks = min(_LOOKS, _LOOKS_PER_TUPLE * space.size)
    return shaved(space, nogoods, needs, best, kept=len(kept), fewest=fewest, looks=looks, rng=rng)


def coverage(
    array: Iterable[Row] | Ints,
    levels: Iterable[int],
    *,
    strength: int,
    forbidden: Iterable[Combination] | None = (),
    times: int = 1,
) -> Coverage:
    """Count what an array covers of what is feasible.

    A row that holds a forbidden combination cannot be run and covers nothing. A level of -1 or None in a row stands for
    one that is none of the factor's own, such as nominal between high and low: its tuples do not count. Where the
    forbidden combinations leave no row, nothing is feasible.

    Raises:
        ArrayError: an argument names what there is not or has no such form, as for `covering_array`.

    """
    space = TupleSpace(read_levels(levels), whole(strength, "strength"))
    times = whole(times, "times")
    nogoods = Nogoods(space.levels, () if forbidden is None else forbidden)
    rows = read_rows(array, space.levels)
    rows = rows[nogoods.allows(rows)]
    has_rows = nogoods.can_hold(())
    possible = feasible(space, nogoods, np.random.default_rng(0)) if has_rows else np.zeros(space.size, dtype=np.bool_)
    is_met = space.counts(rows) >= times
    return Coverage(
        strength=space.strength,
        total=space.size,
        feasible=int(possible.sum()),
        covered=int((possible & is_met).sum()),
        infeasible=tuple(space.spell(number) for number in np.flatnonzero(~possible).tolist()),
        _space=space,
        _missing=np.flatnonzero(possible & ~is_met),
    )


def fewest_rows(levels: Iterable[int], strength: int) -> int:
    """Tell a number of rows that no covering array without constraints can go below.

    The product of the greatest numbers of levels; for strength 2 also the proven two-level minimum, since every factor
    can be merged down to two levels; for more, the levels of one factor times what the others need at one strength
    less.
    """
    counts = sorted((count for count in read_levels(levels) if count > 1), reverse=True)
    strength = min(strength, len(counts))
    if strength == 0:
        return 1
    bound = prod(counts[:strength])
    if strength == 2:
        bound = max(bound, fewest_two_level(len(counts)))
    elif strength > 2:
        bound = max(bound, counts[0] * fewest_rows(counts[1:], strength - 1))
    return bound


def _fewest(space: TupleSpace, needs: Ints) -> int:
    """Tell what no array can go below: by the fullest combination, and by factors among which all is feasible."""
    fullest = int(np.add.reduceat(needs, space.offsets).max())
    whole = np.add.reduceat((needs > 0).astype(np.int64), space.offsets) == space.sizes
    broken = [frozenset(columns) for columns in space.columns[~whole].tolist()]
    among: list[int] = []
    for factor in sorted(range(len(space.levels)), key=lambda one: sum(one in columns for columns in broken)):
        trial = {*among, factor}
        if not any(factor in columns and columns <= trial for columns in broken):
            among.append(factor)
    return max(fullest, fewest_rows([space.levels[factor] for factor in among], space.strength))


def _finished(
    space: TupleSpace, nogoods: Nogoods, needs: Ints, start: Ints, *, kept: int, rng: np.random.Generator
) -> Ints:
    """Bend the rows of a start until they are allowed, then add what is still missing."""
    rows = start.copy()
    for place in np.flatnonzero(~nogoods.allows(rows)).tolist():
        anything = np.full(len(space.levels), FREE, dtype=np.int64)
        completed = nogoods.completed(anything, rows[place])
        assert completed is not None, "`feasible` has found an allowed row"
        rows[place] = completed
    left = np.maximum(needs - space.counts(rows), 0) if len(rows) else needs
    rows = np.vstack([rows, grown(space, nogoods, left, rng)])
    return shaved(space, nogoods, needs, rows, kept=kept, fewest=0, looks=0, rng=rng)


def _included(space: TupleSpace, nogoods: Nogoods, include: Iterable[Row] | Ints, rng: np.random.Generator) -> Ints:
    """Read the rows that must be in, each once, and fill what they leave open."""
    found: dict[tuple[int, ...], Ints] = {}
    for place, row in enumerate(read_rows(include, space.levels)):
        completed = nogoods.completed(row, rng.integers(0, space.levels))
        if completed is None:
            raise ArrayError(f"row {place} of those to be included holds a forbidden combination: {row.tolist()}")
        found.setdefault(tuple(completed.tolist()), completed)
    return np.array(list(found.values()), dtype=np.int64).reshape(len(found), len(space.levels))
