"""Covering arrays: rows and seconds beside the best known sizes and two libraries, all in one run.

`python tests/benchmarks/covering.py` from the checkout. The libraries (allpairspy, covertable) are measured where they
are installed: `pip install allpairspy covertable`. Every array is counted directly; "misses" are feasible combinations
that it lacks, and rows that hold a forbidden combination.

Best known sizes: Kleitman and Spencer (1973) and Katona (1973) for two levels at strength 2, exact; Colbourn's covering
array tables (state of November 2024, as kept in github.com/ugroempi/CAs) where they were at hand; else none is given.
"""

import importlib
import time
from collections.abc import Callable, Mapping, Sequence

import numpy as np

from cornerrun.corners.constructions import fewest_two_level
from cornerrun.corners.covering import coverage, covering_array, fewest_rows
from cornerrun.corners.nogoods import Nogoods

Forbidden = Sequence[Mapping[int, int]]
Generator = Callable[[Sequence[int], int, Forbidden], Sequence[Sequence[int]]]

TWO_LEVEL_3 = {8: 12, 11: 12, 12: 15, 14: 16, 16: 17, 20: 18, 24: None, 32: None, 44: None}
THREE_LEVEL_2 = {4: 9, 5: 11, 7: 12, 9: 13, 10: 14, 20: 15, 21: 16, 30: None, 40: None}


def ours(levels: Sequence[int], strength: int, forbidden: Forbidden) -> Sequence[Sequence[int]]:
    return [list(map(int, row)) for row in covering_array(levels, strength=strength, forbidden=forbidden)]


def by_allpairspy(levels: Sequence[int], strength: int, forbidden: Forbidden) -> Sequence[Sequence[int]]:
    module = importlib.import_module("allpairspy")

    def is_allowed(row: Sequence[int]) -> bool:
        return not any(all(f < len(row) and row[f] == level for f, level in one.items()) for one in forbidden)

    return list(module.AllPairs([list(range(count)) for count in levels], n=strength, filter_func=is_allowed))


def by_covertable(levels: Sequence[int], strength: int, forbidden: Forbidden) -> Sequence[Sequence[int]]:
    module = importlib.import_module("covertable")
    if forbidden:
        raise NotImplementedError("constraints are stated in another way there")
    found: Sequence[Sequence[int]] = module.make([list(range(count)) for count in levels], strength=strength)
    return found


def constraints(factors: int, levels: int, count: int) -> Forbidden:
    """Draw forbidden combinations of two to four factors; the row of zeros stays allowed."""
    rng = np.random.default_rng(factors * 1000 + count)
    found: list[dict[int, int]] = []
    while len(found) < count:
        chosen = rng.choice(factors, int(rng.integers(2, 5)), replace=False).tolist()
        combination = {factor: int(rng.integers(levels)) for factor in chosen}
        if any(combination.values()):
            found.append(combination)
    return found


def cases() -> list[tuple[str, list[int], int, Forbidden, int | None]]:
    two = [(f"2^{k}, strength 2", [2] * k, 2, (), fewest_two_level(k)) for k in (8, 16, 32, 64, 128)]
    three = [(f"2^{k}, strength 3", [2] * k, 3, (), best) for k, best in TWO_LEVEL_3.items()]
    ternary = [(f"3^{k}, strength 2", [3] * k, 2, (), best) for k, best in THREE_LEVEL_2.items()]
    mixed = [
        ("4 3^3 2^4, strength 2", [4, *[3] * 3, *[2] * 4], 2, (), None),
        ("3^6 2^20, strength 2", [*[3] * 6, *[2] * 20], 2, (), None),
        ("5 4 3 2^6, strength 3", [5, 4, 3, *[2] * 6], 3, (), None),
    ]
    bound = [
        (f"{v}^{k}, strength {t}, {n} constraints", [v] * k, t, constraints(k, v, n), None)
        for n in (5, 20, 100)
        for k, v, t in ((32, 2, 2), (20, 3, 2), (20, 2, 3))
    ]
    return [*two, *three, *ternary, *mixed, *bound]


def measured(make: Generator, levels: Sequence[int], strength: int, forbidden: Forbidden) -> str:
    started_s = time.perf_counter()
    try:
        rows = make(levels, strength, forbidden)
    except (ImportError, NotImplementedError):
        return f"{'-':>5} {'-':>8} {'-':>7}"
    took_s = time.perf_counter() - started_s
    found = coverage(rows, levels, strength=strength, forbidden=forbidden)
    allowed = Nogoods(levels, forbidden).allows(np.array(rows, dtype=np.int64).reshape(len(rows), len(levels)))
    misses = found.feasible - found.covered + int((~allowed).sum())
    return f"{len(rows):>5} {took_s:>7.2f}s {misses:>7}"


def main() -> None:
    print(f"{'':42} {'best':>5} {'bound':>5} | {'ours':^22} | {'allpairspy':^22} | {'covertable':^22}")
    print(f"{'':54} | " + " | ".join([f"{'rows':>5} {'time':>8} {'misses':>7}"] * 3))
    for name, levels, strength, forbidden, best in cases():
        bound = "" if forbidden else str(fewest_rows(levels, strength))
        is_slow = len(levels) > 64 or (strength > 2 and len(levels) > 24)
        columns = [measured(ours, levels, strength, forbidden)]
        for library in (by_allpairspy, by_covertable):
            columns.append(f"{'slow':>22}" if is_slow else measured(library, levels, strength, forbidden))
        print(f"{name:42} {best or '':>5} {bound:>5} | " + " | ".join(columns), flush=True)


if __name__ == "__main__":
    main()
