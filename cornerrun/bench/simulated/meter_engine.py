"""What goes on inside a simulated meter between commands and answers: arming, acquiring, answering."""

from collections.abc import Callable

from cornerrun.bench.simulated.acquisition import Multimeter, Sweep
from cornerrun.bench.simulated.status import Refusal, Status
from cornerrun.clock import Clock

__all__ = ["MeterEngine"]


class MeterEngine:
    """The meter behind its text: ``meter_commands`` acts on it, the text link takes its answer.

    ``due_s`` is when the answer is complete; its parts are made only then.
    """

    def __init__(self, *, identity: str, core: Multimeter, clock: Clock) -> None:
        self.identity = identity
        self.core = core
        self.status = Status()
        self.due_s = 0.0
        self._clock = clock
        self._sweep: Sweep | None = None
        self._is_armed = False
        self._results: str | None = None
        self._answer: list[Callable[[], str]] = []

    @property
    def now_s(self) -> float:
        """The time of the meter's clock."""
        return self._clock.now_s()

    def power_cycle(self) -> None:
        """Lose what the supply holds up: settings, readings, answer, errors; the power-on bit is set."""
        self.status = Status()
        self.core.reset()
        self.core.line_hz = self.core.errors.line_hz
        if self.core.effects is not None:
            self.core.effects.restart(self.now_s)
        self.forget()
        self.drop_answer()

    @property
    def has_answer(self) -> bool:
        """Whether a response waits, or will once its time has come."""
        return bool(self._answer)

    def take_answer(self) -> str:
        """Make the response and forget it."""
        parts, self._answer = self._answer, []
        return ";".join(part() for part in parts)

    def drop_answer(self) -> None:
        """Forget the response."""
        self._answer = []

    def say(self, text: str) -> None:
        """Answer at once."""
        self._answer.append(lambda: text)

    def when_done(self, act: Callable[[], None]) -> None:
        """Wait for the acquisition that runs, then act."""
        if self._sweep is not None:
            self._clock.sleep_until(self._sweep.done_s, interruptible=False)
        act()

    def say_when_done(self, text: Callable[[], str]) -> None:
        """Answer as soon as the acquisition that runs is done."""
        if self._sweep is not None:
            self.due_s = max(self.due_s, self._sweep.done_s)
        self._answer.append(text)

    def initiate(self) -> None:
        """Start an acquisition, or arm it where the trigger comes by command."""
        if self._is_armed or (self._sweep is not None and self._clock.now_s() < self._sweep.done_s):
            raise Refusal(-213)
        self.forget()
        if self.core.waits_for_trigger:
            self._is_armed = True
        else:
            self._sweep = self.core.sweep(self._clock.now_s())

    def trigger(self) -> None:
        """Take the trigger that an armed acquisition waits for."""
        if not self._is_armed:
            raise Refusal(-211)
        self._is_armed = False
        self._sweep = self.core.sweep(self._clock.now_s())

    def fetch(self) -> None:
        """Answer with the readings of the last acquisition, once they are there."""
        if self._sweep is None:
            raise Refusal(-214 if self._is_armed else -230)
        sweep = self._sweep
        self.say_when_done(lambda: self._readings(sweep))

    def read_now(self) -> None:
        """Start an acquisition and answer with its readings."""
        if self.core.waits_for_trigger:
            raise Refusal(-214)
        self.forget()
        self.initiate()
        self.fetch()

    def forget(self) -> None:
        """End an acquisition and drop its readings."""
        self._sweep, self._results, self._is_armed = None, None, False

    def _readings(self, sweep: Sweep) -> str:
        if self._results is None:
            self._results = ",".join(f"{self.core.read(sample):+.8E}" for sample in sweep.samples)
        return self._results
