"""What surrounds a simulated board: an ambient temperature, an input voltage, each following its target."""

from cornerrun.bench.simulated.output import MovedOutput
from cornerrun.clock import Clock

__all__ = ["SimulatedCondition"]


class SimulatedCondition:
    """A first-order approach to a target; settled once within the band, where it then stays."""

    def __init__(
        self, *, value: MovedOutput, resting: float, time_constant_s: float, band: float, clock: Clock
    ) -> None:
        self._value = value
        self._resting = resting
        self._time_constant_s = time_constant_s
        self._band = band
        self._clock = clock

    def start(self, target: float) -> None:
        self._value.go(self._clock.now_s(), target, time_constant_s=self._time_constant_s)

    def read(self) -> float:
        return self._value.voltage_v(self._clock.now_s())

    def has_settled(self) -> bool:
        return abs(self.read() - self._value.end_v()) <= self._band

    def release(self) -> None:
        self.start(self._resting)
