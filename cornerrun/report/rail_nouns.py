"""The nouns of reports that say how rails did: margins, accuracy, drift.

SI units in every name. An `Interval` carries estimate, both limits and confidence; counts stand beside it. None always
means "not measured" or "cannot be told", never zero.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from cornerrun.plan.model import HardLimits
from cornerrun.results.records import Outcome
from cornerrun.stats.interval import Interval

__all__ = ["BudgetRow", "ControlDrift", "Margin", "RailSummary", "TrimLevel", "TrimSummary"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Margin:
    """How far one measured voltage lay from one limit; ``distance_v`` is negative where it lay beyond.

    ``limit`` says which: "window", "hard limit" or "relation" (then ``rail`` reads "A - B"). ``measured_by`` is "meter"
    or "telemetry"; ``expanded_v`` is the meter's expanded uncertainty (95 %), None for telemetry. ``distance_ratio`` is
    a share of the target, for a relation of the lesser of the two nominals. ``distance_sigma`` is in standard
    deviations of this rail's repeated readings.
    """

    rail: str
    corner: str
    visit: int
    level: str
    limit: Literal["window", "hard limit", "relation"]
    side: Literal["low", "high"]
    measured_v: float
    limit_v: float
    distance_v: float
    distance_ratio: float
    measured_by: Literal["meter", "telemetry"]
    expanded_v: float | None
    distance_sigma: float | None


@dataclass(frozen=True, kw_only=True, slots=True)
class RailSummary:
    """One rail over all visits that are not void.

    ``window`` and ``hard_limit`` are its smallest margins. ``least_seen_v`` and ``greatest_seen_v`` are of everything
    that the supervisor saw, moves included, in ``samples``. ``telemetry_error`` bounds the mean of device reading less
    meter reading, in volts, by t over ``telemetry_error_n`` visits; ``worst_telemetry_error_v`` is the largest.
    """

    rail: str
    nominal_v: float
    levels: Mapping[str, float]
    hard_limits: HardLimits
    is_commanded: bool
    is_moved: bool
    visits: int
    moves: int
    outcomes: Mapping[Outcome, int]
    longest_settle_s: float | None
    window: Margin | None
    hard_limit: Margin | None
    least_seen_v: float | None
    greatest_seen_v: float | None
    samples: int
    telemetry_error_v: Interval | None
    worst_telemetry_error_v: float | None
    telemetry_error_n: int


@dataclass(frozen=True, kw_only=True, slots=True)
class TrimLevel:
    """One setpoint of a rail: mean trim error (reference reading less setpoint) with its expanded uncertainty.

    ``meter_limit_v`` is the meter's specification there. ``claim_v`` is the claim in volts.
    """

    level: str
    target_v: float
    setpoint_v: float
    n: int
    mean_error_v: float
    largest_error_v: float
    expanded_v: float
    meter_limit_v: float | None
    claim_v: float | None

    @property
    def mean_error_ratio(self) -> float:
        """The mean trim error as a share of the setpoint."""
        return self.mean_error_v / abs(self.setpoint_v)

    @property
    def expanded_ratio(self) -> float:
        """Its expanded uncertainty as a share of the setpoint."""
        return self.expanded_v / abs(self.setpoint_v)


@dataclass(frozen=True, kw_only=True, slots=True)
class BudgetRow:
    """One part of the uncertainty of a trim error, in volts; infinite degrees of freedom are None."""

    name: str
    standard_v: float
    degrees_of_freedom: float | None


@dataclass(frozen=True, kw_only=True, slots=True)
class TrimSummary:
    """Trim accuracy of one rail.

    ``status`` is "measured", "not measured" (no meter, or no reading of it) or "not commanded"; ``why`` says more.
    ``claim`` is "met" only with the expanded uncertainty counted against it, and "not measured" without a meter.
    ``worst_error`` is a share of the setpoint, at ``worst_setpoint_v``. ``quantisation_v`` is the largest distance of a
    setpoint from its target: it belongs to the register, not to the trim. ``excluded`` counts readings left out
    (unsettled, disputed, void). ``meter_limit_v`` is the meter's specification at the worst setpoint.

    ``is_characterised``: the readings are those of the plan's characterisation; ``others`` counts those at other
    corners, which then do not count. ``lowest_v`` and ``highest_v`` are the setpoints at the ends. ``drift_v`` is how
    far nominal moved while they were taken: told, never subtracted. ``step_v`` is the register's step. ``declared``
    names the parts of the uncertainty that the plan declares. ``budget`` and ``coverage_factor`` (k) are those of the
    worst setpoint.
    """

    rail: str
    status: Literal["measured", "not measured", "not commanded"]
    why: str
    n: int
    excluded: int
    setpoints: int
    levels: tuple[TrimLevel, ...]
    gain_error: Interval | None
    offset_v: Interval | None
    nonlinearity_v: Interval | None
    repeatability_v: Interval | None
    worst_error: Interval | None
    worst_setpoint_v: float | None
    worst_error_v: float | None
    expanded_v: float | None
    meter_limit_v: float | None
    quantisation_v: float | None
    claim_ratio: float | None
    claim: Literal["met", "not met", "open", "not measured", "no claim", "not commanded"]
    claim_why: str
    claim_probability: float | None
    is_characterised: bool = False
    others: int = 0
    lowest_v: float | None = None
    highest_v: float | None = None
    hysteresis_v: Interval | None = None
    lack_of_fit_p: float | None = None
    drift_v: Interval | None = None
    step_v: float | None = None
    declared: tuple[str, ...] = ()
    budget: tuple[BudgetRow, ...] = ()
    coverage_factor: float | None = None

    @property
    def quantisation_standard_v(self) -> float | None:
        """The standard uncertainty that rounding to the register's step would bring: the step over root twelve."""
        return None if self.step_v is None else self.step_v / 12**0.5


@dataclass(frozen=True, kw_only=True, slots=True)
class ControlDrift:
    """How far a rail's control points lay from the first good one of the same conditions (``corner``).

    ``largest_ratio`` is signed, as a share of the first reading. ``slope_v_per_s`` is of a line through all ``n`` over
    time, None for fewer than three. It is reported, never subtracted.
    """

    rail: str
    corner: str
    measured_by: Literal["meter", "telemetry"]
    n: int
    first_v: float
    largest_v: float
    largest_ratio: float
    at_visit: int
    limit_ratio: float | None
    is_out: bool
    slope_v_per_s: Interval | None
