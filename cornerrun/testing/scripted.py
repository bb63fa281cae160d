"""Links that follow a script: the manual page's exchange, sent and answered; leftovers fail.

For tests of drivers::

    with scripted_text(("*IDN?", "MAKER,MODEL,1,2"), ("*RST", None)) as link:
        driver = MyDriver(link=link)
"""

from collections import deque
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass

__all__ = ["BusExchange", "ScriptedLink", "ScriptedText", "scripted_link", "scripted_text"]

TextExchange = tuple[str, str | BaseException | None]
"""A message and its answer: text, None where there is none, or what reading it raises."""


class ScriptedText:
    """A text link that expects messages in order; an AssertionError names the one that differs."""

    def __init__(self, exchanges: Sequence[TextExchange]) -> None:
        self._left = deque(exchanges)
        self._answer: str | BaseException | None = None
        self.clears = 0
        self.is_closed = False

    def write(self, message: str, /) -> None:
        if self._answer is not None:
            raise AssertionError(f"{message!r} was sent before the answer {self._answer!r} was read")
        if not self._left:
            raise AssertionError(f"{message!r} was sent after the end of the script")
        wanted, self._answer = self._left.popleft()
        if message != wanted:
            raise AssertionError(f"{message!r} was sent where the script says {wanted!r}")

    def read(self, timeout_s: float, /) -> str:
        del timeout_s
        answer, self._answer = self._answer, None
        if isinstance(answer, BaseException):
            raise answer
        if answer is None:
            raise AssertionError("an answer was read where the script has none")
        return answer

    def clear(self) -> None:
        self.clears += 1
        self._answer = None

    def close(self) -> None:
        self.is_closed = True

    @property
    def left(self) -> tuple[TextExchange, ...]:
        """What the script still expects."""
        return tuple(self._left)


@dataclass(frozen=True, kw_only=True, slots=True)
class BusExchange:
    """One SMBus message: the method's name, its arguments, and its answer or what it raises."""

    method: str
    arguments: tuple[int | tuple[int, ...], ...]
    answer: int | list[int] | BaseException | None = None


class ScriptedLink:
    """An SMBus link that expects messages in order; an AssertionError names the one that differs."""

    def __init__(self, exchanges: Sequence[BusExchange]) -> None:
        self.pec = 0
        self.is_closed = False
        self._left = deque(exchanges)

    @property
    def left(self) -> tuple[BusExchange, ...]:
        """What the script still expects."""
        return tuple(self._left)

    def write_byte(self, address: int, byte: int, /) -> None:
        self._take("write_byte", address, byte)

    def read_byte(self, address: int, /) -> int:
        return self._integer("read_byte", address)

    def write_byte_data(self, address: int, command: int, byte: int, /) -> None:
        self._take("write_byte_data", address, command, byte)

    def read_byte_data(self, address: int, command: int, /) -> int:
        return self._integer("read_byte_data", address, command)

    def write_word_data(self, address: int, command: int, word: int, /) -> None:
        self._take("write_word_data", address, command, word)

    def read_word_data(self, address: int, command: int, /) -> int:
        return self._integer("read_word_data", address, command)

    def write_block_data(self, address: int, command: int, data: Sequence[int], /) -> None:
        self._take("write_block_data", address, command, tuple(data))

    def read_block_data(self, address: int, command: int, /) -> list[int]:
        return self._block("read_block_data", address, command)

    def block_process_call(self, address: int, command: int, data: Sequence[int], /) -> list[int]:
        return self._block("block_process_call", address, command, tuple(data))

    def close(self) -> None:
        self.is_closed = True

    def _take(self, method: str, *arguments: int | tuple[int, ...]) -> int | list[int] | None:
        said = _shown(method, arguments)
        if not self._left:
            raise AssertionError(f"{said} came after the end of the script")
        wanted = self._left.popleft()
        if (method, arguments) != (wanted.method, wanted.arguments):
            raise AssertionError(f"{said} came where the script says {_shown(wanted.method, wanted.arguments)}")
        if isinstance(wanted.answer, BaseException):
            raise wanted.answer
        return wanted.answer

    def _integer(self, method: str, *arguments: int) -> int:
        answer = self._take(method, *arguments)
        if not isinstance(answer, int):
            raise AssertionError(f"the script answers {answer!r} to {_shown(method, arguments)}: an int is due")
        return answer

    def _block(self, method: str, *arguments: int | tuple[int, ...]) -> list[int]:
        answer = self._take(method, *arguments)
        if not isinstance(answer, list):
            raise AssertionError(f"the script answers {answer!r} to {_shown(method, arguments)}: a list is due")
        return list(answer)


def _shown(method: str, arguments: tuple[int | tuple[int, ...], ...]) -> str:
    parts = (hex(one) if isinstance(one, int) else f"[{' '.join(map(hex, one))}]" for one in arguments)
    return f"{method}({', '.join(parts)})"


@contextmanager
def scripted_text(*exchanges: TextExchange) -> Iterator[ScriptedText]:
    """Give a scripted text link; AssertionError at the end if the script was not played to its end."""
    link = ScriptedText(exchanges)
    yield link
    if link.left:
        raise AssertionError(f"the script was not played to its end: {link.left[0][0]!r} was never sent")


@contextmanager
def scripted_link(*exchanges: BusExchange) -> Iterator[ScriptedLink]:
    """Give a scripted SMBus link; AssertionError at the end if the script was not played to its end."""
    link = ScriptedLink(exchanges)
    yield link
    if link.left:
        first = link.left[0]
        raise AssertionError(
            f"the script was not played to its end: {_shown(first.method, first.arguments)} never came"
        )
