"""What a meter's specification says of one reading."""

import math
from collections.abc import Iterable
from dataclasses import dataclass

from cornerrun.stats.uncertainty import Component, rectangular

__all__ = ["MeterSpecification", "specification_for_age"]


@dataclass(frozen=True, kw_only=True, slots=True)
class MeterSpecification:
    """Limits of error: plus and minus shares of reading and of range, for so long after a calibration.

    ``coverage`` is the coverage factor that the maker states; None means limits without a statement of probability,
    which is a rectangular distribution (JCGM 100:2008, 4.3.7). Outside ``calibration_degc`` plus and minus
    ``span_degc`` the temperature coefficients, shares a kelvin, are added. ``valid_for_s`` None sets no time.
    """

    reading_ratio: float
    range_ratio: float
    coverage: float | None = None
    reading_ratio_per_k: float = 0.0
    range_ratio_per_k: float = 0.0
    calibration_degc: float = 23.0
    span_degc: float = 5.0
    valid_for_s: float | None = None

    def __post_init__(self) -> None:
        ratios = (self.reading_ratio, self.range_ratio, self.reading_ratio_per_k, self.range_ratio_per_k)
        if any(not math.isfinite(ratio) or ratio < 0 for ratio in ratios):
            raise ValueError("a share of reading or of range is finite and not negative")
        if self.coverage is not None and not 0 < self.coverage < math.inf:
            raise ValueError(f"a coverage factor is positive, but is {self.coverage!r}")

    def _kelvin_outside(self, temperature_degc: float | None) -> float:
        if temperature_degc is None:
            return 0.0
        return max(0.0, abs(temperature_degc - self.calibration_degc) - self.span_degc)

    def gain_limit_ratio(self, *, temperature_degc: float | None = None) -> float:
        """Tell the limit of the error that grows with the reading, as a share of it."""
        return self.reading_ratio + self.reading_ratio_per_k * self._kelvin_outside(temperature_degc)

    def offset_limit(self, range_value: float, *, temperature_degc: float | None = None) -> float:
        """Tell the limit of the error that stays the same over a range, in the unit of the range."""
        share = self.range_ratio + self.range_ratio_per_k * self._kelvin_outside(temperature_degc)
        return share * abs(range_value)

    def limit(self, reading: float, range_value: float, *, temperature_degc: float | None = None) -> float:
        """Tell the limit of error of a reading on a range, in the unit of both."""
        gain = self.gain_limit_ratio(temperature_degc=temperature_degc) * abs(reading)
        return gain + self.offset_limit(range_value, temperature_degc=temperature_degc)

    def standard(self, limit: float) -> float:
        """Turn a limit of error into a standard uncertainty."""
        return rectangular(limit) if self.coverage is None else limit / self.coverage

    def component(
        self, reading: float, range_value: float, *, temperature_degc: float | None = None, name: str = "meter"
    ) -> Component:
        """Make the component of a budget: systematic, so repeats do not make it smaller."""
        limit = self.limit(reading, range_value, temperature_degc=temperature_degc)
        return Component(name, self.standard(limit), math.inf)


def specification_for_age(specifications: Iterable[MeterSpecification], age_s: float) -> MeterSpecification:
    """Choose the specification with the shortest time since calibration that still holds at ``age_s``.

    Raises:
        ValueError: the meter is past all of them, so that no specification holds.

    """
    holding = [s for s in specifications if s.valid_for_s is None or age_s <= s.valid_for_s]
    if not holding:
        raise ValueError(f"no specification holds {age_s / 86400:.0f} days after calibration: calibrate the meter")
    return min(holding, key=lambda s: math.inf if s.valid_for_s is None else s.valid_for_s)
