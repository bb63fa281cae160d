"""The hole that every instrument fits: lines of text out, lines of text in."""

from typing import Protocol

__all__ = ["TextLink"]


class TextLink(Protocol):
    """A message exchange with one instrument; messages carry no terminator here."""

    def write(self, message: str, /) -> None:
        """Send one message."""
        ...

    def read(self, timeout_s: float, /) -> str:
        """Receive one response. TimeoutError if none came in time; OSError if the link is gone."""
        ...

    def clear(self) -> None:
        """Discard whatever is still on its way (device clear where the link has one)."""
        ...

    def close(self) -> None:
        """Give the instrument back."""
        ...
