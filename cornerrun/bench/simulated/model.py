"""The simulation file: managers, rails with their physics, meter, board, conditions, planted faults."""

from typing import Annotated, Literal

from pydantic import Field

from cornerrun.bench.simulated.board import BoardSettings
from cornerrun.bench.simulated.instruments.sections import ClockSettings, InstrumentSections
from cornerrun.bench.simulated.meter import SimulatedMeterSettings
from cornerrun.plan.fields import (
    Amperes,
    Degrees,
    FileModel,
    Name,
    Number,
    Ratio,
    Seconds,
    Volts,
    VoltsPerSecond,
    Whole,
)

__all__ = [
    "AdcSettings",
    "AmbientSettings",
    "BusErrors",
    "ConditionSettings",
    "DeadDevice",
    "FaultSettings",
    "IdentitySettings",
    "InputSettings",
    "LimitSettings",
    "ManagerSettings",
    "PageSettings",
    "RailSettings",
    "Reset",
    "SimulationFile",
    "TracksSettings",
    "TrimSettings",
    "Trip",
    "VoltageBand",
]


Word = Annotated[Whole, Field(ge=0, le=0xFFFF)]
Natural = Annotated[Whole, Field(ge=0)]
PositiveSeconds = Annotated[Seconds, Field(gt=0)]
ZeroOrMoreSeconds = Annotated[Seconds, Field(ge=0)]
PositiveVolts = Annotated[Volts, Field(gt=0)]
# One SMBus block holds 32 bytes, and an empty one cannot be told from a failure.
Ascii = Annotated[str, Field(min_length=1, max_length=32, pattern=r"^[ -~]*$")]
Share = Annotated[Ratio, Field(ge=0, le=1)]


class IdentitySettings(FileModel):
    """What MFR_ID, MFR_MODEL, MFR_REVISION, MFR_SERIAL, MFR_LOCATION and MFR_DATE hold: ASCII."""

    maker: Ascii = "SIMULATED"
    model: Ascii = "PM8"
    revision: Ascii = "A"
    serial: Ascii = "00001"
    location: Ascii = "BENCH"
    date: Ascii = "260101"


class ManagerSettings(FileModel):
    """A power manager on a bus.

    ``exponent`` is that of VOUT_MODE: one step of a voltage word is two to its power, in volts. ``scan`` is the time in
    which its ADC goes once through all pages; ``pages`` None has just enough for its rails. ``store`` is how long it
    is busy and answers nothing after a STORE or RESTORE. ``retry`` is the pause before it tries a tripped output again,
    where the response byte asks for that. ``registers`` presets registers that are not paged, by PMBus name.

    ``pec`` says what the device makes of the packet error code of a write. "optional", as most devices, tells by the
    length whether one came: a turned bit that makes a byte command into a word command then turns the code into data,
    and nobody notices. "required" refuses a write without, "none" knows no such thing.
    """

    bus: Name
    address: Annotated[Whole, Field(ge=0x08, le=0x77)]
    identity: IdentitySettings = IdentitySettings()
    exponent: Annotated[Whole, Field(ge=-16, le=15)] = -12
    scan: PositiveSeconds = 0.02
    pages: Annotated[Whole, Field(ge=1, le=32)] | None = None
    pec: Literal["optional", "required", "none"] = "optional"
    store: ZeroOrMoreSeconds = 0.1
    retry: PositiveSeconds = 0.1
    registers: dict[str, Word] = Field(default_factory=dict)


class PageSettings(FileModel):
    """Which page of which manager makes, or only measures, a rail."""

    device: Name
    page: Annotated[Whole, Field(ge=0, le=31)]


class TracksSettings(FileModel):
    """Another rail that hardware makes this one follow, and its share of that one's voltage."""

    rail: Name
    ratio: Annotated[Number, Field(gt=0)]


class TrimSettings(FileModel):
    """How far an output lies from its setpoint: V = setpoint (1 + gain_error) + offset_error."""

    gain_error: Ratio = 0.0
    offset_error: Volts = 0.0


class AdcSettings(FileModel):
    """How a manager's ADC reads its own rail; ``noise`` is one standard deviation, ``lsb`` None VOUT_MODE's."""

    gain_error: Ratio = 0.0
    offset_error: Volts = 0.0
    noise: Annotated[Volts, Field(ge=0)] = 0.0001
    lsb: PositiveVolts | None = None


