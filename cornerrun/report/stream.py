"""Rows of a big data sheet as XML, made one after another: a million rows need no memory to speak of."""

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from xml.sax.saxutils import escape

from openpyxl.utils import get_column_letter

from cornerrun.report.cell_text import cell_text, looks_like_formula

__all__ = ["MAX_ROWS", "RowStream", "Styled"]

# Rows of a sheet: ECMA-376 leaves it open; 2^20 is what the common programs take.
MAX_ROWS = 1_048_576
_ROWS_A_CHUNK = 512  # chosen: large enough that writing is not felt, small enough to stay in cache


@dataclass(frozen=True, slots=True)
class Styled:
    """A cell with a style of its own instead of its column's."""

    value: object
    style: int


@dataclass(frozen=True, kw_only=True, slots=True)
class RowStream:
    """Rows to be put below the header of a sheet.

    ``styles`` holds the style number of each column, ``quoted`` the one for text there that looks like a formula.
    ``count`` is the number of rows. A cell of None is left empty, but styled.
    """

    sheet: str
    first_row: int
    count: int
    column: int
    styles: tuple[int, ...]
    quoted: tuple[int, ...]
    rows: Iterable[Sequence[object]]

    @property
    def last_cell(self) -> str:
        """The reference of the last cell of the last row."""
        row = self.first_row + max(self.count, 1) - 1
        return f"{get_column_letter(self.column + len(self.styles) - 1)}{row}"

    def chunks(self) -> Iterator[bytes]:
        """Give the XML of the rows, many at a time.

        Raises ValueError if there are more rows than a sheet takes or than ``count``, or not one cell a style.
        """
        letters = [get_column_letter(self.column + offset) for offset in range(len(self.styles))]
        columns = [
            (f'<c r="{letter}', f'" s="{style}"', f'" s="{quoted}"')
            for letter, style, quoted in zip(letters, self.styles, self.quoted, strict=True)
        ]
        buffer: list[str] = []
        number = self.first_row - 1
        for number, row in enumerate(self.rows, start=self.first_row):
            if number >= self.first_row + self.count or number > MAX_ROWS:
                raise ValueError(f"{self.sheet}: more rows than the {self.count} announced or than {MAX_ROWS}")
            buffer.append(f'<row r="{number}">')
            for (opening, style, quoted), value in zip(columns, row, strict=True):
                buffer.append(_cell(opening, number, style, quoted, value))
            buffer.append("</row>")
            if number % _ROWS_A_CHUNK == 0:
                yield "".join(buffer).encode()
                buffer.clear()
        if buffer:
            yield "".join(buffer).encode()


def _cell(opening: str, row: int, style: str, quoted: str, value: object) -> str:
    if value is None:
        return f"{opening}{row}{style}/>"
    if type(value) is Styled:
        own = f'" s="{value.style}"'
        return _cell(opening, row, own, own, value.value)
    if type(value) is float:
        if math.isfinite(value):
            return f"{opening}{row}{style}><v>{value!r}</v></c>"
        value = str(value)
    elif type(value) is int:
        return f"{opening}{row}{style}><v>{value}</v></c>"
    elif type(value) is bool:
        return f'{opening}{row}{style} t="b"><v>{int(value)}</v></c>'
    text = cell_text(str(value))
    chosen = quoted if looks_like_formula(text) else style
    return f'{opening}{row}{chosen} t="inlineStr"><is><t xml:space="preserve">{escape(text)}</t></is></c>'
