"""A device profile as it stands in its file."""

from typing import Annotated, Literal, Self

from pydantic import AfterValidator, Field, model_validator

from cornerrun.bench.pmbus.commands import COMMANDS, NON_VOLATILE
from cornerrun.plan.fields import FileModel, Flag, Name, Number, Seconds, Text, Volts, Whole, refusal
from cornerrun.plan.nearest import suggestion

__all__ = ["DirectFile", "FaultLogFile", "FormatFile", "ProfileFile", "SpanFile"]


def _known(name: str) -> str:
    if name not in COMMANDS:
        raise refusal(f"{name!r} is no command that may be sent", suggestion(name, COMMANDS))
    return name


def _harmless(code: int) -> int:
    if code in NON_VOLATILE:
        raise refusal(f"0x{code:02X} is {NON_VOLATILE[code]}, which is never sent", "name the register of the log")
    return code


Register = Annotated[Name, AfterValidator(_known)]
Byte = Annotated[Whole, Field(ge=0, le=0xFF)]
Period = Annotated[Seconds, Field(gt=0)]
Delay = Annotated[Seconds, Field(ge=0)]
Page = Annotated[Whole, Field(ge=0, le=31)]


class DelaysFile(FileModel):
    """How long a device must be left alone."""

    access: Delay = 0.0
    write: Delay = 0.0
    page_change: Delay = 0.0


class DirectFile(FileModel):
    """Coefficients of DIRECT."""

    m: Annotated[int, Field(ge=-0x8000, le=0x7FFF)]
    b: Annotated[int, Field(ge=-0x8000, le=0x7FFF)]
    r: Annotated[int, Field(ge=-128, le=127)]


class FormatFile(FileModel):
    """The format of one register, where it is not what PMBus says."""

    direct: DirectFile


class SpanFile(FileModel):
    """Codes of a VID table from one to another, with the voltage of the first and the step to the next."""

    first: Annotated[Whole, Field(ge=0, le=0xFFFF)] = Field(examples=["0x02"])
    last: Annotated[Whole, Field(ge=0, le=0xFFFF)] | None = None
    volts: Volts = Field(examples=["1.6 V"])
    step: Volts = 0.0


class MarginFile(FileModel):
    """How rails are margined: by OPERATION and margin registers, or by writing VOUT_COMMAND."""

    by: Literal["margin registers", "VOUT_COMMAND"] = "margin registers"
    high: Byte = 0xA8
    low: Byte = 0x98


class RegistersFile(FileModel):
    """The registers that are there."""

    required: tuple[Register, ...]
    optional: tuple[Register, ...] = ()


Place = Annotated[Whole, Field(ge=0, le=254)]


class LogEntriesFile(FileModel):
    """Where an entry of the log holds what: bytes counted from 0 within the entry, the first entry within the block."""

    first: Place = 0
    size: Annotated[Whole, Field(ge=2, le=255)]
    page: Place
    status_register: Place | None = None
    bits: Place | None = None
    time: Place
    time_bytes: Annotated[Whole, Field(ge=1, le=8)]
    tick: Period = Field(examples=["100 us"])
    order: Literal["low byte first", "high byte first"] = "low byte first"

    @model_validator(mode="after")
    def _lies_within_the_entry(self) -> Self:
        for key, last in (
            ("page", self.page),
            ("status_register", self.status_register or 0),
            ("bits", self.bits or 0),
            ("time", self.time + self.time_bytes - 1),
        ):
            if last >= self.size:
                raise refusal(f"{key} ends at byte {last} of an entry of {self.size} bytes", "count bytes from 0")
        return self


class FaultLogFile(FileModel):
    """Where the log of faults is read, as one block, and how its entries are read, if that is known."""

    command: Annotated[Whole, Field(ge=0, le=0xFF), AfterValidator(_harmless)] = Field(examples=["0xEE"])
    paged: Flag = False
    entries: LogEntriesFile | None = None


class ProfileFile(FileModel):
    """A kind of device."""

    format: Literal["1"]
    title: Text
    pages: Annotated[int, Field(ge=1, le=32)]
    scan_period: Period
    broadcast: Flag = False
    page_plus: Flag = False
    group_command: Flag = False
    query: Flag = False
    pec: Flag | None = None
    margin: MarginFile = MarginFile()
    registers: RegistersFile
    formats: dict[Register, Literal["vout", "vout signed", "vout or ratio", "linear11", "half"] | FormatFile] = Field(
        default_factory=dict
    )
    vout_direct: Literal["coefficients"] | DirectFile | None = None
    vout_vid: tuple[SpanFile, ...] = ()
    scale: dict[Page, Annotated[Number, Field(gt=0, le=1000)]] = Field(default_factory=dict)
    fault_log: FaultLogFile | None = None
    keeps_limits: Text = Field(default="", examples=["writing a limit makes its comparator glitch"])
    delays: DelaysFile = Field(default_factory=DelaysFile)
