"""Set the conditions of a corner, outermost first, and wait until each has settled."""

from collections.abc import Mapping, Sequence

from cornerrun.bench.ports import Condition
from cornerrun.clock import Clock
from cornerrun.corners.model import ConditionLevel
from cornerrun.errors import BenchError, InstrumentError
from cornerrun.run.journal import Journal
from cornerrun.run.supervisor import Supervisor
from cornerrun.run.trouble import explain
from cornerrun.units import Kind, show

__all__ = ["Climate"]

_POLL_S = 1.0  # chosen: chambers and supplies move over seconds to an hour
_DEADLINE_S = 4 * 3600.0  # chosen: the slowest chamber ramp and soak, with room; every wait has a deadline


class Climate:
    """Know which conditions are set, and set them; each must settle before the next is touched."""

    def __init__(
        self, *, conditions: Mapping[str, Condition], supervisor: Supervisor, clock: Clock, journal: Journal
    ) -> None:
        self._conditions = conditions
        self._supervisor = supervisor
        self._clock = clock
        self._journal = journal
        self._set: dict[str, float] = {}

    def needs(self, wanted: Sequence[ConditionLevel]) -> bool:
        """Whether any condition must change."""
        return any(self._set.get(item.condition) != item.value for item in wanted)

    def reach(self, wanted: Sequence[ConditionLevel]) -> None:
        """Set what must change and wait, the rails watched. InstrumentError if one does not settle in four hours."""
        for item in wanted:
            if self._set.get(item.condition) == item.value:
                continue
            condition = self._conditions[item.condition]
            self._set.pop(item.condition, None)
            condition.start(item.value)
            deadline_s = self._clock.now_s() + _DEADLINE_S
            while not condition.has_settled():
                if self._clock.now_s() >= deadline_s:
                    raise InstrumentError(
                        f"{item.condition}: not at {item.value:g} after {show(_DEADLINE_S, Kind.TIME)}; it reads "
                        f"{condition.read():g}"
                    )
                self._supervisor.wait_until(self._clock.now_s() + _POLL_S)
            self._set[item.condition] = item.value

    def read(self, wanted: Sequence[ConditionLevel]) -> Mapping[str, float]:
        """Read where the conditions of a corner are."""
        return {item.condition: self._conditions[item.condition].read() for item in wanted}

    def release(self) -> None:
        """Leave every condition safe; one that fails never stops the others."""
        for name, condition in self._conditions.items():
            try:
                condition.release()
            except BenchError as error:
                self._journal.note("error", f"{name} could not be released: {explain(error)}")
        self._set.clear()
