"""What a driver saw that no exception carries: it is handed to the run, which keeps it for the report."""

from cornerrun.bench.ports import Note

__all__ = ["Remarks"]


class Remarks:
    """Collect notes until somebody takes them; the same one is kept once, with how often it came."""

    def __init__(self) -> None:
        self._waiting: dict[Note, int] = {}

    def add(self, severity: str, what: str, rail: str = "") -> None:
        """Keep a note; ``severity`` as in `cornerrun.bench.ports.Note`."""
        note = Note(severity=severity, what=what, rail=rail)
        self._waiting[note] = self._waiting.get(note, 0) + 1

    def second_master(self, what: str, rail: str = "") -> None:
        """Keep that somebody else changes a device; ``what`` says which register, from what and to what."""
        self.add("warning", f"second master: {what}; another master writes to the device, or it was reset", rail)

    def take(self) -> tuple[Note, ...]:
        """Hand over what has come since the last time."""
        waiting, self._waiting = self._waiting, {}
        return tuple(
            note if count == 1 else Note(severity=note.severity, what=f"{note.what} ({count} times)", rail=note.rail)
            for note, count in waiting.items()
        )
