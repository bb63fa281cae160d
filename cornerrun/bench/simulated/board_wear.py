"""What goes on inside a simulated board's silicon: heat that comes and goes, damage that stays."""

import math
from collections.abc import Callable, Mapping, Sequence
from typing import Protocol

from cornerrun.bench.simulated.board_settings import HeatingSettings, OverStress
from cornerrun.bench.simulated.output import Output

__all__ = ["Damage", "Heat", "LivedRail"]


class LivedRail(Protocol):
    """What the board knows of a rail."""

    @property
    def name(self) -> str:
        """Its name."""
        ...

    @property
    def nominal(self) -> float:
        """Its nominal voltage, in volts."""
        ...

    @property
    def load(self) -> float:
        """What the board draws from it at nominal, in amperes."""
        ...

    @property
    def power(self) -> object | None:
        """The page that makes it; None if no manager does."""
        ...


class Heat:
    """The temperature of the silicon: ambient, and a rise that follows the power with one time constant."""

    def __init__(
        self,
        settings: HeatingSettings,
        *,
        rails: Sequence[LivedRail],
        outputs: Mapping[str, Output],
        ambient_degc: Callable[[float], float],
        now_s: float,
    ) -> None:
        self._settings = settings
        self._rails = tuple((outputs[rail.name], rail.load, rail.nominal) for rail in rails)
        self._nominal_w = sum(load_a * nominal_v for _, load_a, nominal_v in self._rails)
        self._ambient_degc = ambient_degc
        self._running: dict[str, float] = {}
        self._at_s = now_s
        self._rise_k = self._towards_k = self._final_k()
        for output, _, _ in self._rails:
            output.listen(self._power_changes)

    def degc(self, at_s: float) -> float:
        """Tell the temperature at an instant."""
        return self._ambient_degc(at_s) + self._rise_at(at_s)

    def run(self, check: str, rise_k: float, at_s: float) -> None:
        """Add what a check that begins brings in the end; 0 when it is over."""
        if rise_k:
            self._running[check] = rise_k
        else:
            self._running.pop(check, None)
        self._power_changes(at_s)

    def _final_k(self) -> float:
        """Tell where the rise heads: with the square of each rail's voltage, as a resistor's power does."""
        now_w = sum(load_a * output.end_v() ** 2 / nominal_v for output, load_a, nominal_v in self._rails)
        of_rails_k = self._settings.rise * now_w / self._nominal_w if self._nominal_w else 0.0
        return of_rails_k + sum(self._running.values())

    def _rise_at(self, at_s: float) -> float:
        left = math.exp(-max(0.0, at_s - self._at_s) / self._settings.time_constant)
        return self._towards_k + (self._rise_k - self._towards_k) * left

    def _power_changes(self, at_s: float) -> None:
        self._rise_k, self._at_s = self._rise_at(at_s), at_s
        self._towards_k = self._final_k()


class Damage:
    """What one kind of over-stress has done so far: it counts the time above a voltage."""

    def __init__(self, settings: OverStress) -> None:
        self.settings = settings
        self._before_s = 0.0
        self._since_s: float | None = None

    def stress(self, is_above: bool, at_s: float) -> None:
        """Take notice that the voltage was passed, either way."""
        if is_above and self._since_s is None:
            self._since_s = at_s
        elif not is_above and self._since_s is not None:
            self._before_s += at_s - self._since_s
            self._since_s = None

    def stressed_s(self, now_s: float) -> float:
        """Tell the time spent above the voltage."""
        return self._before_s + (0.0 if self._since_s is None else now_s - self._since_s)

    def shift_v(self, check: str, now_s: float) -> float:
        """Tell how far the edges of a check have moved inward."""
        if check not in self.settings.checks:
            return 0.0
        return self.settings.shift * -math.expm1(-self.stressed_s(now_s) / self.settings.after)
