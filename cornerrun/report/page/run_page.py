"""The page of one run."""

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

from cornerrun.errors import ReportError
from cornerrun.plan.model import Plan
from cornerrun.report.figures.gallery import figures
from cornerrun.report.looks import ink_of, symbol_of
from cornerrun.report.page.document import Part, Section, Verdict, render
from cornerrun.report.page.map_rows import map_rows
from cornerrun.report.page.notes import fact_rows, note_sections
from cornerrun.report.page.tables import (
    cause_table,
    change_table,
    check_table,
    condition_table,
    failure_table,
    fault_table,
    interaction_table,
    rail_table,
    trim_table,
)
from cornerrun.report.page.visits import embedded, visit_data
from cornerrun.report.summary_model import Summary
from cornerrun.results.control import mark_void
from cornerrun.results.records import RunData

__all__ = ["run_page", "write_page"]

_FIRST = 10  # chosen: what leaves the map in sight


def write_page(
    data: RunData,
    path: Path,
    *,
    summary: Summary | None = None,
    plan: Plan | None = None,
    extra: tuple[Section, ...] = (),
) -> Path:
    """Write the page of a run to a file and return its path.

    ``extra`` are further sections, such as a comparison. Raises ReportError if the file cannot be written.
    """
    text = run_page(data, summary=summary, plan=plan, extra=extra)
    try:
        path.write_text(text, encoding="utf-8")
    except OSError as error:
        raise ReportError(f"{path}: the page cannot be written: {error.strerror or error}") from error
    return path


def run_page(
    data: RunData, *, summary: Summary | None = None, plan: Plan | None = None, extra: tuple[Section, ...] = ()
) -> str:
    """Make the page of a run as HTML text: the same run gives the same text."""
    if plan is None:
        from cornerrun.plan.serial import plan_from_json

        plan = plan_from_json(data.run.plan_json)
    data = mark_void(plan, data)
    if summary is None:
        from cornerrun.report.summary import summarise

        summary = summarise(data, plan=plan)
    header = summary.header
    board = f"{header.board_name} {header.board_revision}".strip()
    of = f"{header.serial or 'no serial'} · {board}"
    return render(
        title=f"{summary.result.value}: {header.serial or header.title}",
        verdict=Verdict(
            symbol=symbol_of(summary.result),
            word=summary.result.value.upper(),
            ink=ink_of(summary.result),
            of=of,
            why=summary.why,
        ),
        facts=fact_rows(summary),
        sections=[*_sections(plan, summary, data), *extra, *note_sections(plan, summary, data)],
        foot=f"Run {header.run_id}, from its store alone. Board left {summary.end_state_text}.",
        simulated="SIMULATED bench: nothing here says anything of a real board." if header.is_simulated else "",
        corner_map=map_rows(plan, summary, data),
        visits=embedded(visit_data(plan, data)),
    )


def _sections(plan: Plan, summary: Summary, data: RunData) -> Iterator[Section]:
    drawn = figures(plan, summary, data)
    found = failure_table(summary, data)
    if found.rows:
        first, rest = replace(found, rows=found.rows[:_FIRST], note=""), replace(found, rows=found.rows[_FIRST:])
        more = Part(title=f"and {len(rest.rows)} more", table=rest, is_folded=True) if rest.rows else Part()
        yield Section(name="failed", title="What failed", parts=(Part(table=first), more))
    tally = summary.tally
    yield Section(
        name="map",
        title="Corners",
        lead=f"{tally.corners_run} of {tally.corners_planned} corners run in {tally.done} of {tally.planned} visits, "
        f"{tally.control_points} of them control points. Choose a visit to see its readings, how rails came to rest, "
        "and what checks said.",
    )
    if summary.checks:
        yield Section(
            name="checks",
            title="Checks",
            lead="Trials on one board: they bound how often a trial on this board passes, not how many boards pass.",
            parts=(
                Part(drawing=drawn.get("pass-shares")),
                Part(title="Every check at every corner", table=check_table(summary), is_folded=True),
            ),
        )
    if "causes" in drawn:
        yield Section(
            name="causes",
            title="Causes",
            parts=(
                Part(drawing=drawn["causes"]),
                Part(title="Causes as a table", table=cause_table(data), is_folded=True),
            ),
        )
    yield Section(
        name="trim",
        title="Trim error",
        lead="Reference reading less set-point. A claim is met only with the uncertainty counted against it."
        if "trim-error" in drawn
        else "Not measured: no reference meter read a rail.",
        parts=(
            Part(drawing=drawn.get("trim-error")),
            Part(title="As a table", table=trim_table(summary), is_folded=True),
        ),
    )
    yield Section(
        name="rails",
        title="Rails",
        parts=(
            Part(title="Achieved voltage", drawing=drawn.get("achieved-voltage")),
            Part(title="Settling", drawing=drawn.get("settling")),
            Part(title="Margins, extremes and telemetry as a table", table=rail_table(summary), is_folded=True),
        ),
    )
    if summary.conditions:
        yield Section(
            name="conditions",
            title="Conditions",
            lead="What was set besides rails, which rest at nominal while it changes. Dashed: the levels of the plan.",
            parts=(
                Part(drawing=drawn.get("conditions")),
                Part(title="How near each was kept", table=condition_table(summary)),
                Part(title="Every change", table=change_table(summary), is_folded=True),
            ),
        )
    if "faults" in drawn:
        faults = fault_table(data)
        table = (Part(table=faults),) if faults.rows else ()
        yield Section(name="faults", title="Faults", parts=(Part(drawing=drawn["faults"]), *table))
    if "interaction" in drawn:
        yield Section(
            name="interaction",
            title="Interaction",
            lead="From the wiring proof: each rail was stepped alone. A tenth of the step or more fills a cell; "
            "framed: the rail itself; with a stroke: it went the other way.",
            parts=(
                Part(drawing=drawn["interaction"]),
                Part(title="Pairs that moved together by 0.2 % or more", table=interaction_table(data), is_folded=True),
            ),
        )
