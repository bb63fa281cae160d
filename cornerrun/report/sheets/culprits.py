"""The sheet Culprits: who may be to blame for what failed, by what evidence, and the corner to run next."""

from collections.abc import Iterable, Iterator, Sequence

from cornerrun.report.analysis_nouns import CulpritSummary
from cornerrun.report.book import Book, Column
from cornerrun.report.looks import Style
from cornerrun.report.summary_model import Summary

__all__ = ["fill_culprits"]

_WORDS = (
    Column(head="What failed", width=22),
    Column(head="Corners failed", style=Style.COUNT, width=12),
    Column(head="of corners", style=Style.COUNT, width=12),
    Column(head="What the corners say", style=Style.WRAPPED, width=64),
    Column(head="Corner to run next", style=Style.WRAPPED, width=34),
    Column(head="since", style=Style.WRAPPED, width=30),
)
_SUSPECTS = (
    Column(head="What failed", width=22),
    Column(head="Failing corners with it", style=Style.COUNT, width=12),
    Column(head="of failing corners", style=Style.COUNT, width=12),
    Column(head="Suspect, in no passing corner", style=Style.WRAPPED, width=64),
)
_TRIALS = (
    Column(head="What failed", width=22),
    Column(head="Failed with it", style=Style.COUNT, width=12),
    Column(head="of trials", style=Style.COUNT, width=12),
    Column(head="Fails more often with", style=Style.WRAPPED, width=64),
    Column(head="Failed without, of trials", width=34),
    Column(head="p, adjusted for all looked at", style=Style.NUMBER, width=30),
)
_EFFECTS = (
    Column(head="What failed", width=22),
    Column(head="Corners failed with it", style=Style.COUNT, width=12),
    Column(head="of corners with it", style=Style.COUNT, width=12),
    Column(head="Rail at level", style=Style.WRAPPED, width=64),
    Column(head="Failed without, of corners", width=34),
    Column(head="p (Fisher), adjusted for all rails and levels (Holm)", style=Style.NUMBER, width=30),
)


def fill_culprits(book: Book, summary: Summary) -> None:
    """Fill the sheet: what the corners say first, then the evidence behind it."""
    page = book.page("cr_culprits")
    page.widths(page.column, [item.width for item in _WORDS])
    row = page.row
    if not summary.culprits:
        page.put(row, page.column, "nothing failed at any corner: there is no culprit to look for", Style.TEXT)
        return
    parts: tuple[tuple[str, Sequence[Column], Iterable[Sequence[object]]], ...] = (
        ("What the corners say", _WORDS, _words(summary)),
        ("Suspects by elimination", _SUSPECTS, _suspects(summary)),
        ("Evidence by trials", _TRIALS, _trials(summary)),
        ("Rails taken one at a time", _EFFECTS, _effects(summary)),
    )
    for title, columns, rows in parts:
        cells = list(rows)
        if not cells:
            continue
        page.span(row, page.column, title, Style.BLOCK, columns=len(_WORDS))
        page.height(row, 24)
        page.height(row + 1, 30)
        block = page.table(row + 1, page.column, columns, cells)
        row = block.last_row + 2


def _words(summary: Summary) -> Iterator[Sequence[object]]:
    for item in summary.culprits:
        yield item.what, item.failing_corners, item.corners, "\n".join(item.words), _next(item), item.next_why or None


def _next(item: CulpritSummary) -> str | None:
    if item.next_corner is None:
        return None
    off = [f"{name} {level}" for name, level in item.next_corner.items() if level != "nominal"]
    return f"{', '.join(off) or 'nominal'}; all else nominal"


def _suspects(summary: Summary) -> Iterator[Sequence[object]]:
    for item in summary.culprits:
        for suspect in item.suspects:
            yield item.what, suspect.failing, suspect.failing_total, _name(suspect.combination)


def _trials(summary: Summary) -> Iterator[Sequence[object]]:
    for item in summary.culprits:
        for found in item.likely:
            without = f"{found.failures_without} of {found.trials_without}"
            yield (
                item.what,
                found.failures_with,
                found.trials_with,
                _name(found.combination),
                without,
                _rounded(found.p_value),
            )


def _effects(summary: Summary) -> Iterator[Sequence[object]]:
    for item in summary.culprits:
        for effect in item.effects:
            without = f"{effect.failed_without} of {effect.n_without}"
            yield (
                item.what,
                effect.failed_with,
                effect.n_with,
                f"{effect.rail} {effect.level}",
                without,
                _rounded(effect.holm),
            )


def _rounded(p_value: float) -> float:
    """Keep two digits of a p-value: more would claim too much."""
    return float(f"{p_value:.2g}")


def _name(combination: Iterable[tuple[str, str]]) -> str:
    return " with ".join(f"{rail} {level}" for rail, level in combination)
