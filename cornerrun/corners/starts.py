"""Arrays to start from: constructions fitted to the factors at hand and to the rows that must be in."""

from collections.abc import Iterator
from itertools import product

import numpy as np

from cornerrun.corners.constructions import bush, kleitman_spencer, prime_power, roux, sperner, squared
from cornerrun.corners.growing import grown
from cornerrun.corners.nogoods import Nogoods
from cornerrun.corners.shaving import shaved
from cornerrun.corners.tuples import Ints, TupleSpace

__all__ = ["starts"]

_GROW_UP_TO = 20_000  # chosen: above so many tuples growing takes seconds, and a construction is no worse
_BASE_LOOKS = 60_000_000  # chosen: half a second for the small array that a larger one is built from


def starts(space: TupleSpace, kept: Ints, times: int, rng: np.random.Generator, *, is_free: bool) -> Iterator[Ints]:
    """Give arrays to start from, the most promising first; each begins with the rows ``kept``.

    They need not be complete. ``is_free`` says that nothing is forbidden, so that a complete one needs nothing more.
    """
    built = [
        np.vstack([kept, *(_fitted(array, space, kept, copy) for copy, array in enumerate(copies))])
        for copies in _constructions(space, kept, times, rng)
    ]
    yield from built
    if not built or not is_free or space.size <= _GROW_UP_TO:
        yield kept


def _constructions(space: TupleSpace, kept: Ints, times: int, rng: np.random.Generator) -> Iterator[list[Ints]]:
    """Build what is known for this strength and these levels, as often as every tuple shall be met."""
    factors, strength, most = len(space.levels), space.strength, max(space.levels)
    order = next(number for number in range(max(most, 2), 2 * most + 2) if prime_power(number))
    if strength == factors:
        every = np.array(list(product(*(range(count) for count in space.levels))), dtype=np.int64)
        yield [every] * times
    elif strength == 1:
        yield [np.arange(most)[:, np.newaxis] % np.array(space.levels)] * times
    elif strength == 2 and most <= 2:
        if len(kept) > 1 and np.any(np.all(kept[1:] != kept[0], axis=1)):
            yield [sperner(factors, rng) for _ in range(times)]
        yield [kleitman_spencer(factors, rng) for _ in range(times)]
    elif factors <= order + 1 and strength <= order:
        yield [bush(order, strength)[:, rng.permutation(order + 1)[:factors]] for _ in range(times)]
    elif strength == 2:
        yield [_wide(factors, order, rng) for _ in range(times)]
    elif strength == 3 and most <= 2:
        yield [roux(factors, rng) for _ in range(times)]


def _wide(factors: int, order: int, rng: np.random.Generator) -> Ints:
    """Build an array of strength 2 for many factors from one for fewer."""
    fewer = -(-factors // order)
    if fewer <= order + 1:
        return squared(bush(order, 2)[:, :fewer], factors, order)
    space = TupleSpace((order,) * fewer, 2)
    nogoods, needs = Nogoods(space.levels), np.ones(space.size, dtype=np.int64)
    options = [_wide(fewer, order, rng)]
    if space.size <= _GROW_UP_TO:
        options.append(grown(space, nogoods, needs, rng))
    least = min(options, key=len)
    base = shaved(space, nogoods, needs, least, kept=0, fewest=order**2, looks=_BASE_LOOKS, rng=rng)
    return squared(base, factors, order)


def _fitted(array: Ints, space: TupleSpace, kept: Ints, copy: int) -> Ints:
    """Rename levels so that the array's first rows are those that must be in, and leave these out; fold excess levels.

    A construction stays one when the levels of a column trade names, and when levels beyond a factor's own become any
    other.
    """
    fitted = array.copy()
    is_matched = 0
    if copy == 0 and len(kept):
        for factor in range(len(space.levels)):
            here, wanted = fitted[0, factor], kept[0, factor]
            column = array[:, factor]
            fitted[column == here, factor] = wanted
            fitted[column == wanted, factor] = here
        is_matched = 1
        if len(fitted) > 1 and np.any(np.all(kept[1:] == fitted[1], axis=1)):
            is_matched = 2
    folded: Ints = fitted[is_matched:] % np.array(space.levels)
    return folded
