"""The map of corners as the page shows it: rows with names, outcome, a button a visit, and the strip of rails."""

from collections import Counter
from collections.abc import Mapping, Sequence

from cornerrun.plan.model import NOMINAL, Plan
from cornerrun.report.drawing import Drawing, Shape
from cornerrun.report.figures.corner_map import MapCell, map_cells, map_strip, pitch_of
from cornerrun.report.looks import ink_of, symbol_of
from cornerrun.report.page.document import safe
from cornerrun.report.summary_model import CornerSummary, Summary
from cornerrun.report.svg import to_svg
from cornerrun.results.records import Outcome, RunData

__all__ = ["map_rows"]

_LEGEND = (
    (MapCell(share=1.0, outcome=Outcome.PASS), "above nominal"),
    (MapCell(share=0.0, outcome=Outcome.PASS), "nominal"),
    (MapCell(share=-1.0, outcome=Outcome.PASS), "below nominal"),
    (MapCell(share=1.0, outcome=Outcome.FAIL_VOLTAGE), "this rail failed"),
    (MapCell(share=1.0, outcome=Outcome.DISPUTED), "bench trouble on this rail"),
    (MapCell(share=1.0, outcome=Outcome.NOT_RUN), "not measured"),
)
_MOST_VISITS = 20  # chosen: two lines of a row
_Visit = dict[str, object]


def map_rows(plan: Plan, summary: Summary, data: RunData) -> Mapping[str, object]:
    """Gather what the template of the map needs."""
    pitch = pitch_of(len(plan.rails))
    width = pitch * max(len(plan.rails), 1)
    cells = map_cells(plan, summary, data)
    visits: dict[str, list[_Visit]] = {}
    for index, record in enumerate(data.visits):
        visit = record.visit
        kind = "control point" if visit.is_control else "visit"
        why = f": {visit.reason[:300]}" if visit.reason else ""
        visits.setdefault(visit.corner, []).append(
            {
                "index": index,
                "symbol": symbol_of(visit.outcome),
                "ink": ink_of(visit.outcome),
                "word": visit.outcome.value,
                "told": f"{kind} {visit.ordinal} at {visit.corner[:200]}, {visit.outcome.value}{why}",
                "is_first": False,
            }
        )
    rows = []
    block, is_first = "", True
    for corner in _by_conditions(summary.corners):
        own = visits.get(corner.name, [])
        shown, folded = _split(own)
        if shown and is_first:
            shown[0]["is_first"], is_first = True, False
        named = _conditions(corner)
        rows.append(
            {
                "name": corner.name,
                "block": named if named != block else "",
                "symbol": symbol_of(corner.outcome),
                "word": corner.outcome.value,
                "ink": ink_of(corner.outcome),
                "reason": corner.reason[:1000],
                "off": _off(plan, cells[corner.name]),
                "find": " ".join((corner.name, corner.scheme, corner.reason, corner.outcome.value)).lower()[:2000],
                "visits": shown,
                "folded": folded,
                "more": _more(folded),
                "trials": f"{corner.failures} of {corner.trials}" if corner.trials else "",
                "margin": "" if corner.worst_distance_v is None else f"{corner.worst_distance_v * 1e3:+.1f} mV",
                "told": _told(corner),
                "strip": _svg(map_strip(cells[corner.name], pitch=pitch), width, 20.0),
            }
        )
        block = named
    return {
        "rows": rows,
        "rails": [rail.name for rail in plan.rails],
        "width": f"{width:g}",
        "outcomes": [
            {
                "word": outcome.value,
                "ink": ink_of(outcome),
                "symbol": symbol_of(outcome),
                "count": sum(corner.outcome is outcome for corner in summary.corners),
            }
            for outcome in Outcome
            if any(corner.outcome is outcome for corner in summary.corners)
        ],
        "legend": [{"svg": _svg(map_strip((cell,), pitch=18.0), 18.0, 20.0), "text": text} for cell, text in _LEGEND],
    }


def _split(visits: Sequence[_Visit]) -> tuple[Sequence[_Visit], Sequence[_Visit]]:
    """Choose the visits of a corner that a row shows, those that did not pass before others, and those it folds."""
    if len(visits) <= _MOST_VISITS:
        return visits, ()
    telling = sorted(visits, key=lambda visit: visit["word"] == Outcome.PASS)[:_MOST_VISITS]
    chosen = {visit["index"] for visit in telling}
    shown = [visit for visit in visits if visit["index"] in chosen]
    return shown, [visit for visit in visits if visit["index"] not in chosen]


def _more(folded: Sequence[_Visit]) -> str:
    counts = Counter(str(visit["word"]) for visit in folded)
    if len(counts) == 1:
        return f"and {len(folded)} more, all {folded[0]['word']}"
    return f"and {len(folded)} more: " + ", ".join(f"{count} {word}" for word, count in counts.items())


def _conditions(corner: CornerSummary) -> str:
    return ", ".join(f"{name} {level}" for name, level in corner.condition_levels.items())


def _by_conditions(corners: Sequence[CornerSummary]) -> Sequence[CornerSummary]:
    """Put corners at the same conditions together, in the order in which these come first; control points last."""
    places = {named: place for place, named in enumerate(dict.fromkeys(map(_conditions, corners)))}
    return sorted(corners, key=lambda corner: places[_conditions(corner)])


def _off(plan: Plan, cells: Sequence[MapCell]) -> str:
    """Name the rails that are off nominal there, by their place in the plan."""
    return " ".join(str(index) for index, _ in enumerate(plan.rails) if cells[index].share)


def _told(corner: CornerSummary) -> str:
    moved = [f"{rail} {level}" for rail, level in corner.levels.items() if level != NOMINAL]
    return ", ".join(moved)[:600] or "every rail at nominal"


def _svg(shapes: Sequence[Shape], width: float, height: float) -> object:
    return safe(to_svg(Drawing(width=width, height=height, shapes=tuple(shapes)), is_stretched=True))
