"""A device profile as it stands in its file."""

from typing import Annotated, Literal

from pydantic import AfterValidator, Field

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


class FaultLogFile(FileModel):
    """Where the log of faults is read, as one block."""

    command: Annotated[Whole, Field(ge=0, le=0xFF), AfterValidator(_harmless)] = Field(examples=["0xEE"])
    paged: Flag = False


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
    delays: DelaysFile = Field(default_factory=DelaysFile)
