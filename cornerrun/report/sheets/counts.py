"""The middle of the Summary sheet: counts and worst cases, live over the other sheets, side by side."""

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

from cornerrun.report.book import Block, Column, Page
from cornerrun.report.looks import Style, marked
from cornerrun.report.rail_nouns import RailSummary
from cornerrun.report.sheets.accuracy import Accuracy
from cornerrun.report.sheets.corners import Corners
from cornerrun.report.sheets.live import (
    count_words,
    exact_sum,
    kth_smallest,
    largest,
    look_up,
    non_empty,
    signed_worst,
    total,
)
from cornerrun.report.summary_model import Summary
from cornerrun.results.decision import Decision
from cornerrun.results.packed import column_of
from cornerrun.results.records import Outcome, RunData
from cornerrun.units import Kind, show

__all__ = ["Blocks", "counts"]

_MOST_RAILS = 6
_MOST_CHECKS = 12
_CHECK = (
    Column(head="Check"),
    Column(head="Worst corner"),
    Column(head="Decision there"),
    Column(head="Trials", style=Style.COUNT),
    Column(head="Failed", style=Style.COUNT),
    Column(head="Passes ≥", style=Style.SHARE),
)
_VISIT = (
    Column(head="Visits by outcome"),
    Column(head="Corners", style=Style.COUNT),
    Column(head="Control points", style=Style.COUNT),
    Column(head="Void", style=Style.COUNT),
    Column(head="Means"),
)
_MARGIN = (
    Column(head="Smallest margins"),
    Column(head="at corner"),
    Column(head="Limit"),
    Column(head="Margin", style=Style.MILLIVOLTS),
    Column(head="of target", style=Style.SIGNED_PERCENT),
    Column(head="Hard limit", style=Style.MILLIVOLTS),
)


_MEANS = {
    Outcome.ABORTED: "ended before its time",
    Outcome.ERROR: "bench trouble, no verdict",
    Outcome.TRIPPED: "a device shut a rail down",
    Outcome.NOT_SETTLED: "a rail timed out",
    Outcome.DISPUTED: "meter against telemetry",
    Outcome.FAIL_VOLTAGE: "a rail off its window",
    Outcome.NO_ANSWER: "check or board hung",
    Outcome.FAIL_FUNCTIONAL: "a check failed",
    Outcome.PASS: "all as asked",
    Outcome.SKIPPED: "left out, with reason",
    Outcome.NOT_RUN: "never begun",
}


@dataclass(frozen=True, kw_only=True, slots=True)
class Blocks:
    """Where the rows of the other sheets lie."""

    data: RunData
    page: Callable[[str], Page]
    visits: tuple[Block, ...]
    corners: Corners
    checks: Block
    rails: Block
    accuracy: Accuracy
    readings: tuple[Block, ...]
    events: tuple[Block, ...]


def counts(page: Page, row: int, *, right: int, summary: Summary, blocks: Blocks) -> int:
    """Write the blocks in two halves, the other one from column ``right`` on; return the first row below both."""
    left = page.column
    left_row = _checks(page, row, left, summary, blocks)
    left_row = _margins(page, left_row, left, summary, blocks)
    right_row = _visits(page, row, right, blocks)
    right_row = _accuracy(page, right_row, right, summary, blocks)
    right_row = _totals(page, right_row, right, summary, blocks)
    return max(left_row, right_row)


def _checks(page: Page, row: int, column: int, summary: Summary, blocks: Blocks) -> int:
    if not summary.check_totals:
        return row
    page.head(row, column, _CHECK)
    for check in summary.check_totals[:_MOST_CHECKS]:
        row += 1
        name = page.sheet.cell(row, column).coordinate
        worst = check.worst
        cells = (
            check.check,
            "-" if worst is None else worst.corner,
            Outcome.NOT_RUN if worst is None else worst.decision,
            exact_sum(blocks.checks, "Check", name, "Trials", cached=check.trials),
            exact_sum(blocks.checks, "Check", name, "Failed", cached=check.failures),
            None if worst is None else worst.pass_probability.low,
        )
        for offset, (item, value) in enumerate(zip(_CHECK, cells, strict=True)):
            page.put(row, column + offset, value, None if isinstance(value, Outcome | Decision) else item.style)
    more = len(summary.check_totals) - _MOST_CHECKS
    if more > 0:
        row += 1
        page.span(row, column, f"and {more} more: see the sheet of checks", Style.TEXT, columns=len(_CHECK))
    return row + 2


def _margins(page: Page, row: int, column: int, summary: Summary, blocks: Blocks) -> int:
    rails = [rail for rail in summary.rails if rail.window is not None]
    if not rails:
        return row
    page.head(row, column, _MARGIN)
    shares = sorted(_window_share(rail) for rail in rails)
    for k, share in enumerate(shares[:_MOST_RAILS], start=1):
        row += 1
        key = page.sheet.cell(row, column + 4).coordinate
        # A look-up finds the first rail with this very number, so Python does the same.
        rail = next(item for item in rails if _window_share(item) == share)
        window, hard = rail.window, rail.hard_limit
        if window is None:
            continue
        found = partial(look_up, blocks.rails, key_head="of target", cell=key)
        cells = (
            found("Rail", cached=rail.rail),
            found("at corner", cached=f"{window.corner} ({window.side})"),
            "voltage window",
            found("Window margin", cached=window.distance_v * 1e3),
            kth_smallest(blocks.rails, "of target", k, cached=share),
            None if hard is None else found("Hard-limit margin", cached=hard.distance_v * 1e3),
        )
        for offset, (item, value) in enumerate(zip(_MARGIN, cells, strict=True)):
            page.put(row, column + offset, value, item.style)
    return row + 2


