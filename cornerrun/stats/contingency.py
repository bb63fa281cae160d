"""Two shares of two rows of counts: exact tests of whether they differ."""

from collections.abc import Sequence
from typing import Literal

from cornerrun.stats.interval import checked_count

__all__ = ["barnard_p_value", "fisher_p_value"]

Alternative = Literal["two-sided", "less", "greater"]


def fisher_p_value(table: Sequence[Sequence[float]], *, alternative: Alternative = "two-sided") -> float:
    """Test a 2 x 2 table with its margins held fixed (Fisher); exact, and careful with small counts.

    "greater" means that the first cell is larger than chance allows. A row or a column of zeros tells nothing: 1.
    """
    from scipy import stats

    return float(stats.fisher_exact(_checked(table), alternative=alternative).pvalue)


def barnard_p_value(table: Sequence[Sequence[float]], *, is_pooled: bool = True) -> float:
    """Test a 2 x 2 table whose columns, not its rows, were fixed beforehand (Barnard); sharper than Fisher's.

    ``is_pooled`` chooses the statistic: the two disagree, so state which.
    """
    from scipy import stats

    cells = _checked(table)
    if any(cells[0][i] + cells[1][i] == 0 for i in (0, 1)) or any(sum(row) == 0 for row in cells):
        return 1.0
    return min(1.0, float(stats.barnard_exact(cells, pooled=is_pooled).pvalue))


def _checked(table: Sequence[Sequence[float]]) -> list[list[int]]:
    cells = [[checked_count("a cell", cell) for cell in row] for row in table]
    if [len(row) for row in cells] != [2, 2]:
        raise ValueError("a table has two rows of two cells")
    return cells
