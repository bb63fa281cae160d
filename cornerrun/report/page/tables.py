"""The tables of the page: plain text in cells, made from the summary."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from cornerrun.report.condition_text import CHANGE_HEADS, KEPT_HEADS, change_row, kept_row
from cornerrun.report.drawing import Ink
from cornerrun.report.figures.pareto import causes
from cornerrun.report.figures.shares import worst_first
from cornerrun.report.figures.timeline import all_faults
from cornerrun.report.looks import ink_of, marked
from cornerrun.report.sheets.failures import failures
from cornerrun.report.summary_model import Summary
from cornerrun.results.decision import Decision
from cornerrun.results.records import Outcome, RunData
from cornerrun.stats.interval import Interval
from cornerrun.units import Kind, show

__all__ = [
    "Cell",
    "PageTable",
    "cause_table",
    "change_table",
    "check_table",
    "condition_table",
    "failure_table",
    "fault_table",
    "interaction_table",
    "interval_text",
    "rail_table",
    "table_of",
    "trim_table",
]

MOST_ROWS = 1500  # chosen: more opens slowly and nobody reads it; the workbook holds all


@dataclass(frozen=True, kw_only=True, slots=True)
class Cell:
    """A cell: text, and the ink of the outcome that it tells, if it does. ``is_number`` stands at the right."""

    text: str
    ink: Ink | None = None
    is_number: bool = False


@dataclass(frozen=True, kw_only=True, slots=True)
class PageTable:
    """A table of the page; ``note`` says what was left out."""

    heads: tuple[str, ...]
    rows: tuple[tuple[Cell, ...], ...]
    note: str = ""
    is_number: tuple[bool, ...] = field(default=())


def table_of(heads: Sequence[str], rows: Iterable[Sequence[object]], *, most: int = MOST_ROWS) -> PageTable:
    """Make a table: outcomes bring shape, word and ink; numbers come as text that is ready, with their unit."""
    made = [tuple(_cell(value) for value in row) for row in rows]
    left_out = len(made) - most
    note = f"{left_out} further rows stand in the workbook" if left_out > 0 else ""
    shown = tuple(made[:most])
    numeric = tuple(
        bool(shown) and all(row[index].is_number or not row[index].text for row in shown) for index in range(len(heads))
    )
    return PageTable(heads=tuple(heads), rows=shown, note=note, is_number=numeric)


def interval_text(interval: Interval | None, kind: Kind, *, digits: int = 4) -> str:
    """Write an interval as its two limits."""
    if interval is None:
        return ""
    return f"{show(interval.low, kind, digits=digits)} to {show(interval.high, kind, digits=digits)}"


def failure_table(summary: Summary, data: RunData) -> PageTable:
    """Make the table of what failed, where and how sure."""
    return table_of(
        ("What", "Where", "Outcome", "Failed", "A trial passes with", "Why"),
        (
            (item.what, item.where, item.told, item.count, _bounds(item.low, item.high), item.why)
            for item in failures(summary, data)
        ),
        most=300,
    )


def check_table(summary: Summary) -> PageTable:
    """Make the table of checks at corners, the worst first."""
    return table_of(
        ("Check", "Corner", "Decision", "Failed", "Trials", "Passes with (95 %)", "Criterion", "Why"),
        (
            (
                item.check,
                item.corner,
                item.decision,
                item.failures,
                item.trials,
                interval_text(item.pass_probability, Kind.RATIO) if item.trials else "no verdict",
                item.criterion,
                item.reason,
            )
            for item in worst_first(summary.checks)
        ),
    )


def cause_table(data: RunData) -> PageTable:
    """Make the table of causes."""
    return table_of(
        ("Cause", "Outcome", "Whose", "Visits", "Corners"),
        (
            (
                cause.name,
                cause.outcome,
                cause.whose,
                cause.visits,
                ", ".join(cause.corners[:4])
                + (f" and {len(cause.corners) - 4} more" if len(cause.corners) > 4 else ""),
            )
            for cause in causes(data)
        ),
    )


def trim_table(summary: Summary) -> PageTable:
    """Make the table of trim accuracy."""
    return table_of(
        (
            "Rail", "Claim", "n", "Worst error", "95 %", "Expanded uncertainty",
            "Gain error (95 %)", "Offset (95 %)", "Why",
        ),
        (
            (
                item.rail,
                _claim(item.claim),
                item.n,
                "" if item.worst_error is None or item.worst_error.estimate is None
                else f"{100 * item.worst_error.estimate:+.4f} %",
                interval_text(item.worst_error, Kind.RATIO),
                "" if item.expanded_v is None else show(item.expanded_v, Kind.VOLTAGE, digits=3),
                interval_text(item.gain_error, Kind.RATIO),
                interval_text(item.offset_v, Kind.VOLTAGE),
                item.claim_why or item.why,
            )
            for item in summary.trim
            if item.status != "not commanded"
        ),
    )  # fmt: skip


def rail_table(summary: Summary) -> PageTable:
    """Make the table of rails: smallest margins, what was seen, settling, telemetry."""
    return table_of(
        (
            "Rail", "Nominal", "To its window", "at corner", "To its hard limit", "at corner ",
            "Least seen", "Greatest seen", "Longest settling", "Telemetry less meter (95 %)",
        ),
        (
            (
                rail.rail,
                show(rail.nominal_v, Kind.VOLTAGE),
                "" if rail.window is None else f"{rail.window.distance_v * 1e3:+.3f} mV",
                "" if rail.window is None else rail.window.corner,
                "" if rail.hard_limit is None else f"{rail.hard_limit.distance_v * 1e3:+.3f} mV",
                "" if rail.hard_limit is None else rail.hard_limit.corner,
                "" if rail.least_seen_v is None else show(rail.least_seen_v, Kind.VOLTAGE),
                "" if rail.greatest_seen_v is None else show(rail.greatest_seen_v, Kind.VOLTAGE),
                "" if rail.longest_settle_s is None else show(rail.longest_settle_s, Kind.TIME, digits=3),
                interval_text(rail.telemetry_error_v, Kind.VOLTAGE, digits=3),
            )
            for rail in summary.rails
        ),
    )  # fmt: skip


def fault_table(data: RunData) -> PageTable:
    """Make the table of faults, in order of time."""
    return table_of(
        ("At", "Corner", "Kind", "Originator", "Followers", "Why"),
        (
            (f"{fault.at_s:.3f} s", corner, fault.kind, fault.originator, ", ".join(fault.followers), fault.why)
            for fault, corner in all_faults(data)
        ),
    )


def condition_table(summary: Summary) -> PageTable:
    """How near each condition was kept, and what its changes took."""
    return table_of(KEPT_HEADS, map(kept_row, summary.conditions))


def change_table(summary: Summary) -> PageTable:
    """Every change of a condition, in order of time."""
    return table_of(CHANGE_HEADS, map(change_row, summary.condition_steps))


def interaction_table(data: RunData, *, least: float = 0.002) -> PageTable:
    """Make the table of pairs of rails that moved together by more than a share of the step."""
    pairs = [
        (step.rail, rail, share)
        for step in data.proof
        for rail, share in step.coupling().items()
        if rail != step.rail and abs(share) >= least
    ]
    return table_of(
        ("Stepped", "Moved along", "Share of the step"),
        (
            (stepped, moved, f"{100 * share:+.3f} %")
            for stepped, moved, share in sorted(pairs, key=lambda p: -abs(p[2]))
        ),
    )


def _claim(claim: str) -> object:
    return {"met": Decision.MET, "not met": Decision.NOT_MET, "open": Decision.OPEN}.get(claim, claim)


def _bounds(low: float | None, high: float | None) -> str:
    if low is None or high is None:
        return ""
    return f"{show(low, Kind.RATIO, digits=4)} to {show(high, Kind.RATIO, digits=4)}"


def _cell(value: object) -> Cell:
    if isinstance(value, Outcome | Decision):
        return Cell(text=marked(value), ink=ink_of(value))
    if isinstance(value, int):
        return Cell(text=f"{value}", is_number=True)
    text = str(value)
    return Cell(text=text, is_number=_reads_as_number(text))


def _reads_as_number(text: str) -> bool:
    first = text.lstrip("+-")[:1]
    return first.isdigit() and len(text) < 40
