"""The physics of one output: how it moves, how noisy its readings are, what an ADC makes of them."""

import math
from dataclasses import dataclass
from hashlib import blake2b

__all__ = ["Move", "achieved_v", "begin_move", "converted_v", "inl_v", "noise", "noise_key"]

_MASK = (1 << 64) - 1
_TWO_PI = 2.0 * math.pi
_TAIL = (0.0, 0.25, 0.5, 1.0, 1.5, 2.0, 3.0, 4.0, 6.0, 8.0, 12.0, 20.0)  # chosen; time constants
_SETTLED_TIME_CONSTANTS = 40.0  # exp(-40) is below a float's resolution of any voltage step


@dataclass(frozen=True, kw_only=True, slots=True)
class Move:
    """A first-order response with a slew limit: dv/dt = (end - v) / time constant, never faster than the slew.

    It runs in a straight line as long as the distance asks for more than the slew allows, until ``bend_s``, and
    exponentially from there: a closed form at every instant, and monotone, so that it crosses a level once at most.
    """

    start_s: float
    start_v: float
    end_v: float
    time_constant_s: float
    slew_v_per_s: float
    bend_s: float
    bend_v: float

    @property
    def quiet_s(self) -> float:
        """The time after which the move is over, to a float's resolution."""
        return self.bend_s + _SETTLED_TIME_CONSTANTS * self.time_constant_s

    def voltage_v(self, at_s: float) -> float:
        """Tell the voltage at an instant; before the start it is the start's."""
        if at_s >= self.bend_s:
            return self.end_v + self._left_v(at_s)
        if at_s <= self.start_s:
            return self.start_v
        return self.start_v + math.copysign(self.slew_v_per_s, self.end_v - self.start_v) * (at_s - self.start_s)

    def crosses_at_s(self, level_v: float) -> float | None:
        """Tell when the move passes a level strictly between its start and its end; None if it does not."""
        low_v, high_v = sorted((self.start_v, self.end_v))
        if not low_v < level_v < high_v:
            return None
        if abs(level_v - self.start_v) <= abs(self.bend_v - self.start_v):
            return self.start_s + abs(level_v - self.start_v) / self.slew_v_per_s
        share = (self.bend_v - self.end_v) / (level_v - self.end_v)
        return self.bend_s + self.time_constant_s * math.log(share)

    def slope_v_per_s(self, at_s: float) -> float:
        """Tell how fast the voltage changes."""
        if at_s >= self.bend_s:
            return -self._left_v(at_s) / self.time_constant_s if self.time_constant_s else 0.0
        return math.copysign(self.slew_v_per_s, self.end_v - self.start_v) if at_s >= self.start_s else 0.0

    def landmarks(self, from_s: float) -> tuple[float, ...]:
        """Tell times after ``from_s`` that cut the move into pieces of a similar share, up to where it is over."""
        tail = (self.bend_s + share * self.time_constant_s for share in _TAIL)
        middle_s = 0.5 * (self.start_s + self.bend_s)
        return tuple(mark_s for mark_s in (middle_s, *tail) if mark_s > from_s)

    def integral_v_s(self, from_s: float, to_s: float) -> float:
        """Integrate the voltage over a time span that does not begin before the move."""
        straight_end_s = min(max(self.bend_s, from_s), to_s)
        straight = 0.5 * (self.voltage_v(from_s) + self.voltage_v(straight_end_s)) * (straight_end_s - from_s)
        if from_s >= self.bend_s:
            straight, straight_end_s = 0.0, from_s
        settling = self.end_v * (to_s - straight_end_s)
        if to_s > straight_end_s:
            settling += self.time_constant_s * (self._left_v(straight_end_s) - self._left_v(to_s))
        return straight + settling

    def _left_v(self, at_s: float) -> float:
        """How far the end still is, past the bend."""
        if self.bend_v == self.end_v:
            return 0.0
        elapsed = (at_s - self.bend_s) / self.time_constant_s
        return (self.bend_v - self.end_v) * math.exp(-elapsed) if elapsed < _SETTLED_TIME_CONSTANTS else 0.0


def begin_move(
    *, start_s: float, start_v: float, end_v: float, time_constant_s: float, slew_v_per_s: float = math.inf
) -> Move:
    """Work out a move: ``time_constant_s`` 0 is a pure ramp, an infinite slew a pure exponential, both a step."""
    distance_v = abs(end_v - start_v)
    settling_v = 0.0 if time_constant_s == 0.0 else slew_v_per_s * time_constant_s
    straight_v = max(0.0, distance_v - settling_v)
    if straight_v == 0.0:
        bend_s, bend_v = start_s, start_v
    else:
        bend_s = start_s + straight_v / slew_v_per_s
        bend_v = start_v + math.copysign(straight_v, end_v - start_v) if settling_v else end_v
    return Move(
        start_s=start_s,
        start_v=start_v,
        end_v=end_v,
        time_constant_s=time_constant_s,
        slew_v_per_s=slew_v_per_s,
        bend_s=bend_s,
        bend_v=bend_v,
    )


def achieved_v(setpoint_v: float, *, gain_error_ratio: float, offset_error_v: float) -> float:
    """Tell where an output ends up for a setpoint: V = V_cmd (1 + g) + o (common model of trim accuracy)."""
    return setpoint_v * (1.0 + gain_error_ratio) + offset_error_v


def inl_v(deviation_ratio: float, amplitude_v: float, span_ratio: float) -> float:
    """Tell the integral non-linearity of a trim at a share from nominal: an S of the cube, chosen.

    It is zero at nominal and at plus and minus ``span_ratio``, and ``amplitude_v`` at most between; zero beyond.
    """
    u = deviation_ratio / span_ratio
    return amplitude_v * 1.5 * math.sqrt(3.0) * (u - u**3) if abs(u) < 1.0 else 0.0


def converted_v(
    voltage_v: float, *, noise_v: float, gain_error_ratio: float, offset_error_v: float, lsb_v: float
) -> float:
    """Tell what an ADC makes of a voltage: noise, gain and offset error, then whole steps, never below zero."""
    read_v = (voltage_v + noise_v) * (1.0 + gain_error_ratio) + offset_error_v
    return max(0.0, round(read_v / lsb_v) * lsb_v)


def noise_key(seed: int, rail: str) -> int:
    """Make the key of a rail's noise; the same text gives the same key on every machine."""
    return int.from_bytes(blake2b(f"{seed}\x1f{rail}".encode(), digest_size=8).digest(), "big")


def noise(key: int, index: int) -> float:
    """Draw from the standard normal distribution: a function of key and conversion index, in whatever order asked.

    The mixing steps are SplitMix64's (Steele, Lea, Flood 2014, "Fast splittable pseudorandom number generators";
    constants from memory); two 32-bit halves make one Box-Muller deviate.
    """
    z = (key + index * 0x9E3779B97F4A7C15) & _MASK
    z = ((z ^ (z >> 30)) * 0xBF58476D1CE4E5B9) & _MASK
    z = ((z ^ (z >> 27)) * 0x94D049BB133111EB) & _MASK
    z ^= z >> 31
    radius = math.sqrt(-2.0 * math.log(((z >> 32) + 0.5) / 4294967296.0))
    return radius * math.cos(_TWO_PI * ((z & 0xFFFFFFFF) / 4294967296.0))
