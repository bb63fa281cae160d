"""A person at the terminal: asked without waiting blindly, so that the rails stay watched while they work."""

import os
import select
import sys
from typing import Protocol, TextIO

from cornerrun.errors import InstrumentError

__all__ = ["Nobody", "Person", "Terminal"]

_MOST_TYPED = 4096  # chosen, bytes: longer than any answer


class Person(Protocol):
    """Somebody who does what is asked and types an answer."""

    def refuse_if_absent(self) -> None:
        """Look before anything depends on them whether anybody can answer; InstrumentError if nobody can."""
        ...

    def ask(self, text: str) -> None:
        """Show what is wanted; what was typed before is no answer to it. InstrumentError if nobody can answer."""
        ...

    def answer(self, wait_s: float) -> str | None:
        """Return the line that was typed, None if none was within ``wait_s``. InstrumentError if nobody will."""
        ...

    def tell(self, text: str) -> None:
        """Show something that needs no answer."""
        ...


class Nobody:
    """Stands for the person where nobody shall be asked; ``why`` goes into the refusal."""

    def __init__(self, why: str) -> None:
        self._why = why

    def refuse_if_absent(self) -> None:
        raise InstrumentError(f"a person is needed, but {self._why}")

    def ask(self, text: str) -> None:
        raise InstrumentError(f"a person is needed ({text}), but {self._why}")

    def answer(self, wait_s: float) -> str | None:
        del wait_s
        raise InstrumentError(f"a person is needed, but {self._why}")

    def tell(self, text: str) -> None:
        """Nobody reads it."""


class Terminal:
    """The person at stdin; questions go to stderr, since stdout carries results."""

    def __init__(self, *, source: TextIO | None = None, screen: TextIO | None = None) -> None:
        self._source = source or sys.stdin
        self._screen = screen or sys.stderr
        self._typed = b""

    def refuse_if_absent(self) -> None:
        self._descriptor()

    def ask(self, text: str) -> None:
        descriptor = self._descriptor()
        while self._is_waiting(descriptor, 0.0):
            if not os.read(descriptor, _MOST_TYPED):
                raise InstrumentError(f"nobody answers: the input has ended; {_ADVICE}")
        self._typed = b""
        self.tell(text)

    def answer(self, wait_s: float) -> str | None:
        descriptor = self._descriptor()
        if b"\n" not in self._typed and self._is_waiting(descriptor, wait_s):
            part = os.read(descriptor, _MOST_TYPED)
            if not part:
                raise InstrumentError(f"nobody answers: the input has ended; {_ADVICE}")
            self._typed = (self._typed + part)[-_MOST_TYPED:]
        if b"\n" not in self._typed:
            return None
        line, _, self._typed = self._typed.partition(b"\n")
        return line.decode("utf-8", "replace").strip()

    def tell(self, text: str) -> None:
        self._screen.write(f"\a\n>>> {text}\n")
        self._screen.flush()

    def _descriptor(self) -> int:
        try:
            if self._source.isatty():
                return self._source.fileno()
        except (ValueError, OSError) as error:
            raise InstrumentError(f"a person is needed, and the terminal is closed; {_ADVICE}") from error
        raise InstrumentError(f"a person is needed, and the input is no terminal; {_ADVICE}")

    def _is_waiting(self, descriptor: int, wait_s: float) -> bool:
        # Not select(2): it fails for descriptors from 1024 on.
        poll = select.poll()
        poll.register(descriptor, select.POLLIN | select.POLLHUP)
        return bool(poll.poll(max(0.0, wait_s) * 1000))


_ADVICE = "run it at a terminal, or name instruments that need nobody in the bench file"
