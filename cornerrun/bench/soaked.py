"""A condition that has settled only once a sensor at the board stands still too, whatever sets it."""

from collections.abc import Callable

from cornerrun.bench.abilities import Identifies, LimitsRamp
from cornerrun.bench.ports import Condition
from cornerrun.bench.soaking import Soak
from cornerrun.clock import Clock
from cornerrun.errors import InstrumentError
from cornerrun.plan.bench_file import SoakUntil

__all__ = ["SoakedCondition", "soaked"]


class SoakedCondition:
    """Wait for ``sense``, a temperature in degrees Celsius, after the condition itself says that it is there.

    ``sense`` None where the sensor tells nothing. InstrumentError where that happens.
    """

    def __init__(
        self, condition: Condition, *, name: str, until: SoakUntil, sense: Callable[[], float | None], clock: Clock
    ) -> None:
        self._condition = condition
        self._name = name
        self._until = until
        self._sense = sense
        self._clock = clock
        self._soak = Soak(until)
        self._last: float | None = None

    def start(self, target: float) -> None:
        self._condition.start(target)
        self._soak = Soak(self._until)

    def read(self) -> float:
        return self._condition.read()

    def has_settled(self) -> bool:
        has_arrived = self._condition.has_settled()
        self._last = self._sense()
        if self._last is None:
            sensor = self._until.sensor
            raise InstrumentError(
                f"conditions.{self._name}: {sensor} tells no temperature; name another sensor in 'soak'"
            )
        return self._soak.feed(self._clock.now_s(), self._last) and has_arrived

    def release(self) -> None:
        self._condition.release()

    def limit_ramp(self, per_s: float) -> bool:
        """Pass it on to what sets the condition."""
        return isinstance(self._condition, LimitsRamp) and self._condition.limit_ramp(per_s)

    def sensed(self) -> tuple[str, float] | None:
        """Tell the sensor, and what it read last."""
        return None if self._last is None else (self._until.sensor, self._last)


class _Identified(SoakedCondition):
    """One that says who it is."""

    def identify(self) -> str:
        """Read identity; moves nothing."""
        assert isinstance(self._condition, Identifies)
        return self._condition.identify()


def soaked(
    condition: Condition, *, name: str, until: SoakUntil, sense: Callable[[], float | None], clock: Clock
) -> Condition:
    """Let a condition wait for a sensor; it can do all that it could before."""
    kind = _Identified if isinstance(condition, Identifies) else SoakedCondition
    return kind(condition, name=name, until=until, sense=sense, clock=clock)
