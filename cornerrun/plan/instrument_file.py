"""The sections of a bench file that say what instruments it has, and what sets the conditions of a plan."""

from typing import Annotated

from pydantic import Field

from cornerrun.plan.bench_file import ConditionDriver, Instrument, MeterUncertainty, ReferenceChannel, SoakUntil
from cornerrun.plan.fields import (
    Day,
    Degrees,
    FileModel,
    Hertz,
    KelvinsPerSecond,
    Name,
    Number,
    Ratio,
    Seconds,
    Text,
    Volts,
    Whole,
)

__all__ = ["ConditionText", "InstrumentText", "ReferencesText", "Settings"]

Settings = dict[Name, Annotated[str, Field(max_length=1000)]]
Channel = Annotated[Whole, Field(ge=0, le=99_999)]
_PositiveVolts = Annotated[Volts, Field(gt=0)]


class UncertaintyText(FileModel):
    """A meter's specification."""

    reading: Annotated[Ratio, Field(ge=0, lt=1)] = Field(examples=["35 ppm"])
    range: Annotated[Ratio, Field(ge=0, lt=1)] = Field(examples=["5 ppm"])
    coverage: Annotated[Number, Field(gt=0, le=10)] | None = None


class ShortedText(FileModel):
    """A scanner channel whose inputs are shorted: what it reads is the meter's and the scanner's own offset."""

    channel: Channel = Field(examples=["119"])
    within: _PositiveVolts = Field(examples=["10 uV"])


class StandardText(FileModel):
    """A scanner channel on a voltage that is known: a check standard."""

    channel: Channel = Field(examples=["120"])
    value: Volts = Field(examples=["1.000013 V"])
    within: _PositiveVolts = Field(examples=["50 uV"])


class ReferencesText(FileModel):
    """What is wired to a meter besides rails, to see once a run that it still reads right."""

    shorted: ShortedText | None = None
    standard: StandardText | None = None

    def channels(self) -> tuple[ReferenceChannel, ...]:
        """The channels that are wired."""
        found = []
        if self.shorted is not None:
            short = self.shorted
            found.append(ReferenceChannel(name="shorted", channel=short.channel, value_v=0.0, within_v=short.within))
        if self.standard is not None:
            known = self.standard
            found.append(
                ReferenceChannel(
                    name="check standard", channel=known.channel, value_v=known.value, within_v=known.within
                )
            )
        return tuple(found)


class ExpectedText(FileModel):
    """What an instrument must answer to ``*IDN?``; what is left out is not looked at."""

    maker: Text | None = None
    model: Text | None = None
    serial: Text | None = None
    firmware: Text | None = None


class InstrumentText(FileModel):
    """An instrument: how to reach it, its settings and its calibration."""

    driver: Name = Field(examples=["scpi-meter"])
    resource: Text = Field(examples=["TCPIP::192.0.2.7::5025::SOCKET"])
    dialect: Name | None = None
    nplc: Annotated[Number, Field(gt=0, le=1000)] = 1.0
    line: Annotated[Hertz, Field(ge=10, le=1000)] = 50.0
    range: Annotated[Volts, Field(gt=0)] | None = None
    autozero: bool = True
    relay_delay: Annotated[Seconds, Field(ge=0)] = 0.01
    timeout: Annotated[Seconds, Field(gt=0)] | None = None
    uncertainty: UncertaintyText | None = None
    calibrated: Day | None = None
    due: Day | None = None
    references: ReferencesText = ReferencesText()
    identity: ExpectedText = ExpectedText()
    settings: Settings = Field(default_factory=dict)

    def instrument(self, name: str) -> Instrument:
        """Build the noun."""
        given = self.uncertainty
        return Instrument(
            name=name,
            driver=self.driver,
            resource=self.resource,
            nplc=self.nplc,
            line_hz=self.line,
            range_v=self.range,
            autozero=self.autozero,
            relay_delay_s=self.relay_delay,
            timeout_s=self.timeout,
            uncertainty=None
            if given is None
            else MeterUncertainty(reading_ratio=given.reading, range_ratio=given.range, coverage=given.coverage),
            calibrated=self.calibrated,
            due=self.due,
            settings=dict(self.settings),
            dialect=self.dialect,
            references=self.references.channels(),
            identity=self.identity.model_dump(exclude_none=True),
        )


class SoakText(FileModel):
    """When the board has taken on the temperature around it."""

    sensor: Name = Field(default="instrument", examples=["VDD_CORE"])
    window: Annotated[Degrees, Field(gt=0)] = Field(examples=["0.5 degC"])
    slope: Annotated[KelvinsPerSecond, Field(gt=0)] = Field(examples=["0.1 K/min"])
    time: Annotated[Seconds, Field(gt=0)] = Field(examples=["5 min"])


class ConditionText(FileModel):
    """What sets a condition of the plan."""

    driver: Name = Field(examples=["simulated"])
    instrument: Name | None = None
    within: Text | None = None
    stable_for: Annotated[Seconds, Field(ge=0)] | None = None
    soak: SoakText | None = None
    settings: Settings = Field(default_factory=dict)

    def condition(self, name: str) -> ConditionDriver:
        """Build the noun."""
        soak = self.soak
        return ConditionDriver(
            name=name,
            driver=self.driver,
            settings=dict(self.settings),
            instrument=self.instrument,
            within=self.within,
            stable_for_s=self.stable_for,
            soak=None
            if soak is None
            else SoakUntil(sensor=soak.sensor, window_k=soak.window, slope_k_per_s=soak.slope, time_s=soak.time),
        )
