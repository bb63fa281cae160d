"""The sheet Checks: what the trials of each check show at each corner, counted, bounded and decided live."""

from collections.abc import Iterator, Sequence

from openpyxl.utils import get_column_letter

from cornerrun.plan.model import Demonstrate, Plan
from cornerrun.report.book import Block, Book, Column, Formula, Page
from cornerrun.report.looks import Style, marked, style_of
from cornerrun.report.sheets.live import sum_of_rows
from cornerrun.report.sheets.sources import Sources
from cornerrun.report.summary_model import CheckCorner, Summary
from cornerrun.results.decision import Decision, criterion_of
from cornerrun.results.records import Outcome

__all__ = ["fill_checks"]

_CHECK = (
    Column(head="Check", width=22),
    Column(head="Corner", style=Style.WRAPPED, width=34),
    Column(head="Decision", width=17),
    Column(head="Trials", style=Style.COUNT, width=8),
    Column(head="Failed", style=Style.COUNT, width=8),
    Column(head="No verdict", style=Style.COUNT, width=8),
    Column(head="Share passed", style=Style.SHARE, width=9),
    Column(head="Interval from", style=Style.SHARE, width=9),
    Column(head="to", style=Style.SHARE, width=9),
    Column(head="at confidence", style=Style.SHARE, width=10),
    Column(head="One-sided bound from below", style=Style.SHARE, width=11),
    Column(head="from above", style=Style.SHARE, width=10),
    Column(head="Outcome", width=18),
    Column(head="Visits", style=Style.COUNT, width=7),
    Column(head="Criterion", style=Style.WRAPPED, width=56),
    Column(head="Why", style=Style.WRAPPED, width=32),
    Column(head="Asked: pass probability", style=Style.SHARE, width=11),
    Column(head="Asked: confidence", style=Style.SHARE, width=11),
    Column(head="Asked: failed at most", style=Style.COUNT, width=11),
    Column(head="Asked: trials", style=Style.COUNT, width=9),
)
_TIE = 1e-12  # of `cornerrun.stats.proportions.demonstration`: a bound that meets the claim to rounding has met it


def fill_checks(book: Book, summary: Summary, plan: Plan, sources: Sources) -> Block:
    """Fill the sheet; return where its rows lie."""
    page = book.page("cr_checks")
    page.widths(page.column, [item.width for item in _CHECK])
    page.height(page.row, 42)
    block = page.table(page.row, page.column, _CHECK, _check_rows(page, summary, plan, sources))
    for row, item in enumerate(summary.checks, start=block.first_row):
        told = item.decision if item.outcome is not Outcome.NOT_RUN else item.outcome
        page.restyle(row, page.column + 2, style_of(told))
    page.freeze(block, columns=3, name="t_checks")
    return block


def _check_rows(page: Page, summary: Summary, plan: Plan, sources: Sources) -> Iterator[Sequence[object]]:
    asked = {check.name: check.trials for check in plan.checks}
    for row, item in enumerate(summary.checks, start=page.row + 1):
        live = _Row(page, row, item)
        criterion = criterion_of(plan, item.check)
        is_demonstration = isinstance(criterion, Demonstrate)
        group = sources.trials.groups.get((item.check, item.corner))
        yield (
            item.check,
            item.corner,
            live.decision(is_demonstration=is_demonstration) if item.outcome is not Outcome.NOT_RUN else item.outcome,
            *(
                cached if group is None else sum_of_rows(sources.trials.rows, head, group, cached=cached)
                for head, cached in (
                    ("Trials", item.trials),
                    ("Failed", item.failures),
                    ("No verdict", item.no_verdict),
                )
            ),
            live.share(),
            *live.interval(),
            item.pass_probability.confidence,
            *live.bounds(),
            item.outcome,
            item.visits,
            item.criterion,
            item.reason or None,
            criterion.pass_probability if isinstance(criterion, Demonstrate) else None,
            criterion.confidence if isinstance(criterion, Demonstrate) else None,
            None if isinstance(criterion, Demonstrate) else criterion.failures,
            None if is_demonstration else max(1, asked.get(item.check, 1)),
        )


class _Row:
    """The live formulas of one row. Bounds are Clopper-Pearson's, by the inverse of the beta distribution."""

    def __init__(self, page: Page, row: int, item: CheckCorner) -> None:
        heads = [column.head for column in _CHECK]
        self._at = {head: f"{get_column_letter(page.column + index)}{row}" for index, head in enumerate(heads)}
        self._item = item
        self._trials, self._failed = self._at["Trials"], self._at["Failed"]
        self._passed = f"({self._trials}-{self._failed})"

    def share(self) -> Formula:
        item = self._item
        return Formula(
            text=f'IF({self._trials}=0,"",1-{self._failed}/{self._trials})',
            cached=1 - item.failures / item.trials if item.trials else "",
        )

    def interval(self) -> tuple[Formula, Formula]:
        tail = f"(1-{self._at['at confidence']})/2"
        found, has_trials = self._item.pass_probability, self._item.trials > 0
        low = f'IF({self._trials}=0,"",{self._lower(tail)})'
        high = f'IF({self._trials}=0,"",{self._upper(tail)})'
        return (
            Formula(text=low, cached=found.low if has_trials else ""),
            Formula(text=high, cached=found.high if has_trials else ""),
        )

    def bounds(self) -> tuple[Formula | None, Formula | None]:
        item = self._item
        if item.lower_bound is None or item.upper_bound is None:
            return None, None
        tail = f"(1-{self._at['Asked: confidence']})"
        low, high = f"IF({self._trials}=0,0,{self._lower(tail)})", f"IF({self._trials}=0,1,{self._upper(tail)})"
        return Formula(text=low, cached=item.lower_bound), Formula(text=high, cached=item.upper_bound)

    def decision(self, *, is_demonstration: bool) -> Formula:
        at, word = self._at, {decision: f'"{marked(decision)}"' for decision in Decision}
        if is_demonstration:
            claim = at["Asked: pass probability"]
            text = (
                f"IF({at['One-sided bound from below']}>={claim}*(1-{_TIE}),{word[Decision.DEMONSTRATED]},"
                f"IF({at['from above']}<{claim},{word[Decision.REFUTED]},{word[Decision.OPEN]}))"
            )
        else:
            text = (
                f"IF({self._failed}>{at['Asked: failed at most']},{word[Decision.NOT_MET]},"
                f"IF(OR({at['No verdict']}>0,{self._trials}<{at['Asked: trials']}),"
                f"{word[Decision.OPEN]},{word[Decision.MET]}))"
            )
        return Formula(text=text, cached=marked(self._item.decision))

    def _lower(self, tail: str) -> str:
        return f"IF({self._passed}=0,0,BETAINV({tail},{self._passed},{self._failed}+1))"

    def _upper(self, tail: str) -> str:
        return f"IF({self._failed}=0,1,BETAINV(1-{tail},{self._passed}+1,{self._failed}))"
