"""What a device's fault log says of when and where: entries of a block, by the layout that a profile gives."""

from dataclasses import dataclass

__all__ = ["LogEntry", "LogLayout", "log_entries"]


@dataclass(frozen=True, kw_only=True, slots=True)
class LogLayout:
    """Where an entry holds what; bytes count from 0, numbers come low byte first unless ``is_big_endian``.

    ``first`` is where the first entry of the block begins and ``size`` how long each is. ``register`` and ``bits`` are
    where the code of the status register and the bit that it latched stand; None where the log does not tell. The
    time counts ``tick_s`` and starts again once its bytes are full.
    """

    first: int
    size: int
    page: int
    time: int
    time_bytes: int
    tick_s: float
    register: int | None = None
    bits: int | None = None
    is_big_endian: bool = False

    @property
    def wraps_s(self) -> float:
        """After how long the time of the log starts again."""
        return float(self.tick_s * (1 << 8 * self.time_bytes))


@dataclass(frozen=True, kw_only=True, slots=True)
class LogEntry:
    """One entry: its page, its time on the device's own clock, what it says of the fault, and its bytes."""

    page: int
    at_s: float
    register: int | None
    bits: int | None
    raw: bytes


def log_entries(block: bytes, layout: LogLayout) -> tuple[LogEntry, ...]:
    """Take a log apart; entries that are all zeros or all ones are empty places, and a cut entry is none."""
    entries = []
    for start in range(layout.first, len(block) - layout.size + 1, layout.size):
        raw = block[start : start + layout.size]
        if set(raw) in ({0x00}, {0xFF}):
            continue
        ticks = int.from_bytes(
            raw[layout.time : layout.time + layout.time_bytes], "big" if layout.is_big_endian else "little"
        )
        entries.append(
            LogEntry(
                page=raw[layout.page],
                at_s=ticks * layout.tick_s,
                register=None if layout.register is None else raw[layout.register],
                bits=None if layout.bits is None else raw[layout.bits],
                raw=raw,
            )
        )
    return tuple(entries)
