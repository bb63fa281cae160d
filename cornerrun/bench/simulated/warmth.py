"""The temperature of a rail: the ambient's, and what its own power adds, at once or slowly."""

from collections.abc import Callable

from cornerrun.bench.simulated.load_current import LoadCurrent
from cornerrun.bench.simulated.output import MovedOutput, Output

__all__ = ["Warmth"]


class Warmth:
    """``rise_k`` is the rise at nominal voltage and current. Without a time constant it is always that (chosen)."""

    def __init__(
        self,
        *,
        ambient_degc: Callable[[float], float],
        rise_k: float,
        time_constant_s: float | None,
        output: Output,
        load: LoadCurrent,
        nominal_v: float,
    ) -> None:
        self._ambient_degc = ambient_degc
        self._rise_k = rise_k
        self._time_constant_s = time_constant_s
        self._output = output
        self._load = load
        self._nominal_w = nominal_v * load.nominal_a
        self._rise = MovedOutput(rise_k)
        if time_constant_s is not None:
            load.listen(self._follow)

    def temperature_degc(self, at_s: float) -> float:
        """Tell the temperature at an instant."""
        return self._ambient_degc(at_s) + self._rise.voltage_v(at_s)

    def _follow(self, at_s: float) -> None:
        marks = self._load.landmarks(at_s)
        # Heat follows so slowly that only where the move ends counts.
        end_s = marks[-1] if marks else at_s
        power_w = self._output.voltage_v(end_s) * self._load.current_a(end_s)
        share = power_w / self._nominal_w if self._nominal_w > 0.0 else 1.0
        assert self._time_constant_s is not None  # listens only with one
        self._rise.go(at_s, self._rise_k * share, time_constant_s=self._time_constant_s)
