"""Which tuples any allowed row can hold at all."""

import numpy as np

from cornerrun.corners.nogoods import FREE, Nogoods
from cornerrun.corners.tuples import ArrayError, TupleSpace

__all__ = ["feasible"]

_SAMPLES = 256  # chosen: random allowed rows prove most tuples at once; the search proves the others one by one


def feasible(
    space: TupleSpace, nogoods: Nogoods, rng: np.random.Generator
) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    """Tell for each tuple whether some row holds it and nothing forbidden. ArrayError if no row is allowed at all."""
    found = np.ones(space.size, dtype=np.bool_)
    if not nogoods:
        return found
    found[:] = False
    anything = np.full(len(space.levels), FREE, dtype=np.int64)
    for _ in range(_SAMPLES):
        row = nogoods.completed(anything, rng.integers(0, space.levels))
        if row is None:
            raise ArrayError("the forbidden combinations leave no row at all")
        found[space.numbers(row[np.newaxis])[0]] = True
    constrained = set(nogoods.factors)
    known: dict[tuple[tuple[int, int], ...], bool] = {}
    for number in np.flatnonzero(~found).tolist():
        # What no combination names can be set to anything: only the rest of a tuple decides.
        pairs = tuple(pair for pair in space.spell(number) if pair[0] in constrained)
        if pairs not in known:
            known[pairs] = nogoods.can_hold(pairs)
        found[number] = known[pairs]
    return found
