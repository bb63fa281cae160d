"""What scatter shows in trim readings: repeatability, hysteresis and non-linearity."""

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal, Self

import numpy as np

from cornerrun.stats.distributions import chi2_quantile, t_quantile
from cornerrun.stats.interval import Interval
from cornerrun.stats.line import fit_line

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["Cells", "hysteresis", "nonlinearity", "repeatability"]

_SAME_SETPOINT = 1e-9  # chosen: far below the least bit of any voltage format, above the rounding of floats


@dataclass(frozen=True, kw_only=True, slots=True)
class Cells:
    """Readings sorted into setpoints ("points") and, within them, directions of approach ("cells").

    Sorted first, so that the order in which rows come changes no bit of any result.
    """

    setpoint_v: "NDArray[np.float64]"
    error_v: "NDArray[np.float64]"
    side: "NDArray[np.int64]"
    point: "NDArray[np.int64]"
    point_v: "NDArray[np.float64]"

    @classmethod
    def of(
        cls,
        setpoint_v: "NDArray[np.float64]",
        reference_v: "NDArray[np.float64]",
        direction: Iterable[Literal["up", "down"] | None] | None,
    ) -> Self:
        """Sort readings into cells; ValueError for unequal lengths, 0 V, or an unknown direction."""
        sides = [None] * setpoint_v.size if direction is None else list(direction)
        if not setpoint_v.size == reference_v.size == len(sides):
            raise ValueError("setpoints, readings and directions must be equally long")
        if not set(sides) <= {None, "up", "down"}:
            raise ValueError("a direction is 'up', 'down' or None")
        if bool((setpoint_v == 0).any()):
            raise ValueError("a setpoint of 0 V: an error cannot be stated as a share of it")
        side = np.array([{None: 0, "up": 1, "down": -1}[s] for s in sides], dtype=np.int64)
        order = np.lexsort((reference_v, side, setpoint_v))
        setpoint, reference, side = setpoint_v[order], reference_v[order], side[order]
        starts = np.diff(setpoint, prepend=-np.inf) > _SAME_SETPOINT * np.abs(setpoint).max()
        return cls(
            setpoint_v=setpoint,
            error_v=reference - setpoint,
            side=side,
            point=np.cumsum(starts) - 1,
            point_v=setpoint[starts],
        )

    @property
    def points(self) -> int:
        """How many setpoints differ."""
        return int(self.point_v.size)

    def point_means(self) -> "NDArray[np.float64]":
        """Tell the mean error at each setpoint."""
        return np.bincount(self.point, weights=self.error_v) / np.bincount(self.point)

    def pure_error(self) -> tuple[float, int] | None:
        """Tell the standard deviation within cells and its degrees of freedom; None without repeats."""
        keys = self.point * 3 + self.side
        squares, degrees = 0.0, 0
        for key in np.unique(keys):
            errors = self.error_v[keys == key]
            squares += float(((errors - errors.mean()) ** 2).sum())
            degrees += int(errors.size) - 1
        return (math.sqrt(squares / degrees), degrees) if degrees else None

    def scatter(self) -> tuple[float, int] | None:
        """Tell the repeatability and its degrees of freedom: within cells, else about the line, else None."""
        pure = self.pure_error()
        if pure is not None:
            return pure
        if self.points < 3:
            return None
        fit = fit_line(self.setpoint_v, self.error_v)
        deviation = fit.residual_standard_deviation
        return None if deviation is None else (deviation, fit.degrees_of_freedom)


def repeatability(scatter: tuple[float, int] | None, *, confidence: float) -> Interval | None:
    """Bound the standard deviation of a reading by chi-square; None where nothing was repeated."""
    if scatter is None:
        return None
    deviation, degrees = scatter
    tail = (1 - confidence) / 2
    return Interval(
        estimate=deviation,
        low=deviation * math.sqrt(degrees / chi2_quantile(1 - tail, degrees)),
        high=deviation * math.sqrt(degrees / chi2_quantile(tail, degrees)),
        confidence=confidence,
        method="chi-square",
    )


def hysteresis(cells: Cells, scatter: tuple[float, int] | None, *, confidence: float) -> Interval | None:
    """Tell the largest difference of mean error reached from below less from above, at one setpoint.

    Signed, in volts. The interval allows for the choice of the largest among all (Bonferroni).
    """
    differences: list[tuple[float, float]] = []
    for index in range(cells.points):
        here = cells.point == index
        up, down = cells.error_v[here & (cells.side == 1)], cells.error_v[here & (cells.side == -1)]
        if up.size and down.size:
            differences.append((float(up.mean() - down.mean()), 1 / up.size + 1 / down.size))
    if not differences or scatter is None:
        return None
    largest, variance = max(differences, key=lambda item: abs(item[0]))
    deviation, degrees = scatter
    reach = t_quantile(1 - (1 - confidence) / 2 / len(differences), degrees) * deviation * math.sqrt(variance)
    return Interval(
        estimate=largest, low=largest - reach, high=largest + reach, confidence=confidence, method="t, Bonferroni"
    )


def nonlinearity(
    cells: Cells, scatter: tuple[float, int] | None, *, line: Literal["least squares", "end-point"], confidence: float
) -> Interval | None:
    """Tell the largest distance of a setpoint's mean error from the line (integral non-linearity), in volts.

    Not signed; its low end is not below 0. Needs three setpoints, and scatter for its interval. The interval allows for
    the choice of the largest among all (Bonferroni).
    """
    if cells.points < 3 or scatter is None:
        return None
    counts = np.bincount(cells.point).astype(np.float64)
    v = cells.point_v
    if line == "least squares":
        design = np.column_stack([np.ones_like(v), v - np.average(v, weights=counts)])
        weighted = design * counts[:, None]
        project = np.eye(v.size) - design @ np.linalg.solve(design.T @ weighted, weighted.T)
    else:
        share = (v - v[0]) / (v[-1] - v[0])
        project = np.eye(v.size)
        project[:, 0] -= 1 - share
        project[:, -1] -= share
    distances = project @ cells.point_means()
    variances = np.square(project) @ (1 / counts)
    worst = int(np.argmax(np.abs(distances)))
    deviation, degrees = scatter
    reach = t_quantile(1 - (1 - confidence) / 2 / v.size, degrees) * deviation * math.sqrt(float(variances[worst]))
    largest = abs(float(distances[worst]))
    return Interval(
        estimate=largest,
        low=max(0.0, largest - reach),
        high=largest + reach,
        confidence=confidence,
        method=f"from the {line} line, t, Bonferroni",
    )
