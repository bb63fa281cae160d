"""The sheet Rails: how far each rail kept from its limits, how it settled, drifted, and how its telemetry agrees."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from openpyxl.utils import get_column_letter

from cornerrun.plan.model import Plan, Rail
from cornerrun.report.book import Block, Book, Column, Page
from cornerrun.report.looks import Style
from cornerrun.report.rail_nouns import ControlDrift, Margin, RailSummary
from cornerrun.report.sheets.data_sheets import rows_in
from cornerrun.report.sheets.live import of_matching
from cornerrun.report.sheets.sources import Sources
from cornerrun.report.summary_model import Summary
from cornerrun.results.decision import first_outcome
from cornerrun.units import Kind, show

__all__ = ["fill_rails"]

_RAIL = (
    Column(head="Rail", width=15),
    Column(head="Outcome", width=18),
    Column(head="Window margin", style=Style.MILLIVOLTS, width=13),
    Column(head="of target", style=Style.SIGNED_PERCENT, width=10),
    Column(head="at corner", style=Style.WRAPPED, width=34),
    Column(head="Hard-limit margin", style=Style.MILLIVOLTS, width=13),
    Column(head="Hard-limit margin of target", style=Style.SIGNED_PERCENT, width=10),
    Column(head="Hard limit at corner", style=Style.WRAPPED, width=34),
    Column(head="Nominal", style=Style.VOLTS, width=11),
    Column(head="Levels", style=Style.WRAPPED, width=26),
    Column(head="Hard limit from below", style=Style.VOLTS, width=11),
    Column(head="from above", style=Style.VOLTS, width=11),
    Column(head="Least seen", style=Style.VOLTS, width=11),
    Column(head="Greatest seen", style=Style.VOLTS, width=11),
    Column(head="Samples watched", style=Style.COUNT, width=9),
    Column(head="Visits", style=Style.COUNT, width=7),
    Column(head="Moves", style=Style.COUNT, width=7),
    Column(head="Longest settling", style=Style.SECONDS, width=10),
    Column(head="Telemetry less meter, mean", style=Style.MILLIVOLTS, width=13),
    Column(head="± (95 %)", style=Style.PLUS_MINUS_MILLIVOLTS, width=12),
    Column(head="worst", style=Style.MILLIVOLTS, width=12),
    Column(head="n", style=Style.COUNT, width=6),
    Column(head="Drift at control points", width=12),
    Column(head="largest", style=Style.SIGNED_PERCENT, width=10),
    Column(head="limit ±", style=Style.PERCENT, width=9),
    Column(head="in an hour", style=Style.MILLIVOLTS, width=12),
    Column(head="Moved by", style=Style.WRAPPED, width=30),
)


def fill_rails(book: Book, summary: Summary, plan: Plan, sources: Sources) -> Block:
    """Fill the sheet; return where its rows lie."""
    page = book.page("cr_rails")
    rails = {rail.name: rail for rail in plan.rails}
    page.widths(page.column, [item.width for item in _RAIL])
    page.height(page.row, 42)
    block = page.table(page.row, page.column, _RAIL, _rail_rows(book, page, summary, rails, sources))
    page.freeze(block, columns=2, name="t_rails")
    return block


def _rail_rows(
    book: Book, page: Page, summary: Summary, planned: Mapping[str, Rail], sources: Sources
) -> Iterator[Sequence[object]]:
    readings = sources.readings if book.may_look(4 * len(summary.rails), rows_in(sources.readings)) else ()
    drifts = {drift.rail: drift for drift in summary.drift}
    for row, item in enumerate(summary.rails, start=page.row + 1):
        error = item.telemetry_error_v
        find = _Find(readings=readings, keys=(("Rail", f"${get_column_letter(page.column)}{row}"),))
        yield (
            item.rail,
            first_outcome(tuple(item.outcomes)),
            *_margin_cells(item.window, find, "Window margin"),
            *_margin_cells(item.hard_limit, find, "Hard-limit margin"),
            item.nominal_v,
            _levels_text(item),
            item.hard_limits.min_v,
            item.hard_limits.max_v,
            item.least_seen_v,
            item.greatest_seen_v,
            item.samples,
            item.visits,
            item.moves,
            find.number("MAX", "Settled after", item.longest_settle_s),
            None if error is None or error.estimate is None else error.estimate * 1e3,
            None if error is None else error.half_width * 1e3,
            None if item.worst_telemetry_error_v is None else item.worst_telemetry_error_v * 1e3,
            item.telemetry_error_n,
            *_drift_cells(drifts.get(item.rail)),
            _moved_by(planned.get(item.rail)),
        )


@dataclass(frozen=True, kw_only=True, slots=True)
class _Find:
    """Makes live formulas over readings; without readings, values stand alone."""

    readings: tuple[Block, ...]
    keys: tuple[tuple[str, str], ...]

    def number(self, function: str, head: str, cached: float | None) -> object:
        if cached is None or not self.readings:
            return cached
        return of_matching(function, self.readings, self.keys, head, words=(("Void", ""),), cached=cached)


def _margin_cells(margin: Margin | None, find: _Find, head: str) -> Sequence[object]:
    if margin is None:
        return None, None, "not measured"
    return find.number("MIN", head, margin.distance_v * 1e3), margin.distance_ratio, f"{margin.corner} ({margin.side})"


def _drift_cells(drift: ControlDrift | None) -> Sequence[object]:
    if drift is None:
        return None, None, None, None
    slope = drift.slope_v_per_s
    told = "▲ out" if drift.is_out else "no limit" if drift.limit_ratio is None else "● within"
    hourly_mv = None if slope is None or slope.estimate is None else slope.estimate * 3.6e6
    return told, drift.largest_ratio, drift.limit_ratio, hourly_mv


def _levels_text(item: RailSummary) -> str:
    moved = [f"{name} {show(volts, Kind.VOLTAGE)}" for name, volts in item.levels.items() if name != "nominal"]
    return ", ".join(moved) or "nominal only"


def _moved_by(rail: Rail | None) -> str | None:
    if rail is None:
        return None
    if rail.tracks is not None:
        return f"hardware: {rail.tracks.ratio:g} x {rail.tracks.rail}"
    if not rail.is_moved:
        return f"nothing: {rail.why_fixed}" if rail.why_fixed else "nothing"
    address = rail.place
    return f"{address}, tied to {rail.tied_to}" if rail.tied_to else address
