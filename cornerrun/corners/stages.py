"""Staged runs: schemes one after another, each over what the ones before have left; decided from outcomes alone."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import groupby

from cornerrun.corners.arranging import Arranging
from cornerrun.corners.blocks import condition_blocks
from cornerrun.corners.factors import Factors
from cornerrun.corners.model import ConditionLevel, Corner, NotRunnable, Selection, Step
from cornerrun.corners.names import conditions_suffix
from cornerrun.corners.order import steps, stops
from cornerrun.corners.select import select
from cornerrun.corners.trim import TRIM
from cornerrun.corners.walk import Stop, Walk
from cornerrun.plan.model import NOMINAL, NamedCorner, Plan, Scheme

__all__ = ["Staged", "is_staged", "laid_out", "staged"]

_NAMED = "named"


@dataclass(frozen=True, kw_only=True)
class Staged:
    """What a staged run does, as far as its outcomes tell: steps that lie ahead are those if nothing more fails.

    ``ends`` are the numbers of the steps that end a stage: with their outcomes, ask again. ``reserved`` is how many
    numbers of steps are set aside: no steps of this plan, whatever its outcomes, take more.
    """

    selection: Selection
    steps: tuple[Step, ...]
    ends: frozenset[int]
    reserved: int


def staged(plan: Plan, has_failed: Mapping[int, bool], *, seed: int = 0) -> Staged:
    """Lay out a staged run from the outcomes that are known, by the numbers of its steps.

    Stages are the plan's schemes as written; named corners that follow each other are one. Within each combination of
    conditions, once every step of a stage has an outcome: a level at which one rail alone failed is left out of later
    stages, and covering schemes are built anew without it; and the plan's rule may end the stages there. Corners left
    out are not runnable, each with the reason. The same outcomes give the same steps.
    """
    found = _Layout(plan, has_failed, seed)
    most = len(found.steps) if not has_failed else len(_Layout(plan, {}, seed).steps)
    return Staged(
        selection=Selection(corners=tuple(found.corners), not_runnable=tuple(found.not_runnable.values())),
        steps=tuple(found.steps),
        ends=frozenset(found.ends),
        reserved=2 * most,
    )


def laid_out(
    plan: Plan,
    *,
    only: Sequence[str] | None = None,
    repeats: int | None = None,
    interleave: Sequence[str] = (),
    seed: int = 0,
) -> tuple[Selection, tuple[Step, ...]]:
    """Select corners and lay out steps, in stages where the plan asks and nobody chose otherwise; arguments as `steps`.

    Of a staged plan these are the steps if nothing fails.
    """
    if is_staged(plan, only=only, repeats=repeats, interleave=interleave):
        found = staged(plan, {}, seed=seed)
        return found.selection, found.steps
    selection = select(plan)
    return selection, steps(plan, selection, only=only, repeats=repeats, interleave=interleave, seed=seed)


def is_staged(
    plan: Plan, *, only: Sequence[str] | None = None, repeats: int | None = None, interleave: Sequence[str] = ()
) -> bool:
    """Whether a run goes in stages: whoever names the corners has them all, one after another."""
    return plan.corners.staged is not None and not only and repeats is None and not interleave


@dataclass(frozen=True, kw_only=True, slots=True)
class _Dead:
    """A level that failed with all other rails at nominal."""

    rail: str
    level: str
    reason: str


class _Layout:
    def __init__(self, plan: Plan, has_failed: Mapping[int, bool], seed: int) -> None:
        self._plan, self._has_failed, self._seed = plan, has_failed, seed
        self._factors = Factors(plan)
        self._walk = Walk(plan)
        self.steps: list[Step] = []
        self.corners: list[Corner] = []
        self.not_runnable: dict[tuple[str, str], NotRunnable] = {}
        self.ends: list[int] = []
        for conditions in condition_blocks(plan):
            self._block(conditions)

    def _block(self, conditions: tuple[ConditionLevel, ...]) -> None:
        stages = list(_stages(self._plan.corners.schemes))
        dead: list[_Dead] = []
        visited: list[Corner] = []
        ended = ""
        at_control = False
        for number, schemes in enumerate(stages):
            is_last = number == len(stages) - 1
            selection = self._selected(schemes, visited, dead)
            own = [corner for corner in selection.corners if corner.conditions == conditions]
            known = {corner.name for corner in visited}
            new = [corner for corner in own if corner.name not in known and (is_last or corner.scheme != TRIM)]
            for item in selection.not_runnable:
                self._refuse(item)
            if ended:
                for corner in new:
                    self._refuse(NotRunnable(name=corner.name, scheme=corner.scheme, reason=ended))
                continue
            first = len(self.steps)
            at_control = self._visit(new, after_control=at_control)
            visited += new
            self.corners += new
            if not is_last and len(self.steps) > first:
                self.ends.append(self.steps[-1].ordinal)
            outcomes = self._outcomes(first)
            if outcomes is None:
                continue
            dead += self._died(new, outcomes, dead)
            ended = self._rule(schemes[0].kind, outcomes)

    def _selected(self, schemes: Sequence[Scheme], visited: Sequence[Corner], dead: Sequence[_Dead]) -> Selection:
        """Select a stage: what was visited and is whole counts, what failed alone is forbidden."""
        gone = {(item.rail, item.level) for item in dead}
        whole = [
            NamedCorner(name=_bare(corner), levels=corner.by_rail())
            for corner in visited
            if not gone & set(corner.by_rail().items()) and corner.scheme != TRIM and not corner.is_nominal
        ]
        choice = replace(
            self._plan.corners,
            schemes=(*whole, *schemes),
            forbidden=(*self._plan.corners.forbidden, *({item.rail: item.level} for item in dead)),
        )
        found = select(replace(self._plan, corners=choice))
        reasons = {f"forbidden: {item.rail} {item.level}": item.reason for item in dead}
        return Selection(
            corners=found.corners,
            not_runnable=tuple(
                replace(item, reason=reasons.get(item.reason, item.reason)) for item in found.not_runnable
            ),
        )

    def _visit(self, corners: Sequence[Corner], *, after_control: bool) -> bool:
        """Add the steps of a stage, without a control point where one has just been; tells whether it ends with one."""
        if not corners:
            return after_control
        arranging = Arranging(self._plan, seed=self._seed)
        ahead: Iterator[Stop] = stops(self._plan, corners, (), self._plan.corners.repeats, arranging)
        is_control = after_control
        for stop in ahead:
            if after_control and stop.is_control and stop.corner.is_nominal:
                after_control = False
                continue
            after_control, is_control = False, stop.is_control
            self.steps.append(self._walk.to(stop, ordinal=len(self.steps)))
        return is_control

    def _outcomes(self, first: int) -> dict[str, bool] | None:
        """Tell which corners of the steps from here on failed; None as long as one of them has no outcome."""
        found: dict[str, bool] = {}
        for step in self.steps[first:]:
            if step.is_control:
                continue
            if step.ordinal not in self._has_failed:
                return None
            name = step.corner.name
            found[name] = found.get(name, False) or self._has_failed[step.ordinal]
        return found

    def _died(self, corners: Sequence[Corner], failed: Mapping[str, bool], dead: Sequence[_Dead]) -> Iterator[_Dead]:
        known = {(item.rail, item.level) for item in dead}
        for corner in corners:
            away = {rail: level for rail, level in corner.by_rail().items() if level != NOMINAL}
            heads = {factor.rail for rail in away if (factor := self._factors.of(rail)) is not None}
            if not failed.get(corner.name) or len(heads) != 1:
                continue
            rail = next(iter(heads))
            if (rail, away[rail]) not in known:
                known.add((rail, away[rail]))
                reason = f"{rail} {away[rail]} failed alone, at corner {corner.name!r}"
                yield _Dead(rail=rail, level=away[rail], reason=reason)

    def _rule(self, kind: str, failed: Mapping[str, bool]) -> str:
        rule = (self._plan.corners.staged or {}).get(kind, "never")
        count = sum(failed.values())
        if not count or rule == "never" or (rule == "every failure" and count < len(failed)):
            return ""
        return f"the stages end after {kind}, as the plan asks: {count} of {len(failed)} corners failed"

    def _refuse(self, item: NotRunnable) -> None:
        self.not_runnable.setdefault((item.name, item.reason), item)


def _stages(schemes: Sequence[Scheme]) -> Iterator[tuple[Scheme, ...]]:
    for kind, group in groupby(schemes, key=lambda scheme: scheme.kind):
        if kind == _NAMED:
            yield tuple(group)
        else:
            yield from ((scheme,) for scheme in group)


def _bare(corner: Corner) -> str:
    """Take the conditions off a corner's name: selecting puts them on again."""
    return corner.name.removesuffix(conditions_suffix(corner.conditions))
