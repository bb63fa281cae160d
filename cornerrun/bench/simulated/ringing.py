"""The physics of an output that rings: a second-order response to a step or a ramp, in closed form."""

import math
from dataclasses import dataclass

__all__ = ["Oscillator", "RingMove", "begin_ring_move"]

_SETTLED_TIME_CONSTANTS = 40.0  # exp(-40) is below a float's resolution of any voltage step
_SEEN_TIME_CONSTANTS = 16.0  # chosen: exp(-16) of a step of 1 V is 0.1 uV, where no comparator looks
_RAMP_MARKS = 32  # chosen: dense enough for the ringing at the beginning of a ramp


@dataclass(frozen=True, kw_only=True, slots=True)
class Oscillator:
    """x" + 2 damping w x' + w^2 x = 0, w in radians a second."""

    omega_per_s: float
    damping: float

    @property
    def slowest_s(self) -> float:
        """The time constant with which what is left dies away."""
        zeta = self.damping
        rate = zeta if zeta <= 1.0 else zeta - math.sqrt(zeta * zeta - 1.0)
        return 1.0 / (rate * self.omega_per_s)

    def state(self, x: float, slope: float, elapsed_s: float) -> tuple[float, float]:
        """Tell x and its slope after a time, from those at its beginning."""
        w, zeta, t = self.omega_per_s, self.damping, elapsed_s
        a = zeta * w
        if abs(zeta - 1.0) < 1e-9:
            fade, rate = math.exp(-w * t), slope + w * x
            return fade * (x + rate * t), fade * (slope - w * rate * t)
        if zeta < 1.0:
            wd, fade = w * math.sqrt(1.0 - zeta * zeta), math.exp(-a * t)
            cosine, sine = math.cos(wd * t), math.sin(wd * t)
            return (
                fade * (x * cosine + (slope + a * x) / wd * sine),
                fade * (slope * cosine - (w * w * x + a * slope) / wd * sine),
            )
        b = w * math.sqrt(zeta * zeta - 1.0)
        slow, fast = -w * w / (a + b), -a - b
        first = (slope - fast * x) / (slow - fast)
        one, other = first * math.exp(slow * t), (x - first) * math.exp(fast * t)
        return one + other, slow * one + fast * other

    def turns_s(self, x: float, slope: float, until_s: float) -> tuple[float, ...]:
        """Tell the times up to ``until_s`` at which x turns back."""
        w, zeta = self.omega_per_s, self.damping
        if zeta >= 1.0:
            return ()
        wd = w * math.sqrt(1.0 - zeta * zeta)
        first = math.atan2(slope * wd, w * w * x + zeta * w * slope)
        count = min(int(until_s * wd / math.pi) + 1, 10_000)
        turns = ((first + number * math.pi) / wd for number in range(-1, count + 1))
        return tuple(turn for turn in turns if 0.0 < turn <= until_s)


