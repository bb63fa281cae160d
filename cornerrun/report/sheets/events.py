"""The sheet Events: all that went another way than planned."""

from collections.abc import Iterator, Mapping, Sequence

from cornerrun.report.blocks import Block, Column
from cornerrun.report.book import Book
from cornerrun.report.looks import Style
from cornerrun.report.sheets.data_sheets import fill_data_sheets
from cornerrun.report.stream import Styled
from cornerrun.report.summary_model import Summary

__all__ = ["fill_events"]

_EVENT = (
    Column(head="Since start of run", style=Style.SECONDS, width=13),
    Column(head="Severity", width=14),
    Column(head="What", width=24),
    Column(head="Visit", style=Style.COUNT, width=8),
    Column(head="Corner", style=Style.WRAPPED, width=34),
    Column(head="Rail", width=16),
    Column(head="In words", style=Style.WRAPPED, width=90),
)
_SEVERITIES = {
    "error": ("■ error", Style.FAILED),
    "warning": ("▲ warning", Style.TROUBLE),
    "note": ("○ note", Style.NOT_RUN),
}
_MOST_FITTED = 2_000  # chosen: more rows are streamed, which nobody reads one by one; their heights are not fitted


def fill_events(book: Book, summary: Summary, *, rows_a_sheet: int | None = None) -> tuple[Block, ...]:
    """Fill the sheet, and as many more as its rows need; return where the rows of each lie."""
    page = book.page("cr_events")
    if len(summary.anomalies) > _MOST_FITTED:
        told = {name: Styled(text, book.style_number(style)) for name, (text, style) in _SEVERITIES.items()}
        rows = _rows(summary, told)
        count = len(summary.anomalies)
        return fill_data_sheets(book, page, _EVENT, rows, count, frozen=2, name="t_events", rows_a_sheet=rows_a_sheet)
    page.widths(page.column, [item.width for item in _EVENT])
    page.height(page.row, 30)
    block = page.table(page.row, page.column, _EVENT, _rows(summary, {}))
    for row, item in enumerate(summary.anomalies, start=block.first_row):
        page.put(row, page.column + 1, *_SEVERITIES[item.severity])
    if not summary.anomalies:
        page.put(block.first_row, page.column + 6, "nothing", Style.TEXT)
    page.freeze(block, columns=2, name="t_events")
    return (block,)


def _rows(summary: Summary, severities: Mapping[str, Styled]) -> Iterator[Sequence[object]]:
    for item in summary.anomalies:
        severity = severities.get(item.severity)
        yield item.at_s, severity, item.kind, item.visit, item.corner or None, item.rail or None, item.text
