"""A workbook being filled: cells with the template's styles, formulas with their cached values, rows to be streamed."""

import math
from collections.abc import Iterable, Mapping, Sequence
from datetime import UTC, datetime

from openpyxl.cell import Cell
from openpyxl.utils import get_column_letter
from openpyxl.worksheet.formula import ArrayFormula
from openpyxl.worksheet.properties import PageSetupProperties
from openpyxl.worksheet.worksheet import Worksheet

from cornerrun.report.blocks import Block, Column, Formula, name_table
from cornerrun.report.cell_text import cell_text, looks_like_formula
from cornerrun.report.looks import Style, marked, style_of
from cornerrun.report.package import Cached
from cornerrun.report.stream import RowStream, Styled
from cornerrun.report.template import Template
from cornerrun.results.decision import Decision
from cornerrun.results.records import EndState, Outcome, RunResult

__all__ = ["Block", "Book", "Column", "Formula", "Page"]


# Of ten-point letters: how many fit a unit of column width, and how high a line is; both measured on renderings.
_LETTERS_A_UNIT = 1.05
_LINE_POINTS = 13.0
# Comparisons that recalculating takes: some seconds in the common programs. Chosen; beyond it values stand alone.
_MOST_LOOKS = 60_000_000
_MOST_POINTS = 400  # just below what a row may have


class Page:
    """One sheet of the report, to be filled from its anchor on."""

    def __init__(
        self, sheet: Worksheet, row: int, column: int, cached: dict[str, Cached], given_widths: frozenset[int]
    ) -> None:
        self.sheet = sheet
        self.row = row
        self.column = column
        self._cached = cached
        self._given_widths = given_widths

    @property
    def title(self) -> str:
        """The title of the sheet, which the template's user may have changed."""
        return str(self.sheet.title)

    def put(self, row: int, column: int, value: object, style: Style | None = None) -> None:
        """Write a cell.

        Outcomes and their like are written as shape and word and bring their own style unless one is given. Text is
        always text. A time is written as UTC. None leaves the cell empty, but styled.
        """
        cell = self.sheet.cell(row, column)
        if not isinstance(cell, Cell):
            raise TypeError(f"{self.title}!{cell.coordinate} is covered by a merged cell")
        if isinstance(value, Outcome | Decision | RunResult | EndState):
            style = style or style_of(value)
            value = marked(value)
        if style is not None:
            cell.style = style.value
        if isinstance(value, Formula):
            text = f"={value.text}"
            cell.value = ArrayFormula(cell.coordinate, text) if value.is_array else text
            self._cached[cell.coordinate] = value.cached
        elif isinstance(value, datetime):
            look = cell.number_format
            cell.value = value.astimezone(UTC).replace(tzinfo=None)
            cell.number_format = look  # openpyxl puts its own for times
        elif isinstance(value, str):
            _put_text(cell, value)
        elif isinstance(value, float) and not math.isfinite(value):
            _put_text(cell, str(value))
        elif isinstance(value, bool | int | float):
            cell.value = value
        elif value is not None:
            raise TypeError(f"{type(value).__name__} has no place in a cell")

    def restyle(self, row: int, column: int, style: Style) -> None:
        """Give a cell another look than its column's."""
        self.sheet.cell(row, column).style = style.value

    def span(self, row: int, column: int, value: object, style: Style, *, columns: int) -> None:
        """Write a cell that reaches over columns."""
        for offset in range(columns):
            self.put(row, column + offset, None, style)
        self.put(row, column, value, style)
        if columns > 1:
            # The cells below keep their style; `merge_cells` would look at every border, at half the time of a report.
            first, last = (get_column_letter(index) for index in (column, column + columns - 1))
            self.sheet.merged_cells.add(f"{first}{row}:{last}{row}")

    def height(self, row: int, points: float) -> None:
        """Set the height of a row."""
        self.sheet.row_dimensions[row].height = points

    def fit_height(self, row: int, columns: Sequence[Column], cells: Sequence[object]) -> None:
        """Make a row as high as its wrapped texts need: not every program does that when it opens a file."""
        lines = max(
            (
                sum(max(1, math.ceil(len(line) / (item.width * _LETTERS_A_UNIT))) for line in value.split("\n"))
                for item, value in zip(columns, cells, strict=False)
                if item.style is Style.WRAPPED and isinstance(value, str)
            ),
            default=1,
        )
        if lines > 1:
            self.height(row, min(_LINE_POINTS * lines + 3, _MOST_POINTS))

    def widths(self, column: int, widths: Iterable[float]) -> None:
        """Set the widths of columns, in characters, where the template sets none."""
        for index, width in enumerate(widths, start=column):
            if index not in self._given_widths:
                self.sheet.column_dimensions[get_column_letter(index)].width = width

    def head(self, row: int, column: int, columns: Sequence[Column]) -> None:
        """Write the headings of a table."""
        for index, item in enumerate(columns, start=column):
            self.put(row, index, item.head, Style.HEAD_TURNED if item.is_turned else Style.HEAD)

    def table(self, row: int, column: int, columns: Sequence[Column], rows: Iterable[Sequence[object]]) -> Block:
        """Write headings and rows; an outcome in a cell brings its own style."""
        self.head(row, column, columns)
        number = row
        for number, cells in enumerate(rows, start=row + 1):
            for index, (item, value) in enumerate(zip(columns, cells, strict=True), start=column):
                own = isinstance(value, Outcome | Decision | RunResult | EndState)
                self.put(number, index, value, None if own else item.style)
            self.fit_height(number, columns, cells)
        return self.block(row, column, columns, number - row)

    def block(self, row: int, column: int, columns: Sequence[Column], rows: int) -> Block:
        """Tell where the rows of a table lie whose headings stand in ``row``."""
        heads = tuple(item.head for item in columns)
        return Block(title=self.title, first_row=row + 1, last_row=row + max(rows, 1), column=column, heads=heads)

    def freeze(self, block: Block, *, columns: int, name: str, width: int | None = None) -> None:
        """Freeze the headings and first columns of a table, let it be filtered, and repeat its headings in print.

        The table becomes a named one, ``name``, over its first ``width`` columns (all of them unless given), and a
        range of the same cells is named ``name`` with ``_rows`` behind it: a pivot table takes either at once.
        """
        first = get_column_letter(block.column)
        head = block.first_row - 1
        name_table(self.sheet, block, name, width=width or len(block.heads))
        self.sheet.freeze_panes = f"{get_column_letter(block.column + columns)}{block.first_row}"
        self.sheet.print_title_rows = f"{head}:{head}"
        self.sheet.print_title_cols = f"{first}:{get_column_letter(block.column + columns - 1)}"


