"""Faults over the run: when, which rail began, which followed; other anomalies as ticks."""

from collections.abc import Mapping

from cornerrun.report.drawing import Drawing, Ink, Label, Line, Mark, MarkKind
from cornerrun.report.figures.rows import RowPlot
from cornerrun.report.summary_model import Summary
from cornerrun.results.records import Fault, RunData

__all__ = ["all_faults", "fault_timeline"]

_MOST_ROWS = 40
_SIGNS: Mapping[str, MarkKind] = {"error": "square", "warning": "triangle", "note": "dot"}


def all_faults(data: RunData) -> tuple[tuple[Fault, str], ...]:
    """List every fault with the corner where it happened, in order of time."""
    found = [(fault, record.visit.corner) for record in data.visits for fault in record.faults]
    return tuple(sorted(found, key=lambda item: item[0].at_s))


def fault_timeline(summary: Summary, data: RunData) -> Drawing | None:
    """Draw one row a rail that faults have touched, and one for all other anomalies; None if nothing happened."""
    faults = all_faults(data)
    others = [item for item in summary.anomalies if item.at_s is not None]
    if not faults and not others:
        return None
    rails: dict[str, None] = {}
    for fault, _ in faults:
        rails.update(dict.fromkeys((fault.originator, *fault.followers)))
    names = list(rails)[:_MOST_ROWS]
    rows = {name: row for row, name in enumerate(names)}
    end_s = max(
        [record.visit.end_s for record in data.visits]
        + [fault.at_s for fault, _ in faults]
        + [item.at_s for item in others if item.at_s is not None],
        default=1.0,
    )
    plot = RowPlot(
        names=[*names, "anything else"],
        low=0.0,
        high=max(end_s * 1.02, 1e-3),
        axis="seconds since the run began; square: where a fault began, ring: who followed",
    )
    for fault, corner in faults:
        x = plot.x(fault.at_s)
        touched = [rows[name] for name in (fault.originator, *fault.followers) if name in rows]
        if len(touched) > 1:
            points = ((x, plot.y(min(touched))), (x, plot.y(max(touched))))
            plot.add(Line(points=points, stroke=Ink.SOFT))
        if fault.originator in rows:
            hint = f"{fault.kind} at {fault.at_s:.3f} s, corner {corner[:100]}: {fault.why[:200]}"
            plot.mark(
                rows[fault.originator],
                fault.at_s,
                Mark(x=0, y=0, ink=Ink.FAILED, kind="square", size=9, hint=hint),
            )
        for name in fault.followers:
            if name in rows:
                plot.mark(rows[name], fault.at_s, Mark(x=0, y=0, ink=Ink.INK, kind="ring", size=9))
    for item in others:
        ink = {"error": Ink.FAILED, "warning": Ink.TROUBLE}.get(item.severity, Ink.NOT_RUN)
        hint = f"{item.kind} at {item.at_s:.3f} s: {item.text[:200]}"
        plot.mark(len(names), item.at_s or 0.0, Mark(x=0, y=0, ink=ink, kind=_SIGNS[item.severity], size=8, hint=hint))
    if len(rails) > len(names):
        plot.add(Label(x=plot.left, y=plot.top + 10, text=f"and {len(rails) - len(names)} more rails", size=10))
    return plot.drawing(title="Faults", about=f"{len(faults)} faults and {len(others)} anomalies over the run")
