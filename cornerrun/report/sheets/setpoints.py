"""The sheet Set-points: each level of each rail as asked for, as the device holds it, and as the meter found it."""

from collections.abc import Iterator, Sequence

from cornerrun.plan.model import Plan
from cornerrun.report.book import Block, Book, Column
from cornerrun.report.looks import Style
from cornerrun.report.rail_nouns import TrimLevel
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
    Column(head="± (95 %) ", style=Style.PLUS_MINUS_MILLIVOLTS, width=12),
    Column(head="Largest trim error", style=Style.MILLIVOLTS, width=13),
    Column(head="Meter specification ±", style=Style.PLUS_MINUS_MILLIVOLTS, width=13),
    Column(head="Claim ±", style=Style.PLUS_MINUS_MILLIVOLTS, width=12),
)


def fill_setpoints(book: Book, summary: Summary, plan: Plan, data: RunData) -> Block:
    """Fill the sheet; return where its rows lie."""
    page = book.page("cr_setpoints")
    page.widths(page.column, [item.width for item in _SETPOINT])
    page.height(page.row, 42)
    block = page.table(page.row, page.column, _SETPOINT, _rows(summary, plan, data))
    page.freeze(block, columns=2)
    return block


def _rows(summary: Summary, plan: Plan, data: RunData) -> Iterator[Sequence[object]]:
    held = {(item.rail, item.level): item for item in data.run.setpoints}
    measured = {(item.rail, level.level): level for item in summary.trim for level in item.levels}
    for rail in plan.rails:
        for name, target_v in rail.levels.items():
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
                *_measured_cells(level),
            )


def _measured_cells(level: TrimLevel | None) -> Sequence[object]:
    if level is None:
        return 0, None, None, None, None, None, None, None
    return (
        level.n,
        level.mean_error_ratio,
        level.expanded_ratio,
        level.mean_error_v * 1e3,
        level.expanded_v * 1e3,
        level.largest_error_v * 1e3,
        None if level.meter_limit_v is None else level.meter_limit_v * 1e3,
        None if level.claim_v is None else level.claim_v * 1e3,
    )
