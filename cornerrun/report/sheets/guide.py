"""The sheet Guide: what each table and column means, and how the workbook is to be read."""

from collections.abc import Iterator, Sequence

from cornerrun.report.blocks import Column
from cornerrun.report.book import Book
from cornerrun.report.guide_texts import GUIDE
from cornerrun.report.looks import Style

__all__ = ["fill_guide"]

_COLUMNS = (
    Column(head="Sheet", width=22),
    Column(head="Table", width=16),
    Column(head="Column", width=32),
    Column(head="Means", style=Style.WRAPPED, width=96),
)
_GUIDE = (
    "What each column means. Tables are named: insert a pivot table and type the name, or NAME_rows, as its source."
)
_WORDS = (
    ("● ■ ▲ ○", "passed; the product failed; open or bench trouble, so nothing is said of the product; not run"),
    ("live", "counts, worst cases, bounds and decisions are formulas over the data sheets (Visits, Trials, Readings)"),
    ("values", "where formulas would take long to recalculate (tens of millions of comparisons), values stand instead"),
    ("units", "as each cell shows: V, mV, s, A, °C; shares are of one and shown as per cent"),
    ("95 %", "intervals and expanded uncertainties, unless a column says another confidence"),
    ("empty", "not measured, or cannot be told; never zero"),
)


def fill_guide(book: Book) -> None:
    """Fill the sheet, tables in the order of their sheets."""
    page = book.page_or_further("cr_guide", "Guide", _GUIDE)
    page.widths(page.column, [item.width for item in _COLUMNS])
    row = page.row
    lost = book.template.lost
    told = (("not taken over", f"of the template's: {', '.join(lost)}"),) if lost else ()
    for word, means in (*_WORDS, *told):
        page.put(row, page.column, word, Style.LABEL)
        page.span(row, page.column + 1, means, Style.WRAPPED, columns=3)
        row += 1
    page.table(row + 1, page.column, _COLUMNS, _rows(book))


def _rows(book: Book) -> Iterator[Sequence[object]]:
    titles = {name: sheet.title for sheet in book.template.workbook.worksheets for name in sheet.tables}
    for table, columns in GUIDE.items():
        if table in titles:
            for head, means in columns.items():
                yield titles[table], table, head, means
