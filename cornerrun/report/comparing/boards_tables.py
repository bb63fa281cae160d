"""The tables of many runs together, as text cells: the same in the terminal and on the page."""

from collections.abc import Sequence

from cornerrun.report.comparing.boards_nouns import BoardsSummary, Yield
from cornerrun.report.page.tables import PageTable, interval_text, table_of
from cornerrun.units import Kind

__all__ = ["chart_table", "outlier_table", "run_table", "yield_table"]


def yield_table(summary: BoardsSummary) -> PageTable:
    """List yields: of boards as a whole, then of corners, checks and rails, the lowest first."""
    return table_of(
        ("Of", "Name", "First pass", "Share (95 %)", "Final", "Share (95 %) ", "Recovered", "No verdict"),
        (
            (
                item.kind,
                item.name,
                f"{item.first_passed} of {item.first_boards}",
                _share(item, is_first=True),
                f"{item.final_passed} of {item.final_boards}",
                _share(item, is_first=False),
                item.recovered,
                item.no_verdict_final,
            )
            for item in (summary.total, *summary.yields)
        ),
    )


def chart_table(summary: BoardsSummary) -> PageTable:
    """List the trim error of rails over boards, with control limits and capability."""
    return table_of(
        ("Rail", "Boards", "Centre", "Lower limit", "Upper limit", "Beyond", "Jump limit", "Jumps at", "Cpk (95 %)"),
        (
            (
                chart.rail,
                len(chart.serials),
                _percent(chart.centre),
                _percent(chart.lower),
                _percent(chart.upper),
                _some(chart.beyond),
                _percent(chart.moving_range_upper),
                _some(chart.jumps),
                "" if chart.capability is None else f"{chart.capability.low:.2f} to {chart.capability.high:.2f}",
            )
            for chart in sorted(summary.charts, key=lambda chart: -len(chart.beyond))
        ),
    )


def outlier_table(summary: BoardsSummary) -> PageTable:
    """List boards whose trim is unlike that of the others."""
    return table_of(
        ("Board", "Rail", "Trim error", "Others lie between", "and", "Run"),
        (
            (
                item.serial,
                item.rail,
                _percent(item.error_ratio),
                _percent(item.low),
                _percent(item.high) + (" (few boards)" if item.is_thin else ""),
                item.run_id,
            )
            for item in summary.outliers
        ),
    )


def run_table(summary: BoardsSummary) -> PageTable:
    """List the runs that were put together, newest first."""
    return table_of(
        ("Started (UTC)", "Board", "Revision", "Station", "Plan", "Result", "Run"),
        (
            (
                f"{item.started_utc:%Y-%m-%d %H:%M:%S}",
                item.serial,
                item.revision,
                item.station,
                item.title,
                item.result,
                item.run_id,
            )
            for item in reversed(summary.digests)
        ),
    )


def _some(serials: Sequence[str]) -> str:
    return ", ".join(serials[:8]) + (f" and {len(serials) - 8} more" if len(serials) > 8 else "")


def _share(item: Yield, *, is_first: bool) -> str:
    interval = item.first if is_first else item.final
    return "" if interval.estimate is None else interval_text(interval, Kind.RATIO)


def _percent(value: float | None) -> str:
    return "" if value is None else f"{100 * value:+.4f} %"
