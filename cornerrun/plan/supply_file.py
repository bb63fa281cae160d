"""The keys of a rail that tell what is known of its supply; each may be left out."""

from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field, model_validator

from cornerrun.errors import UnitError
from cornerrun.plan.amounts import Amount, AmountText
from cornerrun.plan.fields import Amperes, FileModel, Name, Ohms, Ratio, Seconds, Volts, VoltsPerSecond, refusal
from cornerrun.plan.supply import Load, Response, Supply, Trim, Upstream
from cornerrun.units import Kind, pattern, quantity

__all__ = ["LimitText", "LoadFile", "ResponseFile", "SupplyFile", "TelemetryFile", "TrimFile", "UpstreamFile"]

_Positive = Annotated[Volts, Field(gt=0)]
_NotNegative = Annotated[Volts, Field(ge=0)]


def _limit(raw: object) -> object:
    """Read a limit: volts, or the share of nominal at which it stands (115 %)."""
    if isinstance(raw, str) and raw.strip().endswith("%"):
        try:
            share = quantity(raw, Kind.RATIO)
        except UnitError as error:
            came, _, advice = str(error).rpartition("; ")
            raise refusal(came, advice) from error
        if raw.strip().startswith(("+", "-")) or not 0.2 <= share <= 3.0:
            advice = "write where it stands: '110 %' of nominal, or volts"
            raise refusal(f"{raw.strip()!r} is no place of a limit", advice)
        return Amount(text=raw.strip(), ratio=share - 1.0)
    return raw


# Any: what json_schema_input_type takes is a type built from parts.
_LIMIT_WRITTEN: Any = Annotated[
    str, Field(pattern=f"{pattern(Kind.RATIO)}|{pattern(Kind.VOLTAGE)}", examples=["0.93 V", "110 %"])
]
LimitText = Annotated[AmountText, BeforeValidator(_limit, json_schema_input_type=_LIMIT_WRITTEN)]


class TelemetryFile(FileModel):
    """How well a device reads its own output: noise (one standard deviation) and systematic error."""

    noise: _NotNegative | None = Field(default=None, examples=["0.2 mV"])
    error: Annotated[Ratio, Field(ge=0, lt=1)] | None = Field(default=None, examples=["0.3 %"])


class LoadFile(FileModel):
    """What a rail feeds: current at nominal, where the supply limits it, the path to the pin, the pin's own range."""

    current: Annotated[Amperes, Field(ge=0)] | None = Field(default=None, examples=["11 A"])
    limit: Annotated[Amperes, Field(gt=0)] | None = Field(default=None, examples=["15 A"])
    kind: Literal["dynamic", "resistive", "constant current", "constant power"] = "dynamic"
    path: Annotated[Ohms, Field(ge=0)] | None = Field(default=None, examples=["0.4 mOhm"])
    min: _Positive | None = Field(default=None, examples=["0.80 V"])
    max: _Positive | None = Field(default=None, examples=["0.90 V"])

    @model_validator(mode="after")
    def _ordered(self) -> "LoadFile":
        if self.min is not None and self.max is not None and self.min >= self.max:
            raise refusal("min is not below max", "write the range that the load is recommended to see at its pin")
        return self


class UpstreamFile(FileModel):
    """What feeds a rail, and what it needs from it."""

    rail: Name | None = Field(default=None, examples=["VDD_5V"])
    condition: Name | None = Field(default=None, examples=["input voltage"])
    voltage: _Positive | None = Field(default=None, examples=["12 V"])
    dropout: _NotNegative | None = Field(default=None, examples=["250 mV"])
    max_duty: Annotated[Ratio, Field(gt=0, le=1)] | None = Field(default=None, examples=["85 %"])
    lockout: _Positive | None = Field(default=None, examples=["4.2 V"])

    @model_validator(mode="after")
    def _one_source(self) -> "UpstreamFile":
        if sum(given is not None for given in (self.rail, self.condition, self.voltage)) != 1:
            raise refusal("one of rail, condition and voltage is due", "write '{rail: NAME, dropout: 250 mV}'")
        return self


class TrimFile(FileModel):
    """How far and how finely a device can move its output: a share of nominal or volts, either way."""

    range: AmountText | None = Field(default=None, examples=["10 %", "90 mV"])
    tolerance: Annotated[Ratio, Field(ge=0, lt=1)] = 0.0
    step: _Positive | None = Field(default=None, examples=["0.3 mV"])
    update: Annotated[Seconds, Field(gt=0)] | None = Field(default=None, examples=["100 ms"])

    @model_validator(mode="after")
    def _some_reach(self) -> "TrimFile":
        given = self.range
        if given is not None and (given.text.startswith(("+", "-")) or not (given.ratio or given.volts or 0.0) > 0):
            advice = "write how far the output can be moved either way: '10 %'"
            raise refusal(f"range {given.text!r} is no reach", advice)
        return self


class ResponseFile(FileModel):
    """How an output follows a new setpoint."""

    slew: Annotated[VoltsPerSecond, Field(gt=0)] | None = Field(default=None, examples=["1 V/ms"])
    time_constant: Annotated[Seconds, Field(gt=0)] | None = Field(default=None, examples=["5 ms"])


class SupplyFile(FileModel):
    """What a rail's section may say of its supply."""

    ripple: _NotNegative | None = Field(default=None, examples=["12 mV"])
    overshoot: _NotNegative | None = Field(default=None, examples=["10 mV"])
    undershoot: _NotNegative | None = Field(default=None, examples=["10 mV"])
    comparator: Annotated[Ratio, Field(ge=0, lt=1)] | None = Field(default=None, examples=["1.5 %"])
    telemetry: TelemetryFile = TelemetryFile()
    load: LoadFile = LoadFile()
    upstream: UpstreamFile | None = None
    trim: TrimFile = TrimFile()
    response: ResponseFile = ResponseFile()
    above_nominal: Annotated[Seconds, Field(gt=0)] | None = Field(default=None, examples=["30 min"])
    above_nominal_in_all: Annotated[Seconds, Field(gt=0)] | None = Field(default=None, examples=["10 h"])

    def supply(self, nominal_v: float) -> Supply:
        """Turn the keys into the noun; shares are of nominal."""
        reach = self.trim.range
        return Supply(
            ripple_v=self.ripple,
            overshoot_v=self.overshoot,
            undershoot_v=self.overshoot if self.undershoot is None else self.undershoot,
            comparator_ratio=self.comparator,
            telemetry_noise_v=self.telemetry.noise,
            telemetry_error_ratio=self.telemetry.error,
            load=Load(
                current_a=self.load.current,
                limit_a=self.load.limit,
                kind=self.load.kind,
                path_ohm=self.load.path,
                min_v=self.load.min,
                max_v=self.load.max,
            ),
            upstream=_upstream(self.upstream),
            trim=Trim(
                reach_v=None if reach is None else float(f"{reach.volts or (reach.ratio or 0.0) * nominal_v:.12g}"),
                tolerance_ratio=self.trim.tolerance,
                step_v=self.trim.step,
                update_s=self.trim.update,
            ),
            response=Response(slew_v_per_s=self.response.slew, time_constant_s=self.response.time_constant),
            above_nominal_s=self.above_nominal,
            above_nominal_in_all_s=self.above_nominal_in_all,
        )


def _upstream(file: UpstreamFile | None) -> Upstream | None:
    if file is None:
        return None
    return Upstream(
        rail=file.rail,
        condition=file.condition,
        voltage_v=file.voltage,
        dropout_v=file.dropout,
        max_duty_ratio=file.max_duty,
        lockout_v=file.lockout,
    )
