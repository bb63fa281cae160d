"""Live formulas that programs of every make evaluate alike, each with the value that Python finds.

Names come from a plan, so no function here takes one for a pattern: COUNTIF and SUMIF would read "*" or ">5" so.
"""

from collections.abc import Sequence

from cornerrun.report.blocks import Block, Formula

__all__ = [
    "at_least",
    "count_words",
    "exact_count",
    "exact_sum",
    "kth_smallest",
    "largest",
    "look_up",
    "non_empty",
    "of_matching",
    "signed_worst",
    "sum_of_rows",
    "total",
]


# Farther out than any number of a report, and still one that every program reads.
_NEVER = {"MIN": ",9E+307", "MAX": ",-9E+307"}


def count_words(blocks: Sequence[Block], *pairs: tuple[str, str], cached: int) -> Formula:
    """Count the rows in which each column holds its word; words are the report's own, never a name."""
    counts = []
    for block in blocks:
        terms = ",".join(f'{block.cells(head)},"{word}"' for head, word in pairs)
        counts.append(f"COUNTIFS({terms})")
    return Formula(text="+".join(counts), cached=cached)


def non_empty(blocks: Sequence[Block], head: str, *, cached: int) -> Formula:
    """Count the numbers in a column, over every sheet that it goes on in."""
    return Formula(text="+".join(f"COUNT({block.cells(head)})" for block in blocks), cached=cached)


def exact_sum(block: Block, name_head: str, cell: str, head: str, *, cached: int) -> Formula:
    """Sum a column over the rows whose name is that in a cell, letter by letter."""
    return Formula(text=f"SUMPRODUCT(EXACT({block.cells(name_head)},{cell})*{block.cells(head)})", cached=cached)


def total(block: Block, head: str, *, cached: int) -> Formula:
    """Sum a column."""
    return Formula(text=f"SUM({block.cells(head)})", cached=cached)


def largest(block: Block, head: str, *, cached: float) -> Formula:
    """Find the largest number of a column; the caller knows that there is one."""
    return Formula(text=f"MAX({block.cells(head)})", cached=cached)


def kth_smallest(block: Block, head: str, k: int, *, cached: float) -> Formula:
    """Find the k-th smallest number of a column, k from 1; the caller knows that there are so many."""
    return Formula(text=f"SMALL({block.cells(head)},{k})", cached=cached)


def signed_worst(block: Block, head: str, *, cached: float) -> Formula:
    """Find the number of a column that is farthest from zero, with its sign."""
    cells = block.cells(head)
    return Formula(text=f"IF(MAX({cells})>=-MIN({cells}),MAX({cells}),MIN({cells}))", cached=cached)


def look_up(block: Block, head: str, *, key_head: str, cell: str, cached: float | str) -> Formula:
    """Find what stands in the first row whose number is that in a cell."""
    return Formula(text=f"INDEX({block.cells(head)},MATCH({cell},{block.cells(key_head)},0))", cached=cached)


def sum_of_rows(blocks: Sequence[Block], head: str, rows: tuple[int, int], *, cached: int) -> Formula:
    """Sum the rows of a column that stand together: from one to another, counted from 0 over all sheets."""
    parts = []
    before = 0
    for block in blocks:
        first_row, last_row = (block.first_row + row - before for row in rows)
        first_row, last_row = max(first_row, block.first_row), min(last_row, block.last_row)
        if first_row <= last_row:
            sheet, letter = block.cells(head).rpartition("!")[0], block.letter(head)
            parts.append(f"{sheet}!${letter}${first_row}:${letter}${last_row}")
        before += block.last_row - block.first_row + 1
    return Formula(text=f"SUM({','.join(parts)})", cached=cached)


def exact_count(
    blocks: Sequence[Block],
    name_head: str,
    cell: str,
    *words: tuple[str, str],
    head: str | None = None,
    cached: float,
) -> Formula:
    """Count the rows of a name, letter by letter, in which columns hold words; or sum a column over them."""
    counts = []
    for block in blocks:
        terms = [f"EXACT({block.cells(name_head)},{cell})"]
        terms += [f'({block.cells(column)}="{word}")' for column, word in words]
        # A comma, not a product: text or nothing in the column counts as nothing.
        summed = "" if head is None else f",{block.cells(head)}"
        counts.append(f"SUMPRODUCT(1*{'*'.join(terms)}{summed})")
    return Formula(text="+".join(counts), cached=cached)


def of_matching(
    function: str,
    blocks: Sequence[Block],
    keys: Sequence[tuple[str, str]],
    head: str,
    *,
    words: Sequence[tuple[str, str]] = (),
    cached: float,
) -> Formula:
    """Apply a function (MIN, MAX, AVERAGE, COUNT) to the numbers of a column in the rows that match.

    In these, columns of ``keys`` equal cells, and columns of ``words`` hold those ("": nothing). The caller knows that
    there is such a row.
    """
    # LibreOffice takes the least of no numbers for 0 where a sheet holds no such row.
    otherwise = _NEVER.get(function, "") if len(blocks) > 1 else ""
    parts = []
    for block in blocks:
        tests = "*".join(
            (
                *(f"EXACT({block.cells(name)},{cell})" for name, cell in keys),
                *(f'({block.cells(name)}="{word}")' for name, word in words),
            )
        )
        parts.append(f"IF({tests}*ISNUMBER({block.cells(head)}),{block.cells(head)}{otherwise})")
    return Formula(text=f"{function}({','.join(parts)})", cached=cached, is_array=True)


def at_least(block: Block, head: str, by: str, key: tuple[str, str], *, cached: float) -> Formula:
    """Find what stands in the row of a name in which another column is smallest."""
    chosen = f"IF(EXACT({block.cells(key[0])},{key[1]})*ISNUMBER({block.cells(by)}),{block.cells(by)})"
    return Formula(text=f"INDEX({block.cells(head)},MATCH(MIN({chosen}),{chosen},0))", cached=cached, is_array=True)
