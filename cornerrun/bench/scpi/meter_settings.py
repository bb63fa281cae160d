"""Settings of a voltmeter that instruments spell differently or lack: aperture, auto-zero, settle delay, line."""

from collections.abc import Callable
from math import isclose
from typing import TypeVar

from cornerrun.bench.scpi.conversation import Conversation
from cornerrun.bench.scpi.dialect_file import MeterDialect, filled
from cornerrun.bench.scpi.text import number, numbers
from cornerrun.errors import InstrumentError

__all__ = ["HELD", "about_line", "ask_if_known", "set_aperture", "set_settle_delay", "switch_autozero_off"]

_T = TypeVar("_T")
HELD = 1e-3  # chosen: a setting counts as held if it reads back within this share
_COMMAND_ERRORS = range(-199, -99)  # SCPI-99 volume 2 section 21.8.9: the instrument did not understand
_NO_AUTOZERO = "write `autozero: true` in the bench file, or a dialect whose `autozero` says how this meter is told"


def switch_autozero_off(talk: Conversation, words: MeterDialect) -> None:
    """Switch auto-zero off in the first spelling that is taken; InstrumentError if none is."""
    refused = []
    for word in words.autozero:
        message = filled(word, state="OFF")
        entries = talk.attempt(message)
        if not entries:
            return
        refused.append(f"{message!r}: {entries[0]}")
    raise InstrumentError(
        f"{talk.name} refuses {', and '.join(refused) or 'to have its auto-zero off'}; {_NO_AUTOZERO}"
    )


def set_settle_delay(talk: Conversation, words: MeterDialect, delay_s: float, channels: str) -> str:
    """Let the scanner wait after each relay; tell a reader of the report if it takes no such delay."""
    if delay_s == 0 or any(
        not talk.attempt(filled(word, delay=delay_s, channels=channels)) for word in words.channel_delay
    ):
        return ""
    return (
        f"{talk.name} takes no settle delay of {delay_s:g} s after a relay: it waits as long as it likes; name the "
        "message that sets it as `channel_delay` of its dialect"
    )


def about_line(talk: Conversation, words: MeterDialect, line_hz: float) -> str:
    """Tell a reader of the report if the meter reckons its apertures by another line frequency; many do not say."""
    if words.ask_line is None:
        return ""
    try:
        held_hz = ask_if_known(talk, words.ask_line, number)
    except InstrumentError as error:
        if not isinstance(error.__cause__, TimeoutError):
            raise
        return ""
    if held_hz is None or isclose(held_hz, line_hz, rel_tol=HELD):
        return ""
    return (
        f"{talk.name} takes its power line for {held_hz:g} Hz where the bench file says `line: {line_hz:g} Hz`: "
        "hum is not averaged away; set the meter, or correct the bench file"
    )


def set_aperture(talk: Conversation, words: MeterDialect, nplc: float) -> None:
    """Set the aperture in power-line cycles; InstrumentError if it is refused or another is held."""
    if words.nplc is not None:
        talk.order(
            filled(words.nplc, nplc=nplc),
            "give the bench file an `nplc` that the instrument has, or `settings: {aperture: fixed}` if it has but one",
        )
    for held in (ask_if_known(talk, words.ask_nplc, numbers) if words.ask_nplc is not None else None) or ():
        if not isclose(held, nplc, rel_tol=HELD):
            raise InstrumentError(
                f"{talk.name} holds {held:g} power-line cycles where the bench file says nplc {nplc:g}; change the "
                "bench file to what it has"
            )


def ask_if_known(
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
