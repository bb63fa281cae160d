"""From corners to steps: what the run does one after another, each move admissible, each with its way back."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from itertools import groupby

from cornerrun.corners.arranging import Arranging
from cornerrun.corners.blocks import condition_blocks, nominal_corner
from cornerrun.corners.choose import chosen
from cornerrun.corners.model import Corner, Selection, Step
from cornerrun.corners.relations import Passage
from cornerrun.corners.trim import WARM_UP, split, visits
from cornerrun.corners.walk import Stop, Walk, way_back
from cornerrun.errors import UsageError
from cornerrun.plan.model import Plan

__all__ = ["return_order", "step_from", "steps", "stops"]

Levels = Mapping[str, str]


def steps(
    plan: Plan,
    selection: Selection,
    *,
    only: Sequence[str] | None = None,
    repeats: int | None = None,
    interleave: Sequence[str] = (),
    seed: int = 0,
) -> tuple[Step, ...]:
    """Lay out a run: conditions outermost, within each of their combinations sweeps over its corners.

    The plan's ``order`` says how the corners of a sweep follow each other; ``seed`` is what it draws with where the
    plan names none, and the same arguments give the same steps. ``only`` names the corners to visit (names, aliases or
    shell patterns; UsageError if one fits none). ``repeats`` replaces the plan's number of sweeps. Corners of
    ``interleave`` are visited after each other one, as no control points: what fails there shall not end the run; then
    corners are visited as written unless their order is drawn. UsageError if they are all there is.

    Control points stand first and last in each block and after every n-th visit that is none, never twice in a row. The
    first step starts from nominal, and so does the first of each block, since conditions move while the rails are at
    rest.
    """
    corners = selection.corners if only is None else chosen(plan, selection, only)
    between = chosen(plan, selection, interleave) if interleave else ()
    if between and all(corner in between for corner in corners):
        raise UsageError("every corner that is visited is one to interleave; name another with --only")
    arranging = Arranging(plan, seed=seed)
    planned: list[Step] = []
    walk = Walk(plan)
    for stop in stops(plan, corners, between, plan.corners.repeats if repeats is None else repeats, arranging):
        planned.append(walk.to(stop, ordinal=len(planned)))
    return tuple(planned)


def step_from(plan: Plan, step: Step, levels: Levels) -> Step:
    """Lay out a step again from where the rails are now: after a recovery, or when a run is taken up again.

    ``levels`` holds the level of each commanded rail that is off nominal.
    """
    walk = Walk(plan)
    walk.levels = dict(levels)
    stop = Stop(corner=step.corner, repeat=step.repeat, is_control=step.is_control)
    return walk.to(stop, ordinal=step.ordinal)


def return_order(plan: Plan, *states: Levels) -> tuple[tuple[str, ...], ...]:
    """Order the rails that are off nominal in any of these states into bursts back to nominal, relations kept.

    With several states the order serves every mix of them where there is such an order, and the last of them else.
    Every rail that is off nominal in a state gets its turn, whatever relations say: the way back is never refused.
    """
    return way_back(Passage(plan), states)


def stops(
    plan: Plan, corners: Iterable[Corner], between: Sequence[Corner], repeats: int, arranging: Arranging
) -> Iterator[Stop]:
    """Put control points between corners, sweep by sweep within each combination of conditions."""
    points = plan.corners.control_points
    count = 0
    blocks = {conditions: tuple(block) for conditions, block in groupby(corners, key=lambda corner: corner.conditions)}
    for conditions, block in (blocks or {condition_blocks(plan)[0]: ()}).items():
        nominal = nominal_corner(plan, conditions)
        if points.first:
            yield Stop(corner=nominal, repeat=0, is_control=True, opens_block=True)
        is_open, at_control = not points.first, points.first
        corners_here, trims = split(block)
        others = tuple(corner for corner in between if corner.conditions == conditions)
        for repeat in range(repeats):
            is_arranged = arranging.is_drawn or not others
            sweep = arranging.sweep(corners_here, repeat=repeat, done=count) if is_arranged else corners_here
            for corner in _interleaved(sweep, others):
                yield Stop(corner=corner, repeat=repeat, is_control=False, opens_block=is_open)
                is_open, at_control = False, False
                count += 1
                if points.every is not None and count % points.every == 0:
                    yield Stop(corner=nominal, repeat=repeat, is_control=True)
                    at_control = True
        for stop in _trim_stops(plan, nominal, trims):
            if stop.is_control and stop.corner.scheme != WARM_UP and at_control:
                continue
            yield replace(stop, opens_block=is_open)
            is_open, at_control = False, stop.is_control
        if points.last and not at_control:
            yield Stop(corner=nominal, repeat=max(repeats - 1, 0), is_control=True, opens_block=is_open)


def _interleaved(corners: Iterable[Corner], others: Sequence[Corner]) -> Iterator[Corner]:
    for corner in corners:
        if corner not in others:
            yield corner
            yield from others


def _trim_stops(plan: Plan, nominal: Corner, trims: Sequence[Corner]) -> Iterator[Stop]:
    """Visit the setpoints of a characterisation in pairs of passes; nominal is one of them, and a control point."""
    if trims and plan.trim is not None and plan.trim.warm_up is not None:
        yield Stop(corner=replace(nominal, scheme=WARM_UP), repeat=0, is_control=True)
    for corner, number in visits(trims, plan.trim):
        if corner is None:
            yield Stop(corner=nominal, repeat=number, is_control=True)
        else:
            yield Stop(corner=corner, repeat=number, is_control=False, via_nominal=True)
