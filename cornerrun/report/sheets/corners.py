"""The sheet Corners: what became of each corner, with the map of rails x corners."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from openpyxl.formatting.rule import DataBar, FormatObject, Rule
from openpyxl.utils import get_column_letter
from openpyxl.worksheet.pagebreak import Break

from cornerrun.plan.model import Plan
from cornerrun.report.book import Block, Book, Column, Formula, Page
from cornerrun.report.looks import Style, marked, symbol_of
from cornerrun.report.sheets.data_sheets import rows_in
from cornerrun.report.sheets.live import at_least, exact_count, of_matching
from cornerrun.report.sheets.sources import Sources
from cornerrun.report.summary_model import CornerSummary, Summary
from cornerrun.results.records import Outcome

__all__ = ["Corners", "fill_corners"]

_CORNER = (
    Column(head="Corner", style=Style.WRAPPED, width=34),
    Column(head="Outcome", width=18),
    Column(head="Visits", style=Style.COUNT, width=8),
    Column(head="Visits passed", style=Style.COUNT, width=8),
    Column(head="Trials", style=Style.COUNT, width=8),
    Column(head="Trials failed", style=Style.COUNT, width=8),
    Column(head="Share of visits passed", style=Style.SHARE, width=10),
    Column(head="Trials passed, worst check", style=Style.SHARE, width=10),
    Column(head="Trials failed, worst check", style=Style.SHARE, width=10),
    Column(head="Smallest margin", style=Style.MILLIVOLTS, width=13),
    Column(head="of rail", width=13),
    Column(head="Longest settling", style=Style.SECONDS, width=10),
    Column(head="Scheme", width=13),
    Column(head="Why", style=Style.WRAPPED, width=32),
)
_CHART = (
    Column(head="Worst first", width=30),
    Column(head="passed", style=Style.SHARE, width=9),
    Column(head="failed", style=Style.SHARE, width=9),
)
_BAR = "B34700"
_LONGEST_NAME = 44  # chosen: what fits beside a bar


@dataclass(frozen=True, kw_only=True, slots=True)
class Corners:
    """Where the rows of corners lie, and those that the chart draws."""

    rows: Block
    chart: Block


def fill_corners(book: Book, summary: Summary, plan: Plan, sources: Sources) -> Corners:
    """Fill the sheet Corners with the map of rails x corners at its right; return where the rows lie."""
    page = book.page("cr_corners")
    rails = plan.commanded_rails
    conditions = [item.name for item in plan.conditions]
    columns = (
        *_CORNER,
        *(Column(head=name, width=10) for name in conditions),
        *(Column(head=rail.name, style=Style.MAP_NOMINAL, width=4.4, is_turned=True) for rail in rails),
    )
    worst_shares: dict[str, float] = {}
    for item in summary.checks:
        if item.trials:
            share = 1 - item.failures / item.trials
            worst_shares[item.corner] = min(share, worst_shares.get(item.corner, 1.0))
    longest = max((len(rail.name) for rail in rails), default=0)
    page.height(page.row, min(max(32, 7 + 6.2 * longest), 180))
    page.head(page.row, page.column, columns)
    page.widths(page.column, [item.width for item in columns])
    live = _Live.of(book, len(summary.corners), sources)
    for row, corner in enumerate(summary.corners, start=page.row + 1):
        worst = worst_shares.get(corner.name)
        values = [
            *_corner_cells(corner, row, page.column, worst, live),
            *(corner.condition_levels.get(name) for name in conditions),
        ]
        for offset, (column, value) in enumerate(zip(columns, values, strict=False)):
            page.put(row, page.column + offset, value, None if isinstance(value, Outcome) else column.style)
        page.fit_height(row, columns, values)
        for offset, rail in enumerate(rails, start=len(values)):
            level = corner.levels.get(rail.name, "nominal")
            percent = 100 * (rail.levels.get(level, rail.nominal_v) / rail.nominal_v - 1)
            style = Style.MAP_NOMINAL if level == "nominal" else Style.MAP_HIGH if percent > 0 else Style.MAP_LOW
            page.put(row, page.column + offset, 0.0 if level == "nominal" else percent, style)
    block = page.block(page.row, page.column, columns, len(summary.corners))
    page.freeze(block, columns=2, name="t_corners", width=len(_CORNER))
    if rails:
        # In print, the map of rails begins a page of its own.
        page.sheet.col_breaks.append(Break(id=page.column + len(_CORNER) + len(conditions) - 1))
    failed = block.letter("Trials failed, worst check")
    low, high = FormatObject(type="num", val=0), FormatObject(type="num", val=1)
    bar = Rule(type="dataBar", dataBar=DataBar(cfvo=[low, high], color=_BAR, minLength=0, maxLength=100))
    page.sheet.conditional_formatting.add(f"{failed}{block.first_row}:{failed}{block.last_row}", bar)
    last = get_column_letter(page.column + len(columns) - 1)
    page.sheet.print_area = f"A1:{last}{block.last_row}"
    return Corners(rows=block, chart=_chart_rows(page, summary, worst_shares, page.column + len(columns) + 1))


def _chart_rows(page: Page, summary: Summary, shares: Mapping[str, float], column: int) -> Block:
    """Write what the chart of corners draws, the worst first, beside the map and out of print.

    A corner that failed without a trial, because a rail tripped for one, comes before all others and has no bar.
    """
    corners = sorted(
        (corner for corner in summary.corners if corner.visits),
        key=lambda corner: shares.get(corner.name, 2.0 if corner.outcome is Outcome.PASS else -1.0),
    )
    has_trials = bool(shares)
    rows = []
    for corner in corners:
        name = corner.name if len(corner.name) <= _LONGEST_NAME else f"{corner.name[: _LONGEST_NAME - 1]}…"
        share = shares.get(corner.name) if has_trials else corner.passed_visits / corner.visits
        rows.append((f"{symbol_of(corner.outcome)} {name}", share, None if share is None else 1 - share))
    page.widths(column, [item.width for item in _CHART])
    return page.table(page.row, column, _CHART, rows)


@dataclass(frozen=True, kw_only=True, slots=True)
class _Live:
    """What corners are counted over; None where that would take too long to recalculate."""

    visits: tuple[Block, ...] | None
    trials: tuple[Block, ...] | None
    readings: tuple[Block, ...] | None

    @classmethod
    def of(cls, book: Book, corners: int, sources: Sources) -> "_Live":
        visits, trials, readings = sources.visits, sources.trials.rows, sources.readings
        return cls(
            visits=visits if book.may_look(2 * corners, rows_in(visits)) else None,
            trials=trials if book.may_look(2 * corners, rows_in(trials)) else None,
            readings=readings if book.may_look(3 * corners, rows_in(readings)) else None,
        )


def _counts(corner: CornerSummary, cell: str, live: _Live) -> Sequence[object]:
    visits: object = corner.visits
    passed: object = corner.passed_visits
    trials: object = corner.trials
    failures: object = corner.failures
    if live.visits is not None and not corner.outcomes.keys() & {Outcome.SKIPPED, Outcome.NOT_RUN}:
        visits = exact_count(live.visits, "Corner", cell, ("Counts", "yes"), cached=corner.visits)
    if live.visits is not None:
        told = (("Counts", "yes"), ("Outcome", marked(Outcome.PASS)))
        passed = exact_count(live.visits, "Corner", cell, *told, cached=corner.passed_visits)
    if live.trials is not None:
        counts = ("Counts", "yes")
        trials = exact_count(live.trials, "Corner", cell, counts, head="Trials", cached=corner.trials)
        failures = exact_count(live.trials, "Corner", cell, counts, head="Failed", cached=corner.failures)
    return visits, passed, trials, failures


def _worst(corner: CornerSummary, cell: str, live: _Live) -> object:
    if corner.worst_distance_v is None:
        return None
    cached = corner.worst_distance_v * 1e3
    if live.readings is None or len(live.readings) > 1:
        return cached
    key = ("Corner", cell)
    return at_least(live.readings[0], "Window margin", "Window margin of target", key, cached=cached)


def _longest(corner: CornerSummary, cell: str, live: _Live) -> object:
    if corner.longest_settle_s is None or live.readings is None:
        return corner.longest_settle_s
    keys, words = (("Corner", cell),), (("Void", ""),)
    return of_matching("MAX", live.readings, keys, "Settled after", words=words, cached=corner.longest_settle_s)


def _corner_cells(
    corner: CornerSummary, row: int, column: int, worst_share: float | None, live: _Live
) -> Sequence[object]:
    cell = f"${get_column_letter(column)}{row}"
    visits, visits_passed, worst = (get_column_letter(column + offset) for offset in (2, 3, 7))
    return (
        corner.name,
        corner.outcome,
        *_counts(corner, cell, live),
        Formula(
            text=f'IF({visits}{row}=0,"",{visits_passed}{row}/{visits}{row})',
            cached=corner.passed_visits / corner.visits if corner.visits else "",
        ),
        worst_share,
        None if worst_share is None else Formula(text=f"1-{worst}{row}", cached=1 - worst_share),
        _worst(corner, cell, live),
        corner.worst_rail,
        _longest(corner, cell, live),
        corner.scheme,
        _why(corner),
    )


def _why(corner: CornerSummary) -> str | None:
    if corner.void_visits:
        return f"{corner.void_visits} visits are void; {corner.reason}".rstrip("; ")
    return corner.reason or None
