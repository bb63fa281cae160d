"""Crossed gauge study: how much of what is seen is the board, and how much the stations that measure it.

Boards stand where manuals say parts, stations (or fixtures) where they say appraisers.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from cornerrun.stats.control_charts import chart_constants
from cornerrun.stats.distributions import f_upper_tail

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

__all__ = ["GaugeAnova", "GaugeStudy", "gauge_study"]

# "Interaction is pooled into the error unless its p-value is below this": usual in gauge studies (AIAG MSA, 0.25).
POOLING_RISK = 0.25


@dataclass(frozen=True, kw_only=True, slots=True)
class GaugeAnova:
    """The table of variance: sums of squares, their degrees of freedom, mean squares.

    ``f_*`` are against repeatability; ``f_interaction`` decides on pooling. A ratio is None where repeats agree
    exactly.
    """

    ss_boards: float
    ss_stations: float
    ss_interaction: float
    ss_repeatability: float
    ss_total: float
    dof_boards: int
    dof_stations: int
    dof_interaction: int
    dof_repeatability: int
    ms_boards: float
    ms_stations: float
    ms_interaction: float
    ms_repeatability: float
    f_boards: float | None
    f_stations: float | None
    f_interaction: float | None
    p_interaction: float | None


@dataclass(frozen=True, kw_only=True, slots=True)
class GaugeStudy:
    """Standard deviations by source, each a share of the whole as ``percent_*`` (they do not add up to 100).

    ``gauge`` joins repeatability, reproducibility (stations) and interaction. ``distinct_categories`` is how many
    groups of boards the measurement tells apart; ``percent_tolerance`` is six gauge deviations over the tolerance.
    ``notes`` say what was decided: pooling, and variances that came out negative and count as 0.
    """

    method: Literal["anova", "average and range"]
    repeatability: float
    reproducibility: float
    interaction: float
    gauge: float
    board: float
    total: float
    percent_repeatability: float
    percent_reproducibility: float
    percent_gauge: float
    percent_board: float
    percent_tolerance: float | None
    distinct_categories: int
    categories_exact: float
    is_pooled: bool
    anova: GaugeAnova | None
    boards: int
    stations: int
    repeats: int
    notes: tuple[str, ...]

    @property
    def verdict(self) -> Literal["acceptable", "conditional", "not acceptable"]:
        """The customary reading of the gauge's share: below 10 %, 10 to 30 %, above (AIAG MSA, from memory)."""
        if self.percent_gauge < 10:
            return "acceptable"
        return "conditional" if self.percent_gauge <= 30 else "not acceptable"


def gauge_study(
    readings: Sequence[Sequence[Sequence[float]]],
    *,
    method: Literal["anova", "average and range"] = "anova",
    tolerance: float | None = None,
    pool: bool | None = None,
) -> GaugeStudy:
    """Study readings[board][station][repeat]: every board at every station, equally often.

    ``pool`` None pools interaction by its p-value (0.25). "average and range" cannot see interaction.

    Raises:
        ValueError: fewer than two boards, stations or repeats, a table with gaps, or a reading that is not finite.

    """
    import numpy as np

    try:
        table = np.asarray(readings, dtype=np.float64)
    except ValueError as error:
        raise ValueError("every board needs as many repeats at every station") from error
    if table.ndim != 3 or min(table.shape) < 2:
        raise ValueError("a crossed study needs at least two boards, two stations and two repeats")
    if not bool(np.isfinite(table).all()):
        raise ValueError("a reading is not finite")
    if tolerance is not None and not 0 < tolerance < math.inf:
        raise ValueError(f"a tolerance is positive, but is {tolerance!r}")
    if method == "anova":
        return _by_anova(table, tolerance, pool)
    if method == "average and range":
        return _by_ranges(table, tolerance)
    raise ValueError(f"method must be 'anova' or 'average and range', but is {method!r}")


def _by_anova(table: "NDArray[np.float64]", tolerance: float | None, pool: bool | None) -> GaugeStudy:
    boards, stations, repeats = table.shape
    anova = _anova(table)
    is_pooled = pool if pool is not None else anova.p_interaction is None or anova.p_interaction >= POOLING_RISK
    notes = []
    error = anova.ms_repeatability
    crossed = anova.ms_interaction
    if is_pooled:
        dof = anova.dof_interaction + anova.dof_repeatability
        error = crossed = (anova.ss_interaction + anova.ss_repeatability) / dof
        notes.append("interaction of boards and stations is not significant: pooled with repeatability")
    raw = {
        "interaction": 0.0 if is_pooled else (crossed - error) / repeats,
        "stations": (anova.ms_stations - crossed) / (boards * repeats),
        "boards": (anova.ms_boards - crossed) / (stations * repeats),
    }
    notes += [f"the variance of {name} came out negative and counts as 0" for name, v in raw.items() if v < 0]
    variances = {name: max(0.0, value) for name, value in raw.items()}
    return _study(
        table,
        method="anova",
        variances=(error, variances["stations"], variances["interaction"], variances["boards"]),
        tolerance=tolerance,
        is_pooled=is_pooled,
        anova=anova,
        notes=notes,
    )


