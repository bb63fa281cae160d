"""Covering arrays row by row: each row the one, of several tried, that meets the most of what is still missing."""

import numpy as np
from numpy.typing import NDArray

from cornerrun.corners.nogoods import FREE, Nogoods
from cornerrun.corners.tuples import Ints, TupleSpace

__all__ = ["grown"]

Bools = NDArray[np.bool_]

_TRIES = 12  # chosen: more tries save a row now and then, and cost time in every row
_SWEEPS = 3  # chosen: later sweeps hardly change a level


def grown(space: TupleSpace, nogoods: Nogoods, needs: Ints, rng: np.random.Generator) -> Ints:
    """Find rows that meet each tuple as often as ``needs`` says; only what some allowed row holds may be needed."""
    needs = needs.copy()
    rows: list[Ints] = []
    while len(left := np.flatnonzero(needs > 0)):
        tried = _tried(space, nogoods, needs > 0, rng.choice(left, _TRIES), rng)
        met = space.numbers(tried)
        best = int(np.argmax((needs[met] > 0).sum(axis=1)))
        rows.append(tried[best])
        needs[met[best]] = np.maximum(needs[met[best]] - 1, 0)
    return np.array(rows, dtype=np.int64).reshape(len(rows), len(space.levels))


def _tried(space: TupleSpace, nogoods: Nogoods, wanted: Bools, cores: Ints, rng: np.random.Generator) -> Ints:
    """Build a row around each of these tuples, then improve all of them factor by factor."""
    partial = np.full((len(cores), len(space.levels)), FREE, dtype=np.int64)
    for row, number in zip(partial, cores.tolist(), strict=True):
        for factor, level in space.spell(number):
            row[factor] = level
    fixed = partial != FREE
    rows = np.where(fixed, partial, rng.integers(0, space.levels, partial.shape))
    if nogoods:
        for place, row in enumerate(partial):
            completed = nogoods.completed(row, rows[place])
            assert completed is not None, "needed tuples are feasible"
            rows[place] = completed
    for _ in range(_SWEEPS):
        is_better = False
        for factor in rng.permutation(len(space.levels)).tolist():
            gains = _gains(space, wanted, rows, factor)
            here = np.take_along_axis(gains, rows[:, factor : factor + 1], axis=1)[:, 0]
            gains[fixed[:, factor]] = -1
            for place in np.flatnonzero(gains.max(axis=1) > here).tolist():
                for level in np.argsort(-gains[place], kind="stable").tolist():
                    if gains[place, level] <= here[place]:
                        break
                    if not nogoods or nogoods.allows_change(rows[place], factor, level):
                        rows[place, factor] = level
                        is_better = True
                        break
        if not is_better:
            break
    return rows


def _gains(space: TupleSpace, wanted: Bools, rows: Ints, factor: int) -> Ints:
    """Count the wanted tuples that each row would meet with each level of a factor: rows x levels."""
    where, weights = space.having[factor]
    base = np.broadcast_to(space.offsets[where], (len(rows), len(where))).copy()
    for place in range(space.strength):
        columns = space.columns[where, place]
        base += np.where(columns == factor, 0, rows[:, columns]) * space.weights[where, place]
    return np.stack([wanted[base + level * weights].sum(axis=1) for level in range(space.levels[factor])], axis=1)
