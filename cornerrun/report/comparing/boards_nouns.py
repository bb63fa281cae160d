"""The nouns of many runs together: the board is the unit, never the visit or the trial."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Literal

from cornerrun.results.records import Outcome, RunResult
from cornerrun.stats.interval import Interval

__all__ = ["BoardDigest", "BoardsSummary", "Outlier", "RailChart", "Yield"]


@dataclass(frozen=True, kw_only=True, slots=True)
class BoardDigest:
    """One run of one board, as much of it as is needed beside others.

    ``corners``, ``checks`` (by check and corner) and ``rails`` hold the first outcome by precedence over visits that
    count. ``trim_error_ratio`` is each rail's mean trim error over all its meter readings, as a share of the set-point.
    ``is_part``: only some corners of the plan were asked for.
    """

    run_id: str
    serial: str
    station: str
    title: str
    revision: str
    started_utc: datetime
    result: RunResult
    is_simulated: bool
    corners: Mapping[str, Outcome]
    checks: Mapping[str, Mapping[str, Outcome]]
    rails: Mapping[str, Outcome]
    trim_error_ratio: Mapping[str, float]
    is_part: bool = False


@dataclass(frozen=True, kw_only=True, slots=True)
class Yield:
    """How many boards passed something: at the first run that met it, and at the last.

    Boards without a verdict (bench trouble, never met) are in ``no_verdict_*`` and in no share. Intervals are exact
    (Clopper-Pearson, 95 % two-sided) and of the share of boards like these. ``recovered`` counts boards that failed
    first and passed at last: many of them point to the bench, or to a fault that comes and goes.
    """

    kind: Literal["all", "corner", "check", "rail"]
    name: str
    first_passed: int
    first_boards: int
    first: Interval
    final_passed: int
    final_boards: int
    final: Interval
    recovered: int
    no_verdict_first: int
    no_verdict_final: int


@dataclass(frozen=True, kw_only=True, slots=True)
class RailChart:
    """The trim error of one rail over boards, in order of time, one value a board (its first run with a meter).

    ``centre``, ``lower`` and ``upper`` are of a chart of individuals; None for fewer than two boards or no scatter.
    ``moving_range`` and ``moving_range_upper`` are of the chart beside it; ``jumps`` are boards too far from the one
    before them.
    ``capability`` is Cpk against the claim, with its interval; None without a claim or scatter.
    """

    rail: str
    serials: tuple[str, ...]
    errors_ratio: tuple[float, ...]
    centre: float | None
    lower: float | None
    upper: float | None
    beyond: tuple[str, ...]
    moving_range: float | None
    moving_range_upper: float | None
    jumps: tuple[str, ...]
    claim_ratio: float | None
    capability: Interval | None


@dataclass(frozen=True, kw_only=True, slots=True)
class Outlier:
    """A board whose trim of a rail is unlike that of the others, though it may be within the claim."""

    rail: str
    serial: str
    run_id: str
    error_ratio: float
    low: float
    high: float
    is_thin: bool


@dataclass(frozen=True, kw_only=True, slots=True)
class BoardsSummary:
    """Many runs together; yields of corners, checks and rails with the lowest first."""

    runs: int
    boards: int
    first_utc: datetime | None
    last_utc: datetime | None
    stations: Mapping[str, int]
    titles: Mapping[str, int]
    results: Mapping[RunResult, int]
    total: Yield
    yields: tuple[Yield, ...]
    charts: tuple[RailChart, ...]
    outliers: tuple[Outlier, ...]
    digests: tuple[BoardDigest, ...]
    cautions: tuple[str, ...]
