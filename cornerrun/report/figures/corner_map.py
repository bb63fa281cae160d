"""The map of corners: a row a corner, a cell a rail, as a gauge that stands above, on or below its line.

A bar above the line is a rail above nominal, one below is below; its length says how far, of the farthest in the plan.
A rail that failed has its cell turned inside out, one that left a question a triangle: neither needs colour.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from cornerrun.plan.model import NOMINAL, Plan, Rail
from cornerrun.report.drawing import Box, Drawing, Ink, Label, Line, Mark, Shape, shortened, text_width
from cornerrun.report.looks import ink_of, mark_of
from cornerrun.report.summary_model import CornerSummary, Summary
from cornerrun.results.control import good_visits
from cornerrun.results.records import Outcome, RunData

__all__ = ["MapCell", "corner_map", "map_cells", "map_head", "map_strip", "pitch_of"]

_HEIGHT = 20.0
_ROOM = 7.5  # of a bar, above and below the line
_LEAST = 2.5
_WIDEST, _NARROWEST = 30.0, 11.0
_ALL = 620.0  # chosen: beside names of corners on a laptop
_MOST_LETTERS = 46


@dataclass(frozen=True, kw_only=True, slots=True)
class MapCell:
    """One rail at one corner: its level as a signed share of the farthest (0 at nominal), and its worst outcome."""

    share: float
    outcome: Outcome


def pitch_of(rails: int) -> float:
    """Tell how wide a cell is: the more rails, the narrower."""
    return min(_WIDEST, max(_NARROWEST, _ALL / max(rails, 1)))


def map_cells(plan: Plan, summary: Summary, data: RunData) -> Mapping[str, tuple[MapCell, ...]]:
    """Find the cells of every corner, in the plan's order of rails; the worst outcome over visits that count."""
    farthest = max((abs(_ratio(rail, level)) for rail in plan.rails for level in rail.levels), default=0.0) or 1.0
    order = {outcome: index for index, outcome in enumerate(Outcome)}
    worst: dict[tuple[str, str], Outcome] = {}
    for record in good_visits(plan, data.visits):
        for reading in record.readings:
            key = (record.visit.corner, reading.rail)
            if key not in worst or order[reading.outcome] < order[worst[key]]:
                worst[key] = reading.outcome
    found = {}
    for corner in summary.corners:
        levels = {rail.name: _level_of(rail, plan, corner) for rail in plan.rails}
        found[corner.name] = tuple(
            MapCell(
                share=_ratio(rail, levels[rail.name]) / farthest,
                outcome=worst.get((corner.name, rail.name), Outcome.NOT_RUN),
            )
            for rail in plan.rails
        )
    return found


def map_strip(cells: Sequence[MapCell], *, pitch: float, x: float = 0.0, y: float = 0.0) -> tuple[Shape, ...]:
    """Draw the cells of one corner."""
    middle = y + _HEIGHT / 2
    gap = 1.0
    grounds: list[Shape] = []
    bars: dict[Ink, list[Shape]] = {Ink.NOT_RUN: [], Ink.HIGH: [], Ink.LOW: []}
    inside: list[Shape] = []
    signs: list[Shape] = []
    for index, cell in enumerate(cells):
        left, width = x + index * pitch + gap, pitch - 2 * gap
        tall = max(_LEAST, abs(cell.share) * _ROOM) if cell.share else 1.2
        top = middle - tall if cell.share > 0 else middle if cell.share < 0 else middle - tall / 2
        is_met = cell.outcome not in {Outcome.NOT_RUN, Outcome.SKIPPED}
        ink = Ink.NOT_RUN if not is_met or not cell.share else Ink.HIGH if cell.share > 0 else Ink.LOW
        bar = Box(x=left + width * 0.15, y=top, width=width * 0.7, height=tall, fill=ink)
        if cell.outcome.is_product_failure:
            grounds.append(Box(x=left - gap / 2, y=y + 1, width=width + gap, height=_HEIGHT - 2, fill=Ink.FAILED))
            inside.append(replace(bar, fill=Ink.GROUND))
            continue
        bars[ink].append(bar)
        if cell.outcome.is_bench_trouble:
            signs.append(Mark(x=left + width - 3, y=y + 5, ink=Ink.INK, kind="triangle", size=6))
    line = Line(points=((x, middle), (x + len(cells) * pitch, middle)), stroke=Ink.RULE)
    return (line, *grounds, *bars[Ink.NOT_RUN], *bars[Ink.HIGH], *bars[Ink.LOW], *inside, *signs)


def map_head(plan: Plan, *, pitch: float, x: float = 0.0, y: float = 0.0) -> tuple[tuple[Shape, ...], float]:
    """Draw the names of the rails, turned; return them with their height."""
    names = [shortened(rail.name, 24) for rail in plan.rails]
    height = 8 + max((text_width(name, 10) for name in names), default=0.0)
    return tuple(
        Label(
            x=x + (index + 0.5) * pitch + 3.5,
            y=y + height - 4,
            text=name,
            size=10,
            is_upright=True,
            hint=plan.rails[index].name[:400] if name != plan.rails[index].name else "",
        )
        for index, name in enumerate(names)
    ), height


def corner_map(plan: Plan, summary: Summary, data: RunData) -> Drawing:
    """Draw the whole map as one figure, for a file: names at the left, outcome in shape and word, cells."""
    pitch = pitch_of(len(plan.rails))
    names = [shortened(corner.name, _MOST_LETTERS) for corner in summary.corners]
    left = 170 + max((text_width(name, 10.5) for name in names), default=40.0)
    head, height = map_head(plan, pitch=pitch, x=left, y=6)
    shapes: list[Shape] = [*head]
    y = 10 + height
    cells = map_cells(plan, summary, data)
    for corner in summary.corners:
        shapes.append(Label(x=8, y=y + 14, text=shortened(corner.name, _MOST_LETTERS), size=10.5))
        shapes.append(_sign(corner, left - 148, y + 10))
        shapes.append(
            Label(
                x=left - 138,
                y=y + 14,
                text=f"{corner.outcome} {corner.passed_visits} of {corner.visits}",
                size=10.5,
                is_bold=corner.outcome.is_product_failure,
            )
        )
        shapes.extend(map_strip(cells[corner.name], pitch=pitch, x=left, y=y))
        y += _HEIGHT
    return Drawing(
        width=left + pitch * len(plan.rails) + 14,
        height=y + 10,
        shapes=tuple(shapes),
        title="Corners",
        about=f"{len(summary.corners)} corners by {len(plan.rails)} rails, with the outcome of each",
    )


def _sign(corner: CornerSummary, x: float, y: float) -> Mark:
    return Mark(x=x, y=y, ink=ink_of(corner.outcome), kind=mark_of(corner.outcome), size=9)


def _level_of(rail: Rail, plan: Plan, corner: CornerSummary) -> str:
    followed = rail
    for _ in plan.rails:
        if followed.tracks is None:
            break
        followed = plan.rail(followed.tracks.rail)
    return corner.levels.get(followed.name, NOMINAL)


def _ratio(rail: Rail, level: str) -> float:
    return rail.levels.get(level, rail.nominal_v) / rail.nominal_v - 1 if level != NOMINAL else 0.0
