"""Watch status and voltage of every rail while anything else goes on, in the same thread."""

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass

from cornerrun.bench.ports import FaultCapture, RailPower, Telemetry
from cornerrun.clock import Clock
from cornerrun.errors import BenchError, SupervisionLost
from cornerrun.plan.model import Plan
from cornerrun.results.records import WatchRange
from cornerrun.run.faults import goes_on
from cornerrun.run.journal import Journal
from cornerrun.run.sequence import Trouble
from cornerrun.run.trouble import Alarmed
from cornerrun.units import Kind, show

__all__ = ["Mean", "Supervisor"]

# STATUS_WORD and STATUS_TEMPERATURE, PMBus 1.2 Part II section 17 (bits as in Linux drivers/hwmon/pmbus/pmbus.h).
_OFF = 1 << 6
_VOUT_OV_FAULT = 1 << 5
_IOUT_OC_FAULT = 1 << 4
_TEMPERATURE = 1 << 2
_VOUT = 1 << 15
_SUSPICIOUS = _OFF | _VOUT_OV_FAULT | _IOUT_OC_FAULT | _TEMPERATURE | _VOUT
_PERHAPS = _TEMPERATURE | _VOUT  # warnings show there too
_OT_FAULT = 1 << 7
_VOUT_FAULTS = 1 << 7 | 1 << 4 | 1 << 2  # OV, UV, TON_MAX

_TRIES = 10  # chosen: how often a failed reading is tried again within one period of the watch


@dataclass(frozen=True, kw_only=True, slots=True)
class Mean:
    """The mean of so many readings."""

    mean_v: float
    samples: int


class _Watched:
    """What is known of one rail; changes with every reading."""

    __slots__ = (
        "always",
        "count",
        "known",
        "last",
        "max_limit_v",
        "max_v",
        "min_limit_v",
        "min_v",
        "read_at_s",
        "rising",
        "sum_v",
    )

    def __init__(self, min_limit_v: float, max_limit_v: float) -> None:
        self.min_limit_v = min_limit_v
        self.max_limit_v = max_limit_v
        self.rising = False
        self.always = 0
        self.known = 0
        self.last: Telemetry | None = None
        self.read_at_s = -math.inf
        self.count = 0
        self.min_v = 0.0
        self.max_v = 0.0
        self.sum_v = 0.0


