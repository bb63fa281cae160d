"""How a chamber's air and what stands in it follow a ramp: closed forms at every instant. Pure.

The air follows the setpoint as a linear system of first order, or of second order where it overshoots; the product
follows the air with a time constant of its own.
"""

import cmath
import math
from dataclasses import dataclass

__all__ = ["Air", "Leg", "begin_leg", "damping_of"]

_APART = 1e-6  # relative distance that keeps two equal poles apart: exact to far better than any thermometer


def damping_of(overshoot_ratio: float) -> float:
    """Tell the damping of a second-order system from its overshoot after a step: zeta = -ln s / sqrt(pi^2 + ln^2 s)."""
    log = math.log(overshoot_ratio)
    return -log / math.hypot(math.pi, log)


@dataclass(frozen=True, kw_only=True, slots=True)
class Air:
    """How the air follows: its envelope's time constant; ``damping`` None is a first-order system."""

    time_constant_s: float
    damping: float | None = None

    @property
    def pole_per_s(self) -> complex:
        """The pole in the upper half of the plane."""
        real = -1.0 / self.time_constant_s
        if self.damping is None:
            return complex(real, 0.0)
        return complex(real, -real * math.sqrt(1.0 - self.damping**2) / self.damping)

    @property
    def lag_s(self) -> float:
        """How long after a ramp the air follows once it has settled to it: tau, or 2 zeta / omega."""
        if self.damping is None:
            return self.time_constant_s
        # zeta omega = 1 / tau, so that 2 zeta / omega = 2 zeta^2 tau.
        return 2.0 * self.damping**2 * self.time_constant_s


@dataclass(frozen=True, kw_only=True, slots=True)
class Leg:
    """One straight piece of the setpoint and what follows it, from ``start_s`` on."""

    start_s: float
    setpoint_degc: float
    rate_k_per_s: float
    lag_s: float
    soak_s: float
    pole_per_s: complex
    air_k: complex
    product_k: complex
    soak_k: float

    def setpoint_at(self, at_s: float) -> float:
        """Tell the setpoint."""
        return self.setpoint_degc + self.rate_k_per_s * (at_s - self.start_s)

    def air_at(self, at_s: float) -> float:
        """Tell the temperature of the air."""
        steady = self.setpoint_at(at_s) - self.rate_k_per_s * self.lag_s
        return steady + (self.air_k * self._mode(at_s)).real

    def air_slope_at(self, at_s: float) -> float:
        """Tell how fast the air changes, in kelvins a second."""
        return self.rate_k_per_s + (self.air_k * self.pole_per_s * self._mode(at_s)).real

    def product_at(self, at_s: float) -> float:
        """Tell the temperature of what stands in the air."""
        if self.soak_s == 0.0:
            return self.air_at(at_s)
        steady = self.setpoint_at(at_s) - self.rate_k_per_s * (self.lag_s + self.soak_s)
        left = self.soak_k * math.exp(-min((at_s - self.start_s) / self.soak_s, 700.0))
        return steady + (self.product_k * self._mode(at_s)).real + left

    def _mode(self, at_s: float) -> complex:
        elapsed = self.pole_per_s * (at_s - self.start_s)
        return cmath.exp(elapsed) if elapsed.real > -700.0 else 0j


def begin_leg(
    *,
    start_s: float,
    setpoint_degc: float,
    rate_k_per_s: float,
    air: Air,
    air_degc: float,
    air_slope_k_per_s: float,
    product_degc: float,
    soak_s: float,
) -> Leg:
    """Work out a leg from where everything is at its start; ``soak_s`` 0 has the product at the air's temperature."""
    pole = air.pole_per_s
    if abs(1.0 + pole * soak_s) < _APART:
        soak_s *= 1.0 + _APART
    offset_k = air_degc - (setpoint_degc - rate_k_per_s * air.lag_s)
    air_k = complex(offset_k, 0.0)
    if air.damping is not None:
        # e(t) = Re[C exp(s t)] with e(0) = Re C and e'(0) = Re[C s].
        slope = air_slope_k_per_s - rate_k_per_s
        air_k = complex(offset_k, (pole.real * offset_k - slope) / pole.imag)
    product_k, soak_k = 0j, 0.0
    if soak_s > 0.0:
        # p' = (a - p) / tau answers Re[C exp(s t)] with Re[C / (1 + s tau) exp(s t)], and its own decay.
        product_k = air_k / (1.0 + pole * soak_s)
        soak_k = product_degc - (setpoint_degc - rate_k_per_s * (air.lag_s + soak_s)) - product_k.real
    return Leg(
        start_s=start_s,
        setpoint_degc=setpoint_degc,
        rate_k_per_s=rate_k_per_s,
        lag_s=air.lag_s,
        soak_s=soak_s,
        pole_per_s=pole,
        air_k=air_k,
        product_k=product_k,
        soak_k=soak_k,
    )
