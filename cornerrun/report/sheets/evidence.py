"""The evidence on the sheet Sign-off: corners by outcome, rails as asked and as achieved, checks as decided."""

from collections.abc import Iterator, Sequence

from openpyxl.utils import get_column_letter, quote_sheetname

from cornerrun.report.blocks import Block, Column, Formula
from cornerrun.report.coverage_rows import coverage_rows
from cornerrun.report.looks import Style, marked
from cornerrun.report.rail_nouns import Margin, TrimSummary
from cornerrun.report.sheets.accuracy import Accuracy
from cornerrun.report.sheets.counts import Blocks
from cornerrun.report.sheets.live import count_words, exact_count
from cornerrun.report.summary_model import Summary
from cornerrun.results.decision import Decision
from cornerrun.results.packed import fields_of
from cornerrun.results.records import Outcome, RunData

__all__ = [
    "ACHIEVED",
    "COVERED",
    "DECIDED",
    "OUTCOMES",
    "achieved_rows",
    "covered_rows",
    "decided_rows",
    "outcome_rows",
]

OUTCOMES = (Column(head="Outcome"), Column(head="Corners", style=Style.COUNT))
ACHIEVED = (
    Column(head="Rail"),
    Column(head="Lowest asked", style=Style.VOLTS),
    Column(head="Lowest measured", style=Style.VOLTS),
    Column(head="Highest asked", style=Style.VOLTS),
    Column(head="Highest measured", style=Style.VOLTS),
    Column(head="Smallest margin to window", style=Style.MILLIVOLTS),
    Column(head="Smallest to hard limit", style=Style.MILLIVOLTS),
    Column(head="Worst trim error", style=Style.SIGNED_PERCENT),
    Column(head="Claim"),
)
COVERED = (
    Column(head="What"),
    Column(head="Met", style=Style.COUNT),
    Column(head="Possible", style=Style.COUNT),
    Column(head="Share", style=Style.SHARE),
    Column(head="Ruled out", style=Style.COUNT),
)
DECIDED = (
    Column(head="Check"),
    Column(head="Demonstrated, met", style=Style.COUNT),
    Column(head="Refuted, not met", style=Style.COUNT),
    Column(head="Open", style=Style.COUNT),
    Column(head="Trials", style=Style.COUNT),
    Column(head="Failed", style=Style.COUNT),
    Column(head="Passes with at least", style=Style.SHARE),
    Column(head="at most (95 %)", style=Style.SHARE),
    Column(head="Worst corner", style=Style.WRAPPED),
)


def outcome_rows(summary: Summary, blocks: Blocks) -> Iterator[Sequence[object]]:
    """Count the corners of each outcome that there is, live over the sheet of corners."""
    found = [corner.outcome for corner in summary.corners]
    for outcome in Outcome:
        if outcome in found:
            counted = count_words((blocks.corners.rows,), ("Outcome", marked(outcome)), cached=found.count(outcome))
            yield outcome, counted


def covered_rows(summary: Summary, first_row: int, column: int) -> Iterator[Sequence[object]]:
    """Put what was met beside what was possible, with its live share; what constraints rule out counts in neither."""
    met, possible = get_column_letter(column + 1), get_column_letter(column + 2)
    for row, found in enumerate(coverage_rows(summary), start=first_row):
        share = (
            Formula(text=f"{met}{row}/{possible}{row}", cached=found.met / found.possible) if found.possible else None
        )
        yield found.what, found.met, found.possible, share, found.ruled_out


def achieved_rows(summary: Summary, data: RunData, blocks: Blocks) -> Iterator[Sequence[object]]:
    """Put each rail's ends as asked beside what was measured there, by the meter where it reaches; void visits too."""
    lowest_v: dict[str, float] = {}
    highest_v: dict[str, float] = {}
    for record in data.visits:
        for name, reference_v, telemetry_v in fields_of(record.readings, "rail", "reference_v", "telemetry_v"):
            measured_v = telemetry_v if reference_v is None else reference_v
            if measured_v is not None:
                lowest_v[name] = min(lowest_v.get(name, measured_v), measured_v)
                highest_v[name] = max(highest_v.get(name, measured_v), measured_v)
    claims = {item.rail: item for item in summary.trim}
    for index, rail in enumerate(summary.rails):
        trim = claims.get(rail.rail)
        asked_v = (rail.nominal_v, *rail.levels.values())
        yield (
            rail.rail,
            min(asked_v),
            lowest_v.get(rail.rail),
            max(asked_v),
            highest_v.get(rail.rail),
            _cell(blocks.rails, "Window margin", index, _millivolts(rail.window)),
            _cell(blocks.rails, "Hard-limit margin", index, _millivolts(rail.hard_limit)),
            None if trim is None else _trim(trim, blocks.accuracy),
            None if trim is None else trim.claim,
        )


def decided_rows(summary: Summary, blocks: Blocks, first_row: int, column: int) -> Iterator[Sequence[object]]:
    """Count for each check at how many corners it is decided how, live over the sheet of checks."""
    for row, check in enumerate(summary.check_totals, start=first_row):
        name = f"${get_column_letter(column)}{row}"
        decisions, worst = check.decisions, check.worst
        yield (
            check.check,
            *(
                _added(
                    *(
                        exact_count(
                            (blocks.checks,), "Check", name, ("Decision", marked(item)), cached=decisions.get(item, 0)
                        )
                        for item in group
                    )
                )
                for group in (
                    (Decision.DEMONSTRATED, Decision.MET),
                    (Decision.REFUTED, Decision.NOT_MET),
                    (Decision.OPEN,),
                )
            ),
            exact_count((blocks.checks,), "Check", name, head="Trials", cached=check.trials),
            exact_count((blocks.checks,), "Check", name, head="Failed", cached=check.failures),
            None if worst is None or not worst.trials else worst.pass_probability.low,
            None if worst is None or not worst.trials else worst.pass_probability.high,
            None if worst is None else worst.corner,
        )


def _millivolts(margin: Margin | None) -> float | None:
    return None if margin is None else margin.distance_v * 1e3


def _trim(trim: TrimSummary, accuracy: Accuracy) -> Formula | None:
    worst = None if trim.worst_error is None else trim.worst_error.estimate
    return _cell(accuracy.rails, "Worst trim error", accuracy.order.index(trim.rail), worst)


def _cell(block: Block, head: str, index: int, cached: float | None) -> Formula | None:
    """Take over a cell of another sheet; one without a number shows nothing."""
    if cached is None:
        return None
    return Formula(
        text=f"{quote_sheetname(block.title)}!${block.letter(head)}${block.first_row + index}", cached=cached
    )


def _added(*parts: Formula) -> Formula:
    counted = [part.cached for part in parts]
    return Formula(
        text="+".join(part.text for part in parts), cached=sum(item for item in counted if isinstance(item, int))
    )
