"""Note warnings that devices raise at a corner: evidence first, then cleared so that the next corner starts clean."""

from collections.abc import Iterable, Mapping

from cornerrun.bench.ports import FaultCapture, StatusCapture, Telemetry
from cornerrun.run.journal import Journal

__all__ = ["StatusNotes", "registers_text"]

_STATUS_VOUT_MAX_MIN = 1 << 3  # STATUS_VOUT bit 3, VOUT_MAX_MIN warning (Linux drivers/hwmon/pmbus/pmbus.h)
_BUSY = 1 << 7  # STATUS_WORD bit 7 says nothing of the rail


class StatusNotes:
    """Look at the status words of each visit's sweep.

    Status bits latch: what one corner raised would be read at the next as well. So each rail that shows something new
    is captured, noted, and cleared; a condition that is still there sets its bit again at once and is cleared once
    more when the rails have left it.
    """

    def __init__(self, *, faults: FaultCapture, journal: Journal) -> None:
        self._faults = faults
        self._journal = journal
        self._flagged: dict[str, None] = {}
        self._known: dict[str, int] = {}

    def learn(self, telemetry: Iterable[Telemetry]) -> Mapping[str, int]:
        """Capture, note and clear what stands before anything has moved; `known` takes what does not go away."""
        flagged = {reading.rail: word for reading in telemetry if (word := _word(reading))}
        if flagged:
            self._note("before the run", self._faults.capture(tuple(flagged)))
            self._faults.clear(tuple(flagged))
        return flagged

    def know(self, telemetry: Iterable[Telemetry]) -> Mapping[str, int]:
        """Take status bits as belonging to this board at nominal, so that they are not noted at each corner."""
        self._known = {reading.rail: word for reading in telemetry if (word := _word(reading))}
        return self._known

    def before_sweep(self) -> None:
        """Clear what an earlier corner has left; it was captured there."""
        if self._flagged:
            self._faults.clear(tuple(self._flagged))
            self._flagged.clear()

    def look(self, corner: str, telemetry: Iterable[Telemetry]) -> frozenset[str]:
        """Note what is new; return the rails whose device held the setpoint back at VOUT_MAX or VOUT_MIN."""
        news = tuple(reading.rail for reading in telemetry if _word(reading) & ~self._known.get(reading.rail, 0))
        if not news:
            return frozenset()
        captures = self._faults.capture(news)
        self._note(f"at {corner}", captures)
        self._faults.clear(news)
        self._flagged.update(dict.fromkeys(news))
        return frozenset(
            capture.rail for capture in captures if capture.registers.get("STATUS_VOUT", 0) & _STATUS_VOUT_MAX_MIN
        )

    def _note(self, when: str, captures: Iterable[StatusCapture]) -> None:
        for capture in captures:
            self._journal.note("warning", f"status {when}: {registers_text(capture)}", capture.rail)


def registers_text(capture: StatusCapture) -> str:
    """Write captured registers that are not zero: "STATUS_WORD 0x8040, STATUS_VOUT 0x10"."""
    shown = [
        f"{name} 0x{value:0{4 if name == 'STATUS_WORD' else 2}X}" for name, value in capture.registers.items() if value
    ]
    return ", ".join(shown) or "all clear"


def _word(reading: Telemetry) -> int:
    return (reading.status_word or 0) & ~_BUSY
