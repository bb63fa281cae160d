"""Rows of a big data sheet as XML, made one after another: a million rows need no memory to speak of."""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from math import isfinite
from xml.sax.saxutils import escape

from openpyxl.utils import get_column_letter

from cornerrun.report.cell_text import cell_text, looks_like_formula

__all__ = ["MAX_ROWS", "RowStream", "Styled"]

# Rows of a sheet: ECMA-376 leaves it open; 2^20 is what the common programs take.
MAX_ROWS = 1_048_576
_MOST_TEXTS, _LONGEST_TEXT = 20_000, 500  # chosen: some MB, and far more names than a board has
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
        texts = _Texts()
        buffer: list[str] = []
        number = self.first_row - 1
        for number, row in enumerate(self.rows, start=self.first_row):
            if number >= self.first_row + self.count or number > MAX_ROWS:
                raise ValueError(f"{self.sheet}: more rows than the {self.count} announced or than {MAX_ROWS}")
            buffer.append(f'<row r="{number}">')
            for (opening, style, quoted), value in zip(columns, row, strict=True):
                # A million rows have tens of millions of cells: the two commonest kinds are told right here.
                if value is None:
                    buffer.append(f"{opening}{number}{style}/>")
                elif type(value) is float and isfinite(value):
                    buffer.append(f"{opening}{number}{style}><v>{value!r}</v></c>")
                else:
                    buffer.append(f"{opening}{number}{texts.cell(style, quoted, value)}")
            buffer.append("</row>")
            if number % _ROWS_A_CHUNK == 0:
                yield "".join(buffer).encode()
                buffer.clear()
        if buffer:
            yield "".join(buffer).encode()


class _Texts:
    """Makes what follows the reference of a cell; names and words that come again are made once."""

    def __init__(self) -> None:
        self._made: dict[tuple[str, str], str] = {}

    def cell(self, style: str, quoted: str, value: object) -> str:
        kind = type(value)
        if isinstance(value, Styled):
            own = f'" s="{value.style}"'
            return f"{own}/>" if value.value is None else self.cell(own, own, value.value)
        if kind is int or (kind is float and isfinite(value)):  # type: ignore[arg-type] # kind has told
            return f"{style}><v>{value!r}</v></c>"
        if kind is bool:
            return f'{style} t="b"><v>{int(value)}</v></c>'  # type: ignore[call-overload] # kind has told
        key = (style, str(value))
        made = self._made.get(key)
        if made is None:
            made = _text(style, quoted, str(value))
            if len(self._made) < _MOST_TEXTS and len(made) < _LONGEST_TEXT:
                self._made[key] = made
        return made


def _text(style: str, quoted: str, value: str) -> str:
    text = cell_text(value)
    chosen = quoted if looks_like_formula(text) else style
    return f'{chosen} t="inlineStr"><is><t xml:space="preserve">{escape(text)}</t></is></c>'
