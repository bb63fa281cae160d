"""A link that counts what goes through it, and the only place where anything is tried again."""

import errno
import logging
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from typing import Any, NoReturn, TypeVar, cast

from cornerrun.bench.pmbus.commands import command_of_code
from cornerrun.bench.pmbus.errnos import explain, name_of
from cornerrun.bench.pmbus.link import Link
from cornerrun.errors import LinkError

__all__ = ["CountedLink"]

T = TypeVar("T")

_RETRIES = 4  # chosen: five tries at one fault in a hundred messages leave one failure in about ten million reads
_log = logging.getLogger(__name__)


_METHODS = [name for name in vars(Link) if name.startswith(("read_", "write_", "block_")) or name == "close"]


class CountedLink:
    """Stand before a Link: OSError becomes LinkError with advice, and messages, errors and retries are counted.

    It has the methods of a Link. A link that lacks one answers as an adapter does that can't do such a message.
    """

    def __init__(self, link: Link, *, name: str) -> None:
        self.name = name
        lacks = any(not hasattr(link, method) for method in _METHODS)
        self._link = cast(Link, _Completed(link)) if lacks else link
        self._messages = 0
        self._counts: Counter[str] = Counter()

    @property
    def pec(self) -> int:
        """Whether messages carry a packet error code."""
        return self._link.pec

    @pec.setter
    def pec(self, value: int) -> None:
        self._link.pec = value

    @property
    def counts(self) -> Mapping[str, int]:
        """What has happened so far: "messages", "retries", "page lost", and "error ENXIO" and its like."""
        return {"messages": self._messages, "retries": 0, **self._counts}

    def note(self, what: str) -> None:
        """Count something that only a layer above can see, such as a lost PAGE."""
        self._counts[what] += 1

    def noted(self, what: str) -> int:
        """Tell how often something was noted."""
        return self._counts[what]

    def mark(self) -> Mapping[str, int]:
        """Remember what was noted so far, for `set_aside`."""
        return dict(self._counts)

    def set_aside(self, mark: Mapping[str, int]) -> None:
        """Take back what was noted since a mark: it turned out to be an answer, not trouble."""
        self._counts = Counter(mark)

    def repeat(self, read: Callable[[], T], *, pause: Callable[[], None], after: LinkError) -> T:
        """Try an idempotent read again that has failed with ``after``, a bounded number of times.

        Raises:
            LinkError: the last one, once nothing more may be tried.

        """
        error = after
        for _ in range(_RETRIES):
            if not error.may_retry:
                break
            self._counts["retries"] += 1
            pause()
            try:
                return read()
            except LinkError as again:
                error = again
        raise error

    def write_byte(self, address: int, byte: int, /) -> None:
        self._call("write_byte", address, byte, byte, is_read=False)

    def read_byte(self, address: int, /) -> int:
        return int(self._call("read_byte", address, None, is_read=True))

    def write_byte_data(self, address: int, command: int, byte: int, /) -> None:
        self._messages += 1
        try:
            self._link.write_byte_data(address, command, byte)
        except OSError as error:
            self._fail(error, address, command, is_read=False)
        if _log.isEnabledFor(logging.DEBUG):
            _log.debug("%s 0x%02X write 0x%02X: 0x%02X", self.name, address, command, byte)

    def read_byte_data(self, address: int, command: int, /) -> int:
        self._messages += 1
        try:
            byte: int = self._link.read_byte_data(address, command)
        except OSError as error:
            self._fail(error, address, command, is_read=True)
        if not 0 <= byte <= 0xFF:
            self._reject(byte, address, command)
        if _log.isEnabledFor(logging.DEBUG):
            _log.debug("%s 0x%02X read 0x%02X: 0x%02X", self.name, address, command, byte)
        return byte

    def write_word_data(self, address: int, command: int, word: int, /) -> None:
        self._messages += 1
        try:
            self._link.write_word_data(address, command, word)
        except OSError as error:
            self._fail(error, address, command, is_read=False)
        if _log.isEnabledFor(logging.DEBUG):
            _log.debug("%s 0x%02X write 0x%02X: 0x%04X", self.name, address, command, word)

    def read_word_data(self, address: int, command: int, /) -> int:
        self._messages += 1
        try:
            word: int = self._link.read_word_data(address, command)
        except OSError as error:
            self._fail(error, address, command, is_read=True)
        if not 0 <= word <= 0xFFFF:
            self._reject(word, address, command)
        if _log.isEnabledFor(logging.DEBUG):
            _log.debug("%s 0x%02X read 0x%02X: 0x%04X", self.name, address, command, word)
        return word

    def write_block_data(self, address: int, command: int, data: Sequence[int], /) -> None:
        self._call("write_block_data", address, command, command, data, is_read=False)

    def read_block_data(self, address: int, command: int, /) -> list[int]:
        return list(self._call("read_block_data", address, command, command, is_read=True))

    def block_process_call(self, address: int, command: int, data: Sequence[int], /) -> list[int]:
        # A process call writes: it is no idempotent read.
        return list(self._call("block_process_call", address, command, command, data, is_read=False))

    def close(self) -> None:
        self._link.close()

    # Any: the methods of a Link have six signatures, and pass through here as they are.
    def _call(self, method: str, address: int, command: int | None, *arguments: Any, is_read: bool) -> Any:
        self._messages += 1
        try:
            answer = getattr(self._link, method)(address, *arguments)
        except OSError as error:
            self._fail(error, address, command, is_read=is_read)
        if _log.isEnabledFor(logging.DEBUG):
            _log.debug("%s 0x%02X %s %s: %s", self.name, address, method, arguments, answer)
        return answer

    def _reject(self, answer: int, address: int, command: int) -> NoReturn:
        self._fail(OSError(errno.EPROTO, f"{answer!r} came"), address, command, is_read=True)

    def _fail(self, error: OSError, address: int, command: int | None, *, is_read: bool) -> NoReturn:
        known = command_of_code(command) if command is not None else None
        what = known.name if known else f"command 0x{command:02X}" if command is not None else "Receive Byte"
        verb = "reading" if is_read else "writing"
        failure = explain(error, f"bus {self.name}, device 0x{address:02X}, {verb} {what}", is_read=is_read)
        self._counts[f"error {name_of(failure.errno)}"] += 1
        _log.debug("%s", failure)
        raise failure from error


class _Completed:
    """Stands before a link that lacks methods: a call of one fails as on an adapter that can't do such a message."""

    def __init__(self, link: object) -> None:
        self._link = link
        self.pec = getattr(link, "pec", 0)

    def __getattr__(self, name: str) -> object:
        if name in _METHODS and not hasattr(self._link, name):
            return self._close if name == "close" else self._lacks
        return getattr(self._link, name)

    def __setattr__(self, name: str, value: object) -> None:
        super().__setattr__(name, value)
        if name == "pec" and hasattr(self._link, "pec"):
            setattr(self._link, name, value)

    @staticmethod
    def _lacks(*_: object) -> NoReturn:
        raise OSError(errno.EOPNOTSUPP, "the link can't do this kind of message")

    @staticmethod
    def _close() -> None:
        """Do nothing: a link without `close` holds nothing that could be given back."""
