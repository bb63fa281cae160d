"""An output over time: the moves that it made, so that the past can still be read."""

import math
from collections import deque
from collections.abc import Callable
from typing import Protocol

from cornerrun.bench.simulated.crossing import first_crossing_s
from cornerrun.bench.simulated.rail import Move, begin_move
from cornerrun.bench.simulated.ringing import Oscillator, RingMove, begin_ring_move

__all__ = ["FollowingOutput", "MovedOutput", "Output"]

_REMEMBERED_MOVES = 64  # chosen: an ADC or a meter looks back over a few moves at most


class Output(Protocol):
    """A voltage over time that may change its course; each change is told to those who listen."""

    @property
    def ripple_v(self) -> float:
        """Ripple, peak to peak, that `voltage_v` leaves out and a fast comparator sees."""
        ...

    def voltage_v(self, at_s: float, /) -> float:
        """Tell the voltage at an instant; past its last change it is a forecast."""
        ...

    def sampled_v(self, at_s: float, /) -> float:
        """Tell the voltage that a sampling ADC finds at an instant: ripple included."""
        ...

    def mean_v(self, from_s: float, to_s: float, /) -> float:
        """Tell the mean voltage over a time span, as an integrating meter sees it."""
        ...

    def end_v(self) -> float:
        """Tell where the output is heading."""
        ...

    def crosses_at_s(self, level_v: float, /) -> float | None:
        """Tell when the course under way passes a level; None if it does not."""
        ...

    def next_crossing_s(self, level_v: float, from_s: float, /, *, is_rising: bool) -> float | None:
        """Tell when the course under way passes a level in one direction; None if it does not."""
        ...

    def extremes_v(self, from_s: float, /) -> tuple[float, float]:
        """Tell the lowest and the highest voltage of the course under way from a time on."""
        ...

    def landmarks(self, from_s: float, /) -> tuple[float, ...]:
        """Tell times after ``from_s``, in order, between which the course under way runs one way."""
        ...

    def listen(self, told: Callable[[float], None], /) -> None:
        """Have ``told`` called with the time whenever the course changes."""
        ...


