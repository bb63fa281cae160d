"""A simulated SCPI instrument: messages in, answers out, IEEE 488.2 around whatever a table of commands does.

Source, from memory: IEEE 488.2-1992 section 10 (common commands), SCPI-99 volume 2 section 21.8 (SYSTem:ERRor?).
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from cornerrun.bench.scpi.program import Pattern, ProgramUnit, split_message
from cornerrun.bench.scpi.text import number
from cornerrun.bench.simulated.status import OPERATION_COMPLETE, Refusal, Status
from cornerrun.clock import Clock

__all__ = ["Entry", "InstrumentEngine", "Parameters", "entry", "real", "shown", "switch", "switchable"]

Parameters = tuple[str, ...]
_LONGEST_MESSAGE = 1 << 16
_MOST_REMEMBERED = 256


@dataclass(frozen=True, kw_only=True, slots=True)
class Entry:
    """A header and what it does; a query's ``act`` returns the answer. ``parameters``: least and most."""

    pattern: Pattern
    is_query: bool
    act: Callable[[Parameters], str | None]
    parameters: tuple[int, int] = (0, 0)


def entry(header: str, act: Callable[[Parameters], str | None], parameters: tuple[int, int] = (0, 0)) -> Entry:
    """Make an entry from a header as manuals print it, with a question mark if it is a query."""
    return Entry(pattern=Pattern(header.rstrip("?")), is_query=header.endswith("?"), act=act, parameters=parameters)


def real(text: str, least: float, most: float, unit: str = "") -> float:
    """Read a number with an optional unit, or MIN, MAX; Refusal if it is none, or out of range."""
    named = {"MIN": least, "MINIMUM": least, "MAX": most, "MAXIMUM": most}.get(text.upper())
    if named is not None:
        return named
    bare, factor = text, 1.0
    for suffix, scale in ((f"M{unit}", 1e-3), (unit, 1.0)):
        if unit and text.upper().endswith(suffix):
            bare, factor = text[: -len(suffix)], scale
            break
    try:
        value = number(bare) * factor
    except ValueError as error:
        raise Refusal(-104, text[:20]) from error
    if not least <= value <= most:
        raise Refusal(-222)
    return value


def switch(text: str) -> bool:
    """Read ON, OFF, 1 or 0."""
    known = {"ON": True, "1": True, "OFF": False, "0": False}
    if text.upper() not in known:
        raise Refusal(-224, text[:20])
    return known[text.upper()]


def shown(value: float) -> str:
    """Write a number as an answer: NR3 (IEEE 488.2 section 8.7.4)."""
    return f"{value:+.8E}"


def switchable(header: str, put: Callable[[bool], None], get: Callable[[], bool]) -> tuple[Entry, Entry]:
    """Make the command and the query of a switch."""

    def act(given: Parameters) -> None:
        put(switch(given[0]))

    return entry(header, act, (1, 1)), entry(f"{header}?", lambda _: str(int(get())))


