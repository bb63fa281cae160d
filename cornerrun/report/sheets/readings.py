"""The sheets Readings: one row a rail and visit, streamed, since a long run has a million of them."""

from collections.abc import Iterator, Mapping, Sequence, Set
from dataclasses import dataclass
from itertools import islice

from openpyxl.worksheet.worksheet import Worksheet

from cornerrun.plan.model import Plan
from cornerrun.report.book import Block, Book, Column, Page
from cornerrun.report.looks import Style, marked, style_of
from cornerrun.report.rail_nouns import Margin
from cornerrun.report.stream import MAX_ROWS, RowStream, Styled
from cornerrun.report.summary_rails import all_margins
from cornerrun.results.control import good_visits
from cornerrun.results.records import Outcome, RunData
from cornerrun.results.trim_readings import trim_readings

__all__ = ["COLUMNS", "Judged", "fill_readings", "judge_readings", "reading_rows"]

COLUMNS = (
    Column(head="Visit", style=Style.COUNT, width=7),
    Column(head="Corner", width=26),
    Column(head="Repeat", style=Style.COUNT, width=8),
    Column(head="Kind", width=13),
    Column(head="Void", width=7),
    Column(head="Rail", width=14),
    Column(head="Level", width=10),
    Column(head="Target", style=Style.VOLTS, width=11),
    Column(head="Set-point", style=Style.VOLTS, width=11),
    Column(head="Word", style=Style.CODE, width=8),
    Column(head="Telemetry", style=Style.VOLTS, width=11),
    Column(head="Tele-metry n", style=Style.COUNT, width=8),
    Column(head="Reference", style=Style.VOLTS, width=11),
    Column(head="Reference range", style=Style.VOLTS, width=12),
    Column(head="Trim error", style=Style.MILLIVOLTS, width=12),
    Column(head="Trim error of set-point", style=Style.SIGNED_PERCENT, width=10),
    Column(head="Trim counts", width=8),
    Column(head="Window margin", style=Style.MILLIVOLTS, width=12),
    Column(head="Window margin of target", style=Style.SIGNED_PERCENT, width=10),
    Column(head="Hard-limit margin", style=Style.MILLIVOLTS, width=12),
    Column(head="Settled after", style=Style.SECONDS, width=10),
    Column(head="STATUS_ WORD", style=Style.CODE, width=9),
    Column(head="Current", style=Style.AMPERES, width=10),
    Column(head="Temper-ature", style=Style.DEGREES, width=9),
    Column(head="Outcome", width=18),
    Column(head="Reason", width=44),
)


@dataclass(frozen=True, kw_only=True, slots=True)
class Judged:
    """What is known of readings besides themselves, by visit and rail: margins, and whether trim counts them."""

    window: Mapping[tuple[int, str], Margin]
    hard_limit: Mapping[tuple[int, str], Margin]
    trim: Set[tuple[int, str]]


def judge_readings(plan: Plan, data: RunData) -> Judged:
    """Find the margins of every reading that counts, and which readings the trim estimates use."""
    good = good_visits(plan, data.visits)
    kept = frozenset(record.visit.ordinal for record in good)
    margins = all_margins(plan, good, None, ())
    used = trim_readings(plan, data.visits, kept)
    chosen = {(rail, id(item.reading)) for rail, found in used.items() for item in found.readings}
    commanded = {rail.name for rail in plan.commanded_rails}
    return Judged(
        window={(item.visit, item.rail): item for item in margins if item.limit == "window"},
        hard_limit={(item.visit, item.rail): item for item in margins if item.limit == "hard limit"},
        trim={
            (record.visit.ordinal, item.rail)
            for record in data.visits
            for item in record.readings
            if item.rail in commanded and (item.rail, id(item)) in chosen
        },
    )


def fill_readings(book: Book, data: RunData, judged: Judged, *, rows_a_sheet: int | None = None) -> tuple[Block, ...]:
    """Fill the sheet, and as many more as its rows need; return where the rows of each lie.

    ``rows_a_sheet`` is what a sheet takes below its headings; by default all that the file format allows.
    """
    page = book.page("cr_readings")
    room = rows_a_sheet or MAX_ROWS - page.row
    total = sum(len(record.readings) for record in data.visits)
    styles = tuple(book.style_number(item.style) for item in COLUMNS)
    quoted = tuple(book.style_number(item.style, is_quoted=True) for item in COLUMNS)
    outcomes = {outcome: Styled(marked(outcome), book.style_number(style_of(outcome))) for outcome in Outcome}
    rows = reading_rows(data, outcomes, judged)
    blocks = []
    for part in range(max(1, -(-total // room))):
        if part:
            page = _next_page(book, page, part + 1)
        count = min(room, total - part * room)
        page.head(page.row, page.column, COLUMNS)
        page.widths(page.column, [item.width for item in COLUMNS])
        page.height(page.row, 30)
        block = page.block(page.row, page.column, COLUMNS, count)
        page.freeze(block, columns=6, name="t_readings")
        blocks.append(block)
        if count:
            book.streams.append(
                RowStream(
                    sheet=page.title,
                    first_row=block.first_row,
                    count=count,
                    column=page.column,
                    styles=styles,
                    quoted=quoted,
                    rows=islice(rows, count),
                )
            )
    return tuple(blocks)


def reading_rows(data: RunData, outcomes: dict[Outcome, Styled], judged: Judged) -> Iterator[Sequence[object]]:
    """Give the rows in order of time, in the order of `COLUMNS`."""
    for record in data.visits:
        visit = record.visit
        kind = "control point" if visit.is_control else "corner"
        void = "void" if visit.is_void else None
        for item in record.readings:
            key = (visit.ordinal, item.rail)
            window, hard_limit = judged.window.get(key), judged.hard_limit.get(key)
            error_v = None
            if item.reference_v is not None and item.setpoint_v is not None:
                error_v = item.reference_v - item.setpoint_v
            yield (
                visit.ordinal,
                visit.corner,
                visit.repeat,
                kind,
                void,
                item.rail,
                item.level,
                item.target_v,
                item.setpoint_v,
                None if item.word is None else f"0x{item.word:04X}",
                item.telemetry_v,
                item.telemetry_n,
                item.reference_v,
                item.reference_range_v,
                None if error_v is None else error_v * 1e3,
                error_v / abs(item.setpoint_v) if error_v is not None and item.setpoint_v else None,
                "yes" if key in judged.trim else None,
                None if window is None else window.distance_v * 1e3,
                None if window is None else window.distance_ratio,
                None if hard_limit is None else hard_limit.distance_v * 1e3,
                item.settle_s,
                None if item.status_word is None else f"0x{item.status_word:04X}",
                item.current_a,
                item.temperature_degc,
                outcomes[item.outcome],
                item.reason or None,
            )


def _next_page(book: Book, page: Page, number: int) -> Page:
    """Add a sheet like the one before, right after it."""
    workbook = book.template.workbook
    first = book.page("cr_readings")
    title = f"{first.title[:26]} {number}"
    sheet: Worksheet = workbook.copy_worksheet(page.sheet)
    sheet.title = title
    workbook.move_sheet(sheet, workbook.index(page.sheet) + 1 - workbook.index(sheet))
    return book.page_like(first, sheet)
