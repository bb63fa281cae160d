"""What adds to a rail's voltage, or holds it down: each a function of time, in closed form."""

import math
from collections.abc import Callable
from typing import Protocol

from cornerrun.bench.simulated.draws import normal, uniform
from cornerrun.bench.simulated.output import Output
from cornerrun.bench.simulated.physics_settings import DriftSettings

__all__ = ["Ceiling", "Coupling", "Drift", "LoadDrop", "Part", "Ripple", "Warming"]

_TWO_PI = 2.0 * math.pi
_WAVES = (1.0, 0.43, 0.19)  # chosen: rates of a wander's waves, in turns per `over`, with no common period


class Part(Protocol):
    """Something that adds volts to a rail."""

    def voltage_v(self, at_s: float, /) -> float:
        """Tell what it adds at an instant."""
        ...

    def mean_v(self, from_s: float, to_s: float, /) -> float:
        """Tell what it adds on the average of a time span."""
        ...

    def landmarks(self, from_s: float, /) -> tuple[float, ...]:
        """Tell times after ``from_s``, in order, between which it runs one way."""
        ...

    def listen(self, told: Callable[[float], None], /) -> None:
        """Have ``told`` called with the time whenever its course changes."""
        ...


class Coupling:
    """A share of another rail's distance from its nominal."""

    def __init__(self, other: Output, *, share: float, nominal_v: float) -> None:
        self._other = other
        self._share = share
        self._nominal_v = nominal_v
        self.listen = other.listen
        self.landmarks = other.landmarks

    def voltage_v(self, at_s: float, /) -> float:
        return self._share * (self._other.voltage_v(at_s) - self._nominal_v)

    def mean_v(self, from_s: float, to_s: float, /) -> float:
        return self._share * (self._other.mean_v(from_s, to_s) - self._nominal_v)


class LoadDrop:
    """What the load takes: regulation counted from the nominal current, droop from none."""

    def __init__(
        self,
        load: "LoadLike",
        *,
        regulation_ohm: float,
        droop_ohm: float,
    ) -> None:
        self._load = load
        self._regulation_ohm = regulation_ohm
        self._droop_ohm = droop_ohm
        self.listen = load.listen
        self.landmarks = load.landmarks

    def voltage_v(self, at_s: float, /) -> float:
        return self._drop_v(self._load.current_a(at_s))

    def mean_v(self, from_s: float, to_s: float, /) -> float:
        return self._drop_v(self._load.mean_a(from_s, to_s))

    def _drop_v(self, current_a: float) -> float:
        return -self._regulation_ohm * (current_a - self._load.nominal_a) - self._droop_ohm * current_a


class LoadLike(Protocol):
    """A load current over time."""

    nominal_a: float

    def current_a(self, at_s: float, /) -> float:
        """Tell the current at an instant."""
        ...

    def mean_a(self, from_s: float, to_s: float, /) -> float:
        """Tell the mean current of a time span."""
        ...

    def landmarks(self, from_s: float, /) -> tuple[float, ...]:
        """As `Part.landmarks`."""
        ...

    def listen(self, told: Callable[[float], None], /) -> None:
        """As `Part.listen`."""
        ...


class Warming:
    """What a temperature coefficient makes of the rail's own temperature, counted from 25 degC."""

    def __init__(
        self, coefficient_per_k: float, *, nominal_v: float, temperature_degc: Callable[[float], float]
    ) -> None:
        self._slope_v_per_k = coefficient_per_k * nominal_v
        self._temperature_degc = temperature_degc

    def voltage_v(self, at_s: float, /) -> float:
        return self._slope_v_per_k * (self._temperature_degc(at_s) - 25.0)

    def mean_v(self, from_s: float, to_s: float, /) -> float:
        return self.voltage_v(0.5 * (from_s + to_s))

    def landmarks(self, from_s: float, /) -> tuple[float, ...]:
        del from_s
        return ()

    def listen(self, told: Callable[[float], None], /) -> None:
        del told  # temperatures change slowly and tell nobody: whoever listens looks again by itself


class Drift:
    """A slow change from power-up on."""

    def __init__(self, settings: DriftSettings, *, start_s: float, seed: int, rail: str) -> None:
        self._settings = settings
        self._start_s = start_s
        # Three waves of random phase whose variances add up to one.
        weights = [normal("drift", seed, rail, number) for number in range(len(_WAVES))]
        length = math.sqrt(sum(weight * weight for weight in weights) / 2.0)
        self._waves = tuple(
            (weight / length, rate, _TWO_PI * uniform("drift phase", seed, rail, number))
            for number, (weight, rate) in enumerate(zip(weights, _WAVES, strict=True))
        )

    def voltage_v(self, at_s: float, /) -> float:
        settings = self._settings
        turns = max(0.0, at_s - self._start_s) / settings.over
        if settings.shape == "linear":
            return settings.amount * turns
        if settings.shape == "settling":
            return -settings.amount * math.expm1(-turns)
        return settings.amount * sum(
            weight * (math.sin(_TWO_PI * rate * turns + phase) - math.sin(phase)) for weight, rate, phase in self._waves
        )

    def mean_v(self, from_s: float, to_s: float, /) -> float:
        return self.voltage_v(0.5 * (from_s + to_s))

    def landmarks(self, from_s: float, /) -> tuple[float, ...]:
        del from_s
        return ()

    def listen(self, told: Callable[[float], None], /) -> None:
        del told  # it never changes its course


class Ripple:
    """A sine on the output."""

    def __init__(self, peak_to_peak_v: float, frequency_hz: float, *, phase: float) -> None:
        self.peak_to_peak_v = peak_to_peak_v
        self._omega_per_s = _TWO_PI * frequency_hz
        self._phase = phase

    def voltage_v(self, at_s: float, /) -> float:
        """Tell the ripple at an instant."""
        return 0.5 * self.peak_to_peak_v * math.sin(self._omega_per_s * at_s + self._phase)

    def mean_v(self, from_s: float, to_s: float, /) -> float:
        """Tell what an aperture leaves of it: at most amplitude / (pi f T)."""
        if to_s <= from_s:
            return self.voltage_v(from_s)
        begin, end = (math.cos(self._omega_per_s * at_s + self._phase) for at_s in (from_s, to_s))
        return 0.5 * self.peak_to_peak_v * (begin - end) / (self._omega_per_s * (to_s - from_s))


class Ceiling:
    """What an upstream voltage lets through: a share of it, less a drop; nothing below the lockout."""

    def __init__(self, upstream: Output, *, duty: float, dropout_v: float, lockout_v: float | None) -> None:
        self._upstream = upstream
        self._duty = duty
        self._dropout_v = dropout_v
        self._lockout_v = lockout_v
        self.listen = upstream.listen
        self.landmarks = upstream.landmarks

    def voltage_v(self, at_s: float, /) -> float:
        """Tell the highest voltage that can come out."""
        upstream_v = self._upstream.voltage_v(at_s)
        if self._lockout_v is not None and upstream_v < self._lockout_v:
            return 0.0
        return max(0.0, self._duty * upstream_v - self._dropout_v)