@dataclass(frozen=True, kw_only=True, slots=True)
class RingMove:
    """A move of a second-order output whose reference runs in a ramp until ``bend_s`` and rests from there.

    ``ramp_x_v`` and ``ramp_slope`` are the distance from the steady ramp, and its slope, at the start;
    ``rest_x_v`` and ``rest_slope`` those from the end at the bend. From ``quiet_s`` on it is over, to a
    float's resolution.
    """

    start_s: float
    start_v: float
    end_v: float
    from_v: float
    slew_v_per_s: float
    bend_s: float
    oscillator: Oscillator
    lag_v: float
    ramp_x_v: float
    ramp_slope: float
    rest_x_v: float
    rest_slope: float
    quiet_s: float

    def reference_v(self, at_s: float) -> float:
        """Tell where the reference is."""
        return self.end_v if at_s >= self.bend_s else self.from_v + self.slew_v_per_s * (at_s - self.start_s)

    def voltage_v(self, at_s: float) -> float:
        """Tell the voltage at an instant; before the start it is the start's."""
        return self.start_v if at_s <= self.start_s else self._state(at_s)[0]

    def slope_v_per_s(self, at_s: float) -> float:
        """Tell how fast the voltage changes."""
        return self._state(max(at_s, self.start_s))[1]

    def integral_v_s(self, from_s: float, to_s: float) -> float:
        """Integrate the voltage over a time span that does not begin before the move."""
        middle_s = min(max(self.bend_s, from_s), to_s)
        total = self._integral(from_s, middle_s, is_ramp=True) if middle_s > from_s else 0.0
        return total + (self._integral(middle_s, to_s, is_ramp=False) if to_s > middle_s else 0.0)

    def landmarks(self, from_s: float) -> tuple[float, ...]:
        """Tell times after ``from_s`` between which the move runs one way, up to where it has died away."""
        end_s = self.bend_s + _SEEN_TIME_CONSTANTS * self.oscillator.slowest_s
        ramp_s = self.bend_s - self.start_s
        marks = [self.start_s + ramp_s * number / _RAMP_MARKS for number in range(1, _RAMP_MARKS)] if ramp_s else []
        turns = self.oscillator.turns_s(self.rest_x_v, self.rest_slope, end_s - self.bend_s)
        marks += (self.bend_s, *(self.bend_s + turn_s for turn_s in turns), end_s)
        return tuple(mark_s for mark_s in marks if mark_s > from_s)

    def _state(self, at_s: float) -> tuple[float, float]:
        if at_s >= self.quiet_s:
            return self.end_v, 0.0
        if at_s >= self.bend_s:
            x, slope = self.oscillator.state(self.rest_x_v, self.rest_slope, at_s - self.bend_s)
            return self.end_v + x, slope
        x, slope = self.oscillator.state(self.ramp_x_v, self.ramp_slope, at_s - self.start_s)
        return self.reference_v(at_s) + self.lag_v + x, slope + self.slew_v_per_s

    def _integral(self, from_s: float, to_s: float, *, is_ramp: bool) -> float:
        # From the equation itself: the integral of x is -(x' + 2 damping w x) / w^2.
        w, zeta = self.oscillator.omega_per_s, self.oscillator.damping
        x, slope, begin_s = (
            (self.ramp_x_v, self.ramp_slope, self.start_s) if is_ramp else (self.rest_x_v, self.rest_slope, self.bend_s)
        )
        parts = [self.oscillator.state(x, slope, at_s - begin_s) for at_s in (from_s, to_s)]
        begin, end = (rate + 2.0 * zeta * w * left for left, rate in parts)
        steady = self.end_v
        if is_ramp:
            steady = self.from_v + self.lag_v + self.slew_v_per_s * (0.5 * (from_s + to_s) - self.start_s)
        return steady * (to_s - from_s) - (end - begin) / (w * w)


def begin_ring_move(
    *,
    start_s: float,
    start_v: float,
    slope_v_per_s: float,
    from_v: float,
    end_v: float,
    oscillator: Oscillator,
    slew_v_per_s: float = math.inf,
) -> RingMove:
    """Work out a move from a voltage and a slope; the reference runs from ``from_v`` to the end at the slew limit.

    Theory: the response of a linear system of second order to a ramp is that ramp, behind by 2 damping / w times its
    slope, plus a decaying part that makes up for the beginning.
    """
    distance_v = end_v - from_v
    is_step = math.isinf(slew_v_per_s) or distance_v == 0.0
    slew = 0.0 if is_step else math.copysign(slew_v_per_s, distance_v)
    ramp_s = 0.0 if is_step else distance_v / slew
    lag_v = -2.0 * oscillator.damping * slew / oscillator.omega_per_s
    ramp_x_v, ramp_slope = start_v - from_v - lag_v, slope_v_per_s - slew
    rest_x_v, rest_slope = start_v - end_v, slope_v_per_s
    if ramp_s > 0.0:
        x, rate = oscillator.state(ramp_x_v, ramp_slope, ramp_s)
        rest_x_v, rest_slope = lag_v + x, rate + slew
    return RingMove(
        start_s=start_s,
        start_v=start_v,
        end_v=end_v,
        from_v=from_v,
        slew_v_per_s=slew,
        bend_s=start_s + ramp_s,
        oscillator=oscillator,
        lag_v=lag_v,
        ramp_x_v=ramp_x_v,
        ramp_slope=ramp_slope,
        rest_x_v=rest_x_v,
        rest_slope=rest_slope,
        quiet_s=start_s + ramp_s + _SETTLED_TIME_CONSTANTS * oscillator.slowest_s,
    )
