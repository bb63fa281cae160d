"""What failed most, and where: visits and trials by cause, the most frequent first."""

from dataclasses import dataclass
from typing import Literal

from cornerrun.report.drawing import Drawing, Ink, Label
from cornerrun.report.figures.rows import RowPlot
from cornerrun.results.records import Outcome, RunData

__all__ = ["Cause", "causes", "pareto"]

_MOST_ROWS = 20


@dataclass(frozen=True, kw_only=True, slots=True)
class Cause:
    """One cause of visits that did not pass: a check or a rail with its outcome; ``corners`` that it was met at."""

    name: str
    outcome: Outcome
    whose: Literal["product", "bench"]
    visits: int
    corners: tuple[str, ...]


def causes(data: RunData) -> tuple[Cause, ...]:
    """Count visits that did not pass by cause; a visit counts once for every cause that it shows."""
    found: dict[tuple[str, Outcome], dict[str, int]] = {}
    for record in data.visits:
        visit = record.visit
        if visit.is_void or not (visit.outcome.is_product_failure or visit.outcome.is_bench_trouble):
            continue
        told = {(fault.originator, Outcome.TRIPPED) for fault in record.faults}
        told |= {(item.check, item.outcome) for item in record.checks if _counts(item.outcome)}
        told |= {
            (item.rail, item.outcome)
            for item in record.readings
            if _counts(item.outcome) and not (item.outcome is Outcome.TRIPPED and record.faults)
        }
        for key in told or {("the visit as a whole", visit.outcome)}:
            corners = found.setdefault(key, {})
            corners[visit.corner] = corners.get(visit.corner, 0) + 1
    made = [
        Cause(
            name=name,
            outcome=outcome,
            whose="product" if outcome.is_product_failure else "bench",
            visits=sum(corners.values()),
            corners=tuple(sorted(corners, key=lambda corner: -corners[corner])),
        )
        for (name, outcome), corners in found.items()
    ]
    return tuple(sorted(made, key=lambda cause: (cause.whose != "product", -cause.visits, cause.name)))


def pareto(data: RunData) -> Drawing | None:
    """Draw the causes; None if every visit passed."""
    found = causes(data)
    if not found:
        return None
    shown = found[:_MOST_ROWS]
    plot = RowPlot(
        names=[f"{cause.name}: {cause.outcome}" for cause in shown],
        low=0.0,
        high=max(cause.visits for cause in shown) * 1.15,
        axis="visits that show it (a visit may show several)",
        is_count=True,
    )
    for row, cause in enumerate(shown):
        plot.bar(row, 0, cause.visits, Ink.FAILED if cause.whose == "product" else Ink.TROUBLE)
        whose = "" if cause.whose == "product" else ", bench trouble"
        plot.add(
            Label(x=plot.x(cause.visits) + 5, y=plot.y(row) + 4, text=f"{cause.visits}{whose}", size=10.5, ink=Ink.INK)
        )
    return plot.drawing(title="Causes", about="Visits that did not pass, by cause, the most frequent first")


def _counts(outcome: Outcome) -> bool:
    return outcome.is_product_failure or outcome.is_bench_trouble
