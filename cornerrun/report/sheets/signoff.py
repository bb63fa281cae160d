"""The sheet Sign-off: what a reviewer must find on one sheet before putting a name below it."""

from collections.abc import Iterable, Sequence

from openpyxl.utils import get_column_letter

from cornerrun.plan.model import Plan
from cornerrun.report.blocks import Block, Column
from cornerrun.report.book import Book, Page
from cornerrun.report.conclusion import conclusion, uncertainty_statement
from cornerrun.report.condition_text import KEPT_HEADS, kept_row
from cornerrun.report.coverage_rows import coverage_lead
from cornerrun.report.looks import Style, marked, symbol_of
from cornerrun.report.plan_differences import plan_differences
from cornerrun.report.sheets.counts import Blocks
from cornerrun.report.sheets.evidence import (
    ACHIEVED,
    COVERED,
    DECIDED,
    OUTCOMES,
    achieved_rows,
    covered_rows,
    decided_rows,
    outcome_rows,
)
from cornerrun.report.sheets.live import exact_count
from cornerrun.report.sheets.stress import LEDGER, STRESS, ledger_notes, ledger_rows, stress_rows
from cornerrun.report.summary_model import Header, Summary
from cornerrun.results.records import RunData, RunResult

__all__ = ["fill_signoff"]

_WIDTHS = (30, 22, 16, 16, 16, 16, 16, 16, 16)
_LETTERS_A_LINE = 175
_MOST_ROWS = 5000  # chosen: a run that leaves out more has other troubles
_GUIDE = "What a reviewer must find before putting a name below it; every number stands on another sheet as well."
_MISSING = (
    Column(head="Not tested", style=Style.WRAPPED),
    Column(head="What"),
    Column(head="Scheme"),
    Column(head="Reason", style=Style.WRAPPED, width=60),
)
_KEPT = tuple(Column(head=head) for head in KEPT_HEADS)
_DIFFERENCE = (
    Column(head="Place in the plan", style=Style.WRAPPED),
    Column(head="Released", style=Style.WRAPPED),
    Column(head="As run", style=Style.WRAPPED),
)


def fill_signoff(
    book: Book, summary: Summary, plan: Plan, data: RunData, blocks: Blocks, *, released: Plan | None
) -> None:
    """Fill the sheet, one block below another."""
    page = book.page_or_further("cr_signoff", "Sign-off", _GUIDE)
    page.widths(page.column, _WIDTHS)
    header = summary.header
    row = _lines(page, page.row, "Purpose", [plan.purpose or "not stated: write `purpose:` into the plan"])
    row = _lines(page, row, "Conclusion, limited to what was tested", conclusion(summary, plan))
    row = _lines(page, row, "Board left", [f"{symbol_of(summary.end_state)} {summary.end_state_text}"])
    row = _lines(page, row, "Uncertainty", uncertainty_statement(summary, plan))
    row = _lines(page, row, "Cautions", summary.cautions)
    row = _pairs(
        page, row, "Plan and files, by SHA-256", [(f"{s.role}: {s.path.name}", s.sha256) for s in header.sources]
    )
    row = _released(page, row, plan, released)
    row = _pairs(
        page,
        row,
        "Instruments",
        [(i.record.name, _instrument(i.record.identity, i.calibration, i.record.due)) for i in summary.instruments],
    )
    row = _lines(page, row, "Coverage", [coverage_lead(summary), _visits(summary)]) - 1
    row = page.table(row, page.column, COVERED, list(covered_rows(summary, row + 1, page.column))).last_row + 2
    row = _table(
        page,
        row,
        "Corner map, by outcome: the map itself stands on the sheet of corners, a reason for each not run below",
        OUTCOMES,
        list(outcome_rows(summary, blocks)),
    )
    missing = [(item.name, item.what, item.scheme, item.reason) for item in summary.not_tested[:_MOST_ROWS]]
    row = _missing(page, row, missing)
    if summary.conditions:
        title = "Conditions: how near each was kept, and what its changes took"
        row = _table(page, row, title, _KEPT, list(map(kept_row, summary.conditions)))
    achieved = list(achieved_rows(summary, data, blocks))
    row = _table(page, row, "Rails: achieved against asked, margins, trim accuracy", ACHIEVED, achieved)
    decided = list(decided_rows(summary, blocks, row + 2, page.column))
    row = _table(page, row, "Checks: corners by decision, and the worst corner's interval", DECIDED, decided)
    row = _anomalies(page, row, summary, blocks.events)
    row = _table(
        page,
        row,
        "Stress: what the board has been through in this run, void visits included",
        STRESS,
        list(stress_rows(plan, data)),
    )
    if summary.stress:
        title = "Stress ledger of the board: time above nominal, by rail and level"
        row = _table(page, row, title, LEDGER, list(ledger_rows(summary.stress, row + 2, page.column)))
    row = _lines(page, row, "What the stress ledger counts", ledger_notes(summary))
    row = _pairs(page, row, "Earlier runs of this plan on this board", _attempts(summary))
    row = _pairs(page, row, "Versions and raw data", _raw(summary, data))
    row = _signatures(page, row, summary)
    page.sheet.print_area = f"A1:{get_column_letter(page.column + len(_WIDTHS) - 1)}{row}"


def _released(page: Page, row: int, plan: Plan, released: Plan | None) -> int:
    title = "Differences from the released plan"
    if released is None:
        return _lines(
            page, row, title, ["no released plan was named: `cornerrun report RUN --released PLAN` lists them"]
        )
    source = next((item for item in released.sources if item.role == "plan"), None)
    name = "released plan" if source is None else f"{source.path.name}, SHA-256 {source.sha256}"
    found = plan_differences(released, plan)
    if not found:
        return _lines(page, row, title, [f"none from {name}"])
    return _table(page, row, f"{title} {name}", _DIFFERENCE, [(d.place, d.released, d.run) for d in found])


