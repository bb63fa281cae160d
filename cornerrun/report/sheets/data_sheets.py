"""Sheets of data: rows that are streamed, over as many sheets as they need."""

from collections.abc import Iterator, Sequence
from itertools import islice

from cornerrun.report.blocks import Block, Column
from cornerrun.report.book import Book, Page
from cornerrun.report.stream import MAX_ROWS

__all__ = ["fill_data_sheets", "rows_in"]

_HEAD_POINTS = 30
_LONGEST_TITLE = 26  # of 31 letters, with room for a number of three digits


def fill_data_sheets(
    book: Book,
    page: Page,
    columns: Sequence[Column],
    rows: Iterator[Sequence[object]],
    count: int,
    *,
    frozen: int,
    name: str,
    width: int | None = None,
    rows_a_sheet: int | None = None,
) -> tuple[Block, ...]:
    """Put ``count`` rows below headings, and go on in further sheets like it; return where the rows of each lie.

    ``frozen`` columns stay in view; each sheet holds a table ``name`` over its first ``width`` columns (`Page.freeze`).
    ``rows_a_sheet`` is what a sheet takes below its headings; by default all that the file format allows.
    """
    first, blocks = page, []
    room = rows_a_sheet or MAX_ROWS - page.row
    for part in range(max(1, -(-count // room))):
        if part:
            page = _next_page(book, first, page, part + 1)
        own = min(room, count - part * room)
        page.head(page.row, page.column, columns)
        page.widths(page.column, [item.width for item in columns])
        page.height(page.row, _HEAD_POINTS)
        block = page.block(page.row, page.column, columns, own)
        page.freeze(block, columns=frozen, name=name, width=width)
        blocks.append(block)
        book.stream(block, columns, own, islice(rows, own))
    return tuple(blocks)


def rows_in(blocks: Sequence[Block]) -> int:
    """Tell how many rows there are."""
    return sum(block.last_row - block.first_row + 1 for block in blocks)


def _next_page(book: Book, first: Page, last: Page, number: int) -> Page:
    """Add a sheet like the first, right after the last."""
    workbook = book.template.workbook
    sheet = workbook.copy_worksheet(last.sheet)
    sheet.title = f"{first.title[:_LONGEST_TITLE]} {number}"
    workbook.move_sheet(sheet, workbook.index(last.sheet) + 1 - workbook.index(sheet))
    return book.page_like(first, sheet)
