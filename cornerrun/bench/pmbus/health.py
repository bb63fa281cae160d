"""A link that counts what goes through it, and the only place where anything is tried again."""

import errno
import logging
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, NoReturn, TypeVar, cast

from cornerrun.bench.pmbus.adapters import holder_of
from cornerrun.bench.pmbus.budget import Budget
from cornerrun.bench.pmbus.combined_messages import group_of
from cornerrun.bench.pmbus.commands import COMMANDS, IDEMPOTENT_CALLS, NON_VOLATILE, command_of_code
from cornerrun.bench.pmbus.errnos import explain, name_of
from cornerrun.bench.pmbus.link import Link
from cornerrun.bench.pmbus.remarks import Remarks
from cornerrun.errors import GuardRefusal, HealthExhausted, LinkError

__all__ = ["CountedLink", "Mark"]

T = TypeVar("T")

_RETRIES = 4  # chosen: five tries at one fault in a hundred messages leave one failure in about ten million reads
_log = logging.getLogger(__name__)
_PAGE_PLUS_WRITE = COMMANDS["PAGE_PLUS_WRITE"].code

_METHODS = [name for name in vars(Link) if name.startswith(("read_", "write_", "block_")) or name == "close"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Mark:
    """How far the counting was at some moment."""

    message: int
    counts: Mapping[str, int]


class CountedLink:
    """Stand before a Link: OSError becomes LinkError with advice, and messages, errors and retries are counted.

    It has the methods of a Link. A link that lacks one answers as an adapter does that can't do such a message.
    Whatever a layer above asks for, a command that touches non-volatile memory raises GuardRefusal here. ``remarks``
    are what layers above saw; ``budget_ratio`` is the share of errors that ends a run (`check_health`).
    """

    def __init__(self, link: Link, *, name: str, budget_ratio: float = 0.05) -> None:
        self.name = name
        self.remarks = Remarks()
        self._budget = Budget(budget_ratio)
        self._is_told = False
        self._send_group = group_of(link)
        lacks = any(not hasattr(link, method) for method in _METHODS)
        self._link = cast(Link, _Completed(link)) if lacks else link
        self._messages = 0
        self._counts: Counter[str] = Counter()

    @property
    def can_group(self) -> bool:
        """Whether the link has a way to send several writes in one transmission; whether it works is another matter."""
        return self._send_group is not None

    def check_health(self) -> None:
        """Refuse to go on with a bus that gives more errors than its budget allows.

        Raises:
            HealthExhausted: and how many errors there were.

        """
        if self._budget.is_exhausted(self._messages):
            raise HealthExhausted(
                f"bus {self.name}: {self._budget}; nothing more is moved away from nominal: mend wiring, pull-ups or "
                "bus clock, or stop the other master"
            )

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

    def mark(self) -> "Mark":
        """Remember what was noted so far, for `set_aside`."""
        return Mark(message=self._messages, counts=dict(self._counts))

    def set_aside(self, mark: "Mark") -> None:
        """Take back what was noted since a mark: it turned out to be an answer, not trouble."""
        self._counts = Counter(mark.counts)
        self._budget.forgive(mark.message)

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
        _refuse_non_volatile(byte)
        self._call("write_byte", address, byte, byte, is_read=False)

    def read_byte(self, address: int, /) -> int:
        return int(self._call("read_byte", address, None, is_read=True))

    def write_byte_data(self, address: int, command: int, byte: int, /) -> None:
        if command in NON_VOLATILE:
            _refuse_non_volatile(command)
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
        if command in NON_VOLATILE:
            _refuse_non_volatile(command)
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
        _refuse_non_volatile(command)
        if command == _PAGE_PLUS_WRITE and len(data) > 1:
            _refuse_non_volatile(data[1])
        self._call("write_block_data", address, command, command, data, is_read=False)

    def read_block_data(self, address: int, command: int, /) -> list[int]:
        return list(self._call("read_block_data", address, command, command, is_read=True))

    def block_process_call(self, address: int, command: int, data: Sequence[int], /) -> list[int]:
        _refuse_non_volatile(command)
        is_read = command in IDEMPOTENT_CALLS
        return list(self._call("block_process_call", address, command, command, data, is_read=is_read))

    def group_write(self, writes: Sequence[tuple[int, bytes]]) -> None:
        """Send writes (address, command and data) to different devices with one STOP, at which all act."""
        for _, data in writes:
            _refuse_non_volatile(data[0])
        if self._send_group is None:
            raise LinkError(f"bus {self.name}: this link sends no group commands", errno=errno.EOPNOTSUPP)
        self._messages += 1
        try:
            self._send_group(writes)
        except OSError as error:
            self._fail(error, writes[0][0], writes[0][1][0], is_read=False)

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
        failure = explain(
            error,
            f"bus {self.name}, device 0x{address:02X}, {verb} {what}",
            is_read=is_read,
            holder=holder_of(self._link, address) if error.errno == errno.EBUSY else "",
        )
        self._spend()
        self._counts[f"error {name_of(failure.errno)}"] += 1
        _log.debug("%s", failure)
        raise failure from error

    def _spend(self) -> None:
        self._budget.spend(self._messages)
        if not self._is_told and self._budget.is_worrying(self._messages):
            self._is_told = True
            self.remarks.add("warning", f"bus {self.name} is in poor health: {self._budget}")


def _refuse_non_volatile(command: int) -> None:
    if command in NON_VOLATILE:
        raise GuardRefusal(f"{NON_VOLATILE[command]} touches non-volatile memory; it is never sent")


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
