"""Conditions over the run: where each was sent, where it was read to be, and when the board was off."""

from collections.abc import Callable, Iterator, Sequence

from cornerrun.report.condition_text import amount
from cornerrun.report.drawing import Box, Drawing, Ink, Label, Line, Shape
from cornerrun.report.figures.rows import ticks
from cornerrun.report.summary_conditions import ConditionStep, ConditionSummary, end_of, paths, time_unit
from cornerrun.report.summary_model import Summary
from cornerrun.results.records import RunData

__all__ = ["condition_timeline"]

_WIDTH, _HEIGHT, _GAP, _LEFT, _RIGHT, _TOP, _BOTTOM = 860.0, 96.0, 26.0, 110.0, 18.0, 20.0, 40.0
_MOST = 12  # chosen: a plan sets few things besides rails


def condition_timeline(summary: Summary, data: RunData) -> Drawing | None:
    """Draw a strip a condition over the time of the run; None for a run that sets none, or changed none."""
    if not summary.conditions or not summary.condition_steps:
        return None
    shown = summary.conditions[:_MOST]
    end_s = end_of(summary.condition_steps, data)
    shapes: list[Shape] = []
    for place, condition in enumerate(shown):
        steps = [step for step in summary.condition_steps if step.change.condition == condition.name]
        shapes += _strip(condition, steps, _TOP + place * (_HEIGHT + _GAP), end_s)
    bottom = _TOP + len(shown) * (_HEIGHT + _GAP) - _GAP
    shapes += _axis(bottom, end_s)
    return Drawing(
        width=_WIDTH,
        height=bottom + _BOTTOM,
        shapes=tuple(shapes),
        title="Conditions",
        about=f"{len(summary.condition_steps)} changes of {len(shown)} conditions over the run",
    )


def _x(at_s: float, end_s: float) -> float:
    return _LEFT + at_s / end_s * (_WIDTH - _LEFT - _RIGHT)


def _strip(condition: ConditionSummary, steps: Sequence[ConditionStep], top: float, end_s: float) -> Iterator[Shape]:
    values = [*condition.levels.values(), *(value for step in steps for _, value in step.change.trace)]
    values += [step.change.target for step in steps]
    low, high = min(values), max(values)
    spare = 0.08 * (high - low) or 1.0
    low, high = low - spare, high + spare

    def y(value: float) -> float:
        return top + _HEIGHT * (1 - (value - low) / (high - low))

    yield Label(x=_LEFT, y=top - 6, text=condition.name, is_bold=True)
    yield Box(x=_LEFT, y=top, width=_WIDTH - _LEFT - _RIGHT, height=_HEIGHT, stroke=Ink.RULE)
    for name, value in _apart(condition, y):
        yield Line(points=((_LEFT, y(value)), (_WIDTH - _RIGHT, y(value))), stroke=Ink.RULE, is_dashed=True)
        text = f"{name} {amount(value, condition.unit)}"
        yield Label(x=_LEFT - 6, y=y(value) + 4, text=text, size=10, anchor="end", ink=Ink.SOFT)
    for step in steps:
        change = step.change
        if not change.is_board_on:
            x, wide = _x(change.started_s, end_s), _x(change.took_s, end_s) - _LEFT
            yield Box(x=x, y=top, width=max(wide, 1.0), height=_HEIGHT, fill=Ink.BAND, hint="board off")
            yield Label(x=x + 4, y=top + 12, text="board off", size=10)
    sent, read = paths(steps, end_s)
    for path, ink, width in ((sent, Ink.SOFT, 1.0), (read, Ink.INK, 2.0)):
        if len(path) > 1:
            yield Line(points=tuple((_x(at_s, end_s), y(value)) for at_s, value in path), stroke=ink, width=width)


def _apart(condition: ConditionSummary, y: Callable[[float], float]) -> Iterator[tuple[str, float]]:
    """Go through levels whose names do not stand on each other, the outer ones first."""
    ordered = sorted(condition.levels.items(), key=lambda item: item[1])
    outer = [ordered[0], *ordered[-1:], *ordered[1:-1]]
    placed: list[float] = []
    for name, value in dict(outer).items():
        at = y(value)
        if all(abs(at - other) >= 12 for other in placed):
            placed.append(at)
            yield name, value


def _axis(bottom: float, end_s: float) -> Iterator[Shape]:
    unit, unit_s = time_unit(end_s)
    for value in ticks(0.0, end_s / unit_s):
        x = _x(value * unit_s, end_s)
        yield Line(points=((x, bottom), (x, bottom + 4)), stroke=Ink.SOFT)
        yield Label(x=x, y=bottom + 16, text=f"{value:g}", size=10, anchor="middle")
    text = f"{unit} since the run began; thick: as read, thin: as sent"
    yield Label(x=(_LEFT + _WIDTH - _RIGHT) / 2, y=bottom + 32, text=text, anchor="middle", ink=Ink.SOFT)
