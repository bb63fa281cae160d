"""The sheet Interaction: which rail moves which, from the wiring proof that the store keeps."""

from collections.abc import Iterator, Sequence

from openpyxl.utils import get_column_letter

from cornerrun.report.book import Book, Column
from cornerrun.report.looks import Style
from cornerrun.report.summary_model import Summary

__all__ = ["fill_interaction"]

_GUIDE = "Wiring proof: a row a rail that was stepped alone, by what share of that step each rail moved along."
_PAIR = (
    Column(head="Rail stepped", width=26),
    Column(head="Step", style=Style.MILLIVOLTS, width=14),
    Column(head="Rail that moved", width=26),
    Column(head="Moved", style=Style.MILLIVOLTS, width=14),
    Column(head="Share of the step", style=Style.SIGNED_PERCENT, width=13),
    Column(head="Read by", width=12),
    Column(head="Trouble", style=Style.WRAPPED, width=70),
)
_NONE = "no wiring proof was made: `proof:` in the plan steps each rail alone and watches all others"


def fill_interaction(book: Book, summary: Summary) -> None:
    """Fill the sheet: a row a pair, which a pivot table can take, and the matrix to its right."""
    page = book.page_or_further("cr_interaction", "Interaction", _GUIDE)
    if not summary.proof:
        page.put(page.row, page.column, _NONE, Style.TEXT)
        return
    page.widths(page.column, [item.width for item in _PAIR])
    page.height(page.row, 30)
    pairs = page.table(page.row, page.column, _PAIR, _pairs(summary))
    page.freeze(pairs, columns=1, name="t_interaction")
    right = page.column + len(_PAIR) + 1
    moved = tuple(dict.fromkeys(item.rail for row in summary.proof for item in row.couplings))
    columns = (
        Column(head="stepped, below; moved, right", width=26),
        *(Column(head=rail, style=Style.MAP_NOMINAL, width=6, is_turned=True) for rail in moved),
    )
    matrix = list(_matrix(summary, moved))
    page.table(page.row, right, columns, matrix)
    for row, cells in enumerate(matrix, start=page.row + 1):
        for column, share in enumerate(cells[1:], start=right + 1):
            if isinstance(share, float) and share:
                page.restyle(row, column, Style.MAP_HIGH if share > 0 else Style.MAP_LOW)
    page.widths(right, [item.width for item in columns])
    page.height(page.row, 14 + 5.2 * min(40, max(map(len, moved), default=0)))
    page.sheet.print_area = f"A1:{get_column_letter(right + len(moved))}{pairs.last_row}"


def _pairs(summary: Summary) -> Iterator[Sequence[object]]:
    for row in summary.proof:
        for number, item in enumerate(row.couplings):
            yield (
                row.rail,
                row.step_v * 1e3,
                item.rail,
                item.moved_v * 1e3,
                item.share,
                "meter" if item.is_by_meter else "device",
                "; ".join(row.troubles) if number == 0 and row.troubles else None,
            )


def _matrix(summary: Summary, moved: Sequence[str]) -> Iterator[Sequence[object]]:
    """Give shares in per cent, as the style of maps shows them: nothing moved is a dot."""
    for row in summary.proof:
        shares = {item.rail: 100 * item.share for item in row.couplings}
        yield (row.rail, *(round(shares[rail], 1) if rail in shares else None for rail in moved))
