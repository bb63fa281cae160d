"""A device's own log of its last faults, in the order in which they happened."""

from cornerrun.bench.simulated.manager_settings import FaultLogSettings

__all__ = ["TICK_S", "FaultLog"]

TICK_S = 1e-4
"""One step of an entry's time."""

_WRAP = 1 << 24


class FaultLog:
    """Keeps the first faults after it was cleared; what comes later is only counted. It forgets with its supply."""

    def __init__(self, settings: FaultLogSettings, *, start_s: float) -> None:
        self._settings = settings
        self._start_s = start_s
        self._entries: list[bytes] = []
        self._count = 0

    def record(self, page: int, at_s: float, code: int, bits: int) -> None:
        """Take down a fault of a page: the status register that shows it, and the bit."""
        self._count = min(self._count + 1, 0xFF)
        if len(self._entries) < self._settings.entries:
            ticks = round((at_s - self._start_s + self._settings.clock_offset) / TICK_S) % _WRAP
            self._entries.append(bytes((page, code, bits)) + ticks.to_bytes(3, "little"))

    def block(self) -> bytes:
        """Tell what the log's register holds: how many faults there were, then six bytes of each that was kept."""
        return bytes((self._count,)) + b"".join(self._entries)

    def faults_cleared(self) -> None:
        """Take notice of CLEAR_FAULTS: some devices wipe their log with it."""
        if self._settings.cleared_by_clear_faults:
            self.clear()

    def clear(self) -> None:
        """Forget everything."""
        self._entries.clear()
        self._count = 0

    def restart(self, at_s: float) -> None:
        """Begin anew after a power-up."""
        self._start_s = at_s
        self.clear()
