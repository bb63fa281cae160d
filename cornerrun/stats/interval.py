"""An interval as every statistic here returns it, and the checks that they share."""

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

__all__ = ["Interval", "checked_confidence", "checked_count", "finite_array"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Interval:
    """An estimate between two limits, in the unit of the quantity.

    ``estimate`` is None where the data allow none, for example with no trials. A one-sided interval has its other end
    at the end of the quantity's range. ``method`` names how it was found.
    """

    estimate: float | None
    low: float
    high: float
    confidence: float
    method: str

    @property
    def half_width(self) -> float:
        """Half the distance between the limits."""
        return (self.high - self.low) / 2

    def __contains__(self, value: float) -> bool:
        return self.low <= value <= self.high


def checked_confidence(confidence: float) -> float:
    """Return a confidence between 0 and 1, both excluded; ValueError otherwise."""
    if not 0.0 < confidence < 1.0:
        raise ValueError(f"confidence must lie between 0 and 1, both excluded, but is {confidence!r}")
    return float(confidence)


def checked_count(name: str, count: float, *, least: int = 0) -> int:
    """Return a count as an int; ValueError if it is not whole or less than ``least``."""
    if isinstance(count, bool) or not math.isfinite(count) or count != int(count) or count < least:
        raise ValueError(f"{name} must be a whole number not less than {least}, but is {count!r}")
    return int(count)


def finite_array(name: str, values: Iterable[float], *, least: int = 1) -> "NDArray[np.float64]":
    """Return readings as an array; ValueError if one is not finite or there are fewer than ``least``."""
    import numpy as np

    array = np.asarray(values if hasattr(values, "__len__") else list(values), dtype=np.float64)
    if array.ndim != 1:
        raise ValueError(f"{name} must be one-dimensional, but has {array.ndim} dimensions")
    if array.size < least:
        raise ValueError(f"{name} needs at least {least} readings, but has {array.size}")
    if not bool(np.isfinite(array).all()):
        raise ValueError(f"{name} holds a reading that is not finite")
    return array
