"""The stress of a board on the sheet Sign-off: this run rail by rail, and the ledger over all its runs by level."""

from collections.abc import Iterator, Sequence

from openpyxl.utils import get_column_letter

from cornerrun.plan.model import Plan
from cornerrun.report.analysis_nouns import LevelStress
from cornerrun.report.blocks import Column, Formula
from cornerrun.report.looks import Style
from cornerrun.report.stress import rail_stress
from cornerrun.report.summary_model import Summary
from cornerrun.results.records import RunData
from cornerrun.units import Kind, show

__all__ = ["LEDGER", "STRESS", "ledger_notes", "ledger_rows", "stress_rows"]

STRESS = (
    Column(head="Rail"),
    Column(head="Time above nominal", style=Style.SECONDS),
    Column(head="Visits above", style=Style.COUNT),
    Column(head="Time below nominal", style=Style.SECONDS),
    Column(head="Visits below", style=Style.COUNT),
    Column(head="Highest target", style=Style.VOLTS),
    Column(head="Greatest seen", style=Style.VOLTS),
    Column(head="Lowest target", style=Style.VOLTS),
    Column(head="Least seen", style=Style.VOLTS),
)
LEDGER = (
    Column(head="Rail"),
    Column(head="Level"),
    Column(head="Time in this run", style=Style.SECONDS),
    Column(head="Cycles in this run", style=Style.COUNT),
    Column(head="Time in earlier runs", style=Style.SECONDS),
    Column(head="Cycles in earlier runs", style=Style.COUNT),
    Column(head="Earlier runs there", style=Style.COUNT),
    Column(head="Time in all", style=Style.SECONDS),
    Column(head="Allowed in all, the rail", style=Style.SECONDS),
)


def stress_rows(plan: Plan, data: RunData) -> Iterator[Sequence[object]]:
    """List what each rail has been through in this run."""
    for s in rail_stress(plan, data):
        yield (
            s.rail,
            s.above_s,
            s.visits_above,
            s.below_s,
            s.visits_below,
            s.highest_target_v,
            s.greatest_seen_v,
            s.lowest_target_v,
            s.least_seen_v,
        )


def ledger_rows(stress: Sequence[LevelStress], first_row: int, column: int) -> Iterator[Sequence[object]]:
    """List the ledger by rail and level; the time in all is the sum of its row, live."""
    this, before = get_column_letter(column + 2), get_column_letter(column + 4)
    for row, item in enumerate(stress, start=first_row):
        yield (
            item.rail,
            item.level,
            item.run_s,
            item.run_cycles,
            item.earlier_s,
            item.earlier_cycles,
            item.earlier_runs,
            Formula(text=f"{this}{row}+{before}{row}", cached=item.total_s),
            item.allowed_in_all_s,
        )


def ledger_notes(summary: Summary) -> Iterator[str]:
    """Say what the ledger holds, or why there is none."""
    serial = summary.header.serial
    if summary.stress is None:
        yield f"This report was made without the store: `cornerrun stress {serial}` tells"
        return
    if not summary.stress:
        yield f"No rail of {serial} has stood above nominal, in this run or an earlier one"
        return
    yield (
        f"As `cornerrun stress {serial}` told when this run ended: visits void and put aside, holds, and runs of other "
        "plans count. A cycle is a move to the level; visits between which the rail stayed there are one."
    )
    lost_s = max((item.lost_s for item in summary.stress), default=0.0)
    if lost_s:
        lost = show(lost_s, Kind.TIME, digits=3)
        yield f"Of a rail at most {lost} are of killed runs, until the board was back: a bound."
    if summary.header.ended_utc is None:
        yield "This run has no end: what its last step took is not in here."
