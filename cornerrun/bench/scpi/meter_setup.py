"""Set up a SCPI voltmeter, and find out on the way what it can do."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from enum import Enum
from math import isclose
from typing import TypeVar

from cornerrun.bench.scpi.conversation import Conversation
from cornerrun.bench.scpi.text import channel_list, integer, number, numbers
from cornerrun.errors import InstrumentError

__all__ = ["POWER_ON", "Abilities", "Reach", "event_status", "set_up"]

_T = TypeVar("_T")
_RESET_TIMEOUT_S = 15.0  # chosen: a reset may switch every relay of a large scanner
_COMMAND_ERRORS = range(-199, -99)  # SCPI-99 volume 2 section 21.8.9: the instrument did not understand
POWER_ON = 0x80  # *ESR? bit 7: power was switched off and on since the last read; IEEE 488.2 section 11.5.1
_HELD = 1e-3  # chosen: a setting counts as held if it reads back within this share


class Reach(Enum):
    """How the meter gets to a rail."""

    PROBE = "probe"
    SCAN = "scan"
    CLOSE = "close"


@dataclass(frozen=True, kw_only=True, slots=True)
class Abilities:
    """What the instrument can do, and the range that it reads each rail on.

    ``can_fetch`` says that INITiate and FETCh? are there, so that it reads while the run does other things; READ? is
    used otherwise. ``has_event_status`` says that ``*ESR?`` is there.
    """

    reach: Reach
    ranges_v: Mapping[str, float]
    can_fetch: bool = True
    has_event_status: bool = True


def set_up(
    talk: Conversation,
    wanted: Abilities,
    *,
    channels: Mapping[str, int],
    nplc: float | None,
    messages: Sequence[str],
    reading_s: float,
) -> Abilities:
    """Reset the instrument, configure function, ranges, scanner and aperture, and take one reading as a proof.

    The aperture is set after CONFigure, which resets it (from memory); ``nplc`` None leaves it as it is. A scanner that
    takes no list of channels in CONFigure reads all of them on the largest range; one without ROUTe:SCAN closes its
    channels one by one.

    Raises:
        InstrumentError: the instrument refuses something that cannot be done without, or holds another setting.

    """
    _reset(talk)
    able = replace(wanted, has_event_status=_has_event_status(talk))
    able = _configure(talk, able, channels)
    for message in messages:
        talk.order(message, "see `settings.set_up` of the instrument in the bench file")
    if nplc is not None:
        _set_aperture(talk, nplc)
    return _prove(talk, able, channels, reading_s)


def _reset(talk: Conversation) -> None:
    talk.write("*RST")
    talk.write("*CLS")

    def done(answer: str) -> None:
        if integer(answer, greatest=1) != 1:
            raise ValueError("1 was due")

    _ask_if_known(talk, "*OPC?", done, timeout_s=max(_RESET_TIMEOUT_S, talk.timeout_s))
    talk.errors()


def _has_event_status(talk: Conversation) -> bool:
    """Tell whether ``*ESR?`` is there and is cleared by reading (IEEE 488.2 section 11.5.1.2, from memory)."""
    first = _ask_if_known(talk, "*ESR?", event_status)
    return first is not None and not talk.query("*ESR?", event_status) & POWER_ON


def event_status(answer: str) -> int:
    """Read an answer to ``*ESR?``.

    Raises:
        ValueError: it is no byte.

    """
    return integer(answer, greatest=255)


def _configure(talk: Conversation, wanted: Abilities, channels: Mapping[str, int]) -> Abilities:
    if wanted.reach is Reach.PROBE:
        return _one_range(talk, wanted)
    by_range: dict[float, list[int]] = {}
    for rail, channel in sorted(channels.items(), key=lambda item: item[1]):
        by_range.setdefault(wanted.ranges_v[rail], []).append(channel)
    able = wanted
    for range_v, group in sorted(by_range.items()):
        if talk.attempt(f"CONF:VOLT:DC {range_v:g},{channel_list(group)}"):
            able = _one_range(talk, wanted)
            break
    every = channel_list(sorted(channels.values()))
    refused = talk.attempt(f"ROUT:SCAN {every}")
    if not refused:
        return able
    first = channel_list([min(channels.values())])
    refused_too = talk.attempt(f"ROUT:CLOS {first}")
    if refused_too:
        raise InstrumentError(
            f"{talk.name} refuses 'ROUT:SCAN {every}': {'; '.join(map(str, refused))}, and 'ROUT:CLOS {first}': "
            f"{'; '.join(map(str, refused_too))}; see that `channels` in the bench file names channels it has, or, if "
            "it has no scanner, take `channels` out and name the rail that its probe is on"
        )
    return replace(able, reach=Reach.CLOSE, can_fetch=False)


def _one_range(talk: Conversation, wanted: Abilities) -> Abilities:
    """Put everything on the largest range that a rail needs, and read back what the instrument made of it."""
    needed_v = max(wanted.ranges_v.values())
    advice = "give the bench file a `range` that the instrument has"
    talk.order(f"CONF:VOLT:DC {needed_v:g}", advice)
    # CONFigure takes its argument as an expectation; setting the range turns auto-ranging off for sure.
    talk.order(f"SENS:VOLT:DC:RANG {needed_v:g}", advice)
    held_v = _ask_if_known(talk, "SENS:VOLT:DC:RANG?", number)
    if held_v is None:
        held_v = needed_v
    if held_v < needed_v * (1 - _HELD):
        raise InstrumentError(f"{talk.name} holds a range of {held_v:g} V where {needed_v:g} V is needed; {advice}")
    return replace(wanted, ranges_v=dict.fromkeys(wanted.ranges_v, held_v))


def _prove(talk: Conversation, able: Abilities, channels: Mapping[str, int], reading_s: float) -> Abilities:
    """Take one reading of one channel; overload proves as much as a voltage."""
    if able.reach is Reach.SCAN:
        talk.order(f"ROUT:SCAN {channel_list([min(channels.values())])}", "see `channels` in the bench file")
    timeout_s = talk.timeout_s + 2 * reading_s
    if able.can_fetch and not talk.attempt("INIT"):
        reading = _ask_if_known(talk, "FETC?", _one_number, timeout_s=timeout_s)
        if reading is not None:
            return able
    talk.query("READ?", _one_number, timeout_s=timeout_s)
    talk.errors()
    return replace(able, can_fetch=False)


def _one_number(answer: str) -> float:
    values = numbers(answer)
    if len(values) != 1:
        raise ValueError(f"{len(values)} readings came where 1 was asked for")
    return values[0]


def _set_aperture(talk: Conversation, nplc: float) -> None:
    talk.order(
        f"SENS:VOLT:DC:NPLC {nplc:g}",
        "give the bench file an `nplc` that the instrument has, or `settings: {aperture: fixed}` if it has but one",
    )
    for held in _ask_if_known(talk, "SENS:VOLT:DC:NPLC?", numbers) or ():
        if not isclose(held, nplc, rel_tol=_HELD):
            raise InstrumentError(
                f"{talk.name} holds {held:g} power-line cycles where the bench file says nplc {nplc:g}; change the "
                "bench file to what it has"
            )


def _ask_if_known(
    talk: Conversation, command: str, read: Callable[[str], _T], *, timeout_s: float | None = None
) -> _T | None:
    """Ask a question that an instrument may not know: None if it reports a command error instead of an answer."""
    try:
        return talk.query(command, read, timeout_s=timeout_s)
    except InstrumentError as error:
        if not isinstance(error.__cause__, TimeoutError):
            raise
        if any(entry.code in _COMMAND_ERRORS for entry in talk.errors()):
            return None
        raise