def _instrument(identity: str, calibration: str, due: str | None) -> str:
    return f"{identity}; calibration {calibration}" + (f", due {due}" if due else "")


def _missing(page: Page, row: int, missing: Sequence[tuple[str, str, str, str]]) -> int:
    """List what was left out; a reason reaches over the columns that are left."""
    title, left = "Asked for and not tested", len(_WIDTHS) - len(_MISSING) + 1
    if not missing:
        return _lines(page, row, title, ["nothing"])
    page.span(row, page.column, title, Style.BLOCK, columns=len(_WIDTHS))
    page.head(row + 1, page.column, _MISSING)
    page.span(row + 1, page.column + len(_MISSING) - 1, _MISSING[-1].head, Style.HEAD, columns=left)
    row += 2
    for cells in missing:
        for place, (column, cell) in enumerate(zip(_MISSING[:-1], cells, strict=False)):
            page.put(row, page.column + place, cell, column.style)
        page.span(row, page.column + len(_MISSING) - 1, cells[-1], Style.WRAPPED, columns=left)
        lines = max(-(-len(cells[0]) // int(_WIDTHS[0])), -(-len(cells[-1]) // (sum(_WIDTHS[-left:]))))
        page.height(row, min(13.0 * lines + 3, 400))
        row += 1
    return row + 1


def _visits(summary: Summary) -> str:
    tally = summary.tally
    return (
        f"{tally.done} of {tally.planned} visits made, {tally.control_points} of them control points, {tally.void} void"
    )


def _anomalies(page: Page, row: int, summary: Summary, events: Sequence[Block]) -> int:
    """Count what went another way than planned, by kind, live over the sheet of events."""
    title = "Anomalies, by kind: retries, disputed readings, overrides, seams, faults"
    kinds: dict[str, int] = {}
    for item in summary.anomalies:
        kinds[item.kind] = kinds.get(item.kind, 0) + 1
    if not kinds:
        return _lines(page, row, title, ["none"])
    page.span(row, page.column, title, Style.BLOCK, columns=len(_WIDTHS))
    for kind, count in sorted(kinds.items(), key=lambda item: (-item[1], item[0])):
        row += 1
        page.put(row, page.column, kind, Style.LABEL)
        cell = f"${get_column_letter(page.column)}{row}"
        page.put(row, page.column + 1, exact_count(events, "What", cell, cached=count), Style.COUNT)
    return row + 2


def _attempts(summary: Summary) -> list[tuple[str, str]]:
    if not summary.attempts:
        return [("none", "this is the first")]
    return [
        (item.run_id, f"{item.started_utc:%Y-%m-%d %H:%M:%S} UTC: {item.result or 'no end'}")
        for item in summary.attempts
    ]


def _raw(summary: Summary, data: RunData) -> list[tuple[str, str]]:
    header = summary.header
    return [
        *header.versions.items(),
        ("Run", header.run_id),
        ("Seed", str(header.seed)),
        ("Raw data, SHA-256", _trail(header)),
        *((f"Configuration {item.moment}, SHA-256", item.sha256) for item in data.snapshots),
    ]


def _trail(header: Header) -> str:
    if header.trail is None:
        return "no audit trail was kept"
    return f"{header.trail.sha256}, the last of {header.trail.links} links; `cornerrun audit {header.run_id}` checks it"


def _signatures(page: Page, row: int, summary: Summary) -> int:
    page.span(row, page.column, "Signatures", Style.BLOCK, columns=len(_WIDTHS))
    for label in ("Prepared", "Reviewed", "Approved"):
        row += 1
        page.put(row, page.column, label, Style.LABEL)
        name = summary.header.operator if label == "Prepared" else None
        page.span(row, page.column + 1, name, Style.TEXT, columns=3)
        page.span(row, page.column + 4, None, Style.TEXT, columns=3)
        page.span(row, page.column + 7, None, Style.TEXT, columns=2)
        page.height(row, 30)
    result = marked(summary.result) if summary.result is not RunResult.PASS else marked(RunResult.PASS)
    page.span(row + 1, page.column, f"name, signature, date; this run: {result}", Style.GUIDE, columns=len(_WIDTHS))
    return row + 2


def _lines(page: Page, row: int, title: str, texts: Iterable[str]) -> int:
    found = list(texts)
    if not found:
        return row
    page.span(row, page.column, title, Style.BLOCK, columns=len(_WIDTHS))
    for text in found:
        row += 1
        page.span(row, page.column, text, Style.WRAPPED, columns=len(_WIDTHS))
        page.height(row, min(15.0 * max(1, -(-len(text) // _LETTERS_A_LINE)) + 3, 400))
    return row + 2


def _pairs(page: Page, row: int, title: str, pairs: Sequence[tuple[str, str]]) -> int:
    if not pairs:
        return row
    page.span(row, page.column, title, Style.BLOCK, columns=len(_WIDTHS))
    for name, text in pairs:
        row += 1
        page.put(row, page.column, name, Style.LABEL)
        page.span(row, page.column + 1, text, Style.WRAPPED, columns=len(_WIDTHS) - 1)
        page.height(row, min(15.0 * max(1, -(-len(text) // 140)) + 2, 400))
    return row + 2


def _table(page: Page, row: int, title: str, columns: Sequence[Column], rows: Sequence[Sequence[object]]) -> int:
    if not rows:
        return row
    page.span(row, page.column, title, Style.BLOCK, columns=len(_WIDTHS))
    page.height(row + 1, 30)
    return page.table(row + 1, page.column, columns, rows).last_row + 2