def _window_share(rail: RailSummary) -> float:
    return float("inf") if rail.window is None else rail.window.distance_ratio


def _visits(page: Page, row: int, column: int, blocks: Blocks) -> int:
    visits = [record.visit for record in blocks.data.visits]
    page.head(row, column, _VISIT)
    seen = {visit.outcome for visit in visits} | {Outcome.PASS}
    for outcome in (outcome for outcome in reversed(Outcome) if outcome in seen):
        row += 1
        page.put(row, column, outcome)
        for offset, (kind, counting) in enumerate(
            (("corner", "yes"), ("control point", "yes"), (None, "void")), start=1
        ):
            matching = sum(
                visit.outcome is outcome
                and visit.is_void == (counting == "void")
                and (kind is None or visit.is_control == (kind == "control point"))
                for visit in visits
            )
            pairs = [("Outcome", marked(outcome)), ("Counts", counting)] + ([("Kind", kind)] if kind else [])
            page.put(row, column + offset, count_words(blocks.visits, *pairs, cached=matching), Style.COUNT)
        page.put(row, column + 4, _MEANS[outcome], Style.TEXT)
    return row + 2


def _accuracy(page: Page, row: int, column: int, summary: Summary, blocks: Blocks) -> int:
    page.span(row, column, "Set-point accuracy, rails by claim", Style.HEAD, columns=5)
    block = blocks.accuracy.rails
    claimed = next((item.claim_ratio for item in summary.trim if item.claim_ratio is not None), None)
    claim_text = "nothing is claimed" if claimed is None else f"claim: within {show(claimed, Kind.RATIO)} of set-point"
    claims = {"● met": "met", "■ not met": "not met", "▲ open": "open", "not measured": "not measured"}
    for text, claim in claims.items():
        matching = sum(item.claim == claim for item in summary.trim)
        row += 1
        # A strong fill beside a zero would be seen before the zero.
        style = {"●": Style.PASS, "■": Style.FAILED, "▲": Style.TROUBLE}.get(text[0]) if matching else None
        page.put(row, column, text, style or Style.LABEL)
        page.put(row, column + 1, count_words((block,), ("Claim", text), cached=matching), Style.COUNT)
        page.span(row, column + 2, claim_text if claim == "met" else None, Style.TEXT, columns=3)
    estimates = {
        item.rail: item.worst_error.estimate
        for item in summary.trim
        if item.worst_error is not None and item.worst_error.estimate is not None
    }
    if estimates:
        row += 1
        cell = page.sheet.cell(row, column + 1).coordinate
        top, bottom = max(estimates.values()), min(estimates.values())
        worst = top if top >= -bottom else bottom
        rail = next(name for name in blocks.accuracy.order if estimates.get(name) == worst)
        page.put(row, column, "Worst trim error", Style.LABEL)
        page.put(row, column + 1, signed_worst(block, "Worst trim error", cached=worst), Style.SIGNED_PERCENT)
        found = look_up(block, "Rail", key_head="Worst trim error", cell=cell, cached=rail)
        page.span(row, column + 2, found, Style.TEXT, columns=3)
    return row + 2


def _totals(page: Page, row: int, column: int, summary: Summary, blocks: Blocks) -> int:
    tally, coverage = summary.tally, summary.coverage
    references = sum(
        reference_v is not None
        for record in blocks.data.visits
        for reference_v in column_of(record.readings, "reference_v")
    )
    errors = sum(item.severity == "error" for item in summary.anomalies)
    warnings = sum(item.severity == "warning" for item in summary.anomalies)
    settles = [rail.longest_settle_s for rail in summary.rails if rail.longest_settle_s is not None]
    longest = largest(blocks.rails, "Longest settling", cached=max(settles)) if settles else None
    lines = (
        ("Corners run, of asked for", f"{tally.corners_run} of {tally.corners_planned}"),
        ("Pairs of levels met", f"{coverage.pairs_met} of {coverage.pairs_possible}"),
        ("High/low pairs met", f"{coverage.high_low_pairs_met} of {coverage.high_low_pairs_possible}"),
        ("Trials that count", total(blocks.checks, "Trials", cached=sum(item.trials for item in summary.checks))),
        ("of them failed", total(blocks.checks, "Failed", cached=sum(item.failures for item in summary.checks))),
        ("Longest settling", longest),
        ("Meter readings", non_empty(blocks.readings, "Reference", cached=references)),
        ("Errors, see Events", count_words(blocks.events, ("Severity", "■ error"), cached=errors)),
        ("Warnings", count_words(blocks.events, ("Severity", "▲ warning"), cached=warnings)),
    )
    page.span(row, column, "Coverage and events", Style.HEAD, columns=5)
    for label, value in lines:
        row += 1
        page.put(row, column, label, Style.LABEL)
        style = Style.SECONDS if label == "Longest settling" else Style.COUNT
        page.put(row, column + 1, value, Style.TEXT if isinstance(value, str) else style)
        page.span(row, column + 2, None, Style.TEXT, columns=3)
    return row + 2
