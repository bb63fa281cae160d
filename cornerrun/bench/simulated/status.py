"""The status model of a simulated instrument: event register and error queue.

Source, from memory: IEEE 488.2-1992 section 11.5.1 (event register), SCPI-99 volume 2 section 21.8 (error numbers; on
overflow the newest entry becomes -350).
"""

from collections import deque

__all__ = ["Refusal", "Status"]

_TEXTS = {
    0: "No error",
    -100: "Command error",
    -102: "Syntax error",
    -104: "Data type error",
    -108: "Parameter not allowed",
    -109: "Missing parameter",
    -113: "Undefined header",
    -131: "Invalid suffix",
    -211: "Trigger ignored",
    -213: "Init ignored",
    -214: "Trigger deadlock",
    -221: "Settings conflict",
    -222: "Data out of range",
    -224: "Illegal parameter value",
    -230: "Data corrupt or stale",
    -241: "Hardware missing",
    -310: "System error",
    -350: "Queue overflow",
    -363: "Input buffer overrun",
    -410: "Query INTERRUPTED",
    -420: "Query UNTERMINATED",
}
_DEPTH = 20  # chosen: as many as common meters keep
_EVENT_OF_CLASS = {1: 0x20, 2: 0x10, 3: 0x08, 4: 0x04}  # command, execution, device, query error
OPERATION_COMPLETE = 0x01
POWER_ON = 0x80


class Refusal(Exception):
    """Say that a command is refused, by its error number; it never leaves the simulated instrument."""

    def __init__(self, code: int, info: str = "") -> None:
        self.code = code
        self.info = info
        super().__init__(code, info)


class Status:
    """The event register, its mask, and the error queue of one instrument."""

    def __init__(self) -> None:
        self._entries: deque[tuple[int, str]] = deque()
        self._events = POWER_ON
        self.event_mask = 0
        self.service_mask = 0

    def report(self, code: int, info: str = "") -> None:
        """Put an error into the queue and set its event bit."""
        self._events |= _EVENT_OF_CLASS[-code // 100]
        if len(self._entries) >= _DEPTH:
            self._entries[-1] = (-350, _TEXTS[-350])
            self._events |= _EVENT_OF_CLASS[3]
            return
        text = _TEXTS[code]
        self._entries.append((code, f"{text};{info}" if info else text))

    def next_error(self) -> str:
        """Take the oldest error out of the queue."""
        code, text = self._entries.popleft() if self._entries else (0, _TEXTS[0])
        quoted = text.replace('"', '""')
        return f'{code:+d},"{quoted}"'

    @property
    def count(self) -> int:
        """How many errors wait."""
        return len(self._entries)

    def note(self, event: int) -> None:
        """Set an event bit that is no error."""
        self._events |= event

    def take_events(self) -> int:
        """Read the event register, which clears it."""
        events, self._events = self._events, 0
        return events

    def byte(self, *, has_answer: bool) -> int:
        """Tell the status byte: bit 2 errors wait (SCPI-99), bit 4 an answer waits, bit 5 events, bit 6 the summary."""
        bits = 0x04 * bool(self._entries) | 0x10 * has_answer | 0x20 * bool(self._events & self.event_mask)
        return bits | 0x40 * bool(bits & self.service_mask & ~0x40)

    def clear(self) -> None:
        """Empty queue and event register."""
        self._entries.clear()
        self._events = 0
