"""Comparisons for the terminal."""

from collections.abc import Iterator

from cornerrun.report.comparing.boards_nouns import BoardsSummary
from cornerrun.report.comparing.boards_tables import chart_table, outlier_table, yield_table
from cornerrun.report.comparing.compare_tables import (
    check_changes,
    corner_changes,
    differences,
    margin_changes,
    trim_changes,
)
from cornerrun.report.comparing.nouns import RunComparison
from cornerrun.report.page.tables import PageTable
from cornerrun.report.text_table import one_line, table

__all__ = ["boards_text", "comparison_text"]

_WIDTH = 140
_MOST_ROWS = 15


def comparison_text(comparison: RunComparison) -> str:
    """Write a comparison as plain lines."""
    a, b = comparison.a.header, comparison.b.header
    worse = comparison.worse
    lines = [
        f"before  {a.run_id}  {a.serial}, {a.board_name} {a.board_revision}, {comparison.a.result}",
        f"now     {b.run_id}  {b.serial}, {b.board_name} {b.board_revision}, {comparison.b.result}",
        "",
        f"■ {len(worse)} got worse:" if worse else "▲ nothing is shown to have got worse",
        *(f"  - {item}" for item in worse[:_MOST_ROWS]),
    ]
    if len(worse) > _MOST_ROWS:
        lines.append(f"  and {len(worse) - _MOST_ROWS} more")
    for title, made in (
        ("What differs about the runs", differences(comparison)),
        ("Corners", corner_changes(comparison)),
        ("Checks at corners", check_changes(comparison)),
        ("Trim error", trim_changes(comparison)),
        ("Smallest margins", margin_changes(comparison)),
    ):
        lines += _block(title, made)
    lines += ["", "Cautions", *(f"  - {text}" for text in comparison.cautions)]
    return "\n".join(one_line(line) for line in lines)


def boards_text(summary: BoardsSummary) -> str:
    """Write many runs together as plain lines."""
    total = summary.total
    lines = [
        f"{summary.boards} boards in {summary.runs} runs",
        (
            f"first pass: {total.first_passed} of {total.first_boards}; final: {total.final_passed} of "
            f"{total.final_boards}; {total.recovered} passed only later"
        ),
    ]
    for title, made in (
        ("Yield over boards", yield_table(summary)),
        ("Trim error over boards", chart_table(summary)),
        ("Outliers", outlier_table(summary)),
    ):
        lines += _block(title, made)
    if summary.cautions:
        lines += ["", "Cautions", *(f"  - {text}" for text in summary.cautions)]
    return "\n".join(one_line(line) for line in lines)


def _block(title: str, made: PageTable) -> Iterator[str]:
    if not made.rows:
        return
    yield ""
    yield title
    rows = [[cell.text for cell in row] for row in made.rows[:_MOST_ROWS]]
    yield from (f"  {line}" for line in table(made.heads, rows, width=_WIDTH))
    if len(made.rows) > _MOST_ROWS:
        yield f"  and {len(made.rows) - _MOST_ROWS} more"