class Book:
    """The workbook of one report while it is filled."""

    def __init__(self, template: Template) -> None:
        self.template = template
        self.cached: dict[str, dict[str, Cached]] = {}
        self.streams: list[RowStream] = []
        self._looks = 0
        self._given_widths = {name: _given_widths(anchor.sheet) for name, anchor in template.anchors.items()}

    def page(self, name: str) -> Page:
        """Return the sheet that an anchor points into."""
        anchor = self.template.anchors[name]
        cached = self.cached.setdefault(anchor.sheet.title, {})
        return Page(anchor.sheet, anchor.row, anchor.column, cached, self._given_widths[name])

    def page_like(self, page: Page, sheet: Worksheet) -> Page:
        """Return a further sheet that is filled from the same cell on as a page."""
        cached = self.cached.setdefault(sheet.title, {})
        return Page(sheet, page.row, page.column, cached, _given_widths(sheet))

    def page_or_further(self, name: str, title: str, guide: str) -> Page:
        """Return the sheet that an anchor points into; where the template has none of that name, add a sheet."""
        return self.page(name) if name in self.template.anchors else self.further_page(title, guide)

    def may_look(self, cells: int, rows: int) -> bool:
        """Tell whether so many formulas over so many rows each leave the workbook quick to recalculate."""
        self._looks += cells * rows
        return self._looks <= _MOST_LOOKS

    def further_page(self, title: str, guide: str) -> Page:
        """Add a sheet behind those of the template, in its styles; a title that is taken gets a number."""
        workbook = self.template.workbook
        sheet = workbook.create_sheet(title)  # openpyxl numbers a title that is taken
        sheet["A1"], sheet["A2"] = title, guide
        sheet["A1"].style, sheet["A2"].style = Style.SHEET_TITLE.value, Style.GUIDE.value
        sheet.row_dimensions[1].height = 24
        sheet.sheet_view.showGridLines = False
        sheet.page_setup.paperSize = sheet.PAPERSIZE_A4
        sheet.page_setup.orientation = "landscape"
        sheet.page_setup.fitToHeight = 0
        sheet.sheet_properties.pageSetUpPr = PageSetupProperties(fitToPage=True)
        return Page(sheet, 4, 1, self.cached.setdefault(sheet.title, {}), frozenset())

    def stream(self, block: Block, columns: Sequence[Column], count: int, rows: Iterable[Sequence[object]]) -> None:
        """Put rows below a table's headings that are made only while the file is written: they may be many."""
        if count:
            self.streams.append(
                RowStream(
                    sheet=block.title,
                    first_row=block.first_row,
                    count=count,
                    column=block.column,
                    styles=tuple(self.style_number(item.style) for item in columns),
                    quoted=tuple(self.style_number(item.style, is_quoted=True) for item in columns),
                    rows=rows,
                )
            )

    def outcomes(self) -> Mapping[Outcome, Styled]:
        """Tell how each outcome stands in a streamed cell."""
        return {outcome: Styled(marked(outcome), self.style_number(style_of(outcome))) for outcome in Outcome}

    def style_number(self, style: Style, *, is_quoted: bool = False) -> int:
        """Return the number by which streamed cells name a style."""
        # A cell that belongs to no place of the sheet: only its look is registered.
        cell = Cell(self.template.workbook.worksheets[0], row=1, column=1)
        cell.style = style.value
        if is_quoted:
            cell.quotePrefix = True
        return int(cell.style_id)


def _given_widths(sheet: Worksheet) -> frozenset[int]:
    spans: Mapping[str, tuple[int | None, int | None]] = {
        letter: (item.min, item.max) for letter, item in sheet.column_dimensions.items() if item.customWidth
    }
    return frozenset(index for first, last in spans.values() for index in range(first or 0, (last or 0) + 1))


def _put_text(cell: Cell, text: str) -> None:
    clean = cell_text(text)
    cell.value = clean
    # openpyxl takes text that begins with "=" for a formula, and "#N/A" for an error.
    cell.data_type = "s"
    if looks_like_formula(clean):
        cell.quotePrefix = True