class LimitSettings(FileModel):
    """The limits as a device has them after power-up; None is the share of nominal in brackets.

    VOUT_MAX (1.20), OV fault (1.15), OV warning (1.12), UV warning (0.88), UV fault (0.85), POWER_GOOD_ON (0.90),
    POWER_GOOD_OFF (0.86), VOUT_MIN (0.50); all chosen.
    """

    vout_max: Volts | None = None
    ov_fault: Volts | None = None
    ov_warn: Volts | None = None
    uv_warn: Volts | None = None
    uv_fault: Volts | None = None
    power_good_on: Volts | None = None
    power_good_off: Volts | None = None
    vout_min: Volts | None = None


class RailSettings(FileModel):
    """A rail and its physics.

    A rail with ``power`` is made by that page. One with ``tracks`` follows another rail; its ``power``, if it has one,
    only measures it. One with neither is fixed and only a meter sees it. ``slew`` is the fastest that the power stage
    can do; VOUT_TRANSITION_RATE can make it slower. ``discharge`` is the time constant of an output that is off.
    ``margin`` presets the margin registers; ``registers`` presets any paged register, by PMBus name.
    """

    name: Name
    nominal: PositiveVolts
    power: PageSettings | None = None
    tracks: TracksSettings | None = None
    time_constant: ZeroOrMoreSeconds = 0.001
    slew: Annotated[VoltsPerSecond, Field(gt=0)] = 1000.0
    discharge: ZeroOrMoreSeconds = 0.005
    trim: TrimSettings = TrimSettings()
    adc: AdcSettings = AdcSettings()
    load: Annotated[Amperes, Field(ge=0)] = 1.0
    self_heating: Degrees = 10.0
    margin: Share = 0.05
    limits: LimitSettings = LimitSettings()
    registers: dict[str, Word] = Field(default_factory=dict)


class AmbientSettings(FileModel):
    """The temperature around the board: where it rests, how fast it follows, when it counts as reached."""

    start: Degrees = 25.0
    time_constant: ZeroOrMoreSeconds = 30.0
    band: Annotated[Degrees, Field(gt=0)] = 0.5


class InputSettings(FileModel):
    """The voltage that feeds the board: where it rests, how fast it follows, when it counts as reached."""

    start: Volts = 12.0
    time_constant: ZeroOrMoreSeconds = 0.05
    band: PositiveVolts = 0.05


class ConditionSettings(FileModel):
    """What surrounds the board."""

    ambient: AmbientSettings = AmbientSettings()
    input_voltage: InputSettings = InputSettings()
    clock: ClockSettings = ClockSettings()


class VoltageBand(FileModel):
    """A voltage at or below one bound, at or above another."""

    below: Volts | None = None
    above: Volts | None = None


class Trip(FileModel):
    """A planted trip of a rail's own protection.

    It happens ``at`` a time after the start of the bench, or as soon as every rail of ``when`` is in its band; with
    both, not before that time. ``times`` is how often it happens at most. The rail shows the status bit of ``shows``.
    """

    rail: Name
    shows: Literal["ov_fault", "uv_fault", "oc_fault", "ot_fault"] = "uv_fault"
    at: ZeroOrMoreSeconds | None = None
    when: dict[str, VoltageBand] = Field(default_factory=dict)
    times: Annotated[Whole, Field(ge=1)] = 1


class DeadDevice(FileModel):
    """A manager that stops acknowledging its address ``at`` a time; its outputs stay. ``lasts`` None is for good."""

    device: Name
    at: ZeroOrMoreSeconds
    lasts: PositiveSeconds | None = None


class Reset(FileModel):
    """A manager that loses its supply for an instant ``at`` a time: its registers are those of its memory again."""

    device: Name
    at: ZeroOrMoreSeconds


class BusErrors(FileModel):
    """Errors of a bus at a rate a message: a bit of the message turned over, or no acknowledge."""

    bus: Name
    bit_errors: Share = 0.0
    no_acknowledge: Share = 0.0


class FaultSettings(FileModel):
    """Trouble planted on purpose."""

    trips: tuple[Trip, ...] = ()
    dead_devices: tuple[DeadDevice, ...] = ()
    resets: tuple[Reset, ...] = ()
    bus_errors: tuple[BusErrors, ...] = ()


class SimulationFile(InstrumentSections):
    """A whole simulated bench.

    ``channels`` says which scanner channel is wired to which rail. ``seed`` makes all noise and all draws repeatable.
    """

    format: Annotated[Whole, Field(ge=1, le=1)]
    title: str = ""
    seed: Natural = 0
    managers: dict[str, ManagerSettings] = Field(default_factory=dict)
    rails: tuple[RailSettings, ...]
    channels: dict[str, Natural] = Field(default_factory=dict)
    meter: SimulatedMeterSettings | None = None
    board: BoardSettings = BoardSettings()
    conditions: ConditionSettings = ConditionSettings()
    faults: FaultSettings = FaultSettings()
