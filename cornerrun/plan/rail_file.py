"""The sections of a plan file that say what the board is: devices, rails, relations."""

from typing import Annotated

from pydantic import Field

from cornerrun.plan.amounts import Amount, AmountText, MarginFile
from cornerrun.plan.fields import Amperes, FileModel, Name, Number, Ratio, Seconds, Text, Volts, Whole
from cornerrun.plan.supply_file import LimitText, SupplyFile

__all__ = [
    "BoardFile",
    "DeviceFile",
    "DeviceLimitsFile",
    "HardLimitsFile",
    "IdentityFile",
    "OutputFile",
    "PageFile",
    "RailFile",
    "RelationFile",
    "SettleFile",
    "TracksFile",
    "volts_of",
]


class BoardFile(FileModel):
    """What is tested."""

    name: Text = Field(examples=["tide-gauge node"])
    revision: Text = Field(examples=["C"])


class IdentityFile(FileModel):
    """What a device must call itself: MFR_ID, MFR_MODEL, MFR_REVISION, MFR_SERIAL."""

    maker: Text | None = None
    model: Text | None = None
    revision: Text | None = None
    serial: Text | None = None


class DeviceFile(FileModel):
    """A power manager: its bus in the bench file, its seven-bit address, its profile."""

    bus: Name = Field(examples=["main"])
    address: Whole = Field(examples=["0x40"])
    profile: Text = "generic"
    identity: IdentityFile = IdentityFile()
    vout_mode: Annotated[Whole, Field(ge=0, le=255)] | None = None
    scan: Annotated[Seconds, Field(gt=0)] | None = None


class HardLimitsFile(FileModel):
    """Voltages that nothing crosses."""

    min: Volts = Field(examples=["0.78 V"])
    max: Volts = Field(examples=["0.92 V"])


class SettleFile(FileModel):
    """When a rail counts as settled."""

    band: Annotated[Ratio, Field(gt=0, lt=1)] = Field(examples=["0.5 %"])
    stable_for: Annotated[Seconds, Field(gt=0)] = Field(examples=["60 ms"])
    timeout: Annotated[Seconds, Field(gt=0)] = Field(examples=["2 s"])


class PageFile(FileModel):
    """Which page of which device makes a rail."""

    device: Name = Field(examples=["PM1"])
    page: Annotated[Whole, Field(ge=0, le=31)] = Field(examples=["0"])


class OutputFile(FileModel):
    """Which output of which supply of the bench makes a rail, on a board without a manager, and its protection."""

    supply: Name = Field(examples=["FEED"])
    number: Annotated[Whole, Field(ge=1, le=64)] = 1
    current_limit: Annotated[Amperes, Field(gt=0)] = Field(examples=["2 A"])
    over_voltage: LimitText = Field(examples=["115 %"])


class TracksFile(FileModel):
    """The rail that hardware makes this one follow."""

    rail: Name = Field(examples=["VDDQ"])
    ratio: Annotated[Number, Field(gt=0, le=100)] = Field(examples=["0.5"])


class DeviceLimitsFile(FileModel):
    """The limits that a device keeps for a rail, as the plan knows them: volts, or where they stand (110 % of nominal).

    What is read from a device replaces them.
    """

    vout_max: LimitText | None = None
    ov_fault: LimitText | None = None
    ov_warn: LimitText | None = None
    uv_warn: LimitText | None = None
    uv_fault: LimitText | None = None
    vout_min: LimitText | None = None
    power_good_on: LimitText | None = None
    power_good_off: LimitText | None = None

    def volts(self, nominal_v: float) -> dict[str, float]:
        """The limits that are stated, in volts."""
        given = {name: getattr(self, name) for name in type(self).model_fields}
        return {name: volts_of(amount, nominal_v) for name, amount in given.items() if isinstance(amount, Amount)}


def volts_of(amount: Amount, nominal_v: float) -> float:
    """Tell a limit in volts, as close as its text says it."""
    return float(f"{amount.level_v(nominal_v):.12g}")


class RailFile(SupplyFile):
    """One supply output. Margins are magnitudes, levels are signed, volts are absolute."""

    name: Name = Field(examples=["VDD_CORE"])
    nominal: Annotated[Volts, Field(gt=0)] = Field(examples=["0.85 V"])
    accuracy: Annotated[Ratio, Field(ge=0, lt=1)] = Field(examples=["0.5 %"])
    settle: SettleFile = Field(examples=["{band: 0.5 %, stable_for: 60 ms, timeout: 2 s}"])
    hard_limits: HardLimitsFile | None = None
    margin: MarginFile | None = None
    levels: dict[Name, AmountText] = Field(default_factory=dict)
    power: PageFile | None = None
    output: OutputFile | None = None
    tracks: TracksFile | None = None
    tied_to: Name | None = None
    why_fixed: Text | None = None
    device_limits: DeviceLimitsFile = DeviceLimitsFile()


class RelationFile(FileModel):
    """A difference of two rails that must hold at every instant: min <= rail - minus <= max."""

    rail: Name = Field(examples=["VDD_IO"])
    minus: Name = Field(examples=["VDD_CORE"])
    min: Volts | None = None
    max: Volts | None = None
