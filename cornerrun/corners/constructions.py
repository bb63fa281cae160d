"""Covering arrays that are built rather than searched for: no constraints, one number of levels."""

from itertools import combinations, product
from math import comb, isqrt

import numpy as np

from cornerrun.corners.tuples import Ints

__all__ = ["bush", "fewest_two_level", "field_tables", "kleitman_spencer", "prime_power", "roux", "sperner", "squared"]


def fewest_two_level(factors: int) -> int:
    """Tell the proven least number of rows of a two-level array of strength 2.

    The smallest N with C(N-1, ceil(N/2)) >= factors: Kleitman and Spencer, Discrete Mathematics 6 (1973); Katona,
    Periodica Mathematica Hungarica 3 (1973).
    """
    if factors < 2:
        return 2 if factors else 0
    rows = 4
    while comb(rows - 1, (rows + 1) // 2) < factors:
        rows += 1
    return rows


def kleitman_spencer(factors: int, rng: np.random.Generator) -> Ints:
    """Build a two-level array of strength 2 with the least rows there can be; its first row is all ones.

    Its columns are sets of floor(N/2) rows, the first row in each: two of them share a row, neither holds the other,
    and together they leave one out. Sets are chosen so that rows come out about half ones.
    """
    rows = fewest_two_level(factors)
    return np.vstack([np.ones((1, factors), dtype=np.int64), _sets(rows - 1, rows // 2 - 1, factors, rng)])


def sperner(factors: int, rng: np.random.Generator) -> Ints:
    """Build a two-level array of strength 2 whose first two rows are all ones and all zeros.

    The other rows meet one-zero and zero-one: sets of equal size, none of which holds another (Sperner 1928).
    """
    rows = 2 if factors > 1 else 0
    while comb(rows, rows // 2) < factors:
        rows += 1
    ends = np.array([[1] * factors, [0] * factors], dtype=np.int64)
    return np.vstack([ends, _sets(rows, rows // 2, factors, rng)])


def _sets(rows: int, ones: int, count: int, rng: np.random.Generator) -> Ints:
    """Choose different subsets of the rows, of one size, so that every row is in about as many of them."""
    wanted = list(combinations(range(rows), ones))
    order = rng.permutation(len(wanted))
    used = np.zeros(rows, dtype=np.int64)
    left = [wanted[i] for i in order]
    found = np.zeros((rows, count), dtype=np.int64)
    for column in range(count):
        window = left[:64]  # chosen: enough to keep rows even, few enough to be quick among hundreds of sets
        best = min(
            range(len(window)), key=lambda i: int(sum((used[row] + 1) ** 2 - used[row] ** 2 for row in window[i]))
        )
        for row in left.pop(best):
            found[row, column] = 1
            used[row] += 1
    return found


def prime_power(number: int) -> tuple[int, int] | None:
    """Split a number into (prime, exponent); None if it is no power of a prime."""
    for prime in range(2, isqrt(number) + 1):
        if number % prime == 0:
            exponent = 0
            while number % prime == 0:
                number, exponent = number // prime, exponent + 1
            return (prime, exponent) if number == 1 else None
    return (number, 1) if number > 1 else None


def bush(levels: int, strength: int) -> Ints:
    """Build the orthogonal array of all polynomials of degree below ``strength`` over the field of ``levels`` elements.

    Its columns are the leading coefficient, then the value at each element: ``levels + 1`` factors, ``levels **
    strength`` rows, every tuple exactly once (Bush, Annals of Mathematical Statistics 23, 1952). ``levels`` must be a
    power of a prime, not below ``strength``.
    """
    add, times = field_tables(levels)
    coefficients = np.array(list(product(range(levels), repeat=strength)), dtype=np.int64)
    columns = [coefficients[:, 0]]
    for point in range(levels):
        value = np.zeros(len(coefficients), dtype=np.int64)
        for place in range(strength):  # Horner's rule, leading coefficient first
            value = add[times[value, point], coefficients[:, place]]
        columns.append(value)
    return np.stack(columns, axis=1)


def squared(array: Ints, factors: int, levels: int) -> Ints:
    """Widen an array of strength 2 to ``levels`` times its columns with ``levels * (levels - 1)`` more rows.

    Each column is repeated; two copies of one column then lack only unequal levels, which lines of slope other than
    zero over the field give: a product of arrays (Stevens and Mendelsohn, Journal of Combinatorial Designs 7, 1999).
    """
    sloped = bush(levels, 2)
    sloped = sloped[sloped[:, 0] != 0, 1:]
    copies = -(-factors // array.shape[1])
    return np.vstack([np.repeat(array, copies, axis=1), np.tile(sloped[:, :copies], (1, array.shape[1]))])[:, :factors]


def roux(factors: int, rng: np.random.Generator) -> Ints:
    """Build a two-level array of strength 3.

    Up to 4 factors by parity, up to 11 from the Paley matrix of order 12 (Paley 1933; as a design Plackett and Burman,
    Biometrika 33, 1946); more by doubling: an array of strength 3 twice side by side, over one of strength 2 beside its
    complement (Roux 1987; Sloane, Journal of Combinatorial Designs 1, 1993).
    """
    if factors <= 4:
        rows = np.array(list(product((0, 1), repeat=3)), dtype=np.int64)
        return np.column_stack([rows, rows.sum(axis=1) % 2])[:, :factors]
    if factors <= 11:
        squares = {i * i % 11 for i in range(1, 11)}
        core = [[1 if (column - row) % 11 in squares else 0 for column in range(11)] for row in range(11)]
        return np.array([*core, [1] * 11], dtype=np.int64)[:, :factors]
    half = -(-factors // 2)
    three, two = roux(half, rng), kleitman_spencer(half, rng)
    return np.vstack([np.hstack([three, three]), np.hstack([two, 1 - two])])[:, :factors]


def field_tables(order: int) -> tuple[Ints, Ints]:
    """Build the addition and multiplication tables of the field with ``order`` elements."""
    split = prime_power(order)
    assert split is not None
    prime, exponent = split
    digits = [[number // prime**place % prime for place in range(exponent)] for number in range(order)]
    add = np.array(
        [[_joined([(a + b) % prime for a, b in zip(x, y, strict=True)], prime) for y in digits] for x in digits]
    )
    for low in range(order):  # try every monic polynomial until one gives a field, which is when no product is zero
        modulus = digits[low]
        times = np.array([[_joined(_product(x, y, modulus, prime), prime) for y in digits] for x in digits])
        if np.all(times[1:, 1:] != 0):
            return add.astype(np.int64), times.astype(np.int64)
    raise AssertionError(f"no field of order {order}")


def _product(x: list[int], y: list[int], modulus: list[int], prime: int) -> list[int]:
    """Multiply two polynomials, lowest coefficient first, modulo x^n + modulus."""
    size = len(x)
    result = [0] * (2 * size - 1)
    for i, a in enumerate(x):
        for j, b in enumerate(y):
            result[i + j] += a * b
    for top in range(2 * size - 2, size - 1, -1):
        for place, coefficient in enumerate(modulus):
            result[top - size + place] -= result[top] * coefficient
    return [value % prime for value in result[:size]]


def _joined(digits: list[int], prime: int) -> int:
    return sum(digit * prime**place for place, digit in enumerate(digits))
