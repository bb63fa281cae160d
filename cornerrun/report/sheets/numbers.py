"""The sheet Numbers: what checks returned besides a verdict, against the limits that the plan sets."""

from cornerrun.report.book import Block, Book, Column
from cornerrun.report.looks import Style
from cornerrun.report.summary_model import Summary

__all__ = ["fill_numbers"]

_NUMBER = (
    Column(head="Check", width=22),
    Column(head="Corner", style=Style.WRAPPED, width=34),
    Column(head="Number", width=17),
    Column(head="n", style=Style.COUNT, width=18),
    Column(head="Least", style=Style.NUMBER, width=18),
    Column(head="Greatest", style=Style.NUMBER, width=18),
    Column(head="Limit from below", style=Style.NUMBER, width=18),
    Column(head="Limit from above", style=Style.NUMBER, width=18),
    Column(head="Distance", style=Style.NUMBER, width=18),
    Column(head="Distance in sigma", style=Style.NUMBER, width=18),
)
_MOST_NUMBERS = 100_000  # chosen: all of any run but a monstrous one; the CSV tables hold every number


def fill_numbers(book: Book, summary: Summary) -> Block:
    """Fill the sheet; return where its rows lie."""
    page = book.page("cr_numbers")
    page.widths(page.column, [item.width for item in _NUMBER])
    page.height(page.row, 30)
    rows = (
        (
            item.check,
            item.corner,
            item.number,
            item.n,
            item.least,
            item.greatest,
            item.limit_min,
            item.limit_max,
            item.distance,
            # Nobody knows a standard deviation better than this.
            None if item.distance_sigma is None else float(f"{item.distance_sigma:.4g}"),
        )
        for item in summary.numbers[:_MOST_NUMBERS]
    )
    block = page.table(page.row, page.column, _NUMBER, rows)
    if not summary.numbers:
        page.put(block.first_row, page.column, "no check returned a number", Style.TEXT)
    more = len(summary.numbers) - _MOST_NUMBERS
    if more > 0:
        text = f"and {more} more, less near to their limits: the table numbers holds them (--csv, --parquet)"
        page.put(block.last_row + 2, page.column, text, Style.TEXT)
    page.freeze(block, columns=3, name="t_numbers")
    return block
