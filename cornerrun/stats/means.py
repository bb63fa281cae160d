"""The mean of readings with its interval."""

import math
from collections.abc import Iterable

from cornerrun.stats.distributions import t_quantile
from cornerrun.stats.interval import Interval, checked_confidence, finite_array

__all__ = ["mean_interval"]


def mean_interval(readings: Iterable[float], *, confidence: float = 0.95) -> Interval:
    """Bound the mean of independent readings by Student's t; at least two readings.

    Raises:
        ValueError: fewer than two readings, or one that is not finite.

    """
    values = finite_array("readings", readings, least=2)
    mean = float(values.mean())
    error = float(values.std(ddof=1)) / math.sqrt(values.size)
    reach = t_quantile(0.5 + checked_confidence(confidence) / 2, values.size - 1) * error
    return Interval(estimate=mean, low=mean - reach, high=mean + reach, confidence=confidence, method="t")
