"""The nouns of a workbook being filled: formulas, columns, tables; and tables that programs know by name."""

import re
from dataclasses import dataclass

from openpyxl import Workbook
from openpyxl.utils import get_column_letter, quote_sheetname
from openpyxl.workbook.defined_name import DefinedName
from openpyxl.worksheet.filters import AutoFilter
from openpyxl.worksheet.table import Table, TableColumn
from openpyxl.worksheet.worksheet import Worksheet

from cornerrun.report.cell_text import cell_text
from cornerrun.report.looks import Style
from cornerrun.report.package import Cached

__all__ = ["Block", "Column", "Formula", "name_table"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Formula:
    """A live formula, without its equals sign, and the value that Python found for it.

    ``is_array`` makes a program take every row of a range where a single value would do.
    """

    text: str
    cached: Cached
    is_array: bool = False


@dataclass(frozen=True, kw_only=True, slots=True)
class Column:
    """A column of a table: its heading, the style of its cells, its width in characters."""

    head: str
    style: Style = Style.TEXT
    width: float = 12
    is_turned: bool = False


@dataclass(frozen=True, kw_only=True, slots=True)
class Block:
    """A table that was written: where its rows lie. Without rows, its one empty row stands for them."""

    title: str
    first_row: int
    last_row: int
    column: int
    heads: tuple[str, ...]

    def letter(self, head: str) -> str:
        """Return the letter of the column below a heading; KeyError for one that is not there."""
        if head not in self.heads:
            raise KeyError(head)
        return get_column_letter(self.column + self.heads.index(head))

    def cells(self, head: str) -> str:
        """Return the cells below a heading as an absolute reference that any sheet may use."""
        letter = self.letter(head)
        return f"{quote_sheetname(self.title)}!${letter}${self.first_row}:${letter}${self.last_row}"


def name_table(sheet: Worksheet, block: Block, name: str, *, width: int) -> None:
    """Make a table of the first columns of a block, known by a name; one that is taken gets a number."""
    book = sheet.parent
    assert book is not None
    first, last = get_column_letter(block.column), get_column_letter(block.column + width - 1)
    reference = f"{first}{block.first_row - 1}:{last}{block.last_row}"
    # openpyxl would read the headings from the sheet, and make every cell of the table for it.
    heads = [cell_text(head) for head in block.heads[:width]]
    table = Table(
        displayName=_free(book, name),
        ref=reference,
        tableColumns=[TableColumn(id=number, name=head) for number, head in enumerate(heads, start=1)],
        autoFilter=AutoFilter(ref=reference),
    )
    sheet.add_table(table)
    area = f"{quote_sheetname(sheet.title)}!${first}${block.first_row - 1}:${last}${block.last_row}"
    rows = f"{table.displayName}_rows"
    if rows not in book.defined_names:
        book.defined_names[rows] = DefinedName(rows, attr_text=area)


def _free(book: Workbook, name: str) -> str:
    taken = {key.lower() for other in book.worksheets for key in other.tables}
    taken |= {key.lower() for key in book.defined_names}
    clean = re.sub(r"\W", "_", name)
    number, found = 1, clean
    while found.lower() in taken:
        number += 1
        found = f"{clean}_{number}"
    return found
