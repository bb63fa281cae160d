"""How long a device must be left alone; apart from profiles, so that a guardian needs no reader of files."""

from dataclasses import dataclass

__all__ = ["Delays"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Delays:
    """How long a device must be left alone: after any message, after a write, after a change of PAGE."""

    access_s: float = 0.0
    write_s: float = 0.0
    page_change_s: float = 0.0
