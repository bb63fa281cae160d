"""The sheet Conditions: how near each was kept, and every change as it went."""

from collections.abc import Iterator, Sequence

from openpyxl.utils import get_column_letter

from cornerrun.report.blocks import Block, Formula
from cornerrun.report.book import Book, Column, Page
from cornerrun.report.charts import condition_chart
from cornerrun.report.looks import Style
from cornerrun.report.sheets.live import exact_count
from cornerrun.report.summary_conditions import ConditionStep, end_of, paths, time_unit
from cornerrun.report.summary_model import Summary
from cornerrun.report.thinning import thinned
from cornerrun.results.records import RunData
from cornerrun.units import Kind, kind_of

__all__ = ["fill_conditions"]

_GUIDE = "What was set besides rails: how near each condition was kept, then a row a change of one."
_KEPT = (
    Column(head="Condition", width=20),
    Column(head="Unit", width=10),
    Column(head="Visits read", style=Style.COUNT, width=11),
    Column(head="Farthest from target", style=Style.NUMBER, width=13),
    Column(head="at visit", style=Style.COUNT, width=12),
    Column(head="Changes", style=Style.COUNT, width=11),
    Column(head="Time changing", style=Style.SECONDS, width=12),
    Column(head="Board off", style=Style.SECONDS, width=11),
    Column(head="Left at", style=Style.NUMBER, width=11),
)
_CHANGES = (
    Column(head="Condition", width=20),
    Column(head="Unit", width=10),
    Column(head="Visit", style=Style.COUNT, width=11),
    Column(head="Level", width=13),
    Column(head="Target", style=Style.NUMBER, width=12),
    Column(head="Came from", style=Style.NUMBER, width=11),
    Column(head="Reached", style=Style.NUMBER, width=12),
    Column(head="From target", style=Style.NUMBER, width=11),
    Column(head="Since start of run", style=Style.SECONDS, width=11),
    Column(head="Took", style=Style.SECONDS, width=11),
    Column(head="Ramp asked", style=Style.NUMBER, width=11),
    Column(head="Steepest", style=Style.NUMBER, width=11),
    Column(head="per", width=7),
    Column(head="Board", width=8),
    Column(head="Board's sensor", style=Style.DEGREES, width=12),
    Column(head="Sensor", width=18),
)
_MOST_CHARTS = 4  # chosen: a plan sets few things besides rails; the page draws all of them
_MOST_POINTS = 500  # chosen: more than a chart of this size shows
_CHART_CM, _CHART_ROWS, _SECOND_CHART = (18.2, 6.2), 14, 8


def fill_conditions(book: Book, summary: Summary, data: RunData) -> None:
    """Fill the sheet; a run without conditions has none."""
    if not summary.conditions:
        return
    page = book.page_or_further("cr_conditions", "Conditions", _GUIDE)
    page.widths(page.column, [max(a.width or 0, b.width or 0) for a, b in zip(_CHANGES, _KEPT, strict=False)])
    page.widths(page.column + len(_KEPT), [item.width for item in _CHANGES[len(_KEPT) :]])
    page.height(page.row, 30)
    below = page.row + len(summary.conditions) + 2
    first = _charts(page, below, summary, data) + 1
    page.height(first, 30)
    rows = list(_change_rows(summary.condition_steps, first + 1, page.column))
    changes = page.table(first, page.column, _CHANGES, rows)
    page.table(page.row, page.column, _KEPT, _kept_rows(summary, changes, page.row + 1, page.column))
    page.freeze(changes, columns=1, name="t_conditions")
    page.sheet.print_area = f"A1:{get_column_letter(page.column + len(_CHANGES) - 1)}{max(changes.last_row, first)}"


def _charts(page: Page, row: int, summary: Summary, data: RunData) -> int:
    """Draw the way of each condition that changed, two side by side; return the first row below.

    What the charts draw is written beside the table of changes, out of print.
    """
    end_s = end_of(summary.condition_steps, data)
    unit, unit_s = time_unit(end_s)
    drawn = 0
    for condition in summary.conditions:
        steps = [step for step in summary.condition_steps if step.change.condition == condition.name]
        if drawn == _MOST_CHARTS or not steps:
            continue
        column = page.column + len(_CHANGES) + 1 + 5 * drawn
        sent, read = (
            page.table(
                row,
                column + offset,
                (Column(head=f"{condition.name}, {what}: {unit}"), Column(head=condition.unit)),
                [(at_s / unit_s, _rounded(value)) for at_s, value in thinned(path, _MOST_POINTS)],
            )
            for what, offset, path in zip(("sent", "read"), (0, 2), paths(steps, end_s), strict=True)
        )
        chart = condition_chart(
            page.sheet,
            sent,
            read,
            f"{condition.name} ({condition.unit}) over {unit} since the run began",
            end=end_s / unit_s,
            width_cm=_CHART_CM[0],
            height_cm=_CHART_CM[1],
        )
        place = page.sheet.cell(row + _CHART_ROWS * (drawn // 2), page.column + _SECOND_CHART * (drawn % 2))
        page.sheet.add_chart(chart, place.coordinate)
        drawn += 1
    return row + _CHART_ROWS * -(-drawn // 2)


def _kept_rows(summary: Summary, changes: Block, row: int, column: int) -> Iterator[Sequence[object]]:
    for number, one in enumerate(summary.conditions):
        cell = f"{get_column_letter(column)}{row + number}"
        yield (
            one.name,
            one.unit,
            one.visits,
            _rounded(one.farthest, digits=3),
            one.farthest_visit,
            exact_count((changes,), "Condition", cell, cached=one.changes),
            exact_count((changes,), "Condition", cell, head="Took", cached=one.changing_s),
            exact_count((changes,), "Condition", cell, ("Board", "off"), head="Took", cached=one.off_s),
            _rounded(one.left_at),
        )


def _change_rows(steps: Sequence[ConditionStep], row: int, column: int) -> Iterator[Sequence[object]]:
    target, reached = (get_column_letter(column + place) for place in (4, 6))
    for number, step in enumerate(steps, start=row):
        change = step.change
        is_temperature = kind_of(change.unit) is Kind.TEMPERATURE
        pace = 60.0 if is_temperature else 1.0
        reading = _rounded(change.reading)
        distance = None if reading is None else reading - change.target
        yield (
            change.condition,
            change.unit,
            step.visit,
            change.level or "rest",
            change.target,
            _rounded(change.came_from),
            reading,
            None if distance is None else Formula(text=f"{reached}{number}-{target}{number}", cached=distance),
            change.started_s,
            change.took_s,
            None if change.ramp_per_s is None else _rounded(change.ramp_per_s * pace, digits=4),
            None if change.steepest_per_s is None else _rounded(change.steepest_per_s * pace, digits=4),
            "minute" if is_temperature else "second",
            "on" if change.is_board_on else "off",
            change.sensed,
            change.sensor or None,
        )


def _rounded(value: float | None, *, digits: int = 6) -> float | None:
    """Round to what a sheet should show; the tables of a run hold every bit."""
    return None if value is None else float(f"{value:.{digits}g}")
