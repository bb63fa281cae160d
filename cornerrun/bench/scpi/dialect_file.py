"""What a dialect file may say: messages with holes for numbers, for a meter, a supply or whatever sets a condition.

A hole is a name in braces, such as ``{value}``. Numbers are written as IEEE 488.2 wants them (NRf), channel lists as
SCPI does: ``(@101,103:105)``. Which holes a message may have stands beside each below; others are problems of the file.
"""

import re
from typing import Annotated, Literal

from pydantic import AfterValidator, Field, StringConstraints

from cornerrun.bench.scpi.text import number
from cornerrun.plan.fields import FileModel, Number, Seconds, Text, Volts, Whole, refusal
from cornerrun.plan.files import FormatNumber

__all__ = ["ConditionDialect", "DialectFile", "MeterDialect", "State", "SupplyDialect", "filled", "number_text"]

_HOLE = re.compile(r"\{([^{}]*)\}")
_APART = ("format", "title", "error", "role", "outputs", "step", "reading", "select")  # of a supply: no messages to it


def filled(message: str, **values: float | int | str) -> str:
    """Fill the holes of a message; numbers as NRf, texts as they are."""
    texts = {name: value if isinstance(value, str) else number_text(value) for name, value in values.items()}
    return _HOLE.sub(lambda hole: texts[hole[1]], message)


def number_text(value: float | int) -> str:
    """Write a number with up to nine digits, as short as it goes."""
    return f"{value:.9g}"


def _message(*holes: str, needs: tuple[str, ...] = (), is_query: bool = False) -> AfterValidator:
    def check(text: str) -> str:
        found = _HOLE.findall(text)
        known = f"known: {', '.join(f'{{{hole}}}' for hole in holes)}" if holes else "none can stand here"
        for hole in found:
            if hole not in holes:
                raise refusal(f"{{{hole}}} is no hole of this message", known)
        if "{" in _HOLE.sub("", text) or "}" in _HOLE.sub("", text):
            raise refusal("a brace has no partner", f"write a hole like {{value}}; {known}")
        for hole in needs:
            if hole not in found:
                raise refusal(f"{{{hole}}} is missing", f"write where the number goes, like '... {{{hole}}}'")
        if not text.isprintable() or not text.isascii():
            raise refusal("a message is printable ASCII in one line", "write several messages as a list")
        if is_query and "?" not in text:
            raise refusal(f"{text!r} is no question", "a question has a question mark after its header")
        return text

    return AfterValidator(check)


_Line = Annotated[str, StringConstraints(strip_whitespace=True, min_length=1, max_length=500)]
Plain = Annotated[_Line, _message()]
Query = Annotated[_Line, _message(is_query=True)]
_Messages = tuple[Plain, ...]


class State(FileModel):
    """A question whose answer tells of a state: bits of a register, or a number or word that must equal ``equals``."""

    ask: Annotated[_Line, _message("output", is_query=True)] = Field(examples=["STAT:QUES:COND?"])
    mask: Annotated[Whole, Field(ge=1, le=0xFFFFFFFF)] | None = None
    equals: Text | None = None

    def holds(self, answer: str) -> bool:
        """Read an answer; ValueError if it is neither what a mask nor what a number or word can be compared with."""
        text = answer.strip()
        if self.mask is not None:
            return bool(int(number(text)) & self.mask)
        if self.equals is None:
            return number(text) != 0
        try:
            return number(text) == number(self.equals)
        except ValueError:
            return text.strip("\"'").casefold() == self.equals.strip().casefold()


class DialectFile(FileModel):
    """What every dialect has. ``error`` asks for one entry of the error queue."""

    format: FormatNumber = Field(examples=["1"])
    title: Text = Field(examples=["two-output bench supply, from its manual"])
    error: Query = "SYST:ERR?"

    def troubles(self) -> list[tuple[str, str, str]]:
        """What no single field can tell: key, what came, what to write."""
        return []


