"""What instruments answer, taken apart: numbers, identities, error entries, channel lists.

Sources, from memory where no text was at hand: IEEE 488.2-1992 section 8.7 (responses), 10.14 (``*IDN?``); SCPI-99
volume 1 section 7.2.1 (9.9E37 is infinity, 9.91E37 is not a number), 8.3.2 (channel lists), volume 2 section 21.8
(the error queue). That 9.9E37 stands for a reading that could not be made is restated in instrument manuals.
"""

import math
import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass

from cornerrun.bench.ports import MeterIdentity

__all__ = [
    "ErrorEntry",
    "channel_list",
    "expecting",
    "integer",
    "is_overload",
    "number",
    "numbers",
    "parse_channel_list",
    "parse_error",
    "parse_identity",
    "shown",
]

INFINITY = 9.9e37
NOT_A_NUMBER = 9.91e37
_NUMBER = re.compile(r"[+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][ ]?[+-]?\d+)?", re.ASCII)
_INTEGER = re.compile(r"[+-]?\d+", re.ASCII)
_CHANNEL = re.compile(r"[0-9]{1,9}")
_IDENTITY_FIELDS = 4
_LONGEST_SHOWN = 60  # chosen: an error message stays on one line


@dataclass(frozen=True, kw_only=True, slots=True)
class ErrorEntry:
    """An entry of an instrument's error queue: negative codes are the standard's, positive ones the maker's."""

    code: int
    text: str

    def __str__(self) -> str:
        return f'{self.code},"{self.text}"'


def shown(answer: str) -> str:
    """Quote an answer for a message: no control characters, and not longer than a line."""
    cut = answer if len(answer) <= _LONGEST_SHOWN else f"{answer[:_LONGEST_SHOWN]}..."
    return ascii(cut)


def number(text: str) -> float:
    """Read one number: NR1, NR2 or NR3 of IEEE 488.2 section 8.7; infinity and not-a-number stay what they are.

    Raises:
        ValueError: the text is none of them. "nan", "inf", a comma and a unit are refused.

    """
    stripped = text.strip()
    if _NUMBER.fullmatch(stripped) is None:
        raise ValueError(f"{shown(text)} is no number")
    value = float(stripped.replace(" ", ""))
    if not math.isfinite(value):
        raise ValueError(f"{shown(text)} is no number that fits")
    return value


def numbers(text: str) -> tuple[float, ...]:
    """Read numbers between commas.

    Raises:
        ValueError: one of them is none.

    """
    return tuple(number(part) for part in text.split(","))


def integer(text: str, *, greatest: int) -> int:
    """Read an NR1 from 0 to ``greatest``, such as a status byte.

    Raises:
        ValueError: the text is none, or lies outside.

    """
    if _INTEGER.fullmatch(text.strip()) is None or not 0 <= int(text) <= greatest:
        raise ValueError(f"{shown(text)} is no integer from 0 to {greatest}")
    return int(text)


def is_overload(value: float) -> bool:
    """Tell whether a number stands for overload or for no measurement at all: never data."""
    return math.isnan(value) or abs(value) >= INFINITY


def parse_identity(text: str) -> MeterIdentity:
    """Read an answer to ``*IDN?``: maker, model, serial number, firmware; further commas belong to the last.

    Raises:
        ValueError: fewer than four fields, or no printable ASCII.

    """
    fields = [field.strip() for field in text.split(",", _IDENTITY_FIELDS - 1)]
    is_text = text.isascii() and text.isprintable()
    if len(fields) != _IDENTITY_FIELDS or not is_text or not any(fields):
        raise ValueError(f"{shown(text)} is no identity of four fields: maker, model, serial number, firmware")
    maker, model, serial, firmware = fields
    return MeterIdentity(maker=maker, model=model, serial=serial, firmware=firmware)


def expecting(expected: Mapping[str, str]) -> Callable[[str], MeterIdentity]:
    """Make a reader of identities that refuses any other than the one expected: some of the four fields, by name.

    The reader raises ValueError, as `parse_identity`, and if a field is not what it shall be; letter case and blanks
    around do not count.
    """

    def read(text: str) -> MeterIdentity:
        said = parse_identity(text)
        wrong = [
            f"{name} {getattr(said, name)!r} where the bench file says {wanted!r}"
            for name, wanted in expected.items()
            if getattr(said, name).strip().casefold() != wanted.strip().casefold()
        ]
        if wrong:
            raise ValueError(f"another instrument: {'; '.join(wrong)}")
        return said

    return read


def parse_error(text: str) -> ErrorEntry:
    """Read an answer to ``SYSTem:ERRor?``: a code and a quoted text, in which a quote stands twice.

    Text without quotes, and a code alone, are taken as well: instruments send them (common practice, no source).

    Raises:
        ValueError: there is no code.

    """
    code, _, rest = text.strip().partition(",")
    if _INTEGER.fullmatch(code.strip()) is None:
        raise ValueError(f"{shown(text)} is no entry of an error queue")
    rest = rest.strip()
    is_quoted = len(rest) > 1 and rest[0] == rest[-1] and rest[0] in "\"'"
    return ErrorEntry(code=int(code), text=rest[1:-1].replace(rest[0] * 2, rest[0]) if is_quoted else rest)


def channel_list(channels: Iterable[int]) -> str:
    """Write channels as a list, runs of three or more as ranges: 101, 103, 104, 105 -> "(@101,103:105)"."""
    runs: list[list[int]] = []
    for channel in channels:
        if runs and channel == runs[-1][-1] + 1:
            runs[-1].append(channel)
        else:
            runs.append([channel])
    parts = [f"{run[0]}:{run[-1]}" if len(run) > 2 else ",".join(map(str, run)) for run in runs]
    return f"(@{','.join(parts)})"


def parse_channel_list(text: str, *, most: int = 1000) -> tuple[int, ...]:
    """Read a channel list; a range may run downwards.

    Raises:
        ValueError: it is none, or has more than ``most`` channels.

    """
    match = re.fullmatch(r"\(@\s*(.*?)\s*\)", text.strip())
    if match is None:
        raise ValueError(f"{shown(text)} is no channel list; write it like '(@101,103:105)'")
    channels: list[int] = []
    for part in match[1].split(",") if match[1] else []:
        first, colon, last = (piece.strip() for piece in part.partition(":"))
        if not (_CHANNEL.fullmatch(first) and (_CHANNEL.fullmatch(last) if colon else not last)):
            raise ValueError(f"{shown(part)} is no channel")
        start, end = int(first), int(last if colon else first)
        if abs(end - start) >= most - len(channels):
            raise ValueError(f"{shown(text)} has more than {most} channels")
        step = 1 if end >= start else -1
        channels.extend(range(start, end + step, step))
    return tuple(channels)
