"""A conversation with one instrument that stays in step: every answer belongs to the question before it."""

import logging
from collections.abc import Callable
from typing import TypeVar

from cornerrun.bench.scpi.session import TextLink
from cornerrun.bench.scpi.text import ErrorEntry, parse_error, shown
from cornerrun.errors import InstrumentError

__all__ = ["Conversation"]

_LOG = logging.getLogger(__name__)
_T = TypeVar("_T")
_MOST_ERRORS = 50  # chosen: queues hold some 20; a queue that never empties is itself an error
_MOST_SENT = 8  # chosen: so many messages are remembered for the error queue
_MOST_LATE_ANSWERS = 20  # chosen: how many answers to old questions are thrown away before giving up


class Conversation:
    """Questions and answers on a text link, each failure translated to an InstrumentError that names the command.

    After an answer that was late or made no sense the next one may belong to an older question. Before the next
    exchange the conversation then gets back in step: it clears the link, asks for the identity, and throws answers away
    until the known identity comes.
    """

    def __init__(self, *, link: TextLink, name: str, timeout_s: float, error_query: str = "SYST:ERR?") -> None:
        self.name = name
        self.timeout_s = timeout_s
        self._link = link
        self._identity: str | None = None
        self._is_in_step = True
        self._longest_wait_s = timeout_s
        self._error_query = error_query
        self._sent: list[str] = []

    @property
    def sent(self) -> tuple[str, ...]:
        """What was sent since the error queue was last seen empty: one of these caused what stands in it."""
        return tuple(dict.fromkeys(self._sent))

    def write(self, command: str) -> None:
        """Send a command that has no answer.

        Raises:
            InstrumentError: the link is gone, or the conversation cannot get back in step.

        """
        self._get_in_step()
        self._send(command)

    def query(self, command: str, read: Callable[[str], _T], *, timeout_s: float | None = None) -> _T:
        """Send a question and read its answer with ``read``, which raises ValueError on nonsense.

        Raises:
            InstrumentError: no answer in time, nonsense, or the link is gone.

        """
        self.write(command)
        wait_s = self.timeout_s if timeout_s is None else timeout_s
        self._longest_wait_s = max(self._longest_wait_s, wait_s)
        answer = self._receive(command, wait_s)
        try:
            if answer == self._identity and command != "*IDN?":
                # From a question that was asked to get back in step, and was answered twice as late as expected.
                raise ValueError("that is its identity, an answer to an older question")
            return read(answer)
        except ValueError as error:
            self._is_in_step = False
            raise InstrumentError(f"{self.name} answered {shown(answer)} to {command!r}: {error}") from error

    def identify(self, read: Callable[[str], _T]) -> _T:
        """Clear the link, ask for the identity, and remember it as the mark to get back in step by.

        Raises:
            InstrumentError: as `query`.

        """
        self._identity = None
        self._is_in_step = True
        self._clear()

        def remember(answer: str) -> _T:
            identity = read(answer)
            self._identity = answer
            return identity

        return self.query("*IDN?", remember)

    def errors(self) -> tuple[ErrorEntry, ...]:
        """Empty the instrument's error queue (``SYSTem:ERRor?``) and return what stood in it, oldest first.

        Raises:
            InstrumentError: as `query`; also where the queue never gets empty.

        """
        entries: list[ErrorEntry] = []
        while len(entries) < _MOST_ERRORS:
            entry = self.query(self._error_query, parse_error)
            if entry.code == 0:
                self._sent.clear()
                return tuple(entries)
            entries.append(entry)
        raise InstrumentError(f"{self.name} reports errors without end, the last {entries[-1]}; switch it off and on")

    def attempt(self, command: str) -> tuple[ErrorEntry, ...]:
        """Send a command and return what the instrument reports about it; nothing means that it was accepted."""
        self.write(command)
        return self.errors()

    def order(self, command: str, advice: str) -> None:
        """Send a command that must be accepted.

        Raises:
            InstrumentError: the instrument reports an error; its entries and ``advice`` are in the message.

        """
        refused = self.attempt(command)
        if refused:
            raise InstrumentError(f"{self.name} refuses {command!r}: {'; '.join(map(str, refused))}; {advice}")

    def lose_step(self) -> None:
        """Note that an answer may still be on its way."""
        self._is_in_step = False

    def close(self) -> None:
        """Give the link back."""
        self._link.close()

    def _send(self, command: str) -> None:
        _LOG.debug("%s <- %s", self.name, command)
        if command != self._error_query:
            self._sent = [*self._sent[1 - _MOST_SENT :], command]
        try:
            self._link.write(command)
        except OSError as error:
            self._is_in_step = False
            raise self._gone(command, error) from error

    def _receive(self, command: str, timeout_s: float) -> str:
        try:
            answer = self._link.read(timeout_s)
        except TimeoutError as error:
            self._is_in_step = False
            raise InstrumentError(
                f"{self.name} did not answer {command!r} within {timeout_s:.3g} s; see that it is on, in remote state "
                "and not waiting for a trigger, and that nobody else talks to it"
            ) from error
        except OSError as error:
            self._is_in_step = False
            raise self._gone(command, error) from error
        _LOG.debug("%s -> %s", self.name, answer)
        return answer.strip()

    def _gone(self, command: str, error: OSError) -> InstrumentError:
        why = error.strerror or str(error) or type(error).__name__
        return InstrumentError(
            f"{self.name}: the link is gone at {command!r} ({why}); see that the instrument is on and connected, and "
            "that its resource in the bench file is right"
        )

    def _clear(self) -> None:
        try:
            self._link.clear()
        except OSError as error:
            self._is_in_step = False
            raise self._gone("device clear", error) from error

    def _get_in_step(self) -> None:
        if self._is_in_step or self._identity is None:
            return
        self._clear()
        self._send("*IDN?")
        for _ in range(_MOST_LATE_ANSWERS):
            if self._receive("*IDN?", self._longest_wait_s) == self._identity:
                self._is_in_step = True
                return
        raise InstrumentError(f"{self.name} answers other questions than those asked; switch it off and on")
