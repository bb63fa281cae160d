"""The sheet Summary: what failed, where, how sure we are; what was not tested; where the board was left.

Counts and worst cases are live formulas over the other sheets.
"""

from collections.abc import Sequence

from openpyxl.utils import get_column_letter

from cornerrun.report.book import Book, Column, Page
from cornerrun.report.charts import pass_chart, trim_chart
from cornerrun.report.looks import Style, marked, style_of, symbol_of
from cornerrun.report.sheets.counts import Blocks, counts
from cornerrun.report.sheets.failures import Failure, failures
from cornerrun.report.summary_model import Header, Summary
from cornerrun.results.records import RunResult
from cornerrun.units import Kind, show

__all__ = ["fill_summary"]

# Six columns, a gap, five columns. The second half starts at the eighth.
_WIDTHS = (25, 40, 18, 15, 11, 11, 2, 23, 13, 13, 13, 26)
_COLUMNS = len(_WIDTHS)
_RIGHT = 7
_BANNERS = {RunResult.PASS: Style.BANNER_PASS, RunResult.FAIL: Style.BANNER_FAILED}
_MOST_FAILURES = 12  # chosen: what fits above the fold; the rest is counted and stands on its own sheet
_MOST_LINES = 15
_LETTERS_A_LINE = 190  # of the whole width, in ten-point letters
_CHART_ROWS = 19
_FAILURE = (
    Column(head="What", style=Style.WRAPPED),
    Column(head="Where", style=Style.WRAPPED),
    Column(head="Outcome"),
    Column(head="Failed"),
    Column(head="Passes with at least", style=Style.SHARE),
    Column(head="at most (95 %)", style=Style.SHARE),
)


def fill_summary(book: Book, summary: Summary, blocks: Blocks) -> None:
    """Fill the sheet from its anchor down."""
    page = book.page("cr_summary")
    page.widths(page.column, _WIDTHS)
    row = _banner(page, page.row, summary)
    row = _facts(page, row, summary)
    row = _failures(page, row, failures(summary, blocks.data))
    row = _charts(page, row, summary, blocks)
    row = _lines(page, row, "Cautions", summary.cautions, Style.CAUTION)
    row = counts(page, row, right=page.column + _RIGHT, summary=summary, blocks=blocks)
    missing = [
        f"{item.what} {item.name}" + (f" ({item.scheme})" if item.scheme else "") + f": {item.reason}"
        for item in summary.not_tested
    ]
    row = _lines(page, row, "Not tested", missing or ["nothing that the plan asks for was left out"], Style.WRAPPED)
    row = _lines(page, row, "With what", _with_what(summary), Style.WRAPPED)
    page.sheet.print_area = f"A1:{get_column_letter(page.column + _COLUMNS - 1)}{row}"


def _banner(page: Page, row: int, summary: Summary) -> int:
    header = summary.header
    board = f"{header.board_name} {header.board_revision}".strip()
    simulated = "     SIMULATED" if header.is_simulated else ""
    text = f"  {marked(summary.result).upper()}     {header.serial or 'no serial'}     {board}{simulated}"
    page.span(row, page.column, text, _BANNERS.get(summary.result, Style.BANNER_TROUBLE), columns=_COLUMNS)
    page.height(row, 42)
    page.span(row + 1, page.column, summary.why, Style.WHY, columns=_COLUMNS)
    page.height(row + 1, _height(summary.why, points=16, least=26))
    return row + 2


def _facts(page: Page, row: int, summary: Summary) -> int:
    header = summary.header
    kind = "SIMULATED: says nothing of a real board" if header.is_simulated else "HARDWARE"
    lines = (
        (("Board left", f"{symbol_of(summary.end_state)} {summary.end_state_text}"), ("Run", header.run_id)),
        (("Bench", f"{kind}, {header.station}"), ("Operator", header.operator or "not stated")),
        (("Plan", header.title), ("Started, took", _when(header))),
    )
    for label, told in lines:
        page.put(row, page.column, label[0], Style.LABEL)
        style = style_of(summary.end_state) if label[0] == "Board left" else Style.TEXT
        page.span(row, page.column + 1, label[1], style, columns=5)
        page.put(row, page.column + _RIGHT, told[0], Style.LABEL)
        page.span(row, page.column + _RIGHT + 1, told[1], Style.TEXT, columns=4)
        page.height(row, 17)
        row += 1
    for text in summary.overrides:
        page.put(row, page.column, "Override", Style.LABEL)
        page.span(row, page.column + 1, text, Style.TROUBLE, columns=_COLUMNS - 1)
        page.height(row, _height(text))
        row += 1
    return row + 1


