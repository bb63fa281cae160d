"""Set the conditions of a corner, outermost first, each once the one before has settled; leave them safe at the end."""

from collections.abc import Callable, Mapping, Sequence
from contextlib import AbstractContextManager, nullcontext

from cornerrun.bench.ports import Condition as ConditionDriver
from cornerrun.clock import Clock
from cornerrun.corners.model import ConditionLevel
from cornerrun.errors import BenchError
from cornerrun.plan.condition_nouns import Condition
from cornerrun.plan.model import Plan
from cornerrun.results.condition_change import ConditionChange
from cornerrun.run.cold_boot import ColdBoot
from cornerrun.run.condition_way import ConditionWay
from cornerrun.run.journal import Journal
from cornerrun.run.supervisor import Supervisor
from cornerrun.run.trouble import explain
from cornerrun.units import kind_of, show

__all__ = ["Climate"]

_Timed = Callable[[str], AbstractContextManager[None]]


def _untimed(_part: str) -> AbstractContextManager[None]:
    return nullcontext()


class Climate:
    """Know which conditions are set, and set them.

    A change to a level of ``cold_boots`` is made with the board off; it is turned on where the condition has settled.
    ``levels`` is kept up to date for others: the level of each condition, without those on their way or never set.
    """

    def __init__(
        self,
        *,
        plan: Plan,
        drivers: Mapping[str, ConditionDriver],
        supervisor: Supervisor,
        clock: Clock,
        journal: Journal,
        levels: dict[str, str],
        cold_boot: ColdBoot | None = None,
    ) -> None:
        self._levels = levels
        self._conditions = {condition.name: condition for condition in plan.conditions}
        self._drivers = drivers
        self._supervisor = supervisor
        self._clock = clock
        self._journal = journal
        self._cold_boot = cold_boot
        self._set: dict[str, ConditionLevel] = {}
        self._changes: list[ConditionChange] = []

    def needs(self, wanted: Sequence[ConditionLevel]) -> bool:
        """Whether any condition must change."""
        return any(self._set.get(item.condition) != item for item in wanted)

    def reach(self, wanted: Sequence[ConditionLevel], *, timed: _Timed = _untimed) -> None:
        """Set what must change and wait, the rails watched; every rail rests at nominal meanwhile, or is off.

        ``timed`` takes the times of the parts. InstrumentError if a condition does not settle in time; NotReady if the
        board was turned on and does not show that it is ready; what `ColdBoot` and the supervisor raise.
        """
        for item in wanted:
            if self._set.get(item.condition) == item:
                continue
            self._leave(item.condition)
            condition = self._conditions[item.condition]
            boot = self._cold_boot if item.level in condition.cold_boots else None
            if boot is None:
                with timed("condition"):
                    self._go(condition, item.value, item.level, self._supervisor.wait_until)
            else:
                with boot.off():
                    with timed("condition"):
                        self._go(condition, item.value, item.level, boot.wait_until, is_board_on=False)
                    self._arrived(item)
                    with timed("boot"):
                        boot.turn_on(f"at {item.condition} {item.level}")
            self._arrived(item)

    def read(self, wanted: Sequence[ConditionLevel]) -> Mapping[str, float]:
        """Read where the conditions of a corner are."""
        return {item.condition: self._drivers[item.condition].read() for item in wanted}

    def take_changes(self) -> tuple[ConditionChange, ...]:
        """Hand over the changes since this was last called."""
        taken, self._changes = tuple(self._changes), []
        return taken

    @property
    def must_rest(self) -> bool:
        """Whether a condition has a place of its own to be brought to before the run ends."""
        return any(self._rest_of(name) is not None for name in self._set)

    def rest(self) -> None:
        """Bring conditions to where the plan leaves them, innermost first, and wait, the rails watched."""
        for name, item in reversed(tuple(self._set.items())):
            rest = self._rest_of(name)
            if rest is None:
                continue
            self._leave(name)
            self._go(self._conditions[name], rest, "", self._supervisor.wait_until)
            dew_degc = self._conditions[name].dew_point_degc
            above = "" if dew_degc is None else f", the dew point is {self._shown(name, dew_degc)}"
            came = f"from {item.level} to rest at {self._shown(name, rest)}{above}"
            self._journal.note("note", f"{name} was brought {came}")

    def release(self) -> None:
        """Leave every condition safe; one that fails never stops the others."""
        for name in self._conditions:
            self._tell_if_frosted(name)
        for name, driver in self._drivers.items():
            try:
                driver.release()
            except BenchError as error:
                self._journal.note("error", f"{name} could not be released: {explain(error)}")
        self._set.clear()
        self._levels.clear()

    def _tell_if_frosted(self, name: str) -> None:
        """Say that a board is left where water would settle on it, as far as that can be read."""
        dew_degc = self._conditions[name].dew_point_degc
        if dew_degc is None:
            return
        try:
            reading_degc = self._drivers[name].read()
        except BenchError:
            return  # that it cannot be read is told where it is released
        if reading_degc <= dew_degc:
            self._journal.note(
                "warning",
                f"{name} is left on its way from {self._shown(name, reading_degc)}, below the dew point of "
                f"{self._shown(name, dew_degc)}: leave the chamber shut until the board is warmer than that",
            )

    def _arrived(self, item: ConditionLevel) -> None:
        self._set[item.condition] = item
        self._levels[item.condition] = item.level

    def _leave(self, name: str) -> None:
        self._set.pop(name, None)
        self._levels.pop(name, None)

    def _go(
        self,
        condition: Condition,
        target: float,
        level: str,
        wait: Callable[[float], None],
        *,
        is_board_on: bool = True,
    ) -> None:
        way = ConditionWay(
            condition=condition,
            driver=self._drivers[condition.name],
            clock=self._clock,
            journal=self._journal,
            wait=wait,
        )
        self._changes.append(way.go(target, level=level, is_board_on=is_board_on))

    def _rest_of(self, name: str) -> float | None:
        item, rest = self._set[name], self._conditions[name].rest
        return None if rest is None or item.value == rest else rest

    def _shown(self, name: str, value: float) -> str:
        kind = kind_of(self._conditions[name].unit)
        return f"{value:g}" if kind is None else show(value, kind)
