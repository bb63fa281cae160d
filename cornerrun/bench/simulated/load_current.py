"""The current that a rail delivers: what its load draws at its voltage, and steps on top."""

from collections.abc import Callable
from typing import Literal

from cornerrun.bench.simulated.output import MovedOutput, Output

__all__ = ["LoadCurrent"]


class LoadCurrent:
    """``nominal_a`` at ``nominal_v``: as a resistor, a constant current, or a constant power; plus what `draw` adds.

    The voltage is that of the output before the load itself lowers it: the difference is of second order.
    """

    def __init__(
        self, output: Output, *, nominal_a: float, nominal_v: float, kind: Literal["resistor", "current", "power"]
    ) -> None:
        self._output = output
        self.nominal_a = nominal_a
        self._nominal_v = nominal_v
        self._kind = kind
        self._extra = MovedOutput(0.0)
        self._sources: dict[str, float] = {}
        self._listeners: list[Callable[[float], None]] = []
        output.listen(self._tell)
        self._extra.listen(self._tell)

    def draw(self, source: str, current_a: float, at_s: float, *, rise_s: float = 0.0) -> None:
        """Let somebody draw so much more from now on; what it drew before is replaced."""
        self._sources[source] = current_a
        self._extra.go(at_s, sum(self._sources.values()), time_constant_s=rise_s)

    def current_a(self, at_s: float, /) -> float:
        """Tell the current at an instant."""
        return self._drawn_a(self._output.voltage_v(at_s)) + self._extra.voltage_v(at_s)

    def mean_a(self, from_s: float, to_s: float, /) -> float:
        """Tell the mean current of a time span."""
        return self._drawn_a(self._output.mean_v(from_s, to_s)) + self._extra.mean_v(from_s, to_s)

    def landmarks(self, from_s: float, /) -> tuple[float, ...]:
        """Tell times after ``from_s`` between which the current runs one way."""
        return tuple(sorted((*self._output.landmarks(from_s), *self._extra.landmarks(from_s))))

    def listen(self, told: Callable[[float], None], /) -> None:
        """Have ``told`` called with the time whenever the current changes its course."""
        self._listeners.append(told)

    def _drawn_a(self, voltage_v: float) -> float:
        share = max(0.0, voltage_v) / self._nominal_v
        if self._kind == "resistor":
            return self.nominal_a * share
        # Below half of nominal nothing runs any more; a load of constant power would draw without bound there (chosen).
        if share < 0.5:
            return self.nominal_a * share
        return self.nominal_a / share if self._kind == "power" else self.nominal_a

    def _tell(self, at_s: float) -> None:
        for told in self._listeners:
            told(at_s)