def _when(header: Header) -> str:
    took = "no end" if header.duration_s is None else show(header.duration_s, Kind.TIME, digits=3)
    return f"{header.started_utc:%Y-%m-%d %H:%M:%S} UTC, {took}"


def _failures(page: Page, row: int, found: Sequence[Failure]) -> int:
    page.span(row, page.column, "What failed, where, how sure", Style.BLOCK, columns=_COLUMNS)
    row += 1
    if not found:
        page.span(row, page.column, "● nothing failed and nothing is open", Style.PASS, columns=_COLUMNS)
        return row + 2
    page.head(row, page.column, _FAILURE)
    page.span(row, page.column + 6, "Why", Style.HEAD, columns=_COLUMNS - 6)
    page.height(row, 30)
    for item in found[:_MOST_FAILURES]:
        row += 1
        cells = (item.what, item.where, item.told, item.count, item.low, item.high)
        for offset, (column, value) in enumerate(zip(_FAILURE, cells, strict=True)):
            page.put(row, page.column + offset, value, None if value is item.told else column.style)
        page.span(row, page.column + 6, item.why, Style.WRAPPED, columns=_COLUMNS - 6)
        page.height(row, max(_height(item.why, letters=125), _height(item.where, letters=42)))
    more = len(found) - _MOST_FAILURES
    if more > 0:
        row += 1
        text = f"and {more} more: see the sheets of corners, checks and set-point accuracy"
        page.span(row, page.column, text, Style.WRAPPED, columns=_COLUMNS)
    return row + 2


def _lines(page: Page, row: int, title: str, texts: Sequence[str], style: Style) -> int:
    if not texts:
        return row
    page.span(row, page.column, title, Style.BLOCK, columns=_COLUMNS)
    shown = list(texts[:_MOST_LINES])
    if len(texts) > len(shown):
        shown.append(f"and {len(texts) - len(shown)} more: see the sheets of corners and of the plan")
    for text in shown:
        row += 1
        page.span(row, page.column, text, style, columns=_COLUMNS)
        page.height(row, _height(text))
    return row + 2


def _height(text: str, *, letters: int = _LETTERS_A_LINE, points: float = 13.5, least: float = 17) -> float:
    """Estimate the height of a merged cell: it does not grow by itself."""
    lines = sum(max(1, -(-len(line) // letters)) for line in text.splitlines() or [""])
    return min(max(least, points * lines + 3), 400)


def _charts(page: Page, row: int, summary: Summary, blocks: Blocks) -> int:
    drawn = False
    if any(corner.visits for corner in summary.corners):
        sheet = blocks.page("cr_corners").sheet
        chart = pass_chart(
            sheet, blocks.corners.chart, has_trials=summary.tally.trials > 0, width_cm=24.5, height_cm=9.6
        )
        page.sheet.add_chart(chart, f"{page.sheet.cell(row, page.column).coordinate}")
        drawn = True
    if blocks.accuracy.measured:
        sheet = blocks.page("cr_accuracy").sheet
        chart = trim_chart(sheet, blocks.accuracy.rails, blocks.accuracy.measured, width_cm=18.5, height_cm=9.6)
        page.sheet.add_chart(chart, f"{page.sheet.cell(row, page.column + _RIGHT).coordinate}")
        drawn = True
    return row + _CHART_ROWS + 1 if drawn else row


def _with_what(summary: Summary) -> list[str]:
    header = summary.header
    lines = [
        f"{item.record.name}: {item.record.identity}, calibration {item.calibration}"
        + (f", due {item.record.due}" if item.record.due else "")
        for item in summary.instruments
    ]
    lines += [f"{item.role} {item.path.name}: SHA-256 {item.sha256}" for item in header.sources]
    lines.append(", ".join(f"{name} {version}" for name, version in header.versions.items()) + f"; seed {header.seed}")
    return lines
