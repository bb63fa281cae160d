"""Trim accuracy of a rail: reference readings against the setpoints that its device decodes.

``reference = setpoint * (1 + gain error) + offset + non-linearity + scatter``. The setpoint is what the encoded word
decodes to, so quantisation is not charged to the trim. What the meter itself may be wrong by does not shrink with
repeats: it is added after the fit, straight to gain and offset.
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from cornerrun.stats.distributions import f_upper_tail
from cornerrun.stats.interval import Interval, checked_confidence, finite_array
from cornerrun.stats.line import Line, fit_line
from cornerrun.stats.meter import MeterSpecification
from cornerrun.stats.trim_claim import ClaimDecision, TrimPoint, decide_claim
from cornerrun.stats.trim_scatter import Cells, hysteresis, nonlinearity, repeatability
from cornerrun.stats.uncertainty import Budget, Component

__all__ = ["ClaimDecision", "LackOfFit", "TrimEstimate", "TrimPoint", "estimate_trim"]


@dataclass(frozen=True, kw_only=True, slots=True)
class LackOfFit:
    """F test of the straight line against the scatter of repeats; a small ``p_value`` speaks against the line."""

    f: float
    p_value: float
    numerator_dof: int
    denominator_dof: int


@dataclass(frozen=True, kw_only=True, slots=True)
class TrimEstimate:
    """Trim accuracy of one rail over the setpoints visited; voltages in volts, ratios as shares.

    Each part is None where the data cannot show it: a line needs two setpoints, its intervals three readings, its
    non-linearity three setpoints, hysteresis both directions at one setpoint, lack of fit repeats.
    Intervals of gain, offset and errors include the meter; those of non-linearity, hysteresis and repeatability are of
    scatter alone, for the meter's systematic part cancels there.
    """

    n: int
    points: tuple[TrimPoint, ...]
    line: Line | None
    gain_error: Interval | None
    offset_v: Interval | None
    nonlinearity_v: Interval | None
    nonlinearity_line: str
    hysteresis_v: Interval | None
    repeatability_v: Interval | None
    lack_of_fit: LackOfFit | None
    worst: TrimPoint
    worst_error_v: Interval
    worst_error: Interval
    largest_single_error_v: float
    claim: ClaimDecision | None
    meter: MeterSpecification | None
    meter_range_v: float
    confidence: float

    @property
    def budget(self) -> Budget:
        """The uncertainty budget of the mean error at the worst setpoint."""
        return self.worst.budget

    def setpoint_for(self, voltage_v: float) -> Interval:
        """Tell which setpoint gives a voltage: the inverse prediction, the meter's systematic part included.

        Raises:
            ValueError: there is no line, or it leaves no degree of freedom.

        """
        if self.line is None:
            raise ValueError("one setpoint gives no line to invert")
        scatter = self.line.inverse(voltage_v, confidence=self.confidence)
        systematic = 0.0
        if self.meter is not None:
            limit = self.meter.limit(voltage_v, self.meter_range_v)
            factor = Budget([Component("meter", self.meter.standard(limit))]).expanded(self.confidence)
            systematic = factor / abs(self.line.slope)
        best = scatter.estimate if scatter.estimate is not None else scatter.low
        return replace(
            scatter,
            low=best - math.hypot(best - scatter.low, systematic),
            high=best + math.hypot(scatter.high - best, systematic),
            method="inversion with the meter",
        )


def estimate_trim(
    setpoint_v: Iterable[float],
    reference_v: Iterable[float],
    *,
    direction: Iterable[Literal["up", "down"] | None] | None = None,
    meter: MeterSpecification | None = None,
    range_v: float = 0.0,
    declared: Sequence[Component] = (),
    claim_ratio: float | None = None,
    line: Literal["least squares", "end-point"] = "least squares",
    confidence: float = 0.95,
) -> TrimEstimate:
    """Estimate the trim accuracy of a rail from pairs of decoded setpoint and reference reading.

    ``direction`` tells from which side each setpoint was reached. ``meter`` is the specification of the reference and
    ``range_v`` the range that it was fixed to. ``declared`` adds components in volts that the readings cannot show:
    ground offset, sense drop, load regulation. ``line`` defines the line that non-linearity is told from.

    Raises:
        ValueError: no readings, unequal lengths, one not finite, or a setpoint of 0 V, where no share can be stated.

    """
    checked_confidence(confidence)
    if line not in ("least squares", "end-point"):
        raise ValueError(f"line must be 'least squares' or 'end-point', but is {line!r}")
    if claim_ratio is not None and not 0 < claim_ratio < math.inf:
        raise ValueError(f"a claim is a positive share, but is {claim_ratio!r}")
    cells = Cells.of(finite_array("setpoint_v", setpoint_v), finite_array("reference_v", reference_v), direction)
    scatter = cells.scatter()
    fit = fit_line(cells.setpoint_v, cells.error_v) if cells.points > 1 else None
    if meter is not None and not range_v > 0 and meter.range_ratio > 0:
        raise ValueError("the meter's specification counts a share of its range: give range_v")
    systematic = _Systematic(meter=meter, range_v=range_v, declared=tuple(declared))
    points = tuple(
        _point(cells, index, systematic=systematic, scatter=scatter, confidence=confidence)
        for index in range(cells.points)
    )
    worst = max(points, key=lambda point: (abs(point.mean_error_ratio), point.setpoint_v))
    scale = abs(worst.setpoint_v)
    worst_v = _about(worst.mean_error_v, worst.expanded_v, confidence)
    return TrimEstimate(
        n=int(cells.error_v.size),
        points=points,
        line=None if fit is None else _reading_line(fit),
        gain_error=None if fit is None else _gain(fit, systematic, confidence),
        offset_v=None if fit is None else _offset(fit, systematic, confidence),
        nonlinearity_v=nonlinearity(cells, scatter, line=line, confidence=confidence),
        nonlinearity_line=line,
        hysteresis_v=hysteresis(cells, scatter, confidence=confidence),
        repeatability_v=repeatability(scatter, confidence=confidence),
        lack_of_fit=_lack_of_fit(cells, fit),
        worst=worst,
        worst_error_v=worst_v,
        worst_error=_about(worst.mean_error_v / scale, worst.expanded_v / scale, confidence),
        largest_single_error_v=float(cells.error_v[np.argmax(np.abs(cells.error_v))]),
        claim=None if claim_ratio is None else decide_claim(points, claim_ratio, knows_scatter=scatter is not None),
        meter=meter,
        meter_range_v=range_v,
        confidence=confidence,
    )


@dataclass(frozen=True, kw_only=True, slots=True)
class _Systematic:
    """What repeats do not make smaller."""

    meter: MeterSpecification | None
    range_v: float
    declared: tuple[Component, ...]

    def at(self, reading_v: float) -> list[Component]:
        own = [] if self.meter is None else [self.meter.component(reading_v, self.range_v)]
        return own + list(self.declared)

    def of_gain(self) -> list[Component]:
        if self.meter is None:
            return []
        return [Component("meter, share of reading", self.meter.standard(self.meter.gain_limit_ratio()))]

    def of_offset(self) -> list[Component]:
        if self.meter is None:
            return list(self.declared)
        limit = self.meter.standard(self.meter.offset_limit(self.range_v))
        return [Component("meter, share of range", limit), *self.declared]


def _point(
    cells: Cells, index: int, *, systematic: _Systematic, scatter: tuple[float, int] | None, confidence: float
) -> TrimPoint:
    errors = cells.error_v[cells.point == index]
    setpoint = float(cells.point_v[index])
    mean = float(errors.mean())
    components = systematic.at(setpoint + mean)
    if scatter is not None:
        components.insert(0, Component("repeatability", scatter[0] / math.sqrt(errors.size), scatter[1]))
    budget = Budget(components or [Component("none stated", 0.0)])
    return TrimPoint(
        setpoint_v=setpoint,
        n=int(errors.size),
        mean_error_v=mean,
        largest_error_v=float(errors[np.argmax(np.abs(errors))]),
        budget=budget,
        expanded_v=budget.expanded(confidence),
    )


def _about(estimate: float, expanded: float, confidence: float, method: str = "expanded uncertainty") -> Interval:
    return Interval(
        estimate=estimate, low=estimate - expanded, high=estimate + expanded, confidence=confidence, method=method
    )


def _reading_line(fit: Line) -> Line:
    """Turn the line of the error on the setpoint into that of the reading on the setpoint: the same residuals."""
    slope = fit.slope + 1.0
    y_mean = fit.y_mean + fit.x_mean
    return replace(
        fit,
        slope=slope,
        y_mean=y_mean,
        regression_sum_of_squares=slope**2 * fit.x_sum_of_squares,
    )


def _gain(fit: Line, systematic: _Systematic, confidence: float) -> Interval | None:
    error = fit.slope_standard_error
    if error is None:
        return None
    budget = Budget([Component("scatter", error, fit.degrees_of_freedom), *systematic.of_gain()])
    return _about(fit.slope, budget.expanded(confidence), confidence)


def _offset(fit: Line, systematic: _Systematic, confidence: float) -> Interval | None:
    error = fit.intercept_standard_error
    if error is None:
        return None
    budget = Budget([Component("scatter", error, fit.degrees_of_freedom), *systematic.of_offset()])
    return _about(fit.intercept, budget.expanded(confidence), confidence)


def _lack_of_fit(cells: Cells, fit: Line | None) -> LackOfFit | None:
    pure = cells.pure_error()
    if fit is None or pure is None or cells.points < 3:
        return None
    counts = np.bincount(cells.point)
    fitted = np.array([fit.at(float(v)) for v in cells.point_v])
    numerator = float(counts @ (cells.point_means() - fitted) ** 2) / (cells.points - 2)
    variance = pure[0] ** 2
    if variance == 0:
        return None
    f = numerator / variance
    return LackOfFit(
        f=f,
        p_value=f_upper_tail(f, cells.points - 2, pure[1]),
        numerator_dof=cells.points - 2,
        denominator_dof=pure[1],
    )
