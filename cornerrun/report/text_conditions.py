"""What is set besides rails, as plain text."""

from collections.abc import Iterable, Sequence

from cornerrun.report.condition_text import CHANGE_HEADS, KEPT_HEADS, change_row, kept_row
from cornerrun.report.summary_model import Summary
from cornerrun.report.text_table import table

__all__ = ["condition_lines"]


def condition_lines(summary: Summary, *, width: int, is_full: bool) -> list[str]:
    """Write how near conditions were kept, and in full each of their changes."""
    if not summary.conditions:
        return []
    lines = _table(KEPT_HEADS, map(kept_row, summary.conditions), width)
    if is_full and summary.condition_steps:
        lines += ["", *_table(CHANGE_HEADS, map(change_row, summary.condition_steps), width)]
    return lines


def _table(heads: Iterable[str], rows: Iterable[Sequence[str]], width: int) -> list[str]:
    return table([head.lower() for head in heads], [list(row) for row in rows], width=width)
