"""The sheet Registers: what devices held when a fault was captured, before anything was cleared."""

from collections.abc import Iterator, Sequence

from cornerrun.report.blocks import Column
from cornerrun.report.book import Book
from cornerrun.report.looks import Style
from cornerrun.report.sheets.data_sheets import fill_data_sheets
from cornerrun.results.records import RunData

__all__ = ["fill_registers"]

_GUIDE = "One row a register as it was captured at a fault, before anything was cleared, with the fault logs raw."
_COLUMNS = (
    Column(head="Visit", style=Style.COUNT, width=8),
    Column(head="Corner", width=34),
    Column(head="Since start of run", style=Style.SECONDS, width=13),
    Column(head="Rail", width=18),
    Column(head="Register", width=24),
    Column(head="Held", style=Style.CODE, width=10),
    Column(head="Fault log, raw", style=Style.CODE, width=60),
)


def fill_registers(book: Book, data: RunData, *, rows_a_sheet: int | None = None) -> None:
    """Fill the sheet, and as many more as its rows need; a run without faults has none."""
    count = sum(len(item.registers) for record in data.visits for fault in record.faults for item in fault.captures)
    if count:
        page = book.page_or_further("cr_registers", "Registers", _GUIDE)
        fill_data_sheets(
            book, page, _COLUMNS, _rows(data), count, frozen=2, name="t_registers", rows_a_sheet=rows_a_sheet
        )


def _rows(data: RunData) -> Iterator[Sequence[object]]:
    for record in data.visits:
        for fault in record.faults:
            for item in fault.captures:
                log = None if item.fault_log is None else item.fault_log.hex(" ")
                for register, held in item.registers.items():
                    yield (
                        record.visit.ordinal,
                        record.visit.corner,
                        item.taken_at_s,
                        item.rail,
                        register,
                        f"0x{held:04X}" if held > 0xFF or register == "STATUS_WORD" else f"0x{held:02X}",
                        log,
                    )
                    log = None
