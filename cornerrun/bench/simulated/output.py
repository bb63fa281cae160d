"""An output over time: the moves that it made, so that the past can still be read."""

import math
from collections import deque
from collections.abc import Callable
from typing import Protocol

from cornerrun.bench.simulated.rail import Move, begin_move

__all__ = ["FollowingOutput", "MovedOutput", "Output"]

_REMEMBERED_MOVES = 64  # chosen: an ADC or a meter looks back over a few moves at most


class Output(Protocol):
    """A voltage over time that may change its course; each change is told to those who listen."""

    def voltage_v(self, at_s: float, /) -> float:
        """Tell the voltage at an instant; past its last change it is a forecast."""
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

    def listen(self, told: Callable[[float], None], /) -> None:
        """Have ``told`` called with the time whenever the course changes."""
        ...


class MovedOutput:
    """An output that goes where it is told to."""

    def __init__(self, voltage_v: float) -> None:
        self._move = begin_move(start_s=-math.inf, start_v=voltage_v, end_v=voltage_v, time_constant_s=0.0)
        self._past: deque[Move] = deque(maxlen=_REMEMBERED_MOVES)
        self._listeners: list[Callable[[float], None]] = []

    def listen(self, told: Callable[[float], None], /) -> None:
        self._listeners.append(told)

    def go(self, at_s: float, end_v: float, *, time_constant_s: float, slew_v_per_s: float = math.inf) -> None:
        """Head for a voltage, from wherever the output is at that time."""
        move = begin_move(
            start_s=at_s,
            start_v=self.voltage_v(at_s),
            end_v=end_v,
            time_constant_s=time_constant_s,
            slew_v_per_s=slew_v_per_s,
        )
        self._past.append(self._move)
        self._move = move
        for told in self._listeners:
            told(at_s)

    def voltage_v(self, at_s: float, /) -> float:
        move = self._move
        if at_s < move.start_s:
            move = self._move_at(at_s)
        return move.voltage_v(at_s)

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
        return self._move.crosses_at_s(level_v)

    def _move_at(self, at_s: float) -> Move:
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

    def listen(self, told: Callable[[float], None], /) -> None:
        self._source.listen(told)

    def voltage_v(self, at_s: float, /) -> float:
        return self._source.voltage_v(at_s) * self._factor + self._offset_v

    def mean_v(self, from_s: float, to_s: float, /) -> float:
        return self._source.mean_v(from_s, to_s) * self._factor + self._offset_v

    def end_v(self) -> float:
        return self._source.end_v() * self._factor + self._offset_v

    def crosses_at_s(self, level_v: float, /) -> float | None:
        return self._source.crosses_at_s((level_v - self._offset_v) / self._factor)
