"""Screening for boards that are unlike the others though within specification (part average testing)."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from cornerrun.stats.control_charts import ControlLimits, count_limits, individuals_limits, mean_limits, share_limits
from cornerrun.stats.interval import finite_array

__all__ = [
    "ControlLimits",
    "PartAverageLimits",
    "count_limits",
    "individuals_limits",
    "lot_limits",
    "mean_limits",
    "part_average_limits",
    "share_limits",
]

# AEC-Q001 divides by 1.35 (from memory; two public implementations agree). The exact ratio is 1.3489795.
_QUARTILES_PER_SIGMA = 1.35
_SIGMAS = 6.0
_ENOUGH = 30  # common practice: fewer readings leave robust limits too loose to be trusted


@dataclass(frozen=True, kw_only=True, slots=True)
class PartAverageLimits:
    """Robust limits: median plus and minus six robust standard deviations.

    With ``sigma`` 0, half of the readings or more are equal, and anything else lies outside. ``is_thin``: fewer
    readings than such limits should be built on.
    """

    low: float
    high: float
    median: float
    sigma: float
    n: int

    @property
    def is_thin(self) -> bool:
        """Whether the limits stand on fewer than thirty readings."""
        return self.n < _ENOUGH

    def outliers(self, readings: Iterable[float]) -> tuple[int, ...]:
        """Tell which readings, counted from 0, lie outside; one on a limit does not.

        For a board under test the limits must come from others: one that helps to set its limits hides itself.
        """
        return tuple(
            i for i, value in enumerate(finite_array("readings", readings)) if not self.low <= value <= self.high
        )


def part_average_limits(readings: Iterable[float], *, sigmas: float = _SIGMAS) -> PartAverageLimits:
    """Set static limits from the readings of accepted boards of several lots, one reading a board.

    The robust mean is the median, the robust standard deviation (Q3 - Q1) / 1.35 (AEC-Q001). Quartiles interpolate
    linearly between order statistics (definition 7 of Hyndman & Fan, Am. Stat. 1996;50:361).

    Raises:
        ValueError: fewer than four readings, one that is not finite, or ``sigmas`` not positive.

    """
    import numpy as np

    values = finite_array("readings", readings, least=4)
    if not sigmas > 0:
        raise ValueError(f"sigmas must be positive, but is {sigmas!r}")
    first, median, third = (float(q) for q in np.quantile(values, [0.25, 0.5, 0.75], method="linear"))
    sigma = (third - first) / _QUARTILES_PER_SIGMA
    return PartAverageLimits(
        low=median - sigmas * sigma, high=median + sigmas * sigma, median=median, sigma=sigma, n=int(values.size)
    )


def lot_limits(
    lots: Mapping[str, Iterable[float]], *, static: PartAverageLimits | None = None, sigmas: float = _SIGMAS
) -> Mapping[str, PartAverageLimits]:
    """Set dynamic limits, one a lot, from that lot's own readings; never wider than ``static`` where that is given."""
    limits = {}
    for name, readings in lots.items():
        own = part_average_limits(readings, sigmas=sigmas)
        if static is not None:
            own = PartAverageLimits(
                low=max(own.low, static.low),
                high=min(own.high, static.high),
                median=own.median,
                sigma=own.sigma,
                n=own.n,
            )
        limits[name] = own
    return limits
