"""The sheet Checks: what the trials of each check show at each corner."""

from collections.abc import Iterator, Sequence

from openpyxl.utils import get_column_letter

from cornerrun.report.book import Block, Book, Column, Formula
from cornerrun.report.looks import Style
from cornerrun.report.summary_model import Summary
from cornerrun.results.records import Outcome

__all__ = ["fill_checks"]

_CHECK = (
    Column(head="Check", width=22),
    Column(head="Corner", style=Style.WRAPPED, width=34),
    Column(head="Decision", width=17),
    Column(head="Trials", style=Style.COUNT, width=8),
    Column(head="Failed", style=Style.COUNT, width=8),
    Column(head="No verdict", style=Style.COUNT, width=8),
    Column(head="Share passed", style=Style.SHARE, width=9),
    Column(head="Interval from", style=Style.SHARE, width=9),
    Column(head="to", style=Style.SHARE, width=9),
    Column(head="at confidence", style=Style.SHARE, width=10),
    Column(head="One-sided bound from below", style=Style.SHARE, width=11),
    Column(head="from above", style=Style.SHARE, width=10),
    Column(head="Outcome", width=18),
    Column(head="Visits", style=Style.COUNT, width=7),
    Column(head="Criterion", style=Style.WRAPPED, width=56),
    Column(head="Why", style=Style.WRAPPED, width=32),
)


def fill_checks(book: Book, summary: Summary) -> Block:
    """Fill the sheet; return where its rows lie."""
    page = book.page("cr_checks")
    page.widths(page.column, [item.width for item in _CHECK])
    page.height(page.row, 42)
    block = page.table(page.row, page.column, _CHECK, _check_rows(summary, page.row + 1, page.column))
    page.freeze(block, columns=3)
    return block


def _check_rows(summary: Summary, first_row: int, column: int) -> Iterator[Sequence[object]]:
    trials, failed = get_column_letter(column + 3), get_column_letter(column + 4)
    for row, item in enumerate(summary.checks, start=first_row):
        probability = item.pass_probability
        has_trials = item.trials > 0
        yield (
            item.check,
            item.corner,
            item.decision if item.outcome is not Outcome.NOT_RUN else item.outcome,
            item.trials,
            item.failures,
            item.no_verdict,
            Formula(
                text=f'IF({trials}{row}=0,"",1-{failed}{row}/{trials}{row})',
                cached=1 - item.failures / item.trials if has_trials else "",
            ),
            probability.low if has_trials else None,
            probability.high if has_trials else None,
            probability.confidence,
            item.lower_bound,
            item.upper_bound,
            item.outcome,
            item.visits,
            item.criterion,
            item.reason or None,
        )
