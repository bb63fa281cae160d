"""The sheet Visits: one row a visit, in order of time."""

from collections.abc import Iterator, Mapping, Sequence
from datetime import UTC, datetime, timedelta

from cornerrun.plan.model import Plan
from cornerrun.report.book import Block, Book, Column
from cornerrun.report.looks import Style
from cornerrun.report.sheets.data_sheets import fill_data_sheets
from cornerrun.report.stream import Styled
from cornerrun.results.packed import column_of
from cornerrun.results.records import Outcome, RunData

__all__ = ["fill_visits"]

# What cells count days from: right from March 1900 on (ECMA-376 part 1, 18.17.4.1).
_EPOCH, _DAY = datetime(1899, 12, 30, tzinfo=UTC), timedelta(days=1)
_LONGEST_HEAD = 200  # of a column of a table: programs take 255 letters
_VISIT = (
    Column(head="Visit", style=Style.COUNT, width=7),
    Column(head="Corner", style=Style.WRAPPED, width=34),
    Column(head="Repeat", style=Style.COUNT, width=8),
    Column(head="Kind", width=13),
    Column(head="Counts", width=8),
    Column(head="Outcome", width=18),
    Column(head="Trials", style=Style.COUNT, width=8),
    Column(head="Trials failed", style=Style.COUNT, width=8),
    Column(head="Rails not passing", style=Style.COUNT, width=9),
    Column(head="Started (UTC)", style=Style.TIME, width=18),
    Column(head="Since start of run", style=Style.SECONDS, width=12),
    Column(head="Took", style=Style.SECONDS, width=10),
)
_REASON = Column(head="Why", style=Style.WRAPPED, width=50)


def fill_visits(book: Book, data: RunData, plan: Plan, *, rows_a_sheet: int | None = None) -> tuple[Block, ...]:
    """Fill the sheet, and as many more as its rows need; return where the rows of each lie."""
    page = book.page("cr_visits")
    conditions = tuple(
        Column(head=f"{item.name} ({item.unit})", style=Style.NUMBER, width=11) for item in plan.conditions
    )
    columns = (*_VISIT, *conditions, _REASON)
    heads = [item.head.casefold() for item in columns]
    is_plain = len(set(heads)) == len(heads) and max(map(len, heads)) < _LONGEST_HEAD
    return fill_data_sheets(
        book,
        page,
        columns,
        _rows(data, plan, book.outcomes()),
        len(data.visits),
        frozen=2,
        name="t_visits",
        width=None if is_plain else len(_VISIT),
        rows_a_sheet=rows_a_sheet,
    )


def _rows(data: RunData, plan: Plan, outcomes: Mapping[Outcome, Styled]) -> Iterator[Sequence[object]]:
    for record in data.visits:
        visit = record.visit
        yield (
            visit.ordinal,
            visit.corner,
            visit.repeat,
            "control point" if visit.is_control else "corner",
            "void" if visit.is_void else "yes",
            outcomes[visit.outcome],
            sum(item.trials for item in record.checks),
            sum(item.failures for item in record.checks),
            sum(outcome is not Outcome.PASS for outcome in column_of(record.readings, "outcome")),
            (visit.started_utc - _EPOCH) / _DAY,
            visit.start_s,
            visit.end_s - visit.start_s,
            *(visit.conditions.get(item.name) for item in plan.conditions),
            ("first after a resume; " if visit.is_after_seam else "") + visit.reason or None,
        )
