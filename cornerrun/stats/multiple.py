"""P-values of many tests at once, adjusted so that a rail is not convicted by chance."""

from collections.abc import Iterable

from cornerrun.stats.interval import finite_array

__all__ = ["benjamini_hochberg", "holm"]


def holm(p_values: Iterable[float]) -> tuple[float, ...]:
    """Adjust so that the chance of any false finding stays below the level (Holm, Scand. J. Stat. 1979;6:65)."""
    values = _checked(p_values)
    adjusted = [0.0] * len(values)
    greatest = 0.0
    for rank, i in enumerate(sorted(range(len(values)), key=values.__getitem__)):
        greatest = max(greatest, min(1.0, (len(values) - rank) * values[i]))
        adjusted[i] = greatest
    return tuple(adjusted)


def benjamini_hochberg(p_values: Iterable[float]) -> tuple[float, ...]:
    """Adjust so that the share of false findings among all stays below the level (J. R. Stat. Soc. B 1995;57:289)."""
    values = _checked(p_values)
    adjusted = [0.0] * len(values)
    least = 1.0
    for rank, i in reversed(list(enumerate(sorted(range(len(values)), key=values.__getitem__), start=1))):
        least = min(least, values[i] * len(values) / rank)
        adjusted[i] = least
    return tuple(adjusted)


def _checked(p_values: Iterable[float]) -> list[float]:
    values = [float(p) for p in finite_array("p_values", p_values, least=0)]
    if any(not 0 <= p <= 1 for p in values):
        raise ValueError("a p-value lies between 0 and 1")
    return values
