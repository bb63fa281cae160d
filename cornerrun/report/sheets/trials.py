"""The sheet Trials: one row a check and visit; those of a check at a corner stand together: sums are short."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from cornerrun.plan.model import Plan
from cornerrun.report.blocks import Block, Column
from cornerrun.report.book import Book
from cornerrun.report.looks import Style
from cornerrun.report.sheets.data_sheets import fill_data_sheets
from cornerrun.report.stream import Styled
from cornerrun.report.summary_model import Summary
from cornerrun.results.decision import check_tallies
from cornerrun.results.records import CheckResult, Outcome, RunData, VisitRecord

__all__ = ["COLUMNS", "Trials", "fill_trials"]

COLUMNS = (
    Column(head="Check", width=22),
    Column(head="Corner", width=34),
    Column(head="Visit", style=Style.COUNT, width=7),
    Column(head="Kind", width=13),
    Column(head="Counts", width=8),
    Column(head="Outcome", width=18),
    Column(head="Trials", style=Style.COUNT, width=9),
    Column(head="Failed", style=Style.COUNT, width=9),
    Column(head="No verdict", style=Style.COUNT, width=9),
    Column(head="Took", style=Style.SECONDS, width=11),
    Column(head="Why", width=60),
)
_GUIDE = "One row a check and visit. Trials have a verdict; one that hung where the control point passed has failed."


@dataclass(frozen=True, kw_only=True, slots=True)
class Trials:
    """Where the rows lie; ``groups`` tells the first and last of each check at each corner, of what counts, from 0."""

    rows: tuple[Block, ...]
    groups: Mapping[tuple[str, str], tuple[int, int]]


def fill_trials(book: Book, summary: Summary, plan: Plan, data: RunData, *, rows_a_sheet: int | None = None) -> Trials:
    """Fill the sheet, and as many more as its rows need; return where they lie."""
    page = book.page_or_further("cr_trials", "Trials", _GUIDE)
    found = _ordered(summary, data)
    groups: dict[tuple[str, str], tuple[int, int]] = {}
    for number, (record, result) in enumerate(found):
        if not record.visit.is_void:
            key = (result.check, record.visit.corner)
            groups[key] = (groups.get(key, (number, number))[0], number)
    rows = _rows(found, plan, book.outcomes())
    blocks = fill_data_sheets(
        book, page, COLUMNS, rows, len(found), frozen=3, name="t_trials", rows_a_sheet=rows_a_sheet
    )
    return Trials(rows=blocks, groups=groups)


def _ordered(summary: Summary, data: RunData) -> list[tuple[VisitRecord, CheckResult]]:
    """Sort by check and corner as on the sheet of checks, void visits behind all others."""
    order = {(item.check, item.corner): index for index, item in enumerate(summary.checks)}
    found = [(record, result) for record in data.visits for result in record.checks]
    return sorted(
        found,
        key=lambda item: (
            item[0].visit.is_void,
            order.get((item[1].check, item[0].visit.corner), len(order)),
            item[1].check,
            item[0].visit.corner,
        ),
    )


def _rows(
    found: Sequence[tuple[VisitRecord, CheckResult]], plan: Plan, outcomes: Mapping[Outcome, Styled]
) -> Iterator[Sequence[object]]:
    last: VisitRecord | None = None
    tallies: dict[str, tuple[int, int, int]] = {}
    for record, result in found:
        if record is not last:
            last = record
            tallies = {
                tally.check: (tally.trials, tally.failures, tally.no_verdict) for tally in check_tallies(plan, [record])
            }
        visit = record.visit
        yield (
            result.check,
            visit.corner,
            visit.ordinal,
            "control point" if visit.is_control else "corner",
            "void" if visit.is_void else "yes",
            outcomes[result.outcome],
            *tallies[result.check],
            sum(trial.duration_s for trial in record.trials if trial.check == result.check),
            result.reason or None,
        )