class MovedOutput:
    """An output that goes where it is told to."""

    ripple_v = 0.0

    def __init__(self, voltage_v: float) -> None:
        self._move: Move | RingMove = begin_move(
            start_s=-math.inf, start_v=voltage_v, end_v=voltage_v, time_constant_s=0.0
        )
        self._past: deque[Move | RingMove] = deque(maxlen=_REMEMBERED_MOVES)
        self._listeners: list[Callable[[float], None]] = []

    def listen(self, told: Callable[[float], None], /) -> None:
        self._listeners.append(told)

    def go(
        self,
        at_s: float,
        end_v: float,
        *,
        time_constant_s: float,
        slew_v_per_s: float = math.inf,
        oscillator: Oscillator | None = None,
    ) -> None:
        """Head for a voltage, from wherever the output is at that time; with an ``oscillator`` it may overshoot."""
        before, start_v = self._move, self.voltage_v(at_s)
        if oscillator is None:
            self._take(
                at_s,
                begin_move(
                    start_s=at_s,
                    start_v=start_v,
                    end_v=end_v,
                    time_constant_s=time_constant_s,
                    slew_v_per_s=slew_v_per_s,
                ),
            )
            return
        self._take(
            at_s,
            begin_ring_move(
                start_s=at_s,
                start_v=start_v,
                slope_v_per_s=before.slope_v_per_s(at_s),
                from_v=before.reference_v(at_s) if isinstance(before, RingMove) else start_v,
                end_v=end_v,
                oscillator=oscillator,
                slew_v_per_s=slew_v_per_s,
            ),
        )

    def voltage_v(self, at_s: float, /) -> float:
        move = self._move
        if at_s < move.start_s:
            move = self._move_at(at_s)
        return move.voltage_v(at_s)

    sampled_v = voltage_v

    def mean_v(self, from_s: float, to_s: float, /) -> float:
        if to_s <= from_s:
            return self.voltage_v(from_s)
        total, end_s = 0.0, to_s
        for move in (self._move, *reversed(self._past)):
            if move.start_s < end_s:
                start_s = max(move.start_s, from_s)
                total += move.integral_v_s(start_s, end_s)
                end_s = start_s
            if end_s <= from_s:
                break
        else:
            total += self.voltage_v(from_s) * (end_s - from_s)
        return total / (to_s - from_s)

    def end_v(self) -> float:
        return self._move.end_v

    def crosses_at_s(self, level_v: float, /) -> float | None:
        move = self._move
        if isinstance(move, Move):
            return move.crosses_at_s(level_v)
        marks_s = (move.start_s, *move.landmarks(move.start_s))
        return first_crossing_s(move.voltage_v, level_v, marks_s, is_rising=level_v > move.start_v)

    def next_crossing_s(self, level_v: float, from_s: float, /, *, is_rising: bool) -> float | None:
        move = self._move
        if isinstance(move, RingMove):
            marks_s = (from_s, *move.landmarks(from_s))
            return first_crossing_s(move.voltage_v, level_v, marks_s, is_rising=is_rising)
        if (move.end_v > move.start_v) is not is_rising:
            return None
        return move.crosses_at_s(level_v)

    def extremes_v(self, from_s: float, /) -> tuple[float, float]:
        now_v, end_v = self.voltage_v(from_s), self._move.end_v
        if isinstance(self._move, RingMove):
            seen_v = [self._move.voltage_v(mark_s) for mark_s in self._move.landmarks(from_s)]
            return min(now_v, end_v, *seen_v), max(now_v, end_v, *seen_v)
        return (now_v, end_v) if now_v < end_v else (end_v, now_v)

    def landmarks(self, from_s: float, /) -> tuple[float, ...]:
        return self._move.landmarks(from_s)

    def _take(self, at_s: float, move: Move | RingMove) -> None:
        self._past.append(self._move)
        self._move = move
        for told in self._listeners:
            told(at_s)

    def _move_at(self, at_s: float) -> Move | RingMove:
        for move in reversed(self._past):
            if at_s >= move.start_s:
                return move
        return self._past[0] if self._past else self._move


class FollowingOutput:
    """An output that hardware makes follow another: ratio times its voltage, with a gain and an offset error."""

    def __init__(self, source: Output, *, ratio: float, gain_error_ratio: float, offset_error_v: float) -> None:
        self._source = source
        self._factor = ratio * (1.0 + gain_error_ratio)
        self._offset_v = offset_error_v

    @property
    def ripple_v(self) -> float:
        return self._source.ripple_v * self._factor

    def listen(self, told: Callable[[float], None], /) -> None:
        self._source.listen(told)

    def voltage_v(self, at_s: float, /) -> float:
        return self._source.voltage_v(at_s) * self._factor + self._offset_v

    def sampled_v(self, at_s: float, /) -> float:
        return self._source.sampled_v(at_s) * self._factor + self._offset_v

    def mean_v(self, from_s: float, to_s: float, /) -> float:
        return self._source.mean_v(from_s, to_s) * self._factor + self._offset_v

    def end_v(self) -> float:
        return self._source.end_v() * self._factor + self._offset_v

    def crosses_at_s(self, level_v: float, /) -> float | None:
        return self._source.crosses_at_s((level_v - self._offset_v) / self._factor)

    def next_crossing_s(self, level_v: float, from_s: float, /, *, is_rising: bool) -> float | None:
        source_v = (level_v - self._offset_v) / self._factor
        return self._source.next_crossing_s(source_v, from_s, is_rising=is_rising)

    def extremes_v(self, from_s: float, /) -> tuple[float, float]:
        low_v, high_v = self._source.extremes_v(from_s)
        return low_v * self._factor + self._offset_v, high_v * self._factor + self._offset_v

    def landmarks(self, from_s: float, /) -> tuple[float, ...]:
        return self._source.landmarks(from_s)
