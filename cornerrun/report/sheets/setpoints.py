"""The sheet Set-points: each level of each rail as asked for, as the device holds it, and as the meter found it."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from openpyxl.utils import get_column_letter

from cornerrun.plan.model import Plan
from cornerrun.report.book import Block, Book, Column, Page
from cornerrun.report.looks import Style
from cornerrun.report.rail_nouns import TrimLevel
from cornerrun.report.sheets.data_sheets import rows_in
from cornerrun.report.sheets.live import of_matching
from cornerrun.report.sheets.sources import Sources
from cornerrun.report.summary_model import Summary
from cornerrun.results.records import RunData

__all__ = ["fill_setpoints"]

_SETPOINT = (
    Column(head="Rail", width=16),
    Column(head="Level", width=11),
    Column(head="Target", style=Style.VOLTS, width=12),
    Column(head="Word", style=Style.CODE, width=10),
    Column(head="Set-point", style=Style.VOLTS, width=12),
    Column(head="Quantisation", style=Style.MILLIVOLTS, width=13),
    Column(head="Readings", style=Style.COUNT, width=10),
    Column(head="Mean trim error of set-point", style=Style.SIGNED_PERCENT, width=12),
    Column(head="± (95 %)", style=Style.PERCENT, width=11),
    Column(head="Mean trim error", style=Style.MILLIVOLTS, width=13),
    Column(head="Mean ± (95 %)", style=Style.PLUS_MINUS_MILLIVOLTS, width=12),
    Column(head="Largest trim error", style=Style.MILLIVOLTS, width=13),
    Column(head="Meter specification ±", style=Style.PLUS_MINUS_MILLIVOLTS, width=13),
    Column(head="Claim ±", style=Style.PLUS_MINUS_MILLIVOLTS, width=12),
)


def fill_setpoints(book: Book, summary: Summary, plan: Plan, data: RunData, sources: Sources) -> Block:
    """Fill the sheet; return where its rows lie."""
    page = book.page("cr_setpoints")
    page.widths(page.column, [item.width for item in _SETPOINT])
    page.height(page.row, 42)
    block = page.table(page.row, page.column, _SETPOINT, _rows(book, page, summary, plan, data, sources))
    page.freeze(block, columns=2, name="t_setpoints")
    return block


def _rows(  # noqa: PLR0917 - what a row is made of
    book: Book, page: Page, summary: Summary, plan: Plan, data: RunData, sources: Sources
) -> Iterator[Sequence[object]]:
    row = page.row
    count = sum(len(rail.levels) for rail in plan.rails)
    readings = sources.readings if book.may_look(3 * count, rows_in(sources.readings)) else ()
    held = {(item.rail, item.level): item for item in data.run.setpoints}
    measured = {(item.rail, level.level): level for item in summary.trim for level in item.levels}
    for rail in plan.rails:
        for name, target_v in rail.levels.items():
            row += 1
            setpoint = held.get((rail.name, name))
            level = measured.get((rail.name, name))
            setpoint_v = setpoint.decoded_v if setpoint is not None else None
            if setpoint_v is None and level is not None:
                setpoint_v = level.setpoint_v
            yield (
                rail.name,
                name,
                target_v,
                None if setpoint is None else f"0x{setpoint.word:04X}",
                setpoint_v,
                None if setpoint_v is None else (setpoint_v - target_v) * 1e3,
                *_measured_cells(level, _Live(readings=readings, row=row, column=page.column)),
            )


@dataclass(frozen=True, kw_only=True, slots=True)
class _Live:
    """Makes live formulas over the readings of the rail and level of a row; without readings, values stand alone."""

    readings: tuple[Block, ...]
    row: int
    column: int

    def number(self, function: str, head: str, cached: float) -> object:
        if not self.readings:
            return cached
        rail, level = (f"${get_column_letter(self.column + offset)}{self.row}" for offset in (0, 1))
        keys = (("Rail", rail), ("Level", level))
        return of_matching(function, self.readings, keys, head, words=(("Trim counts", "yes"),), cached=cached)


def _measured_cells(level: TrimLevel | None, live: _Live) -> Sequence[object]:
    if level is None:
        return 0, None, None, None, None, None, None, None
    return (
        live.number("COUNT", "Trim error", level.n),
        live.number("AVERAGE", "Trim error of set-point", level.mean_error_ratio),
        level.expanded_ratio,
        live.number("AVERAGE", "Trim error", level.mean_error_v * 1e3),
        level.expanded_v * 1e3,
        level.largest_error_v * 1e3,
        None if level.meter_limit_v is None else level.meter_limit_v * 1e3,
        None if level.claim_v is None else level.claim_v * 1e3,
    )
