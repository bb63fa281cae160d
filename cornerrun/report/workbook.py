"""Write the workbook of a run: the template, filled from the store's records and their summary."""

import io
from pathlib import Path
from typing import TYPE_CHECKING

from cornerrun.errors import ReportError
from cornerrun.plan.model import Plan
from cornerrun.report.book import Book
from cornerrun.report.package import finish
from cornerrun.report.placeholders import fill_placeholders, placeholders
from cornerrun.report.sheets.accuracy import fill_accuracy
from cornerrun.report.sheets.checks import fill_checks
from cornerrun.report.sheets.conditions import fill_conditions
from cornerrun.report.sheets.corners import fill_corners
from cornerrun.report.sheets.counts import Blocks
from cornerrun.report.sheets.culprits import fill_culprits
from cornerrun.report.sheets.events import fill_events
from cornerrun.report.sheets.fault_responses import fill_fault_responses
from cornerrun.report.sheets.guide import fill_guide
from cornerrun.report.sheets.interaction import fill_interaction
from cornerrun.report.sheets.numbers import fill_numbers
from cornerrun.report.sheets.plan import fill_plan
from cornerrun.report.sheets.rails import fill_rails
from cornerrun.report.sheets.readings import Judged, fill_readings
from cornerrun.report.sheets.registers import fill_registers
from cornerrun.report.sheets.setpoints import fill_setpoints
from cornerrun.report.sheets.signoff import fill_signoff
from cornerrun.report.sheets.sources import Sources
from cornerrun.report.sheets.summary import fill_summary
from cornerrun.report.sheets.telemetry import fill_telemetry
from cornerrun.report.sheets.trials import fill_trials
from cornerrun.report.sheets.visits import fill_visits
from cornerrun.report.summary_model import Summary
from cornerrun.report.template import find_template, open_template
from cornerrun.results.control import mark_void
from cornerrun.results.records import RunData

if TYPE_CHECKING:
    from cornerrun.report.comparing.nouns import RunComparison

__all__ = ["write_workbook"]


def write_workbook(
    data: RunData,
    path: Path,
    *,
    summary: Summary | None = None,
    plan: Plan | None = None,
    template: Path | None = None,
    rows_a_sheet: int | None = None,
    comparison: "RunComparison | None" = None,
    released: Plan | None = None,
) -> Path:
    """Write the workbook of a run to a file and return its path.

    ``summary`` and ``plan`` default to what the run itself says, ``template`` to the one that came with the product.
    ``rows_a_sheet`` bounds the rows of a sheet of visits, trials, readings, registers; by default the file format does.
    ``comparison`` adds a sheet that puts the run beside an earlier one. ``released`` is a plan that was approved: the
    sign-off lists what the run's plan asks for otherwise. The same run and template give the same cells.
    Raises ReportError if the template cannot be used or the file cannot be written.
    """
    if path.is_dir():
        raise ReportError(f"{path}: is a folder; name the file to write, such as {path / 'run.xlsx'}")
    if plan is None:
        from cornerrun.plan.serial import plan_from_json

        plan = plan_from_json(data.run.plan_json)
    data = mark_void(plan, data)
    if summary is None:
        from cornerrun.report.summary import summarise

        summary = summarise(data, plan=plan)
    opened = open_template(template or find_template())
    book = Book(opened)
    fill_placeholders(opened.workbook, placeholders(summary))
    judged = Judged(plan, data)
    readings = fill_readings(book, data, judged, rows_a_sheet=rows_a_sheet)
    trials = fill_trials(book, summary, plan, data, rows_a_sheet=rows_a_sheet)
    visits = fill_visits(book, data, plan, rows_a_sheet=rows_a_sheet)
    sources = Sources(visits=visits, readings=readings, trials=trials)
    blocks = Blocks(
        data=data,
        page=book.page,
        visits=visits,
        corners=fill_corners(book, summary, plan, sources),
        checks=fill_checks(book, summary, plan, sources),
        rails=fill_rails(book, summary, plan, sources),
        accuracy=fill_accuracy(book, summary),
        readings=readings,
        events=fill_events(book, summary, rows_a_sheet=rows_a_sheet),
    )
    fill_culprits(book, summary)
    fill_setpoints(book, summary, plan, data, sources)
    fill_telemetry(book, summary)
    fill_interaction(book, summary)
    fill_numbers(book, summary)
    fill_conditions(book, summary, data)
    fill_plan(book, summary, plan, data)
    fill_summary(book, summary, blocks)
    fill_signoff(book, summary, plan, data, blocks, released=released)
    fill_fault_responses(book, summary)
    fill_registers(book, data, rows_a_sheet=rows_a_sheet)
    fill_guide(book)
    if comparison is not None:
        from cornerrun.report.sheets.comparison import fill_comparison

        fill_comparison(book, comparison)
    modified = data.run.ended_utc or data.run.started_utc
    opened.workbook.properties.created = modified.replace(tzinfo=None)
    buffer = io.BytesIO()
    opened.workbook.save(buffer)
    finish(
        buffer.getvalue(),
        path,
        cached=book.cached,
        streams=book.streams,
        template=opened.content,
        modified=modified,
    )
    return path
