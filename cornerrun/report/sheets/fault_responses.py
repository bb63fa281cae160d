"""The sheet Fault responses: which rails went down when a fault was provoked; only where one was."""

from collections.abc import Iterator, Sequence

from cornerrun.report.book import Book, Column
from cornerrun.report.looks import Style
from cornerrun.report.summary_model import Summary
from cornerrun.results.fault_trial import FaultTrial

__all__ = ["fill_fault_responses"]

_GUIDE = "Provoked faults: a row a fault and rail, when it went down and came back; to the right the same as a matrix."
_ROW = (
    Column(head="Fault of", width=26),
    Column(head="Fault", width=16),
    Column(head="Rail", width=26),
    Column(head="Must go down", width=12),
    Column(head="Went down after", style=Style.SECONDS, width=13),
    Column(head="On again after", style=Style.SECONDS, width=13),
    Column(head="Asked within", style=Style.SECONDS, width=13),
    Column(head="Then", width=14),
    Column(head="As fine as", style=Style.SECONDS, width=13),
    Column(head="Difference", style=Style.WRAPPED, width=70),
)


def fill_fault_responses(book: Book, summary: Summary) -> None:
    """Add the sheet behind the others: a row a pair, which a pivot table can take, and the matrix to its right."""
    trials = summary.fault_trials
    if not trials:
        return
    page = book.further_page("Fault responses", _GUIDE)
    page.widths(page.column, [item.width for item in _ROW])
    page.height(page.row, 30)
    rows = [row for trial in trials for row in _rows(trial)]
    block = page.table(page.row, page.column, _ROW, rows)
    for place, row in enumerate(rows, start=page.row + 1):
        if row[-1]:
            page.restyle(place, page.column + len(_ROW) - 1, Style.CAUTION)
    page.freeze(block, columns=3, name="t_fault_responses")
    right = page.column + len(_ROW) + 1
    rails = tuple(dict.fromkeys(item.rail for trial in trials for item in trial.rails))
    columns = (
        Column(head="fault of, below; went down, right", width=34),
        *(Column(head=rail, style=Style.SECONDS, width=9, is_turned=True) for rail in rails),
    )
    page.table(page.row, right, columns, [_matrix_row(trial, rails) for trial in trials])
    page.widths(right, [item.width for item in columns])
    for place, trial in enumerate(trials, start=page.row + 1):
        for item in trial.rails:
            if item.difference:
                page.restyle(place, right + 1 + rails.index(item.rail), Style.FAILED)
    page.height(page.row, 14 + 5.2 * min(40, max(map(len, rails), default=0)))


def _rows(trial: FaultTrial) -> Iterator[Sequence[object]]:
    if trial.refused:
        refused = f"not provoked: {trial.refused}"
        yield (trial.rail, trial.fault, None, None, None, None, trial.within_s, trial.then, None, refused)
    for item in trial.rails:
        yield (
            trial.rail,
            trial.fault,
            item.rail,
            "yes" if item.must_go_down else "no",
            item.went_down_s,
            item.came_back_s,
            trial.within_s,
            trial.then,
            trial.resolution_s,
            item.difference or None,
        )


def _matrix_row(trial: FaultTrial, rails: Sequence[str]) -> Sequence[object]:
    went = {item.rail: item.went_down_s for item in trial.rails}
    return (f"{trial.rail}, {trial.fault}", *(went.get(rail) for rail in rails))