class Supervisor:
    """Read rails, judge what is read, and keep the least and the greatest of each part of a visit.

    Every reading of a rail during a run goes through here, whoever wants it: what was just read for settling need not
    be read again for the watch. Each readable rail is read at least once a period. Rails without telemetry cannot be
    watched; the reference meter sees them once a visit.

    Every method that reads raises `Alarmed` for a trip or a voltage beyond a hard limit, and SupervisionLost if nothing
    could be read for a whole period.
    """

    def __init__(
        self, *, plan: Plan, power: RailPower, faults: FaultCapture, clock: Clock, period_s: float, journal: Journal
    ) -> None:
        self._power = power
        self._faults = faults
        self._clock = clock
        self._period_s = period_s
        self._journal = journal
        self._watched = {
            rail.name: _Watched(rail.hard_limits.min_v, rail.hard_limits.max_v)
            for rail in plan.rails
            if rail.name in power.scan_s
        }
        self._due_s = clock.now_s()
        self._during = ""
        self._ranges: list[WatchRange] = []
        self.ignores_stop = False

    @property
    def rails(self) -> tuple[str, ...]:
        """The rails that have telemetry, in plan order."""
        return tuple(self._watched)

    def last(self, rail: str) -> Telemetry | None:
        """The last reading of a rail; None if it has no telemetry or was not read yet."""
        watched = self._watched.get(rail)
        return watched.last if watched else None

    def mean(self, rail: str) -> Mean | None:
        """The mean of what was read of a rail in the present part of a visit; None if nothing was."""
        watched = self._watched.get(rail)
        if watched is None or not watched.count:
            return None
        return Mean(mean_v=watched.sum_v / watched.count, samples=watched.count)

    def known_status(self, rails: Mapping[str, int]) -> None:
        """Take status bits as known from before, so that they raise no alarm; OFF is never taken so."""
        for rail, bits in rails.items():
            self._watched[rail].always = self._watched[rail].known = bits & ~_OFF

    def expect_rise(self, rails: Iterable[str]) -> None:
        """Take rails as being turned on: off, or below their limit, is no alarm until they have come up once."""
        for rail in rails:
            if rail in self._watched:
                self._watched[rail].rising = True

    @contextmanager
    def overlooking(self, rails: Iterable[str]) -> Iterator[None]:
        """Let status bits of rails stand that are captured and not cleared yet; OFF is never overlooked."""
        found = [self._watched[rail] for rail in rails if rail in self._watched]
        before = [watched.known for watched in found]
        for watched in found:
            watched.known = ~_OFF
        try:
            yield
        finally:
            for watched, known in zip(found, before, strict=True):
                watched.known = known

    def is_up(self, rail: str) -> bool:
        """Whether a rail that was expected to rise has come up; True for one that nobody expects to."""
        watched = self._watched.get(rail)
        return watched is None or not watched.rising

    def begin(self, during: str) -> None:
        """Begin a part of a visit: ranges from here on are kept under its name."""
        for rail, watched in self._watched.items():
            watched.known = watched.always
            if watched.count:
                self._ranges.append(
                    WatchRange(
                        rail=rail,
                        during=self._during,
                        min_v=watched.min_v,
                        max_v=watched.max_v,
                        samples=watched.count,
                    )
                )
                watched.count = 0
                watched.sum_v = 0.0
        self._during = during

    def take_ranges(self) -> tuple[WatchRange, ...]:
        """Hand over the ranges of the visit that ends, and begin anew."""
        self.begin("")
        ranges, self._ranges = tuple(self._ranges), []
        return ranges

    def read(self, rails: Sequence[str], *, with_load: bool = False) -> tuple[Telemetry, ...]:
        """Read rails and judge what came."""
        telemetry = self._read(rails, with_load=with_load)
        suspects = [reading for reading in telemetry if self._take(reading)]
        if suspects:
            self._investigate(suspects)
        return telemetry

    def tick(self) -> float:
        """Let the supervisor do what is due; return when it wants to be called again, on the clock.

        Raises Alarmed if somebody asked for the end of the run.
        """
        if self._clock.stop.reason is not None and not self.ignores_stop:
            trouble = Trouble.GUARDIAN if self._clock.stop.is_fault else Trouble.STOP
            raise Alarmed(trouble, self._clock.stop.reason)
        now_s = self._clock.now_s()
        if now_s >= self._due_s:
            # What was read in the younger half of the period is not read again.
            limit_s = now_s - self._period_s / 2
            stale = [rail for rail, watched in self._watched.items() if watched.read_at_s <= limit_s]
            if stale:
                self.read(stale)
            oldest_s = min((watched.read_at_s for watched in self._watched.values()), default=now_s)
            self._due_s = oldest_s + self._period_s
        return self._due_s

    def wait_until(self, deadline_s: float) -> None:
        """Let time pass, watching."""
        while True:
            due_s = self.tick()
            if due_s >= deadline_s:
                self._clock.sleep_until(deadline_s, interruptible=not self.ignores_stop)
                if self.ignores_stop or self._clock.stop.reason is None:
                    return
            else:
                self._clock.sleep_until(due_s, interruptible=not self.ignores_stop)

    def _read(self, rails: Sequence[str], *, with_load: bool) -> tuple[Telemetry, ...]:
        """Read rails; what fails is tried again for one period of the watch, for a device may be busy for a moment."""
        try:
            return self._power.read(rails, with_load=with_load)
        except BenchError as first:
            self._journal.note("warning", f"rails could not be read and are read again: {first}")
        deadline_s = self._clock.now_s() + self._period_s
        while True:
            # Not interruptible: whether rails can be watched has to be known, whoever wants the run to end.
            self._clock.sleep_until(self._clock.now_s() + self._period_s / _TRIES, interruptible=False)
            try:
                return self._power.read(rails, with_load=with_load)
            except BenchError as again:
                if self._clock.now_s() >= deadline_s:
                    raise SupervisionLost(f"rails can no longer be watched: {again}") from again

    def _take(self, reading: Telemetry) -> bool:
        """Keep a reading; tell whether it must be looked into."""
        watched = self._watched[reading.rail]
        voltage_v = reading.voltage_v
        if not watched.count:
            watched.min_v = watched.max_v = voltage_v
        elif voltage_v < watched.min_v:
            watched.min_v = voltage_v
        elif voltage_v > watched.max_v:
            watched.max_v = voltage_v
        watched.count += 1
        watched.sum_v += voltage_v
        watched.last = reading
        watched.read_at_s = reading.read_at_s
        status = reading.status_word or 0
        # A comparison with NaN is false: no number is never inside.
        is_inside = watched.min_limit_v <= voltage_v <= watched.max_limit_v
        if watched.rising:
            watched.rising = not is_inside or bool(status & _OFF)
            return bool(status & _SUSPICIOUS & ~(_OFF | _VOUT) & ~watched.known) or not voltage_v <= watched.max_limit_v
        return not is_inside or bool(status & _SUSPICIOUS & ~watched.known)

    def _investigate(self, suspects: Iterable[Telemetry]) -> None:
        rails = [reading.rail for reading in suspects]
        self._judge_status(rails)
        # One corrupted transfer is no voltage: only a second reading of the same kind takes the board down.
        again = self._read(rails, with_load=False)
        outside = [reading for reading in again if self._take(reading)]
        if not outside:
            self._journal.note("warning", f"a reading beyond a limit did not repeat: {', '.join(rails)}")
            return
        # A rail that fell because another tripped is no voltage beyond a limit but a fault that spread.
        for reading in self._read(self.rails, with_load=False):
            self._take(reading)
        self._judge_status(self.rails)
        raise Alarmed(
            Trouble.HARD_LIMIT,
            "; ".join(self._beyond(reading) for reading in outside),
            tuple(reading.rail for reading in outside),
        )

    def _judge_status(self, rails: Sequence[str]) -> None:
        tripped = []
        for rail in rails:
            watched = self._watched[rail]
            status = watched.last.status_word if watched.last is not None else None
            news = (status or 0) & _SUSPICIOUS & ~watched.known & ~(_OFF | _VOUT if watched.rising else 0)
            if news and not news & ~_PERHAPS and not self._has_faulted(rail):
                watched.known |= news
                if news & _TEMPERATURE:
                    self._journal.note("warning", "temperature warning", rail)
            elif news:
                tripped.append((rail, news))
        if tripped:
            is_severe = any(news & ~_OFF & ~_VOUT for _, news in tripped)
            raise Alarmed(
                Trouble.SEVERE_TRIP if is_severe else Trouble.TRIP,
                "; ".join(f"{rail} {_named(news)}" for rail, news in tripped),
                tuple(rail for rail, _ in tripped),
            )

    def _has_faulted(self, rail: str) -> bool:
        """Look up what a summary bit stands for: a fault after which the device did not just go on, or less."""
        return any(
            capture.registers.get("STATUS_TEMPERATURE", 0) & _OT_FAULT
            or (capture.registers.get("STATUS_VOUT", 0) & _VOUT_FAULTS and not goes_on(capture))
            for capture in self._faults.capture([rail])
            if capture.rail == rail
        )

    def _beyond(self, reading: Telemetry) -> str:
        watched = self._watched[reading.rail]
        return (
            f"{reading.rail} reads {show(reading.voltage_v, Kind.VOLTAGE)}, hard limits "
            f"{show(watched.min_limit_v, Kind.VOLTAGE)} to {show(watched.max_limit_v, Kind.VOLTAGE)}"
        )


def _named(bits: int) -> str:
    names = (
        (_OFF, "is off"),
        (_VOUT_OV_FAULT, "over-voltage fault"),
        (_IOUT_OC_FAULT, "over-current fault"),
        (_TEMPERATURE, "over-temperature fault"),
        (_VOUT, "output voltage fault"),
    )
    return ", ".join(name for bit, name in names if bits & bit)
