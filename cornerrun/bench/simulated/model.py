"""The simulation file: managers, rails with their physics, meter, board, conditions, planted faults."""

from typing import Annotated, Literal

from pydantic import Field

from cornerrun.bench.simulated.board import BoardSettings
from cornerrun.bench.simulated.fault_settings import FaultSettings
from cornerrun.bench.simulated.instruments.sections import ClockSettings, InstrumentSections
from cornerrun.bench.simulated.manager_settings import (
    DirectSettings,
    FaultLineSettings,
    FaultLogSettings,
    InputLimitSettings,
    Response,
    SupplySettings,
)
from cornerrun.bench.simulated.meter import SimulatedMeterSettings
from cornerrun.bench.simulated.physics_settings import (
    DriftSettings,
    LoadStep,
    RingingSettings,
    RippleSettings,
    ServoSettings,
    UpstreamSettings,
)
from cornerrun.bench.simulated.population_settings import PopulationSection
from cornerrun.bench.simulated.quantities import (
    Natural,
    PositiveSeconds,
    PositiveVolts,
    Share,
    Word,
    ZeroOrMoreOhms,
    ZeroOrMoreSeconds,
)
from cornerrun.plan.fields import (
    Amperes,
    Degrees,
    FileModel,
    Flag,
    Name,
    Number,
    PerKelvin,
    Ratio,
    Volts,
    VoltsPerSecond,
    Whole,
)

__all__ = [
    "AdcSettings",
    "AmbientSettings",
    "ConditionSettings",
    "IdentitySettings",
    "InputSettings",
    "LimitSettings",
    "ManagerSettings",
    "PageSettings",
    "RailSettings",
    "SimulationFile",
    "TracksSettings",
    "TrimSettings",
]
# One SMBus block holds 32 bytes, and an empty one cannot be told from a failure.
Ascii = Annotated[str, Field(min_length=1, max_length=32, pattern=r"^[ -~]*$")]


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

    ``format`` is that of output-voltage words; ``exponent`` counts in "linear" only, ``direct`` in "direct" only. With
    ``relative`` margins and limits are shares of VOUT_COMMAND (PMBus 1.3). ``lacks`` names registers that the part does
    not have; one without VOUT_MARGIN_HIGH and VOUT_MARGIN_LOW can be margined by VOUT_COMMAND only. ``unsupported`` is
    what a read of such a register brings: no acknowledge, or all ones. ``page_plus``, ``group`` and ``alert`` say
    whether it knows PAGE_PLUS, group commands and the alert line. ``always_writable`` are registers that WRITE_PROTECT
    leaves open besides those that the standard says. ``control`` is the state of its CONTROL pin.

    ``warnings`` says what compares the output with the warning limits: a comparator, or the ADC conversion by
    conversion. ``comparator_tolerance`` is how far its comparators may be off, either way. ``responses`` are the
    fault responses that it knows, ``retries`` the counts of retries: any, or none and endless alone; ``delay_unit`` is
    what bits 2:0 of a response byte count.
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
    format: Literal["linear", "direct", "half"] = "linear"
    relative: Flag = False
    direct: DirectSettings | None = None
    lacks: tuple[Name, ...] = ()
    unsupported: Literal["refuse", "ones"] = "refuse"
    page_plus: Flag = False
    group: Flag = True
    alert: Flag = True
    always_writable: tuple[Name, ...] = ()
    control: Literal["asserted", "released"] = "asserted"
    warnings: Literal["comparator", "adc"] = "comparator"
    comparator_tolerance: Share = 0.0
    responses: tuple[Response, ...] = ("continue", "shut_down")
    retries: Literal["any", "none or endless"] = "any"
    delay_unit: ZeroOrMoreSeconds = 0.0
    fault_log: FaultLogSettings | None = None
    supply: SupplySettings | None = None
    input: InputLimitSettings = InputLimitSettings()


class PageSettings(FileModel):
    """Which page of which manager makes, or only measures, a rail."""

    device: Name
    page: Annotated[Whole, Field(ge=0, le=31)]


class TracksSettings(FileModel):
    """Another rail that hardware makes this one follow, and its share of that one's voltage."""

    rail: Name
    ratio: Annotated[Number, Field(gt=0)]


class TrimSettings(FileModel):
    """How far an output lies from its setpoint: V = setpoint (1 + gain_error) + offset_error, plus ``inl``.

    ``inl`` is the largest deviation from that line: an S that is zero at nominal and ``inl_span`` away from it.
    """

    gain_error: Ratio = 0.0
    offset_error: Volts = 0.0
    inl: Volts = 0.0
    inl_span: Annotated[Ratio, Field(gt=0)] = 0.2


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

    ``ringing`` makes the response second-order, ``servo`` the trim closed-loop. ``load`` is the current at nominal,
    ``load_kind`` how it depends on the voltage: as a resistor draws it, the same always, or for the same power.
    ``output_resistance`` is the load regulation, counted from ``load``; ``droop`` lowers the output by the whole
    current. ``coupling`` is the share of another rail's distance from its nominal that comes through.
    ``temperature_coefficient`` counts from 25 degC of the rail itself: ambient plus ``self_heating``, which follows the
    power with ``thermal_time_constant`` if that is given, and is constant if not.
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
    load_kind: Literal["resistor", "current", "power"] = "resistor"
    load_steps: tuple[LoadStep, ...] = ()
    output_resistance: ZeroOrMoreOhms = 0.0
    droop: ZeroOrMoreOhms = 0.0
    ringing: RingingSettings | None = None
    servo: ServoSettings | None = None
    ripple: RippleSettings | None = None
    coupling: dict[Name, Ratio] = Field(default_factory=dict)
    upstream: UpstreamSettings | None = None
    drift: DriftSettings | None = None
    temperature_coefficient: PerKelvin = 0.0
    self_heating: Degrees = 10.0
    thermal_time_constant: PositiveSeconds | None = None
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


class SimulationFile(InstrumentSections, PopulationSection):
    """A whole simulated bench.

    ``channels`` says which scanner channel is wired to which rail. ``seed`` makes all noise and all draws repeatable.
    """

    format: Annotated[Whole, Field(ge=1, le=1)]
    title: str = ""
    seed: Natural = 0
    managers: dict[str, ManagerSettings] = Field(default_factory=dict)
    rails: tuple[RailSettings, ...]
    fault_lines: dict[str, FaultLineSettings] = Field(default_factory=dict)
    channels: dict[str, Natural] = Field(default_factory=dict)
    meter: SimulatedMeterSettings | None = None
    board: BoardSettings = BoardSettings()
    conditions: ConditionSettings = ConditionSettings()
    faults: FaultSettings = FaultSettings()
