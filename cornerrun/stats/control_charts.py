"""Limits of control charts, and the constants behind them, computed and not looked up."""

import itertools
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from functools import cache

from cornerrun.stats.interval import checked_count, finite_array

__all__ = [
    "ChartConstants",
    "ControlLimits",
    "chart_constants",
    "count_limits",
    "individuals_limits",
    "mean_limits",
    "moving_range_limits",
    "share_limits",
]


@dataclass(frozen=True, kw_only=True, slots=True)
class ChartConstants:
    """Constants of subgroups of n normal readings: mean (d2) and deviation (d3) of the range, and c4."""

    n: int
    d2: float
    d3: float
    c4: float

    @property
    def a2(self) -> float:
        """From mean range to three standard errors of a subgroup mean."""
        return 3 / (self.d2 * math.sqrt(self.n))

    @property
    def a3(self) -> float:
        """From mean standard deviation to three standard errors of a subgroup mean."""
        return 3 / (self.c4 * math.sqrt(self.n))

    @property
    def range_limits(self) -> tuple[float, float]:
        """The limits of a range as shares of the mean range: D3 and D4."""
        return max(0.0, 1 - 3 * self.d3 / self.d2), 1 + 3 * self.d3 / self.d2

    @property
    def deviation_limits(self) -> tuple[float, float]:
        """The limits of a standard deviation as shares of the mean one: B3 and B4."""
        spread = 3 * math.sqrt(1 - self.c4**2) / self.c4
        return max(0.0, 1 - spread), 1 + spread


@cache
def chart_constants(n: int) -> ChartConstants:
    """Compute the constants of subgroups of ``n``, 2 to 100, by integration over the normal distribution.

    Tables round: D4 of three is printed 2.574 and is 2.5746.
    """
    size = checked_count("n", n, least=2)
    if size > 100:
        raise ValueError(f"subgroups of at most 100, but n is {n!r}")
    import numpy as np
    from scipy import special

    nodes, weights = np.polynomial.legendre.leggauss(160)
    x, w = nodes * 9.0, weights * 9.0
    cdf = special.ndtr(x)
    d2 = float(w @ (1 - cdf**size - special.ndtr(-x) ** size))
    # E[R^2] is twice the integral over x < y of P(least < x and greatest > y); Tippett, Biometrika 1925;17:364.
    square = 0.0
    for i in range(x.size):
        half = (9.0 - x[i]) / 2
        above = special.ndtr(x[i] + half * (1 + nodes))
        row = 1 - above**size - (1 - cdf[i]) ** size + (above - cdf[i]) ** size
        square += 2 * float(w[i]) * float(half * (weights @ row))
    c4 = math.sqrt(2 / (size - 1)) * math.exp(math.lgamma(size / 2) - math.lgamma((size - 1) / 2))
    return ChartConstants(n=size, d2=d2, d3=math.sqrt(square - d2**2), c4=c4)


@dataclass(frozen=True, kw_only=True, slots=True)
class ControlLimits:
    """Centre line and three-sigma limits of a chart, and which points lie beyond (index from 0).

    A point on a limit is not beyond it.
    """

    centre: float
    lower: float
    upper: float
    n: int
    beyond: tuple[int, ...]


def _limits(values: Sequence[float], centre: float, reach: float, *, least: float = -math.inf) -> ControlLimits:
    lower, upper = max(least, centre - reach), centre + reach
    slack = 1e-12 * max(abs(lower) if math.isfinite(lower) else 0.0, abs(upper))
    return ControlLimits(
        centre=centre,
        lower=lower,
        upper=upper,
        n=len(values),
        beyond=tuple(i for i, value in enumerate(values) if value > upper + slack or value < lower - slack),
    )


def count_limits(counts: Iterable[float]) -> ControlLimits:
    """Make a chart of counts of events in equal stretches (c chart): mean plus and minus three of its roots."""
    values = [checked_count("a count", count) for count in counts]
    if not values:
        raise ValueError("a chart needs at least one count")
    centre = sum(values) / len(values)
    return _limits(values, centre, 3 * math.sqrt(centre), least=0.0)


def share_limits(shares: Iterable[float], *, n: int) -> ControlLimits:
    """Make a chart of shares of ``n`` tries each (p chart)."""
    values = [float(share) for share in finite_array("shares", shares)]
    size = checked_count("n", n, least=1)
    if any(not 0 <= share <= 1 for share in values):
        raise ValueError("a share lies between 0 and 1")
    centre = sum(values) / len(values)
    return _limits(values, centre, 3 * math.sqrt(centre * (1 - centre) / size), least=0.0)


def individuals_limits(readings: Iterable[float]) -> ControlLimits:
    """Make a chart of single readings in order of time, from their moving range of two (2.66 times its mean)."""
    values = [float(v) for v in finite_array("readings", readings, least=2)]
    moving = [abs(b - a) for a, b in itertools.pairwise(values)]
    sigma = sum(moving) / len(moving) / chart_constants(2).d2
    return _limits(values, sum(values) / len(values), 3 * sigma)


def moving_range_limits(readings: Iterable[float]) -> ControlLimits:
    """Make the chart beside that of single readings: of their moving range of two (D4 3.267 times its mean).

    It has one point less: ``beyond`` names, from 0, the reading at the end of each jump.
    """
    values = [float(v) for v in finite_array("readings", readings, least=2)]
    moving = [abs(b - a) for a, b in itertools.pairwise(values)]
    centre = sum(moving) / len(moving)
    limits = _limits(moving, centre, centre * (chart_constants(2).range_limits[1] - 1), least=0.0)
    return replace(limits, beyond=tuple(i + 1 for i in limits.beyond))


def mean_limits(subgroups: Iterable[Iterable[float]]) -> ControlLimits:
    """Make a chart of subgroup means from their mean range; all subgroups equally large."""
    groups = [finite_array("subgroup", group, least=2) for group in subgroups]
    if not groups or len({group.size for group in groups}) > 1:
        raise ValueError("a chart of means needs subgroups that are equally large")
    means = [float(group.mean()) for group in groups]
    mean_range = sum(float(group.max() - group.min()) for group in groups) / len(groups)
    return _limits(means, sum(means) / len(means), chart_constants(groups[0].size).a2 * mean_range)
