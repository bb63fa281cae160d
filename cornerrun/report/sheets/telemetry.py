"""The sheet Telemetry: how well each device measures, by the reference meter."""

from collections.abc import Iterator, Sequence

from cornerrun.report.book import Book, Column
from cornerrun.report.looks import Style
from cornerrun.report.summary_model import Summary
from cornerrun.stats.interval import Interval

__all__ = ["fill_telemetry"]

_RAIL = (
    Column(head="Device", width=13),
    Column(head="Rail", width=15),
    Column(head="Readings", style=Style.COUNT, width=10),
    Column(head="Disputed", style=Style.COUNT, width=10),
    Column(head="Worst error", style=Style.SIGNED_PERCENT, width=12),
    Column(head="from", style=Style.SIGNED_PERCENT, width=11),
    Column(head="to (95 %)", style=Style.SIGNED_PERCENT, width=11),
    Column(head="at set-point", style=Style.VOLTS, width=12),
    Column(head="Plan states ±", style=Style.PERCENT, width=11),
    Column(head="Gain error", style=Style.SIGNED_PERCENT, width=11),
    Column(head="Gain ±", style=Style.PERCENT, width=10),
    Column(head="Offset", style=Style.MILLIVOLTS, width=13),
    Column(head="Offset ±", style=Style.PLUS_MINUS_MILLIVOLTS, width=13),
    Column(head="Scatter", style=Style.PLUS_MINUS_MILLIVOLTS, width=13),
)


def fill_telemetry(book: Book, summary: Summary) -> None:
    """Fill the sheet: devices in plan order, the worst rail of each first."""
    page = book.page("cr_telemetry")
    page.widths(page.column, [item.width for item in _RAIL])
    page.height(page.row, 30)
    block = page.table(page.row, page.column, _RAIL, _rows(summary))
    if not summary.telemetry:
        page.put(block.first_row, page.column, "no rail was read by its device and by a meter", Style.TEXT)
    page.freeze(block, columns=2, name="t_telemetry")


def _rows(summary: Summary) -> Iterator[Sequence[object]]:
    for device in summary.telemetry:
        for rail in device.rails:
            worst = rail.worst_error
            yield (
                device.device,
                rail.rail,
                rail.n,
                rail.disputed,
                worst.estimate,
                worst.low,
                worst.high,
                rail.worst_setpoint_v,
                rail.accuracy_ratio,
                *_pair(rail.gain_error, 1.0),
                *_pair(rail.offset_v, 1e3),
                None if rail.scatter_v is None or rail.scatter_v.estimate is None else rail.scatter_v.estimate * 1e3,
            )


def _pair(interval: Interval | None, factor: float) -> tuple[float | None, float | None]:
    if interval is None or interval.estimate is None:
        return None, None
    return interval.estimate * factor, interval.half_width * factor