class InstrumentEngine:
    """A text link with an instrument at its other end.

    ``reset`` brings the settings of ``*RST``, and after a loss of supply too unless ``restart`` does something else;
    ``done_s`` tells when what goes on is over, for ``*OPC?`` and ``*WAI``; ``refresh`` carries out what has become due.
    """

    def __init__(
        self,
        *,
        identity: str,
        entries: Sequence[Entry],
        clock: Clock,
        reset: Callable[[], None],
        restart: Callable[[], None] | None = None,
        done_s: Callable[[], float] | None = None,
        refresh: Callable[[], object] | None = None,
        latency_s: float = 0.0,
    ) -> None:
        self.status = Status()
        self._clock = clock
        self._latency_s = latency_s
        self._reset = reset
        self._restart = restart or reset
        self._done_s = done_s or clock.now_s
        self._refresh = refresh or clock.now_s
        self._answer: list[str] = []
        self._due_s = clock.now_s()
        self._identity = identity
        self._entries = (*self._common(), *entries)
        self._found: dict[tuple[str, bool], Entry] = {}

    @property
    def has_answer(self) -> bool:
        """Whether a response waits, or will once its time has come."""
        return bool(self._answer)

    def power_cycle(self) -> None:
        """Lose what the supply holds up; the power-on bit is set."""
        self.status = Status()
        self._answer.clear()
        self._restart()

    def write(self, message: str, /) -> None:
        self._clock.charge(self._latency_s)
        if self._answer:
            self._answer.clear()
            self.status.report(-410)
        self._due_s = self._clock.now_s()
        try:
            for unit in self._units(message):
                self._refresh()
                answer = self._find(unit).act(unit.parameters)
                if answer is not None:
                    self._answer.append(answer)
        except Refusal as refusal:
            # A unit that is refused takes the rest of its message with it (IEEE 488.2 section 6.1.6, from memory).
            self.status.report(refusal.code, refusal.info)

    def read(self, timeout_s: float, /) -> str:
        deadline_s = self._clock.now_s() + timeout_s
        if not self._answer:
            self.status.report(-420)
        if not self._answer or self._due_s > deadline_s:
            self._clock.sleep_until(deadline_s, interruptible=False)
            raise TimeoutError("no answer in time")
        self._clock.sleep_until(self._due_s, interruptible=False)
        parts, self._answer = self._answer, []
        return ";".join(parts)

    def clear(self) -> None:
        self._answer.clear()

    def close(self) -> None:
        self._answer.clear()

    def _units(self, message: str) -> tuple[ProgramUnit, ...]:
        if len(message) > _LONGEST_MESSAGE:
            raise Refusal(-363)
        try:
            return split_message(message)
        except ValueError as error:
            raise Refusal(-102, str(error)[:60]) from error

    def _find(self, unit: ProgramUnit) -> Entry:
        key = (unit.header, unit.is_query)
        found = self._found.get(key)
        if found is None:
            for candidate in self._entries:
                if candidate.is_query == unit.is_query and candidate.pattern.matches(unit.header):
                    found = candidate
                    break
            else:
                raise Refusal(-113, unit.header[:40])
            if len(self._found) < _MOST_REMEMBERED:
                self._found[key] = found
        least, most = found.parameters
        if len(unit.parameters) < least:
            raise Refusal(-109)
        if len(unit.parameters) > most:
            raise Refusal(-108)
        return found

    def _common(self) -> tuple[Entry, ...]:
        def set_mask(attribute: str) -> Callable[[Parameters], None]:
            return lambda given: setattr(self.status, attribute, round(real(given[0], 0, 255)))

        return (
            entry("*IDN?", lambda _: self._identity),
            entry("*RST", lambda _: self._reset()),
            entry("*CLS", lambda _: self.status.clear()),
            entry("*ESR?", lambda _: str(self.status.take_events())),
            entry("*ESE", set_mask("event_mask"), (1, 1)),
            entry("*ESE?", lambda _: str(self.status.event_mask)),
            entry("*SRE", set_mask("service_mask"), (1, 1)),
            entry("*SRE?", lambda _: str(self.status.service_mask)),
            entry("*STB?", lambda _: str(self.status.byte(has_answer=self.has_answer))),
            entry("*TST?", lambda _: "0"),
            entry("*OPC", lambda _: self._wait(then=lambda: self.status.note(OPERATION_COMPLETE))),
            entry("*OPC?", lambda _: self._say_when_done()),
            entry("*WAI", lambda _: self._wait(then=lambda: None)),
            entry("SYSTem:ERRor[:NEXT]?", lambda _: self.status.next_error()),
            entry("SYSTem:ERRor:COUNt?", lambda _: str(self.status.count)),
            entry("SYSTem:VERSion?", lambda _: "1999.0"),
        )

    def _wait(self, then: Callable[[], None]) -> None:
        self._clock.sleep_until(self._done_s(), interruptible=False)
        then()

    def _say_when_done(self) -> str:
        self._due_s = max(self._due_s, self._done_s())
        return "1"
