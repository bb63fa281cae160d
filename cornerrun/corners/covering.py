"""Covering arrays: few rows in which every combination of levels of any t factors is met.

Two-level arrays of strength 2 without constraints have the least rows there can be. Others are built, where a
construction is known, or grown row by row, and then shaved by a search; `fewest_rows` tells what no array can go below.
How near the best known sizes that comes is in tests/corners/test_covering.py.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from math import prod

import numpy as np

from cornerrun.corners.constructions import fewest_two_level
from cornerrun.corners.feasible import feasible
from cornerrun.corners.growing import grown
from cornerrun.corners.nogoods import FREE, Combination, Nogoods
from cornerrun.corners.shaving import shaved
from cornerrun.corners.starts import starts
from cornerrun.corners.tuples import Ints, Tuple, TupleSpace
from cornerrun.errors import PlanError

__all__ = ["FREE", "Coverage", "coverage", "covering_array", "fewest_rows"]

_LOOKS = 150_000_000  # chosen: about two seconds of search at most
_LOOKS_PER_TUPLE = 120_000  # chosen: small arrays are searched through long before that


@dataclass(frozen=True, kw_only=True)
class Coverage:
    """What an array meets of the t-tuples of its factors.

    ``total`` counts all tuples, ``feasible`` those that some allowed row holds, ``covered`` those of them that the
    array meets as often as was asked. ``infeasible`` lists the others as (factor, level) pairs.
    """

    strength: int
    total: int
    feasible: int
    covered: int
    infeasible: tuple[Tuple, ...]
    _space: TupleSpace = field(repr=False)
    _missing: Ints = field(repr=False)

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
    levels: Sequence[int],
    *,
    strength: int = 2,
    forbidden: Iterable[Combination] = (),
    include: Iterable[Sequence[int | None]] = (),
    times: int = 1,
    seed: int = 0,
) -> Ints:
    """Build an array, rows x factors, of levels from 0, in which every feasible tuple is met at least ``times`` times.

    ``levels`` holds the number of levels of each factor. No row holds a combination of ``forbidden``: each is a mapping
    or pairs of factor and level, of any length. The rows of ``include`` come first and stay; a level of -1 or None in
    them is open. What is infeasible is left out: `coverage` lists it. The same arguments give the same array.

    PlanError if the forbidden combinations leave no row, if a row of ``include`` holds one, or if an argument names
    what there is not.
    """
    space = TupleSpace(tuple(int(count) for count in levels), strength)
    if times < 1:
        raise PlanError(f"every tuple is met once at least; came times={times}")
    nogoods = Nogoods(space.levels, forbidden)
    rng = np.random.default_rng(seed)
    needs = np.where(feasible(space, nogoods, rng), times, 0).astype(np.int64)
    kept = _included(space, nogoods, include, rng)
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
    array: Iterable[Sequence[int | None]] | Ints,
    levels: Sequence[int],
    *,
    strength: int,
    forbidden: Iterable[Combination] = (),
    times: int = 1,
) -> Coverage:
    """Count what an array covers of what is feasible.

    A row that holds a forbidden combination cannot be run and covers nothing. A level of -1 or None in a row stands for
    one that is none of the factor's own, such as nominal between high and low: its tuples do not count.
    """
    space = TupleSpace(tuple(int(count) for count in levels), strength)
    nogoods = Nogoods(space.levels, forbidden)
    rows = _rows(space, array)
    rows = rows[nogoods.allows(rows)]
    possible = feasible(space, nogoods, np.random.default_rng(0))
    is_met = space.counts(rows) >= times
    return Coverage(
        strength=strength,
        total=space.size,
        feasible=int(possible.sum()),
        covered=int((possible & is_met).sum()),
        infeasible=tuple(space.spell(number) for number in np.flatnonzero(~possible).tolist()),
        _space=space,
        _missing=np.flatnonzero(possible & ~is_met),
    )


def fewest_rows(levels: Sequence[int], strength: int) -> int:
    """Tell a number of rows that no covering array without constraints can go below.

    The product of the greatest numbers of levels; for strength 2 also the proven two-level minimum, since every factor
    can be merged down to two levels; for more, the levels of one factor times what the others need at one strength
    less.
    """
    counts = sorted((int(count) for count in levels if count > 1), reverse=True)
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


def _included(
    space: TupleSpace, nogoods: Nogoods, include: Iterable[Sequence[int | None]], rng: np.random.Generator
) -> Ints:
    """Read the rows that must be in, each once, and fill what they leave open."""
    found: dict[tuple[int, ...], Ints] = {}
    for place, row in enumerate(_rows(space, include)):
        completed = nogoods.completed(row, rng.integers(0, space.levels))
        if completed is None:
            raise PlanError(f"row {place} of those to be included holds a forbidden combination: {row.tolist()}")
        found.setdefault(tuple(completed.tolist()), completed)
    return np.array(list(found.values()), dtype=np.int64).reshape(len(found), len(space.levels))


def _rows(space: TupleSpace, rows: Iterable[Sequence[int | None]] | Ints) -> Ints:
    read = [[FREE if level is None else int(level) for level in row] for row in rows]
    for row in read:
        if len(row) != len(space.levels):
            raise PlanError(f"a row has {len(row)} levels where there are {len(space.levels)} factors: {row}")
        if not all(FREE <= level < count for level, count in zip(row, space.levels, strict=True)):
            raise PlanError(f"a row names a level that its factor does not have: {row}")
    return np.array(read, dtype=np.int64).reshape(len(read), len(space.levels))
