"""Trim accuracy of several runs beside each other, and of boards together: the board is the unit, not the reading."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Literal

from cornerrun.report.analysis_nouns import RailTelemetry
from cornerrun.report.rail_nouns import TrimSummary
from cornerrun.report.summary_model import Summary
from cornerrun.stats.anova import one_way
from cornerrun.stats.tolerance import ToleranceInterval, tolerance_interval

__all__ = ["PooledLevel", "PooledRail", "RunTrim", "TrimTable", "trim_table"]

_SAME = 1e-12  # chosen: the rounding of a share; no two boards are that alike


@dataclass(frozen=True, kw_only=True, slots=True)
class RunTrim:
    """The trim accuracy that one run shows, with its telemetry errors by rail."""

    run_id: str
    serial: str
    title: str
    started_utc: datetime
    bench_kind: str
    trim: tuple[TrimSummary, ...]
    telemetry: tuple[RailTelemetry, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class PooledLevel:
    """The trim error at one level over boards, as a share of the setpoint.

    ``least`` and ``greatest`` are of the boards' means. ``tolerance`` is expected to hold its share of all boards; None
    where ``why`` says that it cannot be told. ``low`` and ``high`` are its limits, drawn out by the largest expanded
    uncertainty of the boards: the same meter measured them all, so its error does not show in their scatter.
    ``between`` is the standard deviation of boards, where runs were repeated on some.
    """

    level: str
    target_v: float
    boards: int
    mean: float
    least: float
    greatest: float
    tolerance: ToleranceInterval | None
    low: float | None
    high: float | None
    expanded: float
    between: float | None
    why: str


@dataclass(frozen=True, kw_only=True, slots=True)
class PooledRail:
    """One rail over boards; ``worst`` is the level whose limits reach furthest, and the claim is decided on them."""

    rail: str
    boards: int
    levels: tuple[PooledLevel, ...]
    worst: PooledLevel
    claim_ratio: float | None
    claim: Literal["met", "not met", "open", "no claim"]
    claim_why: str


@dataclass(frozen=True, kw_only=True, slots=True)
class TrimTable:
    """Runs in order of time, and what their boards show together; ``pooled`` is empty for a single board."""

    runs: tuple[RunTrim, ...]
    boards: int
    coverage: float
    confidence: float
    pooled: tuple[PooledRail, ...]


def trim_table(summaries: Iterable[Summary], *, coverage: float = 0.95, confidence: float = 0.95) -> TrimTable:
    """Gather runs; several runs of one board count as one board, by their mean."""
    ordered = sorted(summaries, key=lambda summary: summary.header.started_utc)
    runs = tuple(_run(summary) for summary in ordered)
    boards = list(dict.fromkeys(run.serial for run in runs))
    rails = dict.fromkeys(item.rail for run in runs for item in run.trim if item.levels) if len(boards) > 1 else {}
    pooled = [_rail(rail, runs, coverage, confidence) for rail in rails]
    return TrimTable(
        runs=runs,
        boards=len(boards),
        coverage=coverage,
        confidence=confidence,
        pooled=tuple(item for item in pooled if item is not None),
    )


def _run(summary: Summary) -> RunTrim:
    return RunTrim(
        run_id=summary.header.run_id,
        serial=summary.header.serial,
        title=summary.header.title,
        started_utc=summary.header.started_utc,
        bench_kind=summary.header.bench_kind,
        trim=tuple(item for item in summary.trim if item.status != "not commanded"),
        telemetry=tuple(rail for device in summary.telemetry for rail in device.rails),
    )


def _rail(rail: str, runs: Sequence[RunTrim], coverage: float, confidence: float) -> PooledRail | None:
    own = [(run.serial, item) for run in runs for item in run.trim if item.rail == rail and item.levels]
    # A level is the same where name and target are: plans of different runs may differ.
    keys = dict.fromkeys((level.level, level.target_v) for _, item in own for level in item.levels)
    levels = [_level(name, target_v, own, coverage, confidence) for name, target_v in keys]
    shared = [level for level in levels if level.boards > 1]
    if not shared:
        return None
    worst = max(shared, key=lambda level: max(abs(level.low or level.least), abs(level.high or level.greatest)))
    claims = {item.claim_ratio for _, item in own}
    claim_ratio = claims.pop() if len(claims) == 1 else None
    verdict, why = _decide(claim_ratio, shared, [(serial, item) for serial, item in own if item.claim == "not met"])
    return PooledRail(
        rail=rail,
        boards=len({serial for serial, _ in own}),
        levels=tuple(shared),
        worst=worst,
        claim_ratio=claim_ratio,
        claim=verdict,
        claim_why=why,
    )


def _level(
    name: str, target_v: float, own: Sequence[tuple[str, TrimSummary]], coverage: float, confidence: float
) -> PooledLevel:
    by_board: dict[str, list[float]] = {}
    expanded = 0.0
    for serial, item in own:
        for level in item.levels:
            if (level.level, level.target_v) == (name, target_v):
                by_board.setdefault(serial, []).append(level.mean_error_ratio)
                expanded = max(expanded, level.expanded_ratio)
    means = [sum(values) / len(values) for values in by_board.values()]
    tolerance, why = None, "one board says nothing of others"
    if len(means) > 1 and max(means) - min(means) <= _SAME:
        why = "the boards do not differ at all: is it one board, measured again and again?"
    elif len(means) > 1:
        try:
            tolerance, why = tolerance_interval(means, coverage=coverage, confidence=confidence), ""
        except ValueError as error:
            why = f"the boards do not look normal, and {error}"
    repeated = len(means) > 1 and any(len(values) > 1 for values in by_board.values())
    return PooledLevel(
        level=name,
        target_v=target_v,
        boards=len(means),
        mean=sum(means) / len(means),
        least=min(means),
        greatest=max(means),
        tolerance=tolerance,
        low=None if tolerance is None else tolerance.low - expanded,
        high=None if tolerance is None else tolerance.high + expanded,
        expanded=expanded,
        between=one_way(by_board.values()).between_deviation if repeated else None,
        why=why,
    )


def _decide(
    claim_ratio: float | None, levels: Sequence[PooledLevel], failing: Sequence[tuple[str, TrimSummary]]
) -> tuple[Literal["met", "not met", "open", "no claim"], str]:
    if claim_ratio is None:
        return "no claim", "the plans of these runs claim nothing, or not the same"
    if failing:
        boards = ", ".join(dict.fromkeys(serial for serial, _ in failing))
        return "not met", f"not met by {boards}"
    unknown = [level for level in levels if level.low is None]
    if unknown:
        return "open", unknown[0].why
    beyond = [level for level in levels if max(-(level.low or 0.0), level.high or 0.0) > claim_ratio]
    if beyond:
        return "open", f"at {beyond[0].level} the limits for boards reach beyond the claim: more boards narrow them"
    return "met", "the limits for boards, uncertainty included, stay within the claim at every level"
