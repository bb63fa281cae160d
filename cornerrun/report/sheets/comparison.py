"""The sheet Comparison: this run beside an earlier one, added behind the template's sheets."""

from collections.abc import Iterable, Sequence

from openpyxl.utils import get_column_letter

from cornerrun.report.book import Block, Book, Column, Formula, Page
from cornerrun.report.comparing.nouns import RunComparison
from cornerrun.report.looks import Style
from cornerrun.results.records import Outcome

__all__ = ["fill_comparison"]

_WIDTHS = (26, 30, 19, 15, 15, 15, 15, 13, 13, 13, 13)
_DIFFERENCE = (Column(head="What differs"), Column(head="Before", style=Style.WRAPPED), Column(head="Now"))
_CORNER = (
    Column(head="Corner", style=Style.WRAPPED),
    Column(head="Change"),
    Column(head="Before"),
    Column(head="Now"),
    Column(head="Visits passed before", style=Style.COUNT),
    Column(head="of", style=Style.COUNT),
    Column(head="Visits passed now", style=Style.COUNT),
    Column(head="of ", style=Style.COUNT),
)
_CHECK = (
    Column(head="Check"),
    Column(head="Corner", style=Style.WRAPPED),
    Column(head="Change"),
    Column(head="Failed before", style=Style.COUNT),
    Column(head="of", style=Style.COUNT),
    Column(head="Failed now", style=Style.COUNT),
    Column(head="of ", style=Style.COUNT),
    Column(head="Pass share, now less before", style=Style.SIGNED_PERCENT),
    Column(head="at least (95 %)", style=Style.SIGNED_PERCENT),
    Column(head="at most", style=Style.SIGNED_PERCENT),
    Column(head="p (Holm)", style=Style.NUMBER),
)
_TRIM = (
    Column(head="Rail"),
    Column(head="Level"),
    Column(head="Change"),
    Column(head="Trim error before", style=Style.SIGNED_PERCENT),
    Column(head="Readings", style=Style.COUNT),
    Column(head="Trim error now", style=Style.SIGNED_PERCENT),
    Column(head="Readings ", style=Style.COUNT),
    Column(head="Now less before", style=Style.SIGNED_PERCENT),
    Column(head="at least (95 %)", style=Style.SIGNED_PERCENT),
    Column(head="at most", style=Style.SIGNED_PERCENT),
    Column(head="p (Holm)", style=Style.NUMBER),
)
_MARGIN = (
    Column(head="Rail"),
    Column(head="Limit"),
    Column(head="Corner before", style=Style.WRAPPED),
    Column(head="Margin before", style=Style.MILLIVOLTS),
    Column(head="Corner now", style=Style.WRAPPED),
    Column(head="Margin now", style=Style.MILLIVOLTS),
    Column(head="Now less before", style=Style.MILLIVOLTS),
)


def fill_comparison(book: Book, comparison: RunComparison) -> None:
    """Add the sheet and fill it, one block below another; differences are live formulas."""
    page = book.further_page(
        "Comparison",
        "This run beside an earlier one; differences are now less before. Holm's p decides what is shown.",
    )
    page.widths(page.column, _WIDTHS)
    a, b = comparison.a.header, comparison.b.header
    row = page.row
    for label, header in (("Before", a), ("Now", b)):
        page.put(row, page.column, label, Style.LABEL)
        text = f"{header.run_id}, {header.serial}, {header.board_name} {header.board_revision}, {header.station}"
        page.span(row, page.column + 1, text, Style.TEXT, columns=len(_WIDTHS) - 1)
        row += 1
    row = _lines(page, row + 1, "Worse", comparison.worse or ("nothing is shown to have got worse",))
    row = _lines(page, row, "Cautions", comparison.cautions)
    row = _table(page, row, "About the runs", _DIFFERENCE, [(d.what, d.a, d.b) for d in comparison.differences])
    row = _table(page, row, "Corners", _CORNER, _corner_rows(comparison))
    row = _table(page, row, "Checks at corners", _CHECK, _check_rows(page, row + 2, comparison))
    row = _table(page, row, "Trim error", _TRIM, _trim_rows(page, row + 2, comparison))
    _table(page, row, "Smallest margins", _MARGIN, _margin_rows(page, row + 2, comparison))


def _corner_rows(comparison: RunComparison) -> Iterable[Sequence[object]]:
    for item in comparison.corners:
        yield (
            item.corner,
            item.change,
            item.a or Outcome.NOT_RUN,
            item.b or Outcome.NOT_RUN,
            item.passed_a,
            item.visits_a,
            item.passed_b,
            item.visits_b,
        )


def _check_rows(page: Page, first_row: int, comparison: RunComparison) -> Iterable[Sequence[object]]:
    failed_a, of_a, failed_b, of_b = (get_column_letter(page.column + offset) for offset in (3, 4, 5, 6))
    for row, item in enumerate(comparison.checks, start=first_row):
        difference = item.difference
        yield (
            item.check,
            item.corner,
            item.change,
            item.failed_a,
            item.trials_a,
            item.failed_b,
            item.trials_b,
            Formula(text=f"{failed_a}{row}/{of_a}{row}-{failed_b}{row}/{of_b}{row}", cached=difference.estimate or 0.0),
            difference.low,
            difference.high,
            item.holm,
        )


def _trim_rows(page: Page, first_row: int, comparison: RunComparison) -> Iterable[Sequence[object]]:
    before, now = (get_column_letter(page.column + offset) for offset in (3, 5))
    for row, item in enumerate(comparison.trim, start=first_row):
        difference = item.difference
        yield (
            item.rail,
            item.level,
            item.change,
            item.mean_a,
            item.n_a,
            item.mean_b,
            item.n_b,
            Formula(text=f"{now}{row}-{before}{row}", cached=item.mean_b - item.mean_a),
            difference.low,
            difference.high,
            item.holm,
        )


def _margin_rows(page: Page, first_row: int, comparison: RunComparison) -> Iterable[Sequence[object]]:
    before, now = (get_column_letter(page.column + offset) for offset in (3, 5))
    for row, item in enumerate(comparison.margins, start=first_row):
        difference = 1e3 * item.distance_b_v - 1e3 * item.distance_a_v
        yield (
            item.rail,
            item.limit,
            item.corner_a,
            1e3 * item.distance_a_v,
            item.corner_b,
            1e3 * item.distance_b_v,
            Formula(text=f"{now}{row}-{before}{row}", cached=difference),
        )


def _table(page: Page, row: int, title: str, columns: Sequence[Column], rows: Iterable[Sequence[object]]) -> int:
    """Write a block under its title; its headings stand one row below, its first row two."""
    content = list(rows)
    if not content:
        return row
    page.span(row, page.column, title, Style.BLOCK, columns=len(_WIDTHS))
    page.height(row + 1, 30)
    block: Block = page.table(row + 1, page.column, columns, content)
    return block.last_row + 2


def _lines(page: Page, row: int, title: str, texts: Iterable[str]) -> int:
    page.span(row, page.column, title, Style.BLOCK, columns=len(_WIDTHS))
    for text in texts:
        row += 1
        page.span(row, page.column, text, Style.WRAPPED, columns=len(_WIDTHS))
        page.height(row, 15.0 * max(1, -(-len(text) // 170)))
    return row + 2
