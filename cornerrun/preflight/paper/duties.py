"""What rails on paper have in common, whoever makes them: nothing goes wrong, and every rail gets home."""

from abc import ABC, abstractmethod
from collections.abc import Mapping, Sequence

from cornerrun.bench.ports import StatusCapture, Telemetry
from cornerrun.clock import Clock
from cornerrun.plan.model import Rail

__all__ = ["PaperDuties"]


class PaperDuties(ABC):
    """The duties of SafeReturn and FaultCapture (bench/ports.py) that have nothing to do on paper.

    Who derives from it keeps its rails by name, and of each move the voltages before and after and when it arrives.
    """

    _clock: Clock
    _rails: Mapping[str, Rail]
    _moves: dict[str, tuple[float, float, float]]

    @abstractmethod
    def read(self, rails: Sequence[str], *, with_load: bool = False) -> tuple[Telemetry, ...]:
        """Read rails (RailPower)."""
        ...

    def turn_off(self, rails: Sequence[str] = ()) -> None:
        del rails

    def turn_on(self, rails: Sequence[str]) -> None:
        del rails

    def capture(self, rails: Sequence[str] = ()) -> tuple[StatusCapture, ...]:
        del rails
        return ()

    def clear(self, rails: Sequence[str] = ()) -> None:
        del rails

    def await_nominal(self) -> None:
        """Look at every rail; if one is still on its way, wait for the last and look again."""
        arrives_s = max((arrives_s for _, _, arrives_s in self._moves.values()), default=0.0)
        self.read(tuple(self._rails))
        if arrives_s > self._clock.now_s():
            self._clock.sleep_until(arrives_s, interruptible=False)
            self.read(tuple(self._rails))
