"""A straight line by least squares, with what is needed to say how well it is known."""

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from cornerrun.stats.distributions import t_quantile
from cornerrun.stats.interval import Interval, checked_confidence, finite_array

__all__ = ["Line", "fit_line"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Line:
    """``y = intercept + slope * x``, fitted to ``n`` points.

    The standard errors, the residual standard deviation and F are None where no degree of freedom is left (n = 2).
    ``r_squared`` is None where all y are equal; it is no proof of accuracy. ``f_statistic`` is infinite where every
    point lies on the line.
    """

    intercept: float
    slope: float
    n: int
    x_mean: float
    y_mean: float
    x_sum_of_squares: float
    residual_sum_of_squares: float
    regression_sum_of_squares: float

    @property
    def degrees_of_freedom(self) -> int:
        """Points less the two parameters."""
        return self.n - 2

    @property
    def residual_standard_deviation(self) -> float | None:
        """The scatter about the line."""
        return math.sqrt(self.residual_sum_of_squares / self.degrees_of_freedom) if self.n > 2 else None

    @property
    def slope_standard_error(self) -> float | None:
        """The standard uncertainty of the slope, from scatter alone."""
        scatter = self.residual_standard_deviation
        return None if scatter is None else scatter / math.sqrt(self.x_sum_of_squares)

    @property
    def intercept_standard_error(self) -> float | None:
        """The standard uncertainty of the intercept, from scatter alone."""
        return self.standard_error_at(0.0)

    @property
    def r_squared(self) -> float | None:
        """The share of the scatter of y that the line explains."""
        total = self.residual_sum_of_squares + self.regression_sum_of_squares
        return self.regression_sum_of_squares / total if total > 0 else None

    @property
    def f_statistic(self) -> float | None:
        """F of the regression, with 1 and n - 2 degrees of freedom."""
        if self.n <= 2:
            return None
        if self.residual_sum_of_squares == 0:
            return math.inf if self.regression_sum_of_squares > 0 else None
        return self.regression_sum_of_squares / (self.residual_sum_of_squares / self.degrees_of_freedom)

    def at(self, x: float) -> float:
        """Tell the fitted y at x."""
        # About the mean: far from x = 0 the intercept would cost digits.
        return self.y_mean + self.slope * (x - self.x_mean)

    def leverage_at(self, x: float) -> float:
        """Tell the variance of the fitted y at x, as a share of the variance of one point."""
        return 1.0 / self.n + (x - self.x_mean) ** 2 / self.x_sum_of_squares

    def standard_error_at(self, x: float) -> float | None:
        """Tell the standard uncertainty of the fitted y at x, from scatter alone."""
        scatter = self.residual_standard_deviation
        return None if scatter is None else scatter * math.sqrt(self.leverage_at(x))

    def slope_interval(self, *, confidence: float = 0.95) -> Interval | None:
        """Bound the slope by t, from scatter alone; None where no degree of freedom is left."""
        return self._interval(self.slope, self.slope_standard_error, confidence)

    def intercept_interval(self, *, confidence: float = 0.95) -> Interval | None:
        """Bound the intercept by t, from scatter alone; None where no degree of freedom is left."""
        return self._interval(self.intercept, self.intercept_standard_error, confidence)

    def _interval(self, estimate: float, error: float | None, confidence: float) -> Interval | None:
        if error is None:
            return None
        reach = t_quantile(0.5 + checked_confidence(confidence) / 2, self.degrees_of_freedom) * error
        return Interval(
            estimate=estimate, low=estimate - reach, high=estimate + reach, confidence=confidence, method="t"
        )

    def inverse(self, y: float, *, confidence: float = 0.95) -> Interval:
        """Find the x whose fitted line gives one new observation ``y``, with its inversion (Fieller) interval.

        Raises:
            ValueError: no degree of freedom is left, or the slope is not told from zero, so that no finite interval
                exists.

        Source: Graybill & Iyer, Regression Analysis (1994), section on calibration; the interval solves
        (y - at(x))^2 = t^2 s^2 (1 + leverage(x)).

        """
        scatter = self.residual_standard_deviation
        if scatter is None:
            raise ValueError("two points leave no degree of freedom for an interval")
        t = t_quantile(0.5 + checked_confidence(confidence) / 2, self.degrees_of_freedom)
        margin = (t * scatter) ** 2
        steepness = self.slope**2 - margin / self.x_sum_of_squares
        if steepness <= 0:
            raise ValueError("the slope cannot be told from zero: no finite inverse prediction")
        rise = y - self.y_mean
        centre = self.slope * rise / steepness
        root = math.sqrt(margin * (rise**2 / self.x_sum_of_squares + steepness * (1 + 1 / self.n))) / steepness
        return Interval(
            estimate=self.x_mean + rise / self.slope,
            low=self.x_mean + centre - root,
            high=self.x_mean + centre + root,
            confidence=confidence,
            method="inversion",
        )


def fit_line(x: Iterable[float], y: Iterable[float]) -> Line:
    """Fit a line to points by ordinary least squares, centred first so that a large offset costs no digits.

    Raises:
        ValueError: fewer than two points, unequal lengths, readings that are not finite, or all x equal.

    """
    xs, ys = finite_array("x", x, least=2), finite_array("y", y, least=2)
    if xs.size != ys.size:
        raise ValueError(f"x and y must be equally long, but have {xs.size} and {ys.size} readings")
    x_mean, y_mean = float(xs.mean()), float(ys.mean())
    dx, dy = xs - x_mean, ys - y_mean
    sum_of_squares = float(dx @ dx)
    if sum_of_squares <= 0 or float(np.ptp(xs)) == 0:
        raise ValueError("all x are equal: a slope cannot be found")
    slope = float(dx @ dy) / sum_of_squares
    residuals = dy - slope * dx
    return Line(
        intercept=y_mean - slope * x_mean,
        slope=slope,
        n=int(xs.size),
        x_mean=x_mean,
        y_mean=y_mean,
        x_sum_of_squares=sum_of_squares,
        residual_sum_of_squares=float(residuals @ residuals),
        regression_sum_of_squares=slope**2 * sum_of_squares,
    )
