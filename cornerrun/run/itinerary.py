"""Know which step comes next: what was planned, and the control points that trouble puts between."""

from collections import deque
from collections.abc import Mapping, Sequence
from dataclasses import replace

from cornerrun.corners.model import RailLevel, Step
from cornerrun.corners.order import return_order, step_from
from cornerrun.corners.select import nominal_corner
from cornerrun.plan.model import NOMINAL, Plan

__all__ = ["Itinerary"]


class Itinerary:
    """Hand out steps, laid out again where the rails are not where the plan of steps has them.

    Control points put between are numbered after the planned steps, so that the number of a planned step, and with it
    every simulated draw, is the same whatever happened before.
    """

    def __init__(self, plan: Plan, steps: Sequence[Step], *, first_inserted: int = 0, next_inserted: int = 0) -> None:
        """Take steps; the two numbers are greater where some of the plan's, or others, are made already."""
        self._plan = plan
        self._commanded = frozenset(rail.name for rail in plan.commanded_rails)
        self._queue = deque(steps)
        self._first_inserted = max(first_inserted, max((step.ordinal for step in steps), default=-1) + 1)
        self._next_inserted = max(next_inserted, self._first_inserted)
        self._is_on_track = False
        self._must_prove = False

    def __len__(self) -> int:
        return len(self._queue)

    def prove(self) -> None:
        """Ask for a control point before the next step, since the board has been elsewhere."""
        self._must_prove = True
        self._is_on_track = False

    def go_on(self, steps: Sequence[Step]) -> None:
        """Replace all steps that are left; repeats of tripped steps that wait stay before them."""
        waiting = [step for step in self._queue if step.ordinal >= self._first_inserted]
        self._queue = deque([*waiting, *steps])
        self._is_on_track = False

    def leave_out(self) -> None:
        """Say that the step handed out last is not made."""
        self._is_on_track = False

    def again(self, step: Step) -> None:
        """Put a step before all others once more, with a number after the planned ones."""
        ordinal, self._next_inserted = self._next_inserted, self._next_inserted + 1
        self._queue.appendleft(replace(step, ordinal=ordinal, moves=(), return_order=()))
        self._is_on_track = False

    def put_back(self, step: Step) -> None:
        """Put back the step that was handed out last, since something else is done before."""
        self._queue.appendleft(step)
        self._is_on_track = False

    def next(self) -> Step | None:
        """Take the next step, or a control point if one is due before it; None at the end."""
        if not self._queue:
            return None
        step = self._queue[0]
        if self._must_prove and not step.is_control:
            self._must_prove = False
            ordinal, self._next_inserted = self._next_inserted, self._next_inserted + 1
            corner = nominal_corner(self._plan, step.corner.conditions)
            return Step(ordinal=ordinal, corner=corner, repeat=step.repeat, is_control=True, moves=(), return_order=())
        self._must_prove = False
        return self._queue.popleft()

    def laid_out(self, step: Step, levels: Mapping[str, str], *, changes_conditions: bool) -> Step:
        """Give a step its moves from the levels that the rails are at."""
        if self._is_on_track:
            return step
        # After a control point put between, the next planned step still starts from elsewhere.
        self._is_on_track = step.ordinal < self._first_inserted
        away = {rail: level for rail, level in levels.items() if rail in self._commanded and level != NOMINAL}
        if not away or not changes_conditions:
            return step_from(self._plan, step, away)
        # Conditions change while the rails rest.
        laid = step_from(self._plan, step, {})
        to_rest = tuple(
            tuple(RailLevel(rail=rail, level=NOMINAL) for rail in burst) for burst in return_order(self._plan, away)
        )
        back = return_order(self._plan, away, step.corner.by_rail())
        return replace(laid, moves=(*to_rest, *laid.moves), return_order=back)
