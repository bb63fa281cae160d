"""The sheet Set-point accuracy: trim error of each rail against the meter, its uncertainty, and the claim."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from openpyxl.worksheet.pagebreak import Break

from cornerrun.report.book import Block, Book, Column
from cornerrun.report.charts import trim_chart
from cornerrun.report.looks import Style
from cornerrun.report.rail_nouns import TrimSummary
from cornerrun.report.summary_model import Summary
from cornerrun.results.decision import Decision
from cornerrun.results.records import Outcome
from cornerrun.stats.interval import Interval

__all__ = ["Accuracy", "fill_accuracy"]

_LEVELS = ("low", "nominal", "high")
_RAIL = (
    Column(head="Rail", width=15),
    Column(head="Claim", width=17),
    Column(head="Claim ±", style=Style.PERCENT, width=9),
    Column(head="Chance that it is met", style=Style.SHARE, width=10),
    Column(head="Worst trim error", style=Style.SIGNED_PERCENT, width=10),
    Column(head="from", style=Style.SIGNED_PERCENT, width=10),
    Column(head="to (95 %)", style=Style.SIGNED_PERCENT, width=10),
    Column(head="at set-point", style=Style.VOLTS, width=11),
    Column(head="Gain error", style=Style.SIGNED_PERCENT, width=10),
    Column(head="Gain ±", style=Style.PERCENT, width=9),
    Column(head="Offset", style=Style.MILLIVOLTS, width=12),
    Column(head="Offset ±", style=Style.PLUS_MINUS_MILLIVOLTS, width=12),
    Column(head="Non-linearity", style=Style.PLUS_MINUS_MILLIVOLTS, width=12),
    Column(head="Repeatability", style=Style.PLUS_MINUS_MILLIVOLTS, width=13),
    Column(head="Meter specification there ±", style=Style.PLUS_MINUS_MILLIVOLTS, width=13),
    Column(head="Largest quantisation", style=Style.MILLIVOLTS, width=13),
    Column(head="Readings", style=Style.COUNT, width=9),
    Column(head="Left out", style=Style.COUNT, width=8),
    Column(head="Set-points", style=Style.COUNT, width=8),
    Column(head="Error at low", style=Style.SIGNED_PERCENT, width=10),
    Column(head="Error at nominal", style=Style.SIGNED_PERCENT, width=10),
    Column(head="Error at high", style=Style.SIGNED_PERCENT, width=10),
    Column(head="Claim from", style=Style.SIGNED_PERCENT, width=10),
    Column(head="Claim to", style=Style.SIGNED_PERCENT, width=10),
    Column(head="Why", style=Style.WRAPPED, width=66),
)
# How a claim's words are shown; the words are the summary's.
_CLAIM: dict[str, Decision | Outcome] = {
    "met": Decision.MET,
    "not met": Decision.NOT_MET,
    "open": Decision.OPEN,
}


@dataclass(frozen=True, kw_only=True, slots=True)
class Accuracy:
    """Where the rows of rails lie, in which order, and how many of them, the first, were measured."""

    rails: Block
    measured: int
    order: tuple[str, ...]


def fill_accuracy(book: Book, summary: Summary) -> Accuracy:
    """Fill the sheet: a table of rails, those that were measured first, and below it their chart."""
    page = book.page("cr_accuracy")
    page.widths(page.column, [item.width for item in _RAIL])
    page.height(page.row, 42)
    # Charts take the rows of the rails that were measured, so these stand together.
    ordered = sorted(summary.trim, key=lambda item: item.status != "measured")
    block = page.table(page.row, page.column, _RAIL, _rail_rows(ordered))
    page.freeze(block, columns=2, name="t_accuracy")
    for row, item in enumerate(ordered, start=block.first_row):
        decision = _CLAIM.get(item.claim)
        if decision is not None:
            page.put(row, page.column + 1, decision)
    measured = sum(item.status == "measured" for item in ordered)
    if measured:
        chart = trim_chart(page.sheet, block, measured, width_cm=27, height_cm=10)
        page.sheet.row_breaks.append(Break(id=block.last_row))
        page.sheet.add_chart(chart, page.sheet.cell(block.last_row + 2, page.column).coordinate)
    return Accuracy(rails=block, measured=measured, order=tuple(item.rail for item in ordered))


def _rail_rows(rails: Sequence[TrimSummary]) -> Iterator[Sequence[object]]:
    for item in rails:
        by_level = {level.level: level.mean_error_ratio for level in item.levels}
        worst = item.worst_error
        claim = item.claim_ratio if item.status == "measured" else None
        yield (
            item.rail,
            item.claim,
            item.claim_ratio,
            item.claim_probability,
            None if worst is None else worst.estimate,
            None if worst is None else worst.low,
            None if worst is None else worst.high,
            item.worst_setpoint_v,
            *_estimate_cells(item.gain_error, 1.0),
            *_estimate_cells(item.offset_v, 1e3),
            None if item.nonlinearity_v is None else _scaled(item.nonlinearity_v.estimate),
            None if item.repeatability_v is None else _scaled(item.repeatability_v.estimate),
            _scaled(item.meter_limit_v),
            _scaled(item.quantisation_v),
            item.n,
            item.excluded,
            item.setpoints,
            *(by_level.get(level) for level in _LEVELS),
            None if claim is None else -claim,
            claim,
            "; ".join(text for text in (item.claim_why, item.why) if text) or None,
        )


def _estimate_cells(interval: Interval | None, factor: float) -> tuple[float | None, float | None]:
    if interval is None or interval.estimate is None:
        return None, None
    return interval.estimate * factor, interval.half_width * factor


def _scaled(volts: float | None) -> float | None:
    return None if volts is None else volts * 1e3
