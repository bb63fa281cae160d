"""Rows of a big data sheet as XML, made one after another: a million rows need no memory to speak of."""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import islice, repeat
from math import isfinite
from typing import cast
from xml.sax.saxutils import escape

from openpyxl.utils import get_column_letter

from cornerrun.report.cell_text import cell_text, looks_like_formula

__all__ = ["MAX_ROWS", "RowStream", "Styled"]

# Rows of a sheet: ECMA-376 leaves it open; 2^20 is what the common programs take.
MAX_ROWS = 1_048_576
_MOST_TEXTS, _LONGEST_TEXT = 20_000, 500  # chosen: some MB, and far more names than a board has
_REPEATS = 4  # chosen: cells are made once if they come again so often, as names and targets do
_SEVERAL = 2
_ROWS_A_CHUNK = 2048  # chosen: some megabytes, which take longer to compress than threads take to change over


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
        openings = [f'<c r="{letter}' for letter in letters]
        columns = [
            _Cells(f'" s="{style}"', f'" s="{quoted}"', following)
            for style, quoted, following in zip(self.styles, self.quoted, (*openings[1:], "</row>"), strict=True)
        ]
        rows = iter(self.rows)
        number = self.first_row
        while batch := list(islice(rows, _ROWS_A_CHUNK)):
            numbers = range(number, number + len(batch))
            if numbers[-1] >= self.first_row + self.count or numbers[-1] > MAX_ROWS:
                raise ValueError(f"{self.sheet}: more rows than the {self.count} announced or than {MAX_ROWS}")
            # Column by column, since the cells of a column are of one kind; and what stands between two numbers of the
            # row is made as one: a million rows have tens of millions of cells.
            made = [cells.made(values) for cells, values in zip(columns, zip(*batch, strict=True), strict=True)]
            between = zip(repeat('<row r="'), repeat(f'">{openings[0]}'), *made, strict=False)
            yield "".join([str(row).join(parts) for row, parts in zip(numbers, between, strict=True)]).encode()
            number += len(batch)


class _Cells:
    """Makes the cells of one column from behind their references on, each with what follows it.

    Names and words that come again are made once.
    """

    def __init__(self, style: str, quoted: str, following: str) -> None:
        self._style, self._quoted, self._following = style, quoted, following
        self._made: dict[object, str] = {}

    def made(self, values: Sequence[object]) -> list[str]:
        """Make the cells of some rows."""
        kinds = set(map(type, values)) - {type(None)}
        distinct = set(values) if len(kinds) < _SEVERAL else set()
        # Not where kinds mix: 1 is True is 1.0. Nor where there is a zero: those have signs.
        if 0 < len(distinct) * _REPEATS < len(values) and not (kinds == {float} and 0.0 in distinct):
            made = {value: self._cell(value) for value in distinct}
            return [made[value] for value in values]
        if kinds == {float} and None not in distinct and all(map(isfinite, cast("set[float]", distinct))):
            opening, closing = f"{self._style}><v>", f"</v></c>{self._following}"
            return [f"{opening}{value!r}{closing}" for value in values]
        return [self._cell(value) for value in values]

    def _cell(self, value: object) -> str:
        kind = type(value)
        if kind is float:
            return self._new(value, self._style, self._quoted)
        key = (kind, value)
        made = self._made.get(key)
        if made is None:
            made = self._new(value, self._style, self._quoted)
            if len(self._made) < _MOST_TEXTS and len(made) < _LONGEST_TEXT:
                self._made[key] = made
        return made

    def _new(self, value: object, style: str, quoted: str) -> str:
        if isinstance(value, Styled):
            own = f'" s="{value.style}"'
            return self._new(value.value, own, own)
        if value is None:
            cell = f"{style}/>"
        elif isinstance(value, bool):
            cell = f'{style} t="b"><v>{int(value)}</v></c>'
        elif isinstance(value, int) or (isinstance(value, float) and isfinite(value)):
            cell = f"{style}><v>{value!r}</v></c>"
        else:
            cell = _text(style, quoted, str(value))
        return f"{cell}{self._following}"


def _text(style: str, quoted: str, value: str) -> str:
    text = cell_text(value)
    chosen = quoted if looks_like_formula(text) else style
    return f'{chosen} t="inlineStr"><is><t xml:space="preserve">{escape(text)}</t></is></c>'
