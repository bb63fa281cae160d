"""What a power manager can and cannot do, as sections of the simulation file; unless written, it is a plain one."""

from typing import Annotated, Literal

from pydantic import Field

from cornerrun.bench.simulated.quantities import PositiveVolts, ZeroOrMoreSeconds, ZeroOrMoreVolts
from cornerrun.plan.fields import FileModel, Flag, Name, Seconds, Whole

__all__ = [
    "DirectSettings",
    "FaultLineSettings",
    "FaultLogSettings",
    "InputLimitSettings",
    "Response",
    "SupplySettings",
]

Response = Literal["continue", "delay", "shut_down", "while_present"]
"""What bits 7:6 of a response byte may ask for: 00, 01, 10, 11."""


class DirectSettings(FileModel):
    """The coefficients of the DIRECT format: word = (m * volts + b) * 10^r; COEFFICIENTS tells them."""

    m: Annotated[Whole, Field(ge=-0x8000, le=0x7FFF)]
    b: Annotated[Whole, Field(ge=-0x8000, le=0x7FFF)] = 0
    r: Annotated[Whole, Field(ge=-128, le=127)] = 0


class FaultLogSettings(FileModel):
    """A log of the device's last faults: a block that begins with the number of entries, six bytes each behind it.

    An entry holds the page, the status register and its bit, and the time since power-up in steps of 100 us, three
    bytes, low byte first. The first ``entries`` faults stay; later ones are counted only, in the first byte, up to 255.
    ``command`` is the code of its register. ``clock_offset`` is how far the device's clock is ahead of the bench's.
    """

    command: Annotated[Whole, Field(ge=0xA0, le=0xFD)] = 0xEA
    entries: Annotated[Whole, Field(ge=1, le=5)] = 5
    cleared_by_clear_faults: Flag = False
    clock_offset: Seconds = 0.0


class SupplySettings(FileModel):
    """What feeds the manager itself: a rail, or "input".

    Below ``brown_out`` it is dead and its outputs are off; once the voltage is back, it starts after ``boot``, with the
    registers of its memory.
    """

    rail: Name
    brown_out: PositiveVolts
    boot: ZeroOrMoreSeconds = 0.01


class InputLimitSettings(FileModel):
    """The input voltages at which STATUS_INPUT shows a bit; below ``uv_fault`` every output of the device is off."""

    ov_fault: ZeroOrMoreVolts | None = None
    ov_warn: ZeroOrMoreVolts | None = None
    uv_warn: ZeroOrMoreVolts | None = None
    uv_fault: ZeroOrMoreVolts | None = None


class FaultLineSettings(FileModel):
    """A shared fault line: which rails pull it when they shut down, and which shut down when it is pulled.

    ``delay`` is how long a page takes to obey. With ``latches`` a page that obeyed stays off until it is commanded off
    and on; without, it comes back when the last page lets go of the line. ``shows`` says that a page which obeyed shows
    it in STATUS_MFR_SPECIFIC (bit 0).
    """

    driven_by: tuple[Name, ...]
    obeyed_by: tuple[Name, ...]
    delay: ZeroOrMoreSeconds = 1e-5
    latches: Flag = True
    shows: Flag = False
