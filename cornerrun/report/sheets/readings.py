"""The sheets Readings: one row a rail and visit, streamed, since a long run has a million of them."""

from collections.abc import Iterator, Mapping, Sequence

from cornerrun.plan.model import Plan
from cornerrun.report.book import Block, Book, Column
from cornerrun.report.looks import Style
from cornerrun.report.margins import Distance, distances
from cornerrun.report.places import places_of
from cornerrun.report.sheets.data_sheets import fill_data_sheets
from cornerrun.report.stream import Styled
from cornerrun.results.control import good_visits
from cornerrun.results.records import Outcome, Reading, RunData, Visit
from cornerrun.results.trim_readings import trim_readings

__all__ = ["COLUMNS", "Judged", "fill_readings", "reading_rows"]

COLUMNS = (
    Column(head="Visit", style=Style.COUNT, width=7),
    Column(head="Corner", width=26),
    Column(head="Repeat", style=Style.COUNT, width=8),
    Column(head="Kind", width=13),
    Column(head="Void", width=7),
    Column(head="Rail", width=14),
    Column(head="Level", width=10),
    Column(head="Target", style=Style.VOLTS, width=11),
    Column(head="Set-point", style=Style.VOLTS, width=11),
    Column(head="Word", style=Style.CODE, width=8),
    Column(head="Telemetry", style=Style.VOLTS, width=11),
    Column(head="Telemetry n", style=Style.COUNT, width=10),
    Column(head="Reference", style=Style.VOLTS, width=11),
    Column(head="Reference range", style=Style.VOLTS, width=12),
    Column(head="Trim error", style=Style.MILLIVOLTS, width=12),
    Column(head="Trim error of set-point", style=Style.SIGNED_PERCENT, width=10),
    Column(head="Trim counts", width=8),
    Column(head="Window margin", style=Style.MILLIVOLTS, width=12),
    Column(head="Window margin of target", style=Style.SIGNED_PERCENT, width=10),
    Column(head="Hard-limit margin", style=Style.MILLIVOLTS, width=12),
    Column(head="Settled after", style=Style.SECONDS, width=10),
    Column(head="STATUS_ WORD", style=Style.CODE, width=9),
    Column(head="Current", style=Style.AMPERES, width=10),
    Column(head="Temperature", style=Style.DEGREES, width=11),
    Column(head="Outcome", width=18),
    Column(head="Reason", width=44),
)


class Judged:
    """Tells of readings what they do not tell themselves: distances to limits, and whether trim counts them."""

    def __init__(self, plan: Plan, data: RunData) -> None:
        places = places_of(plan, data.run.corners)
        corners = {record.visit.corner for record in data.visits}
        self._window_ratios = {name: plan.criteria.window_in(places.get(name, {})) for name in corners}
        self._rails = {rail.name: rail for rail in plan.rails}
        self._good = frozenset(record.visit.ordinal for record in good_visits(plan, data.visits))
        chosen = trim_readings(plan, data.visits, self._good)
        # Of a million readings all but a few count: so those are kept that do not.
        self._left_out = {rail.name: chosen[rail.name].left_out for rail in plan.commanded_rails}

    def is_of_trim(self, visit: Visit, reading: Reading) -> bool:
        """Tell whether the estimate of the rail's trim counts this reading of the meter."""
        left_out = self._left_out.get(reading.rail)
        return left_out is not None and reading.reference_v is not None and visit.ordinal not in left_out

    def distances(self, visit: Visit, reading: Reading) -> tuple[Distance, Distance] | None:
        """Measure a reading against its window and its hard limits; None where it does not count."""
        rail = self._rails.get(reading.rail)
        if rail is None or visit.ordinal not in self._good:
            return None
        return distances(rail, reading, self._window_ratios[visit.corner])


def fill_readings(book: Book, data: RunData, judged: Judged, *, rows_a_sheet: int | None = None) -> tuple[Block, ...]:
    """Fill the sheet, and as many more as its rows need; return where the rows of each lie.

    ``rows_a_sheet`` is what a sheet takes below its headings; by default all that the file format allows.
    """
    total = sum(len(record.readings) for record in data.visits)
    rows = reading_rows(data, book.outcomes(), judged)
    page = book.page("cr_readings")
    return fill_data_sheets(book, page, COLUMNS, rows, total, frozen=6, name="t_readings", rows_a_sheet=rows_a_sheet)


def reading_rows(data: RunData, outcomes: Mapping[Outcome, Styled], judged: Judged) -> Iterator[Sequence[object]]:
    """Give the rows in order of time, in the order of `COLUMNS`."""
    for record in data.visits:
        visit = record.visit
        kind = "control point" if visit.is_control else "corner"
        void = "void" if visit.is_void else None
        for item in record.readings:
            window, hard_limit = judged.distances(visit, item) or (None, None)
            error_v = None
            if item.reference_v is not None and item.setpoint_v is not None:
                error_v = item.reference_v - item.setpoint_v
            yield (
                visit.ordinal,
                visit.corner,
                visit.repeat,
                kind,
                void,
                item.rail,
                item.level,
                item.target_v,
                item.setpoint_v,
                None if item.word is None else f"0x{item.word:04X}",
                item.telemetry_v,
                item.telemetry_n,
                item.reference_v,
                item.reference_range_v,
                None if error_v is None else error_v * 1e3,
                error_v / abs(item.setpoint_v) if error_v is not None and item.setpoint_v else None,
                "yes" if judged.is_of_trim(visit, item) else None,
                None if window is None else window.distance_v * 1e3,
                None if window is None else window.ratio,
                None if hard_limit is None else hard_limit.distance_v * 1e3,
                item.settle_s,
                None if item.status_word is None else f"0x{item.status_word:04X}",
                item.current_a,
                item.temperature_degc,
                outcomes[item.outcome],
                item.reason or None,
            )
