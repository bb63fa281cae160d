"""A closed-loop trim: a device that moves its output in DAC steps until its own ADC reads the setpoint."""

from collections.abc import Callable
from functools import partial

from cornerrun.bench.simulated.physics_settings import ServoSettings
from cornerrun.bench.simulated.timeline import Timeline

__all__ = ["Servo"]


class Servo:
    """Holds what the loop has added so far, ``correction_v``.

    ``read_v`` tells what the ADC last found; ``moved`` is called with the time after each step. It steps by one towards
    the target as long as the reading is off by more than half a step, so that noise keeps it busy, as real ones are.
    """

    def __init__(
        self,
        settings: ServoSettings,
        *,
        read_v: Callable[[float], float],
        moved: Callable[[float], None],
        timeline: Timeline,
    ) -> None:
        self._settings = settings
        self._read_v = read_v
        self._moved = moved
        self._timeline = timeline
        self._round = 0
        self._is_on = False
        self._steps = 0
        self.target_v = 0.0

    @property
    def is_stepwise(self) -> bool:
        """Whether the loop alone carries the output from nominal to its setpoint."""
        return self._settings.begins == "nominal"

    @property
    def correction_v(self) -> float:
        """What the loop adds to the output."""
        return self._steps * self._settings.step

    def switch(self, at_s: float, *, is_on: bool) -> None:
        """Start with the output, from no correction at all, or stop with it."""
        if is_on is not self._is_on:
            self._is_on = is_on
            self._steps = 0
            self._round += 1
            if is_on:
                self._wait(at_s)

    def _wait(self, at_s: float) -> None:
        self._timeline.at(at_s + self._settings.period, partial(self._step, self._round))

    def _step(self, number: int, at_s: float) -> None:
        if number != self._round:
            return
        error_v = self.target_v - self._read_v(at_s)
        step_v, range_v = self._settings.step, self._settings.range
        if abs(error_v) > 0.5 * step_v:
            steps = self._steps + (1 if error_v > 0.0 else -1)
            if range_v is None or abs(steps) * step_v <= range_v * (1.0 + 1e-9):
                self._steps = steps
                self._moved(at_s)
        self._wait(at_s)