def _anova(table: "NDArray[np.float64]") -> GaugeAnova:
    boards, stations, repeats = table.shape
    # Centred first: one-pass sums lose all digits of readings with a large common part.
    centred = table - table.mean()
    by_board, by_station, cells = centred.mean(axis=(1, 2)), centred.mean(axis=(0, 2)), centred.mean(axis=2)
    ss_boards = stations * repeats * float((by_board**2).sum())
    ss_stations = boards * repeats * float((by_station**2).sum())
    ss_interaction = repeats * float(((cells - by_board[:, None] - by_station[None, :]) ** 2).sum())
    ss_repeatability = float(((centred - cells[:, :, None]) ** 2).sum())
    dof = (boards - 1, stations - 1, (boards - 1) * (stations - 1), boards * stations * (repeats - 1))
    ms = [ss / d for ss, d in zip((ss_boards, ss_stations, ss_interaction, ss_repeatability), dof, strict=True)]
    ratios = [m / ms[3] if ms[3] > 0 else None for m in ms[:3]]
    return GaugeAnova(
        ss_boards=ss_boards,
        ss_stations=ss_stations,
        ss_interaction=ss_interaction,
        ss_repeatability=ss_repeatability,
        ss_total=float((centred**2).sum()),
        dof_boards=dof[0],
        dof_stations=dof[1],
        dof_interaction=dof[2],
        dof_repeatability=dof[3],
        ms_boards=ms[0],
        ms_stations=ms[1],
        ms_interaction=ms[2],
        ms_repeatability=ms[3],
        f_boards=ratios[0],
        f_stations=ratios[1],
        f_interaction=ratios[2],
        p_interaction=None if ratios[2] is None else f_upper_tail(ratios[2], dof[2], dof[3]),
    )


def _by_ranges(table: "NDArray[np.float64]", tolerance: float | None) -> GaugeStudy:
    """Average and range by AIAG MSA, 4th edition; its factors K1 to K3 are 1/d2*, to the four digits it prints."""
    boards, stations, repeats = table.shape
    mean_range = float((table.max(axis=2) - table.min(axis=2)).mean())
    station_means, board_means = table.mean(axis=(0, 2)), table.mean(axis=(1, 2))
    equipment = mean_range * round(1 / chart_constants(repeats).d2, 4)
    between = float(station_means.max() - station_means.min()) * _single(stations)
    raw = between**2 - equipment**2 / (boards * repeats)
    notes = ["the variance of stations came out negative and counts as 0"] if raw < 0 else []
    part = float(board_means.max() - board_means.min()) * _single(boards)
    return _study(
        table,
        method="average and range",
        variances=(equipment**2, max(0.0, raw), 0.0, part**2),
        tolerance=tolerance,
        is_pooled=True,
        anova=None,
        notes=notes,
    )


def _single(n: int) -> float:
    """From one range of n to a standard deviation: 1 / sqrt(d2^2 + d3^2)."""
    constants = chart_constants(n)
    return round(1 / math.hypot(constants.d2, constants.d3), 4)


def _study(
    table: "NDArray[np.float64]",
    *,
    method: Literal["anova", "average and range"],
    variances: tuple[float, float, float, float],
    tolerance: float | None,
    is_pooled: bool,
    anova: GaugeAnova | None,
    notes: Sequence[str],
) -> GaugeStudy:
    repeatability, stations, interaction, board = variances
    gauge = repeatability + stations + interaction
    total = gauge + board
    whole = math.sqrt(total)
    deviations = [math.sqrt(v) for v in (repeatability, stations + interaction, gauge, board)]
    percent = [100 * d / whole if whole > 0 else 0.0 for d in deviations]
    categories = 1.41 * deviations[3] / deviations[2] if deviations[2] > 0 else math.inf
    return GaugeStudy(
        method=method,
        repeatability=deviations[0],
        reproducibility=math.sqrt(stations),
        interaction=math.sqrt(interaction),
        gauge=deviations[2],
        board=deviations[3],
        total=whole,
        percent_repeatability=percent[0],
        percent_reproducibility=percent[1],
        percent_gauge=percent[2],
        percent_board=percent[3],
        percent_tolerance=None if tolerance is None else 600 * deviations[2] / tolerance,
        distinct_categories=max(1, int(categories)) if math.isfinite(categories) else table.shape[0],
        categories_exact=categories,
        is_pooled=is_pooled,
        anova=anova,
        boards=table.shape[0],
        stations=table.shape[1],
        repeats=table.shape[2],
        notes=tuple(notes),
    )
