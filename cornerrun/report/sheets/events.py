"""The sheet Events: all that went another way than planned, and registers as they were captured."""

from collections.abc import Iterator, Sequence

from cornerrun.report.book import Block, Book, Column
from cornerrun.report.looks import Style
from cornerrun.report.summary_model import Summary
from cornerrun.results.records import RunData

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
_CAPTURE = (
    Column(head="Since start of run", style=Style.SECONDS),
    Column(head="Rail"),
    Column(head="Register"),
    Column(head="Visit", style=Style.COUNT),
    Column(head="Corner"),
    Column(head="Held", style=Style.CODE),
    Column(head="Fault log, raw", style=Style.CODE),
)
_SEVERITIES = {
    "error": ("■ error", Style.FAILED),
    "warning": ("▲ warning", Style.TROUBLE),
    "note": ("○ note", Style.NOT_RUN),
}


def fill_events(book: Book, summary: Summary, data: RunData) -> Block:
    """Fill the sheet; return where the rows of events lie. Captured registers follow below."""
    page = book.page("cr_events")
    page.widths(page.column, [item.width for item in _EVENT])
    page.height(page.row, 30)
    rows = (
        (item.at_s, None, item.kind, item.visit, item.corner or None, item.rail or None, item.text)
        for item in summary.anomalies
    )
    block = page.table(page.row, page.column, _EVENT, rows)
    for row, item in enumerate(summary.anomalies, start=block.first_row):
        page.put(row, page.column + 1, *_SEVERITIES[item.severity])
    if not summary.anomalies:
        page.put(block.first_row, page.column + 6, "nothing", Style.TEXT)
    page.freeze(block, columns=2, name="t_events")
    captures = list(_captures(data))
    if captures:
        # A heading repeated in print would stand above the wrong table.
        page.sheet.print_title_rows = None
        row = block.last_row + 3
        page.put(row, page.column, "Registers as captured, before anything was cleared", Style.BLOCK)
        page.height(row + 1, 30)
        page.table(row + 1, page.column, _CAPTURE, captures)
    return block


def _captures(data: RunData) -> Iterator[Sequence[object]]:
    for record in data.visits:
        for fault in record.faults:
            for item in fault.captures:
                log = None if item.fault_log is None else item.fault_log.hex(" ")
                for register, held in item.registers.items():
                    yield (
                        item.taken_at_s,
                        item.rail,
                        register,
                        record.visit.ordinal,
                        record.visit.corner,
                        f"0x{held:04X}" if held > 0xFF or register == "STATUS_WORD" else f"0x{held:02X}",
                        log,
                    )
                    log = None
