"""Set up a SCPI voltmeter, and find out on the way what it can do."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from enum import Enum

from cornerrun.bench.scpi.conversation import Conversation
from cornerrun.bench.scpi.dialect_file import MeterDialect, filled
from cornerrun.bench.scpi.meter_settings import (
    HELD,
    about_line,
    ask_if_known,
    set_aperture,
    set_settle_delay,
    switch_autozero_off,
)
from cornerrun.bench.scpi.text import channel_list, integer, number, numbers
from cornerrun.errors import InstrumentError

__all__ = ["POWER_ON", "Abilities", "Reach", "Wanted", "event_status", "set_up"]

_RESET_TIMEOUT_S = 15.0  # chosen: a reset may switch every relay of a large scanner
POWER_ON = 0x80  # *ESR? bit 7: power was switched off and on since the last read; IEEE 488.2 section 11.5.1


class Reach(Enum):
    """How the meter gets to a rail."""

    PROBE = "probe"
    SCAN = "scan"
    CLOSE = "close"


@dataclass(frozen=True, kw_only=True, slots=True)
class Abilities:
    """What the instrument can do, and the range that it reads each rail on.

    ``can_fetch`` says that INITiate and FETCh? are there, so that it reads while the run does other things; READ? is
    used otherwise. ``has_event_status`` says that ``*ESR?`` is there. ``remarks`` is what a reader of the report
    must know.
    """

    reach: Reach
    ranges_v: Mapping[str, float]
    can_fetch: bool = True
    has_event_status: bool = True
    remarks: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True, slots=True)
class Wanted:
    """How the meter shall read: ``nplc`` None leaves the aperture as it is; ``messages`` are the bench file's own."""

    channels: Mapping[str, int]
    nplc: float | None
    line_hz: float
    has_autozero: bool
    settle_s: float
    reading_s: float
    messages: Sequence[str] = ()


def set_up(talk: Conversation, words: MeterDialect, abilities: Abilities, wanted: Wanted) -> Abilities:
    """Reset the instrument, configure function, ranges, scanner and aperture, and take one reading as a proof.

    What CONFigure resets (from memory: aperture and auto-zero among it) is set after it. A scanner that takes no list
    of channels in CONFigure reads all of them on the largest range; one without ROUTe:SCAN closes its channels one by
    one.

    Raises:
        InstrumentError: the instrument refuses something that cannot be done without, or holds another setting.

    """
    _reset(talk, words)
    able = replace(abilities, has_event_status=_has_event_status(talk))
    able = _configure(talk, words, able, wanted.channels)
    for message in (*words.set_up, *wanted.messages):
        talk.order(message, "see `settings.set_up` of the instrument in the bench file, and its dialect")
    if wanted.nplc is not None:
        set_aperture(talk, words, wanted.nplc)
    if not wanted.has_autozero:
        switch_autozero_off(talk, words)
    remarks = []
    if able.reach is Reach.SCAN:
        every = channel_list(sorted(wanted.channels.values()))
        remarks.append(set_settle_delay(talk, words, wanted.settle_s, every))
    if wanted.nplc is not None:
        remarks.append(about_line(talk, words, wanted.line_hz))
    able = replace(able, remarks=tuple(filter(None, remarks)))
    return _prove(talk, words, able, wanted)


def _reset(talk: Conversation, words: MeterDialect) -> None:
    for message in words.reset:
        talk.write(message)

    def done(answer: str) -> None:
        if integer(answer, greatest=1) != 1:
            raise ValueError("1 was due")

    ask_if_known(talk, "*OPC?", done, timeout_s=max(_RESET_TIMEOUT_S, talk.timeout_s))
    talk.errors()


def _has_event_status(talk: Conversation) -> bool:
    """Tell whether ``*ESR?`` is there and is cleared by reading (IEEE 488.2 section 11.5.1.2, from memory)."""
    first = ask_if_known(talk, "*ESR?", event_status)
    return first is not None and not talk.query("*ESR?", event_status) & POWER_ON


def event_status(answer: str) -> int:
    """Read an answer to ``*ESR?``.

    Raises:
        ValueError: it is no byte.

    """
    return integer(answer, greatest=255)


def _configure(talk: Conversation, words: MeterDialect, wanted: Abilities, channels: Mapping[str, int]) -> Abilities:
    if wanted.reach is Reach.PROBE:
        return _one_range(talk, words, wanted)
    by_range: dict[float, list[int]] = {}
    for name, channel in sorted(channels.items(), key=lambda item: item[1]):
        by_range.setdefault(wanted.ranges_v[name], []).append(channel)
    able = wanted
    if words.configure_channels is None:
        able = _one_range(talk, words, wanted)
    else:
        for range_v, group in sorted(by_range.items()):
            if talk.attempt(filled(words.configure_channels, range=range_v, channels=channel_list(group))):
                able = _one_range(talk, words, wanted)
                break
    scan = words.scan and filled(words.scan, channels=channel_list(sorted(channels.values())))
    refused = talk.attempt(scan) if scan else ()
    if scan and not refused:
        return able
    close = filled(words.close, channels=channel_list([min(channels.values())]))
    refused_too = talk.attempt(close)
    if refused_too:
        before = f"{scan!r}: {'; '.join(map(str, refused))}, and " if scan else ""
        raise InstrumentError(
            f"{talk.name} refuses {before}{close!r}: {'; '.join(map(str, refused_too))}; see that `channels` in the "
            "bench file names channels it has, or, if it has no scanner, take `channels` out and name the rail that "
            "its probe is on"
        )
    return replace(able, reach=Reach.CLOSE, can_fetch=False)


def _one_range(talk: Conversation, words: MeterDialect, wanted: Abilities) -> Abilities:
    """Put everything on the largest range that is needed, and read back what the instrument made of it."""
    needed_v = max(wanted.ranges_v.values())
    advice = "give the bench file a `range` that the instrument has"
    talk.order(filled(words.configure, range=needed_v), advice)
    if words.range is not None:
        # CONFigure takes its argument as an expectation; setting the range turns auto-ranging off for sure.
        talk.order(filled(words.range, range=needed_v), advice)
    held_v = None if words.ask_range is None else ask_if_known(talk, words.ask_range, number)
    if held_v is None:
        held_v = needed_v
    if held_v < needed_v * (1 - HELD):
        raise InstrumentError(f"{talk.name} holds a range of {held_v:g} V where {needed_v:g} V is needed; {advice}")
    return replace(wanted, ranges_v=dict.fromkeys(wanted.ranges_v, held_v))


def _prove(talk: Conversation, words: MeterDialect, able: Abilities, wanted: Wanted) -> Abilities:
    """Take one reading of one channel; overload proves as much as a voltage."""
    if able.reach is Reach.SCAN and words.scan is not None:
        first = channel_list([min(wanted.channels.values())])
        talk.order(filled(words.scan, channels=first), "see `channels` in the bench file")
    timeout_s = talk.timeout_s + 2 * wanted.reading_s
    if able.can_fetch and words.start is not None and not talk.attempt(words.start):
        reading = ask_if_known(talk, words.fetch, _one_number, timeout_s=timeout_s)
        if reading is not None:
            talk.errors()
            return able
    talk.query(words.read, _one_number, timeout_s=timeout_s)
    talk.errors()
    return replace(able, can_fetch=False)


def _one_number(answer: str) -> float:
    values = numbers(answer)
    if len(values) != 1:
        raise ValueError(f"{len(values)} readings came where 1 was asked for")
    return values[0]