class MeterDialect(DialectFile):
    """The words of a voltmeter, with or without a scanner.

    ``autozero`` and ``channel_delay`` are alternatives, tried in order until one is accepted; ``set_up`` is sent after
    the function has been configured. ``ask_line`` asks for the line frequency in hertz that apertures are reckoned by;
    it must be the bench file's. Null takes a message away.
    """

    role: Literal["meter"]
    reset: _Messages = ("*RST", "*CLS")
    configure: Annotated[_Line, _message("range")] = "CONF:VOLT:DC {range}"
    configure_channels: Annotated[_Line, _message("range", "channels", needs=("channels",))] | None = (
        "CONF:VOLT:DC {range},{channels}"
    )
    range: Annotated[_Line, _message("range", needs=("range",))] | None = "SENS:VOLT:DC:RANG {range}"
    ask_range: Query | None = "SENS:VOLT:DC:RANG?"
    nplc: Annotated[_Line, _message("nplc", needs=("nplc",))] | None = "SENS:VOLT:DC:NPLC {nplc}"
    ask_nplc: Query | None = "SENS:VOLT:DC:NPLC?"
    ask_line: Query | None = "SYST:LFR?"
    autozero: tuple[Annotated[_Line, _message("state", needs=("state",))], ...] = (
        "SENS:VOLT:DC:ZERO:AUTO {state}",
        "CAL:ZERO:AUTO {state}",
    )
    channel_delay: tuple[Annotated[_Line, _message("delay", "channels", needs=("delay",))], ...] = (
        "TRIG:DEL {delay}",
        "ROUT:CHAN:DEL {delay},{channels}",
    )
    scan: Annotated[_Line, _message("channels", needs=("channels",))] | None = "ROUT:SCAN {channels}"
    close: Annotated[_Line, _message("channels", needs=("channels",))] = "ROUT:CLOS {channels}"
    open_all: Plain = "ROUT:OPEN:ALL"
    start: Plain | None = "INIT"
    fetch: Query = "FETC?"
    read: Query = "READ?"
    abort: Plain = "ABOR"
    set_up: _Messages = ()


class SupplyDialect(DialectFile):
    """The words of a programmable supply whose outputs make rails.

    ``select`` precedes each message where outputs are chosen first; else messages may have the hole {output}. ``step``
    is the resolution of the voltage. ``reading`` is the time that one measurement takes.
    """

    role: Literal["supply"]
    outputs: Annotated[Whole, Field(ge=1, le=64)] = 1
    step: Annotated[Volts, Field(gt=0)] = 0.001
    reading: Annotated[Seconds, Field(gt=0)] = 0.02
    select: Annotated[_Line, _message("output", needs=("output",))] | None = None
    voltage: Annotated[_Line, _message("value", "output", needs=("value",))] = "VOLT {value}"
    ask_voltage: Annotated[_Line, _message("output", is_query=True)] = "VOLT?"
    current_limit: Annotated[_Line, _message("value", "output", needs=("value",))] = "CURR {value}"
    ask_current_limit: Annotated[_Line, _message("output", is_query=True)] = "CURR?"
    protection: Annotated[_Line, _message("value", "output", needs=("value",))] | None = "VOLT:PROT {value}"
    ask_protection: Annotated[_Line, _message("output", is_query=True)] | None = "VOLT:PROT?"
    on: Annotated[_Line, _message("output")] = "OUTP ON"
    off: Annotated[_Line, _message("output")] = "OUTP OFF"
    is_on: State = State(ask="OUTP?")
    measure_voltage: Annotated[_Line, _message("output", is_query=True)] = "MEAS:VOLT?"
    measure_current: Annotated[_Line, _message("output", is_query=True)] | None = "MEAS:CURR?"
    over_voltage: State | None = State(ask="STAT:QUES:COND?", mask=0x01)
    over_current: State | None = State(ask="STAT:QUES:COND?", mask=0x02)
    limiting: State | None = None
    clear: Annotated[_Line, _message("output")] | None = "OUTP:PROT:CLE"

    def troubles(self) -> list[tuple[str, str, str]]:
        """An instrument of several outputs must be told which one is meant."""
        if self.outputs == 1 or self.select is not None:
            return []
        words = {name: getattr(self, name) for name in type(self).model_fields}
        bare = [name for name, word in words.items() if _means_an_output(name, word)]
        if not bare:
            return []
        came = f"{self.outputs} outputs, and {', '.join(bare)} would not say which is meant"
        return [("outputs", came, "write 'select: INST:NSEL {output}', or the hole {output} in each of them")]


class ConditionDialect(DialectFile):
    """The words of whatever sets a condition: a chamber, a supply, an electronic load, a generator.

    Numbers are in ``scale`` times the plan's SI unit: 1 for degrees Celsius, volts, amperes. ``begin`` precedes the
    first target, ``end`` releases it; ``rest`` is the value that it is sent to first, None leaves it. ``trouble`` are
    states that must not be: each is named and ends the wait. ``ready`` is what it says itself, where it does.
    ``sensor`` reads the sensor at the board, ``ramp`` sets how fast the setpoint moves, in units a minute.
    """

    role: Literal["condition"]
    least: Number | None = None
    most: Number | None = None
    scale: Annotated[Number, Field(gt=0)] = 1.0
    begin: _Messages = ()
    target: Annotated[_Line, _message("value", needs=("value",))] = Field(examples=["TEMP {value}"])
    ask_target: Query | None = None
    read: Query = Field(examples=["MEAS:TEMP?"])
    sensor: Query | None = None
    ramp: Annotated[_Line, _message("value", needs=("value",))] | None = None
    ready: State | None = None
    trouble: dict[Text, State] = Field(default_factory=dict)
    rest: Number | None = None
    end: _Messages = ()


def _means_an_output(name: str, word: object) -> bool:
    text = word.ask if isinstance(word, State) else word
    return name not in _APART and isinstance(text, str) and "{output}" not in text
